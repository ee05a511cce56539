"""Which prices matter, in words, and the front over the price that matters most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from explorer.decision import price_sensitivity
from explorer.model.space import evenly
from explorer.report.format import cents, fine_price
from explorer.report.page.price_content import FrontOverPrice, PriceRow
from explorer.report.page.price_view import PriceView
from explorer.report.wording import link_words
from explorer.units import Array

MOST_LINES = 600
"""Designs drawn over one price; more cannot be distinguished."""


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


def over_price_of(view: PriceView, weight: price_sensitivity.PriceWeight) -> FrontOverPrice:
    """The front from a free part to one at twice its price."""
    stored, high = view.stored, 2 * weight.price
    found = price_sensitivity.front_over_price(view.project, stored, weight.part, 0, high)
    row_of = [p.id for p in view.project.catalogue.parts[weight.link]].index(weight.part)
    uses = stored.designs.parts[weight.link][found.rows] == row_of
    edges, sizes = found.sizes()
    middles = (edges + np.append(edges[1:], high)) / 2
    using = [int((found.on_front(m) & uses).sum()) for m in middles]
    few = evenly(np.arange(len(found.rows)), MOST_LINES)
    name = view.names.get(weight.part, weight.part)
    ends = [p for p in (found.next_fall, found.next_rise) if p is not None]
    # Finer than cents: a front of a thousand designs changes within one.
    near = " and ".join(f"{fine_price(p)} {view.currency}" for p in ends)
    sentence = (
        f"{name} costs {cents(weight.price, view.currency)}. Were it free, {using[0]:,} of "
        f"{int(sizes[0]):,} designs on the front would use it; at twice its price {using[-1]:,} "
        f"of {int(sizes[-1]):,}."
    )
    if near:
        sentence += f" The front next changes at {near}."

    def digits(values: Array) -> tuple[float, ...]:
        return tuple(float(f"{v:.5g}") for v in values)

    return FrontOverPrice(
        name,
        weight.price,
        0.0,
        high,
        digits(stored.delivered_energy_J[found.rows[few]]),
        digits(found.enters[few]),
        digits(found.leaves[few]),
        tuple(uses[few].tolist()),
        digits(edges),
        tuple(sizes.tolist()),
        tuple(using),
        sentence,
    )
