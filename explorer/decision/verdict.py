"""Whether a locked design still stands at today's prices. Computes no physics.

Every reason of a verdict is a name with numbers; `Reason.words` puts it into a sentence, which
nothing reads back.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal, NamedTuple, Protocol

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model.limits import OF_LIMITS, limit_margins
from explorer.model.objectives import COST, EFFORT, ENERGY, OBJECTIVES
from explorer.model.rules import RULES
from explorer.model.space import Designs, Rows
from explorer.store.keys import ids_of
from explorer.store.standing import affordable
from explorer.store.stored import Stored
from explorer.units import Array

MASS = "mass_kg"
LIMIT_COST = "limit_cost"

Status = Literal["kept", "beaten", "infeasible", "sold_out"]
Basis = Literal["store", "lock", "outdated lock"]
ReasonKind = Literal[
    "rule", "unnamed_rules", "cost", "not_chosen", "no_row", "no_price", "other_data", "kits",
    "numbers_of_the_lock",
]  # fmt: skip


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


class Reason(NamedTuple):
    """One reason behind a verdict.

    `kind` decides what the other fields mean:

    - rule: rule `name` is broken by `amount`, in `unit`
    - unnamed_rules: a rule of physics is broken, the margins say which
    - cost: it costs `amount` more than the study's limit, in `unit`
    - not_chosen, no_row, no_price: the part `name` of `link` is not among the study's choices, in
      no table, without a price
    - other_data: it was locked under other data, `name` says which
    - kits: it was priced for `amount` kits, the study builds `today`
    - numbers_of_the_lock: its numbers are recorded ones that no longer hold
    """

    kind: ReasonKind
    name: str = ""
    link: str = ""
    amount: float = 0.0
    unit: str = ""
    today: int = 0

    @property
    def words(self) -> str:
        """The reason as a person reads it."""
        part = f"{self.link} {self.name}"
        match self.kind:
            case "rule":
                return self._rule_words()
            case "unnamed_rules":
                return "it breaks a rule of physics, see its margins"
            case "cost":
                return f"it costs {self.amount:,.2f} {self.unit} more than the study's limit"
            case "not_chosen":
                return f"{part} is no longer among the study's choices"
            case "no_row":
                return f"{part} is no longer in its table"
            case "no_price":
                return f"{part} has no price any more"
            case "other_data":
                return f"locked under other data: {self.name}"
            case "kits":
                return (
                    f"its price on the day of the lock was for building {self.amount:,.0f}, not "
                    f"{self.today:,}"
                )
            case "numbers_of_the_lock":
                return "its numbers are those of the lock, not of today's tables"

    def _rule_words(self) -> str:
        rule = RULES.get(self.name)
        if rule is None:
            return (
                f"it breaks {self.name} by {self.amount:.4g}, a rule that this release does not "
                "know"
            )
        meaning = rule.description.rstrip(".")
        return f"it breaks {self.name} by {self.amount:.4g} {self.unit} ({meaning})"


def broken_rule(name: str, margin: float) -> Reason:
    """The reason that a margin below 0 gives."""
    rule = RULES.get(name)
    return Reason("rule", name, amount=-margin, unit="" if rule is None else rule.unit)


@dataclass(frozen=True)
class Verdict:
    """How a locked design stands today.

    `status` is kept, beaten, infeasible or sold_out: a part is gone from its table, from the prices
    or from the study's choices. `by` holds what the design in `beaten_by` does better in
    each objective, in its unit, never below 0. `basis` says where the locked design's physics is
    from: the store, the lock, or an outdated lock. Costs are today's; `cost_to_stay` and
    `cost_to_switch` count owned parts as free.
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

    @property
    def plain(self) -> dict[str, Any]:
        """The verdict as plain values: `reasons` as sentences for people, and `broken`, by how much
        each broken rule is (rule -> amount in the rule's unit).
        """
        return {
            **asdict(self),
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
    project: Project, stored: Stored, lock: LockedDesign, *, owned: Collection[str] = ()
) -> LockStanding | tuple[Reason, ...]:
    """A locked design at today's prices, or which of its parts cannot be had any more."""
    designs, missing = designs_of_lock(project, lock)
    if designs is None:
        return missing
    cost = _cost(project, designs, owned)
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
    return values


def verdict_on(
    project: Project,
    stored: Stored,
    cost: Array,
    lock: LockedDesign,
    *,
    owned: Collection[str] = (),
) -> Verdict:
    """Whether a locked design still stands; of several that beat it, the cheapest is named.

    `cost` (n,) are the stored designs' costs with the same `owned` parts free.
    """
    # A sum in another currency compares with nothing.
    currency = project.catalogue.prices.currency
    same = lock.result.get("currency", currency) == currency
    then = lock.result.get("cost") if same else None
    now = standing(project, stored, lock, owned=owned)
    if not isinstance(now, LockStanding):
        return Verdict(lock.design_id, "sold_out", None, {}, "lock", now, None, then, None, None)
    rival = _cheapest_rival(project, stored, cost, now)
    by: dict[str, float] = {}
    beaten_by, switch = None, None
    if rival is not None:
        gain = now.point - stored.objectives(cost)[rival]
        by = {one.key: float(v) for one, v in zip(OBJECTIVES, gain, strict=True)}
        (beaten_by,), switch = ids_of([stored.numbers[rival]]), float(cost[rival])
    status: Status = "kept" if rival is None else "beaten"
    if now.faults:
        status = "sold_out" if now.sold_out else "infeasible"
    return Verdict(
        design_id=lock.design_id,
        status=status,
        beaten_by=beaten_by,
        by=by,
        basis=now.basis,
        reasons=(*now.faults, *_notes(project, lock, now)),
        cost=_cost(project, now.designs),
        cost_when_locked=None if then is None else float(then),
        cost_to_stay=now.cost,
        cost_to_switch=switch,
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


def _cost(project: Project, designs: Designs, owned: Collection[str] = ()) -> float:
    """Cost of one design; unlike `costing.costs` also where the study no longer offers a part."""
    lines = costing.bill(project, designs, 0)
    paid = sum(x["quantity"] * x["unit_price"] for x in lines if x["part"] not in owned)
    return float(costing.rounded_money(paid))


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
        elif part not in catalogue.prices.breaks:
            missing.append(Reason("no_price", part, link))
        else:
            rows[link] = np.array([ids.index(part)])
    if missing:
        return None, tuple(missing)
    return Designs(rows, {name: np.array([float(lock.settings[name])]) for name in SETTINGS}), ()
