"""A locked design today: what it comes to in today's tables and prices, what stands against it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Literal, NamedTuple, Protocol

import numpy as np

from explorer.decision.reasons import Reason, ReasonKind, broken_rule
from explorer.decision.what_counts import MASS
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model.limits import OF_LIMITS, limit_margins
from explorer.model.objectives import COST, EFFORT, ENERGY, OBJECTIVES, PROMISED_ENERGY
from explorer.model.space import Designs, Rows
from explorer.store.stored import Stored
from explorer.units import Array

LIMIT_COST = "limit_cost"

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


def recorded_point(lock: LockedDesign) -> Array:
    """The objectives of a lock as it recorded them, minimised, (objectives,); NaN where it did not,
    and for the cost, since what cannot be had has none today.
    """
    recorded = {one.key: lock.result.get(one.key) for one in OBJECTIVES if one.key != COST}
    known = {key: np.nan if v is None else float(v) for key, v in recorded.items()}
    return np.array([one.sign * known.get(one.key, np.nan) for one in OBJECTIVES])


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
