"""What one would pay for a part at the most, in words."""

from __future__ import annotations

from math import floor

from explorer.decision.bids import worth_paying
from explorer.inputs.links import LINKS
from explorer.report.format import cents
from explorer.report.page.price_content import Bid
from explorer.report.page.price_view import PriceView
from explorer.report.wording import link_words


def bids_of(view: PriceView) -> tuple[Bid, ...]:
    """A row a part that costs something, along the chain."""
    project = view.project
    worth, prices = worth_paying(project, view.stored, view.cost), project.catalogue.prices
    return tuple(
        Bid(
            view.names.get(part, part),
            link_words(link),
            _asked(view, part),
            _worth(worth[part], view.currency),
        )
        for link in LINKS
        for part in project.study.choices[link]
        if prices.list_price(part)
    )


def _asked(view: PriceView, part: str) -> str:
    prices = view.project.catalogue.prices
    price = cents(prices.list_price(part), view.currency)
    return price if prices.purchase(part) else f"sold out ({price})"


def _worth(most: float | None, currency: str) -> str:
    """A bid to the cent below it, so that the last cent is still worth paying."""
    if most is None:
        return "any price"
    whole = floor(round(100 * most, 6)) / 100
    return f"up to {cents(whole, currency)}" if whole else "nothing"
