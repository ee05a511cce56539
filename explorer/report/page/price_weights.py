"""Which prices matter, in words, and at which prices the recommended choice changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from explorer.decision import price_sensitivity
from explorer.model.space import describe
from explorer.report.format import cents
from explorer.report.page.locked_prices import price_limit
from explorer.report.page.price_content import PriceLimit, PriceRow
from explorer.report.page.price_view import NAMED, PriceView
from explorer.report.wording import link_words
from explorer.store.keys import ids_of


def price_row(view: PriceView, one: price_sensitivity.PriceWeight) -> PriceRow:
    """A price that matters."""
    return PriceRow(
        one.part,
        view.names.get(one.part, one.part),
        link_words(one.link),
        cents(one.price, view.currency),
        one.front_share,
        one.moved_by_fall,
        one.moved_by_rise,
    )


def weight_sentence(view: PriceView, weights: Sequence[price_sensitivity.PriceWeight]) -> str:
    """How many prices matter, and which do not."""
    if not weights:
        return "No price matters: nothing on offer costs anything."
    idle = [view.names.get(w.part, w.part) for w in weights if not w.matters]
    count = len(weights) - len(idle)
    text = (
        f"Of {len(weights)} prices, {count} would change which designs are on the front if "
        "they alone fell to half or rose to twice what they are."
    )
    return text + (f" These would not: {', '.join(idle)}." if idle else "")


@dataclass(frozen=True)
class ChosenDesign:
    """A stored design as if it were locked today: only what names it is ever read."""

    design_id: str
    parts: Mapping[str, str]
    settings: Mapping[str, float | int]
    result: Mapping[str, Any] = field(default_factory=dict)
    margins: Mapping[str, float] = field(default_factory=dict)
    stale: tuple[str, ...] = ()


def choice_limits(view: PriceView, row: int) -> tuple[PriceLimit, ...]:
    """Prices, each alone, at which a better design than a stored one is there: the nearest first.

    Of one part a rise and a fall may both do so.
    """
    stored, project = view.stored, view.project
    (design_id,) = ids_of(stored.numbers[[row]])
    chosen = ChosenDesign(design_id, *describe(project.catalogue, stored.designs, row))
    found = price_sensitivity.break_even_prices(project, stored, view.cost, chosen)
    return tuple(price_limit(view, one, chosen.parts) for one in found)[:NAMED]
