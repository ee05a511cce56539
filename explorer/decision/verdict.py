"""Whether a locked design still stands at today's prices. Computes no physics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from explorer.decision.advice import Advice, Option, weigh
from explorer.decision.candidates import Candidates, Origin
from explorer.decision.locked_design import (
    Basis,
    LockedDesign,
    LockStanding,
    recorded_point,
    standing,
)
from explorer.decision.price_sensitivity import BreakEven
from explorer.decision.reasons import Reason
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.bounds import goal_units
from explorer.store.stored import Stored
from explorer.units import Array

Status = Literal["kept", "adjust", "beaten", "infeasible", "sold_out"]
STANDING: tuple[Status, ...] = ("kept", "adjust")
"""Of a design that no other one beats as long as its settings are right."""


@dataclass(frozen=True)
class Verdict:
    """How a locked design stands today.

    `status` is kept; adjust, where it has to be set otherwise alone; beaten; infeasible; or
    sold_out: a part that is not owned is gone from its table, from prices or stock, or from the
    study's choices. `advice` says what to do, `options` are the best changes without a part, with
    one and with two swapped, where there is one. `beaten_by` is the design that the advice on a
    beaten one names; `by` holds what that does better in each objective, in its unit, never below
    0. `basis` says where the locked design's physics is from: the store, the lock, or an outdated
    lock. Costs are today's, of what must be spent: `cost_to_stay` and `cost_to_switch`, on all of
    the advised design, count the parts of a what-if as free, too, `cost_of_all_parts` none.
    `nearest` is the advised design where this one is sold out; `tips` are the prices at which one
    that is kept would be beaten.
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
    advice: Advice
    options: tuple[Option, ...] = ()
    cost_of_all_parts: float | None = None
    nearest: Option | None = None
    tips: tuple[BreakEven, ...] = ()

    @property
    def plain(self) -> dict[str, Any]:
        """The verdict as plain values: `reasons` as sentences for people, and `broken`, by how much
        each broken rule is (rule -> amount in the rule's unit).
        """
        near = self.nearest
        return {
            **{name: getattr(self, name) for name in self.__dataclass_fields__},
            "by": dict(self.by),
            "advice": self.advice.plain,
            "options": [option.plain for option in self.options],
            "nearest": near
            and {key: near.plain[key] for key in ("design_id", "parts", "settings", "cost")},
            "tips": [end.plain for end in self.tips],
            "reasons": [reason.words for reason in self.reasons],
            "broken": {one.name: one.amount for one in self.reasons if one.kind == "rule"},
        }


def verdict_on(project: Project, found: Candidates, stored: Stored, lock: LockedDesign) -> Verdict:
    """How a locked design stands among candidates, and what to do with it; `stored` are those of
    the study's store, the locked one among them where it holds it.
    """
    # A sum in another currency compares with nothing.
    currency = project.catalogue.prices.currency
    same = lock.result.get("currency", currency) == currency
    then = lock.result.get("cost") if same else None
    found_so = standing(project, stored, lock)
    now = found_so if isinstance(found_so, LockStanding) else None
    faults = found_so.faults if isinstance(found_so, LockStanding) else found_so
    own = recorded_point(lock) if now is None else now.point
    origin = Origin.of(project, lock)
    weighed = weigh(project, found, origin, own, stands=not faults, units=goal_units(project))
    rival, target = weighed.rival, weighed.target
    status: Status = "kept"
    if faults:
        status = "sold_out" if now is None or now.sold_out else "infeasible"
    elif rival is not None:
        status = "beaten" if rival.swaps else "adjust"
    return Verdict(
        design_id=lock.design_id,
        status=status,
        beaten_by=None if rival is None else rival.design_id,
        by={} if rival is None else {k: v for k, v in rival.gains.items() if v is not None},
        basis=now.basis if now else "lock",
        reasons=(*faults, *(_notes(project, lock, now) if now else ())),
        cost=_finite(costing.costs(replace(project, what_if={}), now.designs)) if now else None,
        cost_when_locked=None if then is None else float(then),
        cost_to_stay=now.cost if now else None,
        cost_to_switch=None if target is None else target.cost,
        advice=weighed.advice,
        options=weighed.options,
        cost_of_all_parts=(
            _finite(costing.costs_of_all_parts(project, now.designs)) if now else None
        ),
        nearest=target if status == "sold_out" else None,
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
