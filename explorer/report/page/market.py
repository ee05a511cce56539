"""What prices do to a decision, in words and columns: what moved, what would, and what matters.

Everything comes from stored results and kept prices; no physics is computed and nothing is drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.decision import price_sensitivity, repricing
from explorer.decision.lock import Lock
from explorer.decision.picks import picks
from explorer.decision.price_changes import (
    OWNED,
    SMALL,
    TermChange,
    price_changes,
    term_changes,
    terms,
)
from explorer.decision.verdict import Verdict
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import objectives
from explorer.model.space import Rows, evenly
from explorer.report.format import HALF_A_CENT, cents, listed, minute_of, money, signed_percent
from explorer.report.page.bids import bids_of
from explorer.report.page.locked_prices import locked_design
from explorer.report.page.price_content import (
    FrontCloud,
    Market,
    MovedDesign,
    MovedPrice,
    MovedWish,
)
from explorer.report.page.price_history import price_history
from explorer.report.page.price_view import NAMED, PriceView
from explorer.report.page.price_weights import (
    choice_limits,
    price_row,
    weight_sentence,
)
from explorer.report.wording import PICK_WORDS, link_words
from explorer.store.keys import Numbers, ids_of
from explorer.store.stored import Stored
from explorer.units import Array

PRICE_SPAN = (0.5, 2.0)
"""A price is said to matter when the front moves as it alone falls to half or rises to twice."""
CLOUD_POINTS = 2400
"""Designs drawn of a front that moved; more cannot be distinguished."""
WHY_MOVED = {
    "price": "",
    "currency": "in another currency now",
    "rate": "the exchange rate moved",
    "new": "had no price before",
    "gone": "has no price any more",
    "sold_out": "is sold out",
    "stock": "there are more or fewer of them",
}


def market_of(
    project: Project,
    stored: Stored,
    cost: Array,
    rows: Rows,
    *,
    previous: repricing.Previous | None,
    locks: Sequence[Lock],
    verdicts: Mapping[str, Verdict],
    hold: Callable[[Numbers], NDArray[np.bool_]],
    units: Array,
    moments: Sequence[repricing.Moment],
    entries: Sequence[Mapping[str, Any]],
    lock_costs: Sequence[tuple[str, str, float]] = (),
) -> Market:
    """Put what prices do into words.

    `cost` (n,) and `rows` are the stored designs' costs and the front's rows today.
    `previous` is the last kept front that differs from today's in prices or designs. An
    entry is {when, kind, what}; `lock_costs` are (when, design_id, cost) of locks on their day.
    `hold` says which designs hold in their builds, `units` (objectives,) how much of each objective
    counts alike (`front.picks`).
    """
    view = PriceView(project, stored, cost, rows)
    now = stored.numbers[rows]
    before = now if previous is None else previous.front
    entered, left = rows[~np.isin(now, before)], np.flatnonzero(~np.isin(before, now))
    weights = price_sensitivity.price_weights(
        project, stored, cost, fall=PRICE_SPAN[0], rise=PRICE_SPAN[1]
    )
    matter = [one for one in weights if one.matters]
    changes, chosen = _changes(view, previous), _recommended(view, hold, units)
    return Market(
        currency=view.currency,
        what_if=_what_if(view),
        sentence=_moved_sentence(view, previous, len(changes), len(entered), len(left)),
        changes=changes,
        entered=_entered(view, entered),
        entered_count=len(entered),
        left=_left(view, previous, left),
        left_count=len(left),
        wishes=_wishes(view, previous, hold, units),
        before=None if previous is None else _cloud(previous.points, np.isin(before, now)),
        after=_cloud(view.points[rows], np.isin(now, before)),
        decisions=tuple(
            locked_design(view, one, verdicts[one.design_id])
            for one in locks
            if one.design_id in verdicts
        ),
        weights=tuple(price_row(view, one) for one in matter[:NAMED]),
        weight_sentence=weight_sentence(view, weights),
        choice="" if chosen is None else ids_of(stored.numbers[[chosen]])[0],
        choice_limits=() if chosen is None else choice_limits(view, chosen),
        history=price_history(moments, entries, lock_costs),
        entries=tuple((minute_of(str(e["when"])), str(e["what"])) for e in entries),
        bids=bids_of(view),
    )


def _changes(view: PriceView, previous: repricing.Previous | None) -> tuple[MovedPrice, ...]:
    if previous is None:
        return ()
    parts = view.project.catalogue.parts
    links = {part.id: link for link in LINKS for part in parts[link]}
    found = []
    for one in price_changes(previous.prices, view.project.catalogue.prices):
        pieces = f" (from {one.from_quantity} pieces)" if one.from_quantity > 1 else ""
        percent = signed_percent(100 * (one.new / one.old - 1)) if one.old and one.new else ""
        found.append(
            MovedPrice(
                one.part,
                view.names.get(one.part, one.part) + pieces,
                link_words(links[one.part]) if one.part in links else "",
                cents(one.old, one.currency),
                cents(one.new, one.currency),
                percent,
                WHY_MOVED[one.why],
                one.dated,
            )
        )
    return tuple(found)


def _changed_terms(view: PriceView, previous: repricing.Previous) -> str:
    """What of the study's own terms has changed and moves costs or the front, in words."""
    descriptions = {
        "build_quantity": lambda old, new: (
            f"the study builds {new:,} kits instead of {old:,}, which counts for price breaks"
        ),
        "limit_cost": lambda old, new: (
            f"the study's limit on cost is {cents(new, view.currency)} instead of "
            f"{cents(old, view.currency)}"
        ),
    }
    return ", and ".join(
        descriptions[one.term](one.old, one.new)
        if one.term in descriptions
        else _mine_changed(view, one)
        for one in term_changes(previous.terms, terms(view.project))
    )


def _mine_changed(view: PriceView, one: TermChange) -> str:
    """What is at hand now, or what small things cost."""
    old, new = one.old or 0, one.new or 0
    if one.term.startswith(OWNED):
        part = one.term.removeprefix(OWNED)
        return f"you have {new:,.0f} × {view.names.get(part, part)} instead of {old:,.0f}"
    name = one.term.removeprefix(SMALL).replace("_", " ")
    return f"{name} costs {cents(new, view.currency)} instead of {cents(old, view.currency)}"


def _entered(view: PriceView, rows: Rows) -> tuple[MovedDesign, ...]:
    few = evenly(rows, NAMED)
    ids = ids_of(view.stored.numbers[few])
    return tuple(
        MovedDesign(name, view.summary_of(view.points[row]))
        for name, row in zip(ids, few, strict=True)
    )


def _left(
    view: PriceView, previous: repricing.Previous | None, rows: Rows
) -> tuple[MovedDesign, ...]:
    """Designs that left, with why: dearer now, or beaten by one that became cheaper."""
    if previous is None:
        return ()
    found = []
    few = evenly(rows, NAMED)
    for name, point in zip(ids_of(previous.front[few]), previous.points[few], strict=True):
        words = view.summary_of(point)
        row = view.stored.find(name)
        if row is None or not view.stored.feasible[row]:
            words += "; not among today's designs"
        elif abs(view.cost[row] - objectives.values(point)[objectives.COST]) >= HALF_A_CENT:
            words += f"; costs {money(float(view.cost[row]), view.currency)} now"
        found.append(MovedDesign(name, words))
    return tuple(found)


def _recommended(
    view: PriceView, hold: Callable[[Numbers], NDArray[np.bool_]], units: Array
) -> int | None:
    """Row of the recommended design; None where no design holds in its builds."""
    rows = view.rows[hold(view.stored.numbers[view.rows])]
    if not len(rows):
        return None
    return int(rows[picks(view.points[rows], units)["recommended"]])


def _wishes(
    view: PriceView,
    previous: repricing.Previous | None,
    hold: Callable[[Numbers], NDArray[np.bool_]],
    units: Array,
) -> tuple[MovedWish, ...]:
    """The picks then and now, of the designs that hold in their builds."""
    if previous is None:
        return ()
    rows = view.rows[hold(view.stored.numbers[view.rows])]
    known = np.isfinite(previous.points).all(axis=1)
    before = np.flatnonzero(hold(previous.front) & known)
    if not len(rows) or not len(before):
        return ()
    now = picks(view.points[rows], units)
    then = picks(previous.points[before], units)
    found = []
    for wish in sorted(now, key=list(PICK_WORDS).index):
        old, new = before[then[wish]], rows[now[wish]]
        found.append(
            MovedWish(
                PICK_WORDS[wish],
                view.summary_of(previous.points[old]),
                view.summary_of(view.points[new]),
                bool(previous.front[old] == view.stored.numbers[new]),
            )
        )
    return tuple(found)


def _what_if(view: PriceView) -> str:
    if not view.owned:
        return ""
    parts = listed(
        [
            view.names.get(part, part) if count is None else f"{count} × {view.names[part]}"
            for part, count in view.project.what_if.items()
        ]
    )
    return (
        f"What if: {parts} counted as free, since you have them. All costs on this page are "
        "counted that way; the history keeps none of it."
    )


def _moved_sentence(
    view: PriceView, previous: repricing.Previous | None, count: int, entered: int, left: int
) -> str:
    """What moved since the previous front: `count` prices, terms, and how many designs."""
    if previous is None:
        return "Nothing has moved yet: neither prices nor front differ from the first launch."
    causes = f"{count or 'no'} {'prices have' if count > 1 else 'price has'} moved"
    terms = _changed_terms(view, previous)
    if terms:
        causes += f"{', and' if count else ', but'} {terms}"
    if view.owned:
        causes += ", and some parts count as free"
    since, size = minute_of(previous.when), len(view.rows)
    if not entered and not left:
        return f"Since {since}, {causes}; the front still holds the same {size:,} designs."
    return (
        f"Since {since}, {causes}. {entered:,} designs have entered the front, {left:,} have left "
        f"it; {size:,} are on it now."
    )


def _cloud(points: Array, stays: NDArray[np.bool_]) -> FrontCloud:
    few = evenly(np.arange(len(points)), CLOUD_POINTS)
    columns = {one.key: one.sign * points[few, k] for k, one in enumerate(objectives.OBJECTIVES)}

    def digits(key: str) -> tuple[float, ...]:
        return tuple(float(f"{v:.5g}") for v in columns[key])

    return FrontCloud(
        digits(objectives.COST), digits(objectives.ENERGY), tuple(bool(v) for v in stays[few])
    )
