"""Whether a locked design still stands at today's prices. Computes no physics."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from math import isclose
from typing import Any, Literal, NamedTuple, Protocol

import numpy as np

from explorer.decision.reasons import Reason, ReasonKind, broken_rule
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model.limits import OF_LIMITS, limit_margins
from explorer.model.objectives import COST, EFFORT, ENERGY, OBJECTIVES, PROMISED_ENERGY
from explorer.model.space import Designs, Rows
from explorer.store.keys import ids_of
from explorer.store.standing import affordable
from explorer.store.stored import Stored
from explorer.units import Array

MASS = "mass_kg"
LIMIT_COST = "limit_cost"

Status = Literal["kept", "beaten", "infeasible", "sold_out"]
Basis = Literal["store", "lock", "outdated lock"]


class LockedDesign(Protocol):
    """A design that somebody chose, as a lock records it."""

    @property
    def design_id(self) -> str: ...
    @property
    def parts(self) -> Mapping[str, str]: ...
    @property
    def settings(self) -> Mapping[str, float | int]: ...
    @property
    def result(self) -> Mapping[str, Any]: ...
    @property
    def margins(self) -> Mapping[str, float]: ...
    @property
    def stale(self) -> tuple[str, ...]:
        """Why the recorded result no longer holds, for people; empty when it does."""
        ...


class NearestForSale(NamedTuple):
    """The design nearest to one that cannot be bought: `parts` (link -> id) and `settings` are
    those that differ from it.
    """

    design_id: str
    parts: Mapping[str, str]
    settings: Mapping[str, float]
    cost: float

    @property
    def words(self) -> str:
        """What is different, on one line."""
        other = [f"{link} {part}" for link, part in self.parts.items()]
        other += [f"{name} {value:g}" for name, value in self.settings.items()]
        return f"{self.design_id} ({', '.join(other) or 'the same parts'})"


@dataclass(frozen=True)
class Verdict:
    """How a locked design stands today.

    `status` is kept, beaten, infeasible or sold_out: a part that is not owned is gone from its
    table, from prices or stock, or from the study's choices; `nearest` is then the nearest design
    that can be bought. `by` holds what the design in `beaten_by` does better in
    each objective, in its unit, never below 0. `basis` says where the locked design's physics is
    from: the store, the lock, or an outdated lock. Costs are today's, of what must be spent:
    `cost_to_stay` and `cost_to_switch` count the parts of a what-if as free, too,
    `cost_of_all_parts` none.
    """

    design_id: str
    status: Status
    beaten_by: str | None
    by: Mapping[str, float]
    basis: Basis
    reasons: tuple[Reason, ...]
    cost: float | None
    cost_when_locked: float | None
    cost_to_stay: float | None
    cost_to_switch: float | None
    cost_of_all_parts: float | None = None
    nearest: NearestForSale | None = None

    @property
    def plain(self) -> dict[str, Any]:
        """The verdict as plain values: `reasons` as sentences for people, and `broken`, by how much
        each broken rule is (rule -> amount in the rule's unit).
        """
        return {
            **asdict(self),
            "nearest": self.nearest and self.nearest._asdict(),
            "reasons": [reason.words for reason in self.reasons],
            "broken": {one.name: one.amount for one in self.reasons if one.kind == "rule"},
        }


class LockStanding(NamedTuple):
    """A locked design today: its row in the store or None, its objectives by key, where they are
    from, and what stands against it.
    """

    row: int | None
    designs: Designs
    values: Mapping[str, float]
    basis: Basis
    faults: tuple[Reason, ...]

    @property
    def cost(self) -> float:
        """What it costs today."""
        return self.values[COST]

    @property
    def sold_out(self) -> bool:
        """Whether the study no longer offers one of its parts."""
        return any(fault.kind == "not_chosen" for fault in self.faults)

    @property
    def point(self) -> Array:
        """The objectives, minimised, (objectives,)."""
        row = objectives.points({key: np.array([v]) for key, v in self.values.items()})
        return np.asarray(row[0])


def standing(
    project: Project, stored: Stored, lock: LockedDesign
) -> LockStanding | tuple[Reason, ...]:
    """A locked design at today's prices, or which of its parts cannot be had any more."""
    designs, missing = designs_of_lock(project, lock)
    if designs is None:
        return missing
    cost = float(costing.costs(project, designs)[0])
    row = stored.find(lock.design_id)
    broken: list[Reason] = []
    basis: Basis = "store"
    if row is not None:
        point = stored.take(np.array([row])).objectives(np.array([cost]))[0]
        values = objectives.values(point)
        first = float(stored.time_to_first_charge_s[row])
        if not stored.keeps_physics[row]:
            broken.append(Reason("unnamed_rules"))
    else:
        values = _recorded_values(project, designs, lock, cost)
        first = lock.result.get("time_to_first_charge_s") or np.inf
        basis = "outdated lock" if lock.stale else "lock"
        broken += [
            broken_rule(name, margin)
            for name, margin in lock.margins.items()
            if margin < 0 and name not in (*OF_LIMITS, LIMIT_COST)
        ]
    limited = (np.array(v) for v in (values[ENERGY], values[MASS], values[EFFORT], first))
    margins = limit_margins(project.study, *limited)
    broken += [broken_rule(name, float(m)) for name, m in margins.items() if m < 0]
    limit = project.study.limits.cost
    if limit is not None and cost > limit:
        broken.append(Reason("cost", amount=cost - limit, unit=project.catalogue.prices.currency))
    gone = [
        Reason("not_chosen", lock.parts[link], link)
        for link in LINKS
        if lock.parts[link] not in project.study.choices[link]
        and not _covered(project, designs, link)
    ]
    return LockStanding(row, designs, values, basis, (*gone, *broken))


def _recorded_values(
    project: Project, designs: Designs, lock: LockedDesign, cost: float
) -> dict[str, float]:
    """Objectives that a lock recorded, the cost as of today. An objective that is newer than the
    lock is computed where parts and settings decide it; KeyError else.
    """
    values = {}
    for one in OBJECTIVES:
        if one.key == COST:
            values[one.key] = cost
        elif one.key not in lock.result and one.of is not None:
            values[one.key] = float(one.of(project, designs)[0])
        else:
            values[one.key] = float(lock.result[one.key])
    if project.study.by_promise and PROMISED_ENERGY in lock.result:
        values[ENERGY] = float(lock.result[PROMISED_ENERGY])
    return values


def verdict_on(
    project: Project,
    stored: Stored,
    cost: Array,
    lock: LockedDesign,
) -> Verdict:
    """Whether a locked design still stands; of several that beat it, the cheapest is named.

    `cost` (n,) are the stored designs' costs.
    """
    # A sum in another currency compares with nothing.
    currency = project.catalogue.prices.currency
    same = lock.result.get("currency", currency) == currency
    then = lock.result.get("cost") if same else None
    now = standing(project, stored, lock)
    if not isinstance(now, LockStanding):
        other = nearest_buyable(project, stored, cost, lock)
        switch = other and other.cost
        return Verdict(
            lock.design_id, "sold_out", None, {}, "lock", now, None, then, None, switch, None, other
        )
    rival = _cheapest_rival(project, stored, cost, now)
    by: dict[str, float] = {}
    beaten_by, switch = None, None
    if rival is not None:
        gain = now.point - stored.objectives(cost)[rival]
        by = {one.key: float(v) for one, v in zip(OBJECTIVES, gain, strict=True)}
        (beaten_by,), switch = ids_of([stored.numbers[rival]]), float(cost[rival])
    status: Status = "kept" if rival is None else "beaten"
    other = None
    if now.faults:
        status = "sold_out" if now.sold_out else "infeasible"
    if now.sold_out:
        other = nearest_buyable(project, stored, cost, lock)
        switch = other.cost if other and switch is None else switch
    return Verdict(
        design_id=lock.design_id,
        status=status,
        beaten_by=beaten_by,
        by=by,
        basis=now.basis,
        reasons=(*now.faults, *_notes(project, lock, now)),
        cost=_finite(costing.costs(replace(project, what_if={}), now.designs)),
        cost_when_locked=None if then is None else float(then),
        cost_to_stay=now.cost,
        cost_to_switch=switch,
        cost_of_all_parts=_finite(costing.costs_of_all_parts(project, now.designs)),
        nearest=other,
    )


def _notes(project: Project, lock: LockedDesign, now: LockStanding) -> list[Reason]:
    """What is not as it was on the day of the lock, none of it against the design."""
    notes = [Reason("other_data", words) for words in lock.stale]
    kits, then = project.study.prices.build_quantity, lock.result.get("build_quantity")
    if then not in (None, kits):
        notes.append(Reason("kits", amount=then, today=kits))
    if now.basis == "outdated lock":
        notes.append(Reason("numbers_of_the_lock"))
    return notes


def _finite(costs: Array) -> float | None:
    """The cost of one design, None where it cannot be bought."""
    return float(costs[0]) if np.isfinite(costs[0]) else None


def _cheapest_rival(project: Project, stored: Stored, cost: Array, now: LockStanding) -> int | None:
    """Row of the cheapest design that dominates, most energy among equals; None without one."""
    points = stored.objectives(cost)
    dominates = affordable(project, stored, cost)
    dominates &= (points <= now.point).all(axis=1) & (points < now.point).any(axis=1)
    if now.row is not None:
        dominates[now.row] = False
    rows = np.flatnonzero(dominates)
    if not rows.size:
        return None
    return int(rows[np.lexsort((-stored.delivered_energy_J[rows], cost[rows]))[0]])


def designs_of_lock(
    project: Project, lock: LockedDesign
) -> tuple[Designs | None, tuple[Reason, ...]]:
    """A locked design in rows of today's tables; None, and the reasons, when a part is gone."""
    catalogue = project.catalogue
    rows: dict[str, Rows] = {}
    missing = []
    for link in LINKS:
        part = lock.parts[link]
        ids = [one.id for one in catalogue.parts[link]]
        if part not in ids:
            missing.append(Reason("no_row", part, link))
        else:
            rows[link] = np.array([ids.index(part)])
    if missing:
        return None, tuple(missing)
    settings = {name: np.array([float(lock.settings[name])]) for name in SETTINGS}
    designs = Designs(rows, settings)
    missing = list(_not_for_sale(project, designs))
    return (None if missing else designs), tuple(missing)


def _not_for_sale(project: Project, designs: Designs) -> Iterator[Reason]:
    """Which parts of one design cannot be bought, of those that are lacking."""
    for line in costing.bill(project, designs, 0):
        if line["bought"] is None:
            needed = line["quantity"] * project.study.prices.build_quantity
            priced = line["part"] in project.catalogue.prices.breaks
            kind: ReasonKind = "no_stock" if priced else "no_price"
            yield Reason(kind, line["part"], line["link"], amount=needed - line["owned"])


def _covered(project: Project, designs: Designs, link: str) -> bool:
    """Whether nothing of a link of one design need be bought, since all of it is at hand."""
    part = project.catalogue.parts[link][int(designs.parts[link][0])].id
    paid = costing.spending(
        project, part, int(costing.quantities(project.catalogue, designs)[link][0])
    )
    return 0 < paid.needed <= paid.owned


def nearest_buyable(
    project: Project, stored: Stored, cost: Array, lock: LockedDesign
) -> NearestForSale | None:
    """The stored design nearest to a locked one that stands within the limits and can be bought:
    with the fewest other parts, of those the least worse than the lock in shares of what the
    objectives span, then the cheapest. None without any.

    `cost` (n,) are the stored designs' costs.
    """
    rows = np.flatnonzero(affordable(project, stored, cost))
    if not rows.size:
        return None
    some = stored.designs.take(rows)
    ids = {link: [part.id for part in project.catalogue.parts[link]] for link in LINKS}
    there = {
        link: ids[link].index(p) if (p := lock.parts[link]) in ids[link] else -1 for link in LINKS
    }
    swapped = sum((some.parts[link] != there[link]).astype(int) for link in LINKS)
    points = stored.objectives(cost)[rows]
    own = [one.sign * float(lock.result.get(one.key, np.nan)) for one in OBJECTIVES]
    span = np.ptp(points, axis=0)
    worse = np.clip(points - own, 0.0, None) / np.where(span > 0, span, 1.0)
    best = int(np.lexsort((cost[rows], np.nan_to_num(worse).sum(axis=1).round(9), swapped))[0])
    parts = {
        link: ids[link][int(some.parts[link][best])]
        for link in LINKS
        if some.parts[link][best] != there[link]
    }
    settings = {name: float(some.settings[name][best]) for name in SETTINGS}
    return NearestForSale(
        ids_of([stored.numbers[rows[best]]])[0],
        parts,
        {k: v for k, v in settings.items() if not isclose(v, float(lock.settings[k]))},
        float(cost[rows[best]]),
    )
