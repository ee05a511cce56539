"""What prices do to a decision, in words and columns: what moved, what tips, what matters, history.

Everything comes from stored results and kept prices; no physics is computed and nothing is drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from explorer.decision import picks, price_changes, price_sensitivity, repricing
from explorer.decision.verdict import Verdict
from explorer.inputs.links import LINKS
from explorer.model.objectives import KEYS as OBJECTIVE_KEYS
from explorer.model.space import Rows
from explorer.report.format import money, number
from explorer.report.goals import EFFORT_DIGITS
from explorer.report.wording import LINK_WORDS, PICK_WORDS
from explorer.store.keys import Numbers, ids_of
from explorer.store.stored import Stored
from explorer.units import Array

if TYPE_CHECKING:
    from explorer.decision.lock import Lock
    from explorer.inputs.study import Project

NAMED = 8
"""Designs named of those that entered or left, prices that matter, tips of a locked design."""
PRICE_SPAN = (0.5, 2.0)
"""A price is said to matter when the front moves as it alone falls to half or rises to twice."""
MOST_LINES = 600
"""Designs drawn over one price; more cannot be told apart."""


@dataclass(frozen=True)
class Change:
    """A price that moved."""

    part: str
    name: str
    link: str
    before: str
    after: str
    percent: str
    why: str
    dated: str


@dataclass(frozen=True)
class Mover:
    """A design that entered or left the front; `before` and `after` are costs in words."""

    design_id: str
    words: str


@dataclass(frozen=True)
class Wish:
    """What answered a wish before and what does now."""

    wish: str
    before: str
    after: str
    same: bool


@dataclass(frozen=True)
class Tip:
    """A price at which a locked design falls, rounded so that the design stands up to it."""

    name: str
    link: str
    own: bool
    price: str
    until: str
    percent: str
    rival: str


@dataclass(frozen=True)
class Decision:
    """A locked design at today's prices."""

    design_id: str
    status: str
    note: str
    words: tuple[str, ...]
    rises: tuple[Tip, ...]
    falls: tuple[Tip, ...]
    tip_words: str


@dataclass(frozen=True)
class Weight:
    """A price that matters."""

    part: str
    name: str
    link: str
    price: str
    share: float
    by_fall: int
    by_rise: int


@dataclass(frozen=True)
class Cloud:
    """A front for drawing: cost and energy of each design, and whether it is on the other, too."""

    cost: tuple[float, ...]
    energy_J: tuple[float, ...]
    stays: tuple[bool, ...]


@dataclass(frozen=True)
class Line:
    """The front over one price: each design's energy, from and to which price it is on it."""

    name: str
    price: float
    low: float
    high: float
    energy_J: tuple[float, ...]
    enters: tuple[float, ...]
    leaves: tuple[float, ...]
    uses: tuple[bool, ...]
    prices: tuple[float, ...]
    sizes: tuple[int, ...]
    using: tuple[int, ...]
    sentence: str


@dataclass(frozen=True)
class Course:
    """The front's best and the locked designs' costs over time; events are (when, words)."""

    when: tuple[str, ...]
    best: Mapping[str, tuple[float, ...]]
    locked_cost: Mapping[str, tuple[tuple[str, float], ...]]
    events: tuple[tuple[str, str], ...]
    sentence: str


@dataclass(frozen=True)
class Market:
    """Everything the page says about prices."""

    currency: str
    what_if: str
    sentence: str
    changes: tuple[Change, ...]
    entered: tuple[Mover, ...]
    entered_count: int
    left: tuple[Mover, ...]
    left_count: int
    wishes: tuple[Wish, ...]
    before: Cloud | None
    after: Cloud | None
    decisions: tuple[Decision, ...]
    weights: tuple[Weight, ...]
    weight_sentence: str
    line: Line | None
    course: Course
    entries: tuple[tuple[str, str], ...]


def build(
    project: Project,
    stored: Stored,
    cost: Array,
    rows: Rows,
    *,
    previous: repricing.Previous | None,
    locks: Sequence[Lock],
    verdicts: Mapping[str, Verdict],
    owned: Collection[str],
    hold: Callable[[Numbers], NDArray[np.bool_]],
    units: Array,
    moments: Sequence[repricing.Moment],
    entries: Sequence[Mapping[str, Any]],
    lock_costs: Sequence[tuple[str, str, float]] = (),
) -> Market:
    """Put what prices do into words.

    `cost` (n,) and `rows` are the stored designs' costs and the front's rows today, with `owned`
    free. `previous` is the last kept front that differs from today's in prices or designs. An
    entry is {when, kind, what}; `lock_costs` are (when, design_id, cost) of locks on their day.
    `hold` says which designs hold in their builds, `units` how goals are weighed (`picks.picks`).
    """
    names = {part.id: part.name for link in LINKS for part in project.catalogue.parts[link]}
    currency = project.catalogue.prices.currency
    told = _Telling(project, stored, cost, rows, names, currency)
    changes = told.changes(previous)
    now = stored.numbers[rows]
    before = now if previous is None else previous.front
    entered, left = rows[~np.isin(now, before)], np.flatnonzero(~np.isin(before, now))
    weights = price_sensitivity.price_weights(
        project, stored, cost, fall=PRICE_SPAN[0], rise=PRICE_SPAN[1], owned=owned
    )
    matter = [one for one in weights if one.matters]
    return Market(
        currency=currency,
        what_if=_what_if(owned, names),
        sentence=_moved(
            previous, changes, told.terms(previous), len(entered), len(left), len(rows), bool(owned)
        ),
        changes=changes,
        entered=told.entered(entered),
        entered_count=len(entered),
        left=told.left(previous, left),
        left_count=len(left),
        wishes=told.wishes(previous, hold, units),
        before=None if previous is None else _cloud(previous.points, np.isin(before, now)),
        after=_cloud(stored.objectives(cost)[rows], np.isin(now, before)),
        decisions=tuple(
            told.decision(one, verdicts[one.design_id], owned)
            for one in locks
            if one.design_id in verdicts
        ),
        weights=tuple(told.weight(one) for one in matter[:NAMED]),
        weight_sentence=told.weighed(weights),
        line=told.line(matter[0], owned) if matter else None,
        course=_course(moments, entries, lock_costs),
        entries=tuple((_day(str(e["when"])), str(e["what"])) for e in entries),
    )


@dataclass(frozen=True)
class _Telling:
    """The words, with what all of them need at hand."""

    project: Project
    stored: Stored
    cost: Array
    rows: Rows
    names: Mapping[str, str]
    currency: str

    def changes(self, previous: repricing.Previous | None) -> tuple[Change, ...]:
        if previous is None:
            return ()
        links = {p.id: link for link in LINKS for p in self.project.catalogue.parts[link]}
        whys = {
            "price": "",
            "currency": "in another currency now",
            "rate": "the exchange rate moved",
            "new": "had no price before",
            "gone": "has no price any more",
        }
        found = []
        for one in price_changes.price_changes(previous.prices, self.project.catalogue.prices):
            pieces = f" (from {one.from_quantity} pieces)" if one.from_quantity > 1 else ""
            found.append(
                Change(
                    one.part,
                    self.names.get(one.part, one.part) + pieces,
                    LINK_WORDS.get(links.get(one.part, ""), ""),
                    _cents(one.old, one.currency),
                    _cents(one.new, one.currency),
                    _percent(100 * (one.new / one.old - 1)) if one.old and one.new else "",
                    whys[one.why],
                    one.dated,
                )
            )
        return tuple(found)

    def terms(self, previous: repricing.Previous | None) -> str:
        """What of the study's own terms has changed and moves costs or the front, in words."""
        if previous is None:
            return ""
        told = {
            "build_quantity": lambda old, new: (
                f"the study builds {new:,} kits instead of {old:,}, which counts for price breaks"
            ),
            "limit_cost": lambda old, new: (
                f"the study's limit on cost is {_cents(new, self.currency)} instead of "
                f"{_cents(old, self.currency)}"
            ),
        }
        changes = price_changes.term_changes(previous.terms, price_changes.terms(self.project))
        return ", and ".join(told[one.term](one.old, one.new) for one in changes)

    def point(self, energy_J: float, cost: float, mass_kg: float, effort: float) -> str:
        return (
            f"{number(energy_J)} J, {money(cost, self.currency)}, {number(mass_kg)} kg, "
            f"{number(effort, EFFORT_DIGITS)} % effort"
        )

    def row(self, row: int) -> str:
        stored = self.stored
        return self.point(
            float(stored.delivered_energy_J[row]), float(self.cost[row]),
            float(stored.mass_kg[row]), float(stored.crank_effort_percent[row]),
        )  # fmt: skip

    def entered(self, rows: Rows) -> tuple[Mover, ...]:
        few = _even(rows)
        ids = ids_of(self.stored.numbers[few])
        return tuple(Mover(i, self.row(int(row))) for i, row in zip(ids, few, strict=True))

    def left(self, previous: repricing.Previous | None, rows: Rows) -> tuple[Mover, ...]:
        """Designs that left, with why: dearer now, or beaten by one that became cheaper."""
        if previous is None:
            return ()
        found = []
        few = _even(rows)
        for name, then in zip(ids_of(previous.front[few]), previous.points[few], strict=True):
            energy, cost, *rest = then * [-1, 1, 1, 1]
            words = self.point(energy, cost, *rest)
            row = self.stored.find(name)
            if row is None or not self.stored.feasible[row]:
                words += "; not among today's designs"
            elif abs(self.cost[row] - cost) >= 0.005:
                words += f"; costs {money(float(self.cost[row]), self.currency)} now"
            found.append(Mover(name, words))
        return tuple(found)

    def wishes(
        self,
        previous: repricing.Previous | None,
        hold: Callable[[Numbers], NDArray[np.bool_]],
        units: Array,
    ) -> tuple[Wish, ...]:
        """The picks then and now, of the designs that hold in their builds."""
        if previous is None:
            return ()
        rows = self.rows[hold(self.stored.numbers[self.rows])]
        before = np.flatnonzero(hold(previous.front))
        if not len(rows) or not len(before):
            return ()
        now = picks.picks(self.stored.objectives(self.cost)[rows], units)
        then = picks.picks(previous.points[before], units)
        found = []
        for wish in sorted(now, key=list(PICK_WORDS).index):
            old = before[then[wish]]
            a, b = previous.points[old] * [-1, 1, 1, 1], rows[now[wish]]
            same = bool(previous.front[old] == self.stored.numbers[b])
            found.append(Wish(PICK_WORDS[wish], self.point(*a), self.row(int(b)), same))
        return tuple(found)

    def decision(self, lock: Lock, verdict: Verdict, owned: Collection[str]) -> Decision:
        words = [
            *self.verdict(verdict),
            *(f"{r.words[0].upper()}{r.words[1:]}." for r in verdict.reasons),
        ]
        tips = price_sensitivity.break_even_prices(
            self.project, self.stored, self.cost, lock, owned=owned
        )
        told = [(tip, self.tip(tip, lock)) for tip in tips]
        rises = tuple(t for tip, t in told if tip.break_even > tip.price)
        falls = tuple(t for tip, t in told if tip.break_even <= tip.price)
        if not tips:
            tip_words = (
                "No single price overturns it, as far as the store knows."
                if verdict.status == "kept"
                else ""
            )
        else:
            first = told[0][1]
            way = "rises above" if told[0][0].break_even > told[0][0].price else "falls below"
            tip_words = (
                f"The nearest price that overturns it: {first.name}, when it {way} {first.until} "
                f"({first.price} today)."
            )
        return Decision(
            lock.design_id, verdict.status, lock.note, tuple(words),
            rises[:NAMED], falls[:NAMED], tip_words,
        )  # fmt: skip

    def verdict(self, one: Verdict) -> list[str]:
        if one.status == "kept":
            words = ["Stands: no stored design beats it at today's prices."]
        elif one.status == "infeasible":
            words = ["No longer keeps every rule of today's study."]
        elif one.status == "sold_out":
            words = ["Has a part that is no longer offered."]
        else:
            words = [f"Beaten by {one.beaten_by}, which {self.better(one.by)}."]
        if one.cost is not None and one.cost_when_locked is not None:
            gap = one.cost - one.cost_when_locked
            moved = (
                f"{_cents(abs(gap), self.currency)} {'more' if gap > 0 else 'less'} than"
                if abs(gap) >= 0.005
                else "the same as"
            )
            words.append(
                f"It costs {_cents(one.cost, self.currency)} today, {moved} on the day of the lock."
            )
        if one.cost_to_stay is not None and one.cost_to_switch is not None:
            words.append(
                f"To stay costs {_cents(one.cost_to_stay, self.currency)}, to switch costs "
                f"{_cents(one.cost_to_switch, self.currency)}; parts that you already have count "
                "as free only when the rerun is told of them."
            )
        return words

    def better(self, by: Mapping[str, float]) -> str:
        phrases = {
            "delivered_energy_J": lambda v: f"gives {number(v)} J more",
            "cost": lambda v: f"costs {money(v, self.currency)} less",
            "mass_kg": lambda v: f"weighs {number(v)} kg less",
            "crank_effort_percent": lambda v: f"asks {number(v, EFFORT_DIGITS)} points less effort",
        }
        return ", ".join(phrases[k](v) for k, v in by.items() if v > 0) or "is no worse anywhere"

    def tip(self, tip: price_sensitivity.BreakEven, lock: Lock) -> Tip:
        until = short_of(tip.break_even, tip.price)
        change = tip.change_percent
        return Tip(
            self.names.get(tip.part, tip.part),
            LINK_WORDS[tip.link],
            lock.parts[tip.link] == tip.part,
            _cents(tip.price, self.currency),
            f"{until} {self.currency}",
            _percent(change) if isfinite(change) else "",
            tip.rival or "the study's limit on cost",
        )

    def weight(self, one: price_sensitivity.PriceWeight) -> Weight:
        return Weight(
            one.part,
            self.names.get(one.part, one.part),
            LINK_WORDS[one.link],
            _cents(one.price, self.currency),
            one.front_share,
            one.moved_by_fall,
            one.moved_by_rise,
        )

    def weighed(self, weights: Sequence[price_sensitivity.PriceWeight]) -> str:
        if not weights:
            return "No price matters: nothing on offer costs anything."
        idle = [self.names.get(w.part, w.part) for w in weights if not w.matters]
        count = len(weights) - len(idle)
        text = (
            f"Of {len(weights)} prices, {count} would change which designs are on the front if "
            "they alone fell to half or rose to twice what they are."
        )
        return text + (f" These would not: {', '.join(idle)}." if idle else "")

    def line(self, weight: price_sensitivity.PriceWeight, owned: Collection[str]) -> Line:
        high = 2 * weight.price
        found = price_sensitivity.front_over_price(self.project, self.stored, weight.part, 0, high,
                                         owned=owned)  # fmt: skip
        row_of = [p.id for p in self.project.catalogue.parts[weight.link]].index(weight.part)
        uses = self.stored.designs.parts[weight.link][found.rows] == row_of
        edges, sizes = found.sizes()
        middles = (edges + np.append(edges[1:], high)) / 2
        using = [int((found.on_front(m) & uses).sum()) for m in middles]
        few = _even(np.arange(len(found.rows)), MOST_LINES)
        name = self.names.get(weight.part, weight.part)
        ends = [p for p in (found.next_fall, found.next_rise) if p is not None]
        # Finer than cents: a front of a thousand designs changes within one.
        near = " and ".join(f"{_fine(p)} {self.currency}" for p in ends)
        sentence = (
            f"{name} costs {_cents(weight.price, self.currency)}. Were it free, "
            f"{using[0]:,} of {int(sizes[0]):,} designs on the front would use it; at twice its "
            f"price {using[-1]:,} of {int(sizes[-1]):,}."
            + (f" The front next changes at {near}." if near else "")
        )

        def digits(values: Array) -> tuple[float, ...]:
            return tuple(float(f"{v:.5g}") for v in values)

        return Line(
            name, weight.price, 0.0, high,
            digits(self.stored.delivered_energy_J[found.rows[few]]),
            digits(found.enters[few]), digits(found.leaves[few]),
            tuple(uses[few].tolist()), digits(edges), tuple(sizes.tolist()), tuple(using),
            sentence,
        )  # fmt: skip


def short_of(tips_at: float, price: float) -> str:
    """The last price short of a tipping price, to the cent or as fine as it takes to differ.

    At a tie the rival wins wherever it is better in another goal, so a whole cent is not enough.

    >>> short_of(17.80, 12.5), short_of(8.191, 13.5), short_of(2.4003, 2.4)
    ('17.79', '8.20', '2.4002')
    """
    for digits in (2, 3, 4):
        near = round(tips_at * 10**digits, 6)  # 17.80 is not 1779.9999 cents
        until = (ceil(near) - 1 if tips_at > price else floor(near) + 1) / 10**digits
        if (until - price) * (tips_at - price) > 0:
            break
    return f"{until:,.{digits}f}"


def _what_if(owned: Collection[str], names: Mapping[str, str]) -> str:
    if not owned:
        return ""
    return (
        f"What if: {', '.join(names.get(part, part) for part in owned)} counted as free, since you "
        "have them. All costs on this page are told that way; the history keeps none of it."
    )


def _moved(
    previous: repricing.Previous | None,
    changes: Sequence[Change],
    terms: str,
    entered: int,
    left: int,
    size: int,
    owned: bool,
) -> str:
    if previous is None:
        return "Nothing has moved yet: neither prices nor front differ from the first launch."
    count = len(changes)
    causes = "no price has moved" if not count else (
        "1 price has moved" if count == 1 else f"{count} prices have moved"
    )  # fmt: skip
    if terms:
        causes += f"{', and' if count else ', but'} {terms}"
    if owned:
        causes += ", and some parts count as free"
    if not entered and not left:
        return (
            f"Since {_day(previous.when)}, {causes}; the front still holds the same "
            f"{size:,} designs."
        )
    return (
        f"Since {_day(previous.when)}, {causes}. {entered:,} designs have entered the front, "
        f"{left:,} have left it; {size:,} are on it now."
    )


def _cloud(points: Array, stays: NDArray[np.bool_]) -> Cloud:
    few = _even(np.arange(len(points)), 4 * MOST_LINES)
    energy, cost = -points[few, 0], points[few, 1]
    return Cloud(
        tuple(float(f"{v:.5g}") for v in cost),
        tuple(float(f"{v:.5g}") for v in energy),
        tuple(bool(v) for v in stays[few]),
    )


def _course(
    moments: Sequence[repricing.Moment],
    entries: Sequence[Mapping[str, Any]],
    lock_costs: Sequence[tuple[str, str, float]],
) -> Course:
    held = [m for m in moments if m.best]
    best = {key: tuple(m.best[key] for m in held) for key in OBJECTIVE_KEYS}
    cost: dict[str, list[tuple[str, float]]] = {}
    costs = [(m.when, name, value) for m in held for name, value in m.locked_cost.items()]
    for when, name, value in sorted([*lock_costs, *costs]):
        cost.setdefault(name, []).append((when, value))
    events = tuple(
        (str(e["when"]), str(e["what"])) for e in entries if e["kind"] in ("lock", "release")
    )
    if len(held) < 2:
        sentence = "The history has one entry so far; a rerun adds the next."
    else:
        first, last = held[0], held[-1]
        sentence = (
            f"From {_day(first.when)} to {_day(last.when)} the most energy went from "
            f"{number(first.best['delivered_energy_J'])} to "
            f"{number(last.best['delivered_energy_J'])} J and the least cost from "
            f"{first.best['cost']:.2f} to {last.best['cost']:.2f}."
        )
    return Course(
        tuple(m.when for m in held), best,
        {name: tuple(pairs) for name, pairs in cost.items()}, events, sentence,
    )  # fmt: skip


def _even(rows: Rows, count: int = NAMED) -> Rows:
    """At most `count` of some rows, evenly thinned."""
    if len(rows) <= count:
        return rows
    return rows[np.linspace(0, len(rows) - 1, count).astype(np.intp)]


def _fine(price: float) -> str:
    """A price to the cent, or as fine as a hundredth of one where it needs that.

    >>> _fine(13.48), _fine(1234.5678)
    ('13.48', '1,234.5678')
    """
    whole, digits = f"{price:,.4f}".split(".")
    return f"{whole}.{digits[:2]}{digits[2:].rstrip('0')}"


def _cents(amount: float | None, currency: str) -> str:
    return "none" if amount is None else f"{amount:,.2f} {currency}"


def _percent(value: float) -> str:
    return f"{'+' if value > 0 else ''}{number(value, 2)} %"


def _day(when: str) -> str:
    """A moment as people write it: 2026-11-25 11:04.

    >>> _day("2026-11-25T11:04:31+00:00")
    '2026-11-25 11:04'
    """
    return when[:16].replace("T", " ")
