"""Stored physics at today's prices: what moved, and whether a locked design still stands.

Nothing here computes physics. The store keeps, for every bill of materials, all designs that could
ever be on a front whatever the prices, so the front found here is the one a fresh search of the
same parts would find.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np

from explorer.decision import changes, slips
from explorer.decision.candidates import Candidates
from explorer.decision.changes import Change
from explorer.decision.locked_design import LockedDesign
from explorer.decision.price_changes import (
    PriceChange,
    TermChange,
    price_changes,
    term_changes,
    terms,
)
from explorer.decision.price_sensitivity import break_even_prices
from explorer.decision.reasons import broken_rule
from explorer.decision.verdict import STANDING, Verdict, verdict_on
from explorer.errors import Fault, InputError
from explorer.inputs.prices import Prices
from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model.space import Rows
from explorer.store.keys import Numbers, ids_of
from explorer.store.results import Store
from explorer.store.standing import buyable, front_rows
from explorer.store.stored import Stored
from explorer.units import Array


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


NOTHING_VALID = "holds no design that is valid today, launch first"
"""What is wrong with a store whose designs all break a rule of today."""


@dataclass(frozen=True)
class Repriced:
    """Stored designs at today's prices; `cost` (n,) and `front`, rows of the stored designs.

    `before` (m, 4) are the objectives of the last run's front at its prices, None without one.
    `owned` are the parts of a what-if, `owned_pieces` how many pieces of which parts are free.
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
    owned_pieces: Mapping[str, int | None]
    before: Array | None = None
    changed: tuple[Change, ...] = ()
    physics_evaluations: int = 0

    @property
    def beaten(self) -> bool:
        """Whether a locked design no longer stands, however it is set."""
        return any(verdict.status not in STANDING for verdict in self.locked)

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
            "locked": [verdict.plain for verdict in self.locked],
            "owned": list(self.owned),
            "owned_pieces": dict(self.owned_pieces),
        }


def reprice(
    project: Project,
    stored: Stored,
    *,
    previous: Previous | None = None,
    locks: Sequence[LockedDesign] = (),
    options: Stored | None = None,
) -> Repriced:
    """Cost, front, movements and verdicts at the project's prices. Nothing is written. `options`
    are designs that were stepped when the locked ones were decided for.
    """
    cost = costing.costs(project, stored.designs)
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
        locked=verdicts(project, stored, cost, locks, options),
        since=None if previous is None else previous.when,
        owned=tuple(project.what_if),
        owned_pieces=dict(project.owned),
        before=None if previous is None else previous.points,
    )


def verdicts(
    project: Project,
    stored: Stored,
    cost: Array,
    locks: Sequence[LockedDesign],
    options: Stored | None = None,
) -> tuple[Verdict, ...]:
    """How locked designs stand among stored ones at some costs (n,), and what to do with them."""
    if not locks:
        return ()
    some = buyable(stored, cost)
    pool, cost = stored.take(some), cost[some]
    if options is not None:
        pool = pool.and_(options)
        cost = np.concatenate([cost, costing.costs(project, options.designs)])
    found = Candidates.of_stored(project, pool, cost)
    judged = (verdict_on(project, found, stored, lock) for lock in locks)
    return tuple(
        replace(one, tips=tuple(break_even_prices(project, pool, cost, lock)))
        if one.status == "kept"
        else one
        for lock, one in zip(locks, judged, strict=True)
    )


def last_kept(store: Store) -> Previous | None:
    """The last finished run that kept a front, what-ifs and slips aside."""
    for run in slips.compared_runs(store):
        assert run.result is not None
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


def reprice_and_record(
    project: Project,
    store: Store,
    stored: Stored,
    *,
    locks: Sequence[LockedDesign] = (),
    today: date | None = None,
) -> Repriced:
    """`reprice` against the last run, entered into the history. `stored` is what the store holds.

    The rules that a locked design breaks are named. InputError when nothing stored holds today,
    with what changed since the last run.
    """
    last = last_kept(store)
    changed = changes.since(project, store, last.inputs if last else None)
    if not len(stored):
        reasons = [Fault(str(project.path), "changed", one.words) for one in changed]
        raise InputError([Fault(str(store.path), "", NOTHING_VALID), *reasons])
    run = store.begin("rerun", {"owned": sorted(project.what_if)})
    options = store.load_options(project) if locks else None
    found = reprice(project, stored, previous=last, locks=locks, options=options)
    named = tuple(_with_rules(project, store, stored, one) for one in found.locked)
    found = replace(found, locked=named, changed=changed)
    # Who entered and left, two kept fronts say; what could be done, the store.
    kept = {name: v for name, v in found.summary().items() if name not in ("entered", "left")}
    kept["locked"] = [
        {name: v for name, v in one.items() if name not in ("tips", "options", "nearest")}
        for one in kept["locked"]
    ]
    conclude(project, store, run, stored, found.cost, found.front, kept, today=today)
    return found


def _with_rules(project: Project, store: Store, stored: Stored, one: Verdict) -> Verdict:
    """The verdict with every broken rule named: their margins are not read back for a front."""
    row = stored.find(one.design_id)
    if row is None or stored.keeps_physics[row]:
        return one
    margins = store.evaluation(project, stored, np.array([row])).margins
    broken = [broken_rule(name, float(m[0])) for name, m in margins.items() if m[0] < 0]
    others = [reason for reason in one.reasons if reason.kind not in ("rule", "unnamed_rules")]
    return replace(one, reasons=(*broken, *others))


class Moment(NamedTuple):
    """A point of the history for drawing: best of each objective that was known then, cost of each
    locked design.
    """

    when: str
    kind: str
    front_size: int
    best: Mapping[str, float]
    locked_cost: Mapping[str, float]


def moments(store: Store) -> list[Moment]:
    """How the front and the locked designs' costs moved over time, oldest first, slips left out."""
    found = []
    for run in reversed(list(slips.compared_runs(store))):
        assert run.result is not None
        _, points = store.front_of(run.result["front"])
        verdicts = run.result.get("locked", ())
        best = objectives.values(points.min(axis=0)) if len(points) else {}
        found.append(
            Moment(
                when=run.ended or run.begun,
                kind=run.kind,
                front_size=len(points),
                best={key: value for key, value in best.items() if isfinite(value)},
                locked_cost={v["design_id"]: v["cost"] for v in verdicts if v["cost"] is not None},
            )
        )
    return found
