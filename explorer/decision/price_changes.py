"""What moved between two runs: prices, and what the study says about prices beside its lists."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from explorer.inputs.prices import Price, Prices
from explorer.inputs.study import Project


class PriceChange(NamedTuple):
    """A price that is not what it was; None for what did not or does not exist.

    In the currency of the list, unless the currency or its rate is what changed: then in the
    study's. `why` is price, currency, rate, new or gone.
    """

    part: str
    from_quantity: int
    old: float | None
    new: float | None
    currency: str
    dated: str
    why: str


class TermChange(NamedTuple):
    """What the study says about prices beside the lists, and is not what it was; see `terms`."""

    term: str
    old: float | None
    new: float | None


def price_changes(old: Prices, new: Prices) -> Iterable[PriceChange]:
    """Every price that differs between two lists, in the order of the new one, gone ones last."""

    def rows(prices: Prices) -> dict[tuple[str, int], Price]:
        every = (price for breaks in prices.breaks.values() for price in breaks)
        return {(price.part, price.from_quantity): price for price in every}

    before, after = rows(old), rows(new)
    for key, price in after.items():
        was = before.get(key)
        dated = price.dated.isoformat()
        if was is None:
            yield PriceChange(*key, None, price.amount, price.currency, dated, "new")
        elif was.currency == price.currency and was.amount != price.amount:
            yield PriceChange(*key, was.amount, price.amount, price.currency, dated, "price")
        elif old.currency == new.currency and old.in_currency(was) != new.in_currency(price):
            why = "rate" if was.currency == price.currency else "currency"
            worth = (old.in_currency(was), new.in_currency(price))
            yield PriceChange(*key, *worth, new.currency, dated, why)
    for key, price in before.items():
        if key not in after:
            dated = price.dated.isoformat()
            yield PriceChange(*key, price.amount, None, price.currency, dated, "gone")


def terms(project: Project) -> dict[str, float | None]:
    """What decides costs and the front beside prices and may change between two runs: how many kits
    are built (price breaks count for all of them) and the study's limit on cost.
    """
    study = project.study
    return {"build_quantity": study.prices.build_quantity, "limit_cost": study.limits.cost}


def term_changes(
    old: Mapping[str, float | None], new: Mapping[str, float | None]
) -> Iterable[TermChange]:
    """Every term that differs; one that was not kept before is passed over.

    >>> list(term_changes({"build_quantity": 1}, {"build_quantity": 50, "limit_cost": None}))
    [TermChange(term='build_quantity', old=1, new=50)]
    """
    for term, now in new.items():
        if term in old and old[term] != now:
            yield TermChange(term, old[term], now)
