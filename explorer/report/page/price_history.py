"""The front's best and the locked designs' costs at every launch and rerun until now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from explorer.decision import repricing
from explorer.model.objectives import COST, ENERGY, KEYS
from explorer.report.format import minute_of, number
from explorer.report.page.price_content import PriceHistory

LOCKING = ("lock", "release")
"""Kinds of entries that are drawn as events."""


def price_history(
    moments: Sequence[repricing.Moment],
    entries: Sequence[Mapping[str, Any]],
    lock_costs: Sequence[tuple[str, str, float]],
) -> PriceHistory:
    """Columns over time; an entry is {when, kind, what}, a lock's cost (when, design_id, cost)."""
    held = [m for m in moments if m.best]
    best = {key: tuple(m.best.get(key) for m in held) for key in KEYS}
    cost: dict[str, list[tuple[str, float]]] = {}
    costs = [(m.when, name, value) for m in held for name, value in m.locked_cost.items()]
    for when, name, value in sorted([*lock_costs, *costs]):
        cost.setdefault(name, []).append((when, value))
    events = tuple((str(e["when"]), str(e["what"])) for e in entries if e["kind"] in LOCKING)
    if len(held) < 2:
        sentence = "The history has one entry so far; a rerun adds the next."
    else:
        first, last = held[0], held[-1]
        sentence = (
            f"From {minute_of(first.when)} to {minute_of(last.when)} the most energy went from "
            f"{number(first.best[ENERGY])} to {number(last.best[ENERGY])} J and the least cost "
            f"from {first.best[COST]:.2f} to {last.best[COST]:.2f}."
        )
    return PriceHistory(
        tuple(m.when for m in held),
        best,
        {name: tuple(pairs) for name, pairs in cost.items()},
        events,
        sentence,
    )
