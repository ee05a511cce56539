"""How prices decide: what a part may come to cost before another design wins.

Cost is linear in every price, and energy, mass and effort do not depend on prices. So whether one
design dominates another turns at most once along a price, where their costs cross: everything here
is exact and in closed form, no search along the price is needed.

A part's price means that of one piece in the study's currency; its quantity breaks move in
proportion. The cost of a design along it is `cost + slope * (price - price today)`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.decision.locked_design import LockedDesign, LockStanding, standing
from explorer.decision.what_counts import least_gains
from explorer.errors import Fault, InputError, nearest
from explorer.front import non_dominated
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.costing import rounded_money
from explorer.model.objectives import COST, KEYS
from explorer.model.space import Designs, Rows
from explorer.store.keys import ids_of
from explorer.store.standing import buyable, front_rows
from explorer.store.stored import Stored
from explorer.units import Array

RIVALS_AT_A_TIME = 2_000_000
PHYSICAL = [place for place, key in enumerate(KEYS) if key != COST]
"""Columns of the objectives that prices do not touch."""


class BreakEven(NamedTuple):
    """One price at which a standing design is beaten: its part's rise, or a rival part's fall.

    `price` is today's, `break_even` where the two cost the same, both for one piece in the study's
    currency. `rival` is the design that then beats it, None where the limit on cost does.
    """

    link: str
    part: str
    price: float
    break_even: float
    rival: str | None

    @property
    def change_percent(self) -> float:
        """How far the price has to move, of today's; infinite for a part that is free today."""
        if self.price == 0:
            return float("inf")
        return 100 * (self.break_even / self.price - 1)

    @property
    def plain(self) -> dict[str, Any]:
        """The same under the keys that it has in JSON."""
        return {
            "link": self.link, "part": self.part, "price": self.price, "tips_at": self.break_even,
            "rival": self.rival,
        }  # fmt: skip


@dataclass(frozen=True)
class PriceLine:
    """Which designs are on the front over a range of one part's price.

    `rows` are the stored designs that are on it anywhere in the range; each is on it from `enters`
    to `leaves` (n,), clipped to the range. `next_fall` and `next_rise` are the prices nearest to
    today's at which the front changes, None where it does not.
    """

    link: str
    part: str
    price: float
    low: float
    high: float
    rows: Rows
    enters: Array
    leaves: Array

    @property
    def next_rise(self) -> float | None:
        """First price above today's at which a design enters or leaves."""
        ends = np.concatenate([self.enters, self.leaves])
        later = ends[(ends > self.price) & (ends < self.high)]
        return float(later.min()) if later.size else None

    @property
    def next_fall(self) -> float | None:
        """First price below today's at which a design enters or leaves."""
        ends = np.concatenate([self.enters, self.leaves])
        earlier = ends[(ends < self.price) & (ends > self.low)]
        return float(earlier.max()) if earlier.size else None

    def on_front(self, price: float) -> NDArray[np.bool_]:
        """Which of `rows` are on the front at a price of the range."""
        return np.asarray((self.enters <= price) & (price <= self.leaves))

    def sizes(self) -> tuple[Array, NDArray[np.int64]]:
        """The front's size as a staircase: prices where pieces begin, and designs in each piece."""
        edges = np.unique(np.concatenate([[self.low, self.high], self.enters, self.leaves]))
        middles = (edges[:-1] + edges[1:]) / 2
        return edges[:-1], np.array([int(self.on_front(m).sum()) for m in middles], dtype=np.int64)


class PriceWeight(NamedTuple):
    """How much one price matters: the front when it falls and rises by the factors asked for.

    `front_share` is the share of today's front that uses the part; `moved_by_fall` and
    `moved_by_rise` count designs that enter or leave; `matters` is exact for the whole range.
    """

    link: str
    part: str
    price: float
    front_share: float
    moved_by_fall: int
    moved_by_rise: int
    matters: bool


def base_price(project: Project, part: str) -> float:
    """Price of one piece in the study's currency."""
    return project.catalogue.prices.list_price(part)


def slopes(project: Project, designs: Designs, link: str, part: str) -> Array:
    """How fast each design's cost grows with a part's price (n,): pieces to be bought for a kit,
    breaks considered; 0 where nobody sells so many.
    """
    taken = costing.quantities(project.catalogue, designs)[link]
    return _slopes(project, designs, taken, link, part)


def _slopes(project: Project, designs: Designs, taken: Rows, link: str, part: str) -> Array:
    uses = designs.parts[link] == _row_of(project, link, part)
    base, kits = base_price(project, part), project.study.prices.build_quantity
    slope = np.zeros(len(designs))
    for count in np.unique(taken[uses]).tolist():
        paid = costing.spending(project, part, count)
        lacked = (paid.needed - paid.owned) / kits
        growth = paid.amount / base if base else lacked
        slope[uses & (taken == count)] = growth if isfinite(growth) else 0.0
    return np.round(slope, 9)  # equal slopes must not differ by their last digits


def break_even_prices(
    project: Project,
    stored: Stored,
    cost: Array,
    lock: LockedDesign,
) -> list[BreakEven]:
    """Every single price at which a standing design is beaten by what counts, the least change
    first.

    `cost` (n,) are the stored designs' costs today. A part may appear twice, with a rise and with a
    fall. Empty for a design that does not stand today.
    """
    now = standing(project, stored, lock)
    if not isinstance(now, LockStanding) or now.faults:
        return []
    physics, own = _physics(stored), now.point[PHYSICAL]
    rivals = buyable(stored, cost) & (physics <= own).all(axis=1)
    rivals &= stored.numbers != np.uint64(int(lock.design_id, 16))
    rows = np.flatnonzero(rivals)
    # A rival that is better by what counts wins at the same cost, another one has to cost less.
    counts = least_gains(project, now.point)
    better = (own - physics[rows] > counts[PHYSICAL]).any(axis=1)
    least = np.where(better, 0.0, counts[KEYS.index(COST)])
    gap = rounded_money(cost[rows] - now.cost + least)
    if ((gap < 0) | ((gap == 0) & better)).any():
        return []
    found = []
    limit = project.study.limits.cost
    others = stored.designs.take(rows)
    for link, part in _parts_used(project, (others, now.designs)):
        price = base_price(project, part)
        mine = float(slopes(project, now.designs, link, part)[0])
        lead = slopes(project, others, link, part) - mine
        crossing = price - np.divide(gap, lead, out=np.full(len(gap), np.nan), where=lead != 0)
        rises = _nearest(stored, rows, crossing, lead < 0, price)
        if limit is not None and mine > 0:
            rises.append((price + (limit - now.cost) / mine, None))
        falls = [end for end in _nearest(stored, rows, crossing, lead > 0, price) if end[0] >= 0]
        for ends in (rises, falls):
            if ends:
                nearest_end = min(ends, key=lambda end: abs(end[0] - price))
                found.append(BreakEven(link, part, price, *nearest_end))
    return sorted(found, key=lambda one: abs(one.change_percent))


def front_over_price(
    project: Project,
    stored: Stored,
    part: str,
    low: float,
    high: float,
) -> PriceLine:
    """The front as a function of one part's price between `low` and `high`, in closed form.

    ValueError unless 0 <= low < high; InputError for a part that the study does not offer.
    """
    if not 0 <= low < high < np.inf:
        raise ValueError(f"price range must be rising and not below 0, got {low} to {high}")
    link = _link_of(project, part)
    price, slope, cost = _line(project, stored, link, part)
    rows = _contenders(project, stored, cost, slope, price, low, high)
    enters, leaves = _stays(project, stored, rows, cost, slope, price)
    enters, leaves = np.maximum(enters, low), np.minimum(leaves, high)
    seen = enters < leaves
    return PriceLine(link, part, price, low, high, rows[seen], enters[seen], leaves[seen])


def price_weights(
    project: Project,
    stored: Stored,
    cost: Array,
    *,
    fall: float = 0.5,
    rise: float = 2.0,
) -> list[PriceWeight]:
    """Which prices matter: what the front does when each alone falls and rises by factors.

    Parts that are free, owned or not used by any feasible design are left out. The most moving
    price comes first. ValueError unless 0 <= fall <= 1 <= rise.
    """
    if not 0 <= fall <= 1 <= rise < np.inf:
        raise ValueError(f"fall must be 0 to 1 and rise at least 1, got {fall} and {rise}")
    some = buyable(stored, cost)
    stored, cost = stored.take(some), cost[some]
    today = front_rows(project, stored, cost)
    taken = costing.quantities(project.catalogue, stored.designs)
    found = []
    for link, part in _parts_used(project, (stored.designs,)):
        price = base_price(project, part)
        if price == 0:
            continue
        slope = _slopes(project, stored.designs, taken[link], link, part)
        low, high = fall * price, rise * price
        rows = _contenders(project, stored, cost, slope, price, low, high)
        # Contenders hold every design that is on the front anywhere in the range.
        few, few_slope, few_cost = stored.take(rows), slope[rows], cost[rows]
        ends = [
            rows[front_rows(project, few, rounded_money(few_cost + few_slope * (at - price)))]
            for at in (low, high)
        ]
        moved = [len(np.setxor1d(today, end)) for end in ends]
        # On the front at both ends is on it throughout: straight lines cross once. So without a
        # move, only contenders that are on neither end's front need a closer look.
        matters = any(moved)
        rest = np.setdiff1d(rows, today)
        if not matters and rest.size:
            enters, leaves = _stays(project, stored, rest, cost, slope, price, among=rows)
            matters = bool((np.maximum(enters, low) < np.minimum(leaves, high)).any())
        uses = stored.designs.parts[link][today] == _row_of(project, link, part)
        share = float(uses.mean()) if len(today) else 0.0
        found.append(PriceWeight(link, part, price, share, moved[0], moved[1], matters))
    return sorted(found, key=lambda w: (not w.matters, -(w.moved_by_fall + w.moved_by_rise)))


def _physics(stored: Stored) -> Array:
    """The objectives that prices do not touch, minimised: (n, objectives - 1)."""
    return stored.objectives(np.zeros(len(stored)))[:, PHYSICAL]


def _row_of(project: Project, link: str, part: str) -> int:
    return [one.id for one in project.catalogue.parts[link]].index(part)


def _link_of(project: Project, part: str) -> str:
    for link in LINKS:
        if part in project.study.choices[link]:
            return link
    known = tuple(name for names in project.study.choices.values() for name in names)
    hint = nearest(part, known)
    raise InputError([Fault(str(project.path), "part", "is no choice of the study", part, hint)])


def _parts_used(project: Project, several: tuple[Designs, ...]) -> Iterator[tuple[str, str]]:
    """Link and id of every part that some of the designs use, those aside of which any number is
    owned.
    """
    for link in LINKS:
        rows = np.unique(np.concatenate([designs.parts[link] for designs in several]))
        for row in rows.tolist():
            part = project.catalogue.parts[link][row].id
            if project.owned.get(part, 0) is not None:
                yield link, part


def _nearest(
    stored: Stored, rows: Rows, crossing: Array, side: NDArray[np.bool_], price: float
) -> list[tuple[float, str | None]]:
    """The crossing on one side that is nearest to a price, with the rival's id."""
    if not side.any():
        return []
    best = int(np.argmin(np.where(side, np.abs(crossing - price), np.inf)))
    return [(float(crossing[best]), ids_of([stored.numbers[rows[best]]])[0])]


def _line(project: Project, stored: Stored, link: str, part: str) -> tuple[float, Array, Array]:
    """Price today, slope (n,) and cost today (n,) of all designs along a part's price."""
    cost = costing.costs(project, stored.designs)
    return base_price(project, part), slopes(project, stored.designs, link, part), cost


def _contenders(
    project: Project,
    stored: Stored,
    cost: Array,
    slope: Array,
    price: float,
    low: float,
    high: float,
) -> Rows:
    """Rows of all designs that no single other one beats over the whole range.

    Costs are straight lines, so beaten at both ends is beaten between them.
    """
    limit = np.inf if project.study.limits.cost is None else project.study.limits.cost
    at_low, at_high = cost + slope * (low - price), cost + slope * (high - price)
    rows = np.flatnonzero(buyable(stored, cost) & (np.minimum(at_low, at_high) <= limit))
    ends = np.column_stack(
        [_physics(stored)[rows], rounded_money(at_low[rows]), rounded_money(at_high[rows])]
    )
    return rows[non_dominated(ends)].astype(np.int64)


def _stays(
    project: Project,
    stored: Stored,
    rows: Rows,
    cost: Array,
    slope: Array,
    price: float,
    *,
    among: Rows | None = None,
) -> tuple[Array, Array]:
    """Prices between which no design of `among` beats one of `rows`, and the limit holds.

    A rival that is no worse physically and grows faster with the price beats a design below their
    crossing, one that grows slower beats it above: what is left is one interval a design.
    """
    others = rows if among is None else among
    physics = _physics(stored)
    limit = np.inf if project.study.limits.cost is None else project.study.limits.cost
    enters = np.zeros(len(rows))
    growing = slope[rows] > 0
    leaves = np.where(cost[rows] <= limit, np.inf, -np.inf)
    room = np.divide(limit - cost[rows], slope[rows], out=np.zeros(len(rows)), where=growing)
    leaves = np.where(growing, price + room, leaves)
    step = max(1, RIVALS_AT_A_TIME // max(len(others), 1))
    for start in range(0, len(rows), step):
        mine = rows[start : start + step]
        pair = np.ones((len(mine), len(others)), dtype=bool)
        equal = pair.copy()
        for column in physics.T:
            pair &= column[others][None, :] <= column[mine][:, None]
            equal &= column[others][None, :] == column[mine][:, None]
        pair &= mine[:, None] != others[None, :]
        gap = rounded_money(cost[others][None, :] - cost[mine][:, None])
        lead = slope[others][None, :] - slope[mine][:, None]
        crossing = price - np.divide(gap, lead, out=np.zeros_like(gap), where=lead != 0)
        below = np.where(pair & (lead > 0), crossing, -np.inf).max(axis=1, initial=-np.inf)
        above = np.where(pair & (lead < 0), crossing, np.inf).min(axis=1, initial=np.inf)
        always = (pair & (lead == 0) & ((gap < 0) | ((gap == 0) & ~equal))).any(axis=1)
        here = slice(start, start + step)
        enters[here] = np.where(always, np.inf, np.maximum(enters[here], below))
        leaves[here] = np.minimum(leaves[here], above)
    return enters, leaves
