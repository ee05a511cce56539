"""Stored physics at today's prices: what moved, and whether a locked design still stands.

Nothing here computes physics. The store keeps, for every bill of materials, all designs that could
ever be on a front whatever the prices, so the front found here is the one a fresh search of the
same parts would find.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol

import numpy as np

from explorer.decision import changes
from explorer.decision.changes import Change
from explorer.errors import Fault, InputError
from explorer.inputs.links import LINKS
from explorer.inputs.prices import Price, Prices
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.margins import OF_LIMITS, RULES, limit_margins
from explorer.model.objectives import KEYS as OBJECTIVE_KEYS
from explorer.model.space import Designs, Rows
from explorer.store.keys import Numbers, ids_of
from explorer.store.results import Store
from explorer.store.standing import affordable, front_rows
from explorer.store.stored import Stored
from explorer.units import Array


class Decision(Protocol):
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
        """Why the recorded result no longer holds, in words; empty when it does."""
        ...


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


class Previous(NamedTuple):
    """Where the last run left off; `terms` lacks what that run did not keep, `inputs` names what
    study and tables said (`changes.since`).
    """

    when: str
    prices: Prices
    front: Numbers
    points: Array
    terms: Mapping[str, float | None] = MappingProxyType({})
    inputs: str | None = None


@dataclass(frozen=True)
class Verdict:
    """How a locked design stands today.

    `status` is kept, beaten, infeasible or sold_out: a part is gone from its table, from the prices
    or from the study's choices. `by` holds what the design in `beaten_by` does better in
    each objective, in its unit, never below 0. `basis` says where the locked design's physics is
    from: the store, the lock, or an outdated lock. `reasons` are words for people. Costs are
    today's; `cost_to_stay` and `cost_to_switch` count owned parts as free.
    """

    design_id: str
    status: str
    beaten_by: str | None
    by: Mapping[str, float]
    basis: str
    reasons: tuple[str, ...]
    cost: float | None
    cost_when_locked: float | None
    cost_to_stay: float | None
    cost_to_switch: float | None


@dataclass(frozen=True)
class Repriced:
    """Stored designs at today's prices; `cost` (n,) and `front`, rows of the stored designs.

    `before` (m, 4) are the objectives of the last run's front at its prices, None without one.
    """

    cost: Array
    front: Rows
    price_changes: tuple[PriceChange, ...]
    terms_changed: tuple[TermChange, ...]
    entered: tuple[str, ...]
    left: tuple[str, ...]
    locked: tuple[Verdict, ...]
    since: str | None
    owned: tuple[str, ...]
    before: Array | None = None
    changed: tuple[Change, ...] = ()
    physics_evaluations: int = 0

    @property
    def beaten(self) -> bool:
        """Whether a locked design is no longer on the front."""
        return any(verdict.status != "kept" for verdict in self.locked)

    def summary(self) -> dict[str, Any]:
        """Everything but the front's designs, as plain values."""
        return {
            "since": self.since,
            "price_changes": [change._asdict() for change in self.price_changes],
            "terms_changed": [change._asdict() for change in self.terms_changed],
            "changed": [change._asdict() for change in self.changed],
            "physics_evaluations": self.physics_evaluations,
            "entered": list(self.entered),
            "left": list(self.left),
            "front_size": len(self.front),
            "locked": [asdict(verdict) for verdict in self.locked],
            "owned": list(self.owned),
        }


def reprice(
    project: Project,
    stored: Stored,
    *,
    previous: Previous | None = None,
    locks: Sequence[Decision] = (),
    owned: Collection[str] = (),
) -> Repriced:
    """Cost, front, movements and verdicts at the project's prices. Nothing is written."""
    cost = costing.costs(project, stored.designs, owned=owned)
    rows = front_rows(project, stored, cost)
    now = stored.numbers[rows]
    before = now if previous is None else previous.front
    return Repriced(
        cost=cost,
        front=rows,
        price_changes=()
        if previous is None
        else tuple(price_changes(previous.prices, project.catalogue.prices)),
        terms_changed=()
        if previous is None
        else tuple(term_changes(previous.terms, terms(project))),
        entered=tuple(ids_of(now[~np.isin(now, before)])),
        left=tuple(ids_of(before[~np.isin(before, now)])),
        locked=tuple(verdict(project, stored, cost, lock, owned=owned) for lock in locks),
        since=None if previous is None else previous.when,
        owned=tuple(owned),
        before=None if previous is None else previous.points,
    )


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


class Standing(NamedTuple):
    """A decided design today: its row in the store or None, objectives, where they are from."""

    row: int | None
    designs: Designs
    cost: float
    energy_J: float
    mass_kg: float
    effort_percent: float
    basis: str
    faults: tuple[str, ...]
    sold_out: bool = False

    @property
    def point(self) -> Array:
        """The four objectives, minimised."""
        return np.array([-self.energy_J, self.cost, self.mass_kg, self.effort_percent])


def standing(
    project: Project, stored: Stored, lock: Decision, *, owned: Collection[str] = ()
) -> Standing | tuple[str, ...]:
    """A locked design at today's prices, or which of its parts cannot be had any more."""
    designs, missing = designs_of(project, lock)
    if designs is None:
        return missing
    cost = _cost(project, designs, owned)
    row = stored.find(lock.design_id)
    if row is not None:
        energy, mass = float(stored.delivered_energy_J[row]), float(stored.mass_kg[row])
        effort, first = stored.crank_effort_percent[row], stored.time_to_first_charge_s[row]
        basis = "store"
        broken = (
            [] if stored.keeps_physics[row] else ["it breaks a rule of physics, see its margins"]
        )
    else:
        energy, mass = float(lock.result["delivered_energy_J"]), float(lock.result["mass_kg"])
        effort = lock.result["crank_effort_percent"]
        first = lock.result.get("time_to_first_charge_s") or np.inf
        basis = "outdated lock" if lock.stale else "lock"
        broken = [
            _broken(name, margin)
            for name, margin in lock.margins.items()
            if margin < 0 and name not in (*OF_LIMITS, "limit_cost")
        ]
    values = (energy, mass, float(effort), float(first))
    margins = limit_margins(project.study, *(np.array(v) for v in values))
    broken += [_broken(name, float(m)) for name, m in margins.items() if m < 0]
    gone = [
        f"{link} {lock.parts[link]} is no longer among the study's choices"
        for link in LINKS
        if lock.parts[link] not in project.study.choices[link]
    ]
    limit = project.study.limits.cost
    if limit is not None and cost > limit:
        over = f"{cost - limit:,.2f} {project.catalogue.prices.currency}"
        broken.append(f"it costs {over} more than the study's limit")
    faults = (*gone, *broken)
    return Standing(
        row, designs, cost, energy, mass, float(effort), basis, faults, sold_out=bool(gone)
    )


def _broken(name: str, margin: float) -> str:
    """Which rule is broken and by how much, in words."""
    rule = RULES.get(name)
    if rule is None:
        return f"it breaks {name} by {-margin:.4g}, a rule that this release does not know"
    return f"it breaks {name} by {-margin:.4g} {rule.unit} ({rule.says.rstrip('.')})"


def verdict(
    project: Project,
    stored: Stored,
    cost: Array,
    lock: Decision,
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
    if not isinstance(now, Standing):
        return Verdict(lock.design_id, "sold_out", None, {}, "lock", now, None, then, None, None)
    notes = tuple(f"locked under other data: {words}" for words in lock.stale)
    kits, then_kits = project.study.prices.build_quantity, lock.result.get("build_quantity")
    if then_kits not in (None, kits):
        notes += (f"its price on the day of the lock was for building {then_kits:,}, not {kits:,}",)
    if now.basis == "outdated lock":
        notes += ("its numbers are those of the lock, not of today's tables",)
    rival = _cheapest_rival(project, stored, cost, now)
    by: dict[str, float] = {}
    beaten_by, switch = None, None
    if rival is not None:
        other = stored.objectives(cost)[rival]
        by = dict(zip(OBJECTIVE_KEYS, (now.point - other).tolist(), strict=True))
        (beaten_by,), switch = ids_of([stored.numbers[rival]]), float(cost[rival])
    status = "kept" if rival is None else "beaten"
    if now.faults:
        status = "sold_out" if now.sold_out else "infeasible"
    return Verdict(
        design_id=lock.design_id,
        status=status,
        beaten_by=beaten_by,
        by=by,
        basis=now.basis,
        reasons=(*now.faults, *notes),
        cost=_cost(project, now.designs),
        cost_when_locked=None if then is None else float(then),
        cost_to_stay=now.cost,
        cost_to_switch=switch,
    )


def _cost(project: Project, designs: Designs, owned: Collection[str] = ()) -> float:
    """Cost of one design; unlike `costing.costs` also where the study no longer offers a part."""
    lines = costing.bill(project, designs, 0)
    paid = sum(x["quantity"] * x["unit_price"] for x in lines if x["part"] not in owned)
    return float(costing.money(paid))


def _cheapest_rival(project: Project, stored: Stored, cost: Array, now: Standing) -> int | None:
    """Row of the cheapest design that dominates, most energy among equals; None without one."""
    points = stored.objectives(cost)
    dominates = affordable(project, stored, cost)
    dominates &= (points <= now.point).all(axis=1) & (points < now.point).any(axis=1)
    if now.row is not None:
        dominates[now.row] = False
    rows = np.flatnonzero(dominates)
    if not rows.size:
        return None
    return int(rows[np.lexsort((points[rows, 0], points[rows, 1]))[0]])


def designs_of(project: Project, lock: Decision) -> tuple[Designs | None, tuple[str, ...]]:
    """A locked design in rows of today's tables; None, and the words, when a part is gone."""
    catalogue = project.catalogue
    rows: dict[str, Rows] = {}
    missing = []
    for link in LINKS:
        ids = [part.id for part in catalogue.parts[link]]
        if lock.parts[link] not in ids:
            missing.append(f"{link} {lock.parts[link]} is no longer in its table")
        elif lock.parts[link] not in catalogue.prices.breaks:
            missing.append(f"{link} {lock.parts[link]} has no price any more")
        else:
            rows[link] = np.array([ids.index(lock.parts[link])])
    if missing:
        return None, tuple(missing)
    return Designs(rows, {name: np.array([float(lock.settings[name])]) for name in SETTINGS}), ()


# ---- from run to run


def previous(store: Store) -> Previous | None:
    """The last finished run that kept a front, what-if runs with owned parts aside."""
    for run in reversed(store.history()):
        if run.result and "front" in run.result and not run.result.get("owned"):
            front, points = store.front_of(run.result["front"])
            prices = store.prices_of(run.result["prices"])
            kept = run.result.get("terms", {})
            when, inputs = run.ended or run.begun, run.result.get("inputs")
            return Previous(when, prices, front, points, kept, inputs)
    return None


def conclude(
    project: Project,
    store: Store,
    run: int,
    stored: Stored,
    cost: Array,
    front: Rows,
    result: Mapping[str, Any],
    *,
    today: date | None = None,
) -> None:
    """End a launch or rerun in the history: its prices, terms and front are what the next one
    compares.
    """
    kept = {
        "terms": terms(project),
        "inputs": changes.remember(project, store),
        "prices": store.remember_prices(project.catalogue.prices, today=today),
        "front": store.keep_front(stored.numbers[front], stored.objectives(cost)[front]),
        "front_size": len(front),
    }
    store.finish(run, {**result, **kept})


def rerun(
    project: Project,
    store: Store,
    stored: Stored,
    *,
    locks: Sequence[Decision] = (),
    owned: Collection[str] = (),
    today: date | None = None,
) -> Repriced:
    """`reprice` against the last run, entered into the history. `stored` is what the store holds.

    The rules that a locked design breaks are named. InputError when nothing stored holds today,
    with what changed since the last run.
    """
    last = previous(store)
    changed = changes.since(project, store, last.inputs if last else None)
    if not len(stored):
        rule = "holds no design that is valid today, launch first"
        reasons = [Fault(str(project.path), "changed", one.words) for one in changed]
        raise InputError([Fault(str(store.path), "", rule), *reasons])
    run = store.begin("rerun", {"owned": sorted(owned)})
    found = reprice(project, stored, previous=last, locks=locks, owned=owned)
    named = tuple(_with_rules(project, store, stored, one) for one in found.locked)
    found = replace(found, locked=named, changed=changed)
    conclude(project, store, run, stored, found.cost, found.front, found.summary(), today=today)
    return found


def _with_rules(project: Project, store: Store, stored: Stored, one: Verdict) -> Verdict:
    row = stored.find(one.design_id)
    if row is None or stored.keeps_physics[row]:
        return one
    margins = store.evaluation(project, stored, np.array([row])).margins
    broken = [_broken(name, float(m[0])) for name, m in margins.items() if m[0] < 0]
    return replace(one, reasons=(*broken, *(r for r in one.reasons if not r.startswith("it br"))))


class Moment(NamedTuple):
    """A point of the history for drawing: best of each objective, cost of each locked design."""

    when: str
    kind: str
    front_size: int
    best: Mapping[str, float]
    locked_cost: Mapping[str, float]


def moments(store: Store) -> list[Moment]:
    """How the front and the locked designs' costs moved over time, oldest first."""
    found = []
    for run in store.history():
        if not run.result or "front" not in run.result or run.result.get("owned"):
            continue
        _, points = store.front_of(run.result["front"])
        least = points.min(axis=0) * [-1, 1, 1, 1] if len(points) else ()
        verdicts = run.result.get("locked", ())
        found.append(
            Moment(
                when=run.ended or run.begun,
                kind=run.kind,
                front_size=len(points),
                best=dict(zip(OBJECTIVE_KEYS, map(float, least), strict=False)),
                locked_cost={v["design_id"]: v["cost"] for v in verdicts if v["cost"] is not None},
            )
        )
    return found
