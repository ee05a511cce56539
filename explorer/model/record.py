"""One design's result under the keys that hold wherever a result appears."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model.evaluation import UNBOUNDED_MARGIN, Case, Evaluation, json_number
from explorer.model.regimes import REGIMES
from explorer.model.space import describe, design_id
from explorer.physics import pack
from explorer.units import Array

AT_ITS_TERMINALS = 1.0
"""Energies count at a pack's terminals: what it loses of them inside is not asked."""
LEAST_J = 1e-3
"""Less than this in a session is nothing: what a load's first step leaks into a pack."""


def design_record(
    project: Project, evaluation: Evaluation, row: int, cost: float
) -> dict[str, Any]:
    """One design's result under the keys that hold wherever a result appears, from its session.
    Its cost is None where nobody sells enough of a part.

    Ledger, regime and readings are those of `ledger_case`. Where people crank in a row,
    `session_ledger_J` is the ledger of all of them into its pack.
    """
    return design_records(project, evaluation.take(np.array([row])), np.array([cost]))[0]


def design_records(project: Project, evaluation: Evaluation, cost: Array) -> list[dict[str, Any]]:
    """Results of all designs of an evaluation at some cost (n,), as `design_record` gives one."""
    points = objectives.points_of(project, evaluation, cost)
    bills = costing.bills(project, evaluation.designs)
    of_all_parts = costing.costs_of_all_parts(project, evaluation.designs)
    shown = evaluation.ledger_case
    kept = np.all([m >= 0 for m in evaluation.margins.values()], axis=0)
    return [
        _record(
            project,
            evaluation,
            row,
            objectives.values(points[row]),
            evaluation.cases[int(shown[row])],
            bool(kept[row]),
            bills[row],
            json_number(of_all_parts[row]),
        )
        for row in range(len(evaluation))
    ]


def _record(
    project: Project,
    evaluation: Evaluation,
    row: int,
    goals: dict[str, float],
    shown: Case,
    feasible: bool,
    bill: list[dict[str, Any]],
    of_all_parts: float | None,
) -> dict[str, Any]:
    parts, settings = describe(project.catalogue, evaluation.designs, row)
    limit = project.study.limits.cost
    # A margin of infinity does not apply to this design and is left out.
    margins = {
        name: max(float(m[row]), UNBOUNDED_MARGIN)
        for name, m in evaluation.margins.items()
        if m[row] < np.inf
    }
    cost = goals[objectives.COST]
    if limit is not None:
        feasible = feasible and bool(cost <= limit)
        if np.isfinite(cost):
            margins["limit_cost"] = float(limit - cost)
    return {
        "design_id": design_id(parts, settings),
        "fidelity": "session",
        "parts": parts,
        "settings": settings,
        **goals,
        objectives.COST: json_number(cost),
        "cost_of_all_parts": of_all_parts,
        "currency": project.catalogue.prices.currency,
        "regime": REGIMES[int(evaluation.regime[row])],
        "feasible": feasible,
        "margins": margins,
        "ledger_J": {name: float(v[row]) for name, v in evaluation.ledger_J.items()},
        **_of_all_shifts(evaluation, row),
        "ledger_case": named(project, shown),
        "time_to_first_charge_s": json_number(evaluation.time_to_first_charge_s[row]),
        "bill": bill,
        "cases": [
            {
                **named(project, case),
                "minutes": minutes_of(project, case),
                **{key: float(getattr(case, key)[row]) for key in objectives.session_keys()},
                "time_to_first_charge_s": json_number(case.time_to_first_charge_s[row]),
                "regime": REGIMES[int(case.regime[row])],
                "minutes_per_percent": _minutes_per_percent(project, case, row),
            }
            for case in evaluation.cases
        ],
        "over_cases": project.study.session.over_cases,
        "readings": {name: json_number(v[row]) for name, v in evaluation.readings.items()},
    }


def minutes_of(project: Project, case: Case) -> float:
    """How long the operator of a case cranks in it."""
    plan = project.study.session
    return float(plan.shifts[case.name.shift].minutes if plan.shifts else plan.minutes)


def named(project: Project, case: Case) -> dict[str, Any]:
    """Whose a case is; of shifts in a row also which one, from 1 on."""
    names: dict[str, Any] = {"operator": case.name.operator, "pack": case.name.pack}
    if project.study.session.shifts:
        names["shift"] = case.name.shift + 1
    return names


def _of_all_shifts(evaluation: Evaluation, row: int) -> dict[str, Any]:
    """Where the work of all shifts went, into the pack of `ledger_case`."""
    whole = evaluation.session_ledger_J
    return {"session_ledger_J": {k: float(v[row]) for k, v in whole.items()}} if whole else {}


def _minutes_per_percent(project: Project, case: Case, row: int) -> float | None:
    """Minutes at the crank for one percent of the case's pack; None where it gets nothing."""
    energy_J = float(case.delivered_energy_J[row])
    if energy_J < LEAST_J:
        return None
    power_W = energy_J / 60 / minutes_of(project, case)
    capacity_Wh = project.catalogue.packs[case.name.pack].capacity_Wh
    return float(pack.minutes_per_percent(capacity_Wh, AT_ITS_TERMINALS, power_W))
