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

    Ledger, regime and readings are those of `ledger_case`.
    """
    return design_records(project, evaluation.take(np.array([row])), np.array([cost]))[0]


def design_records(project: Project, evaluation: Evaluation, cost: Array) -> list[dict[str, Any]]:
    """Results of all designs of an evaluation at some cost (n,), as `design_record` gives one."""
    points = objectives.points_of(project, evaluation, cost)
    bills = costing.bills(project, evaluation.designs)
    weakest = evaluation.weakest
    kept = np.all([m >= 0 for m in evaluation.margins.values()], axis=0)
    return [
        _record(
            project,
            evaluation,
            row,
            objectives.values(points[row]),
            evaluation.cases[int(weakest[row])],
            bool(kept[row]),
            bills[row],
        )
        for row in range(len(evaluation))
    ]


def _record(
    project: Project,
    evaluation: Evaluation,
    row: int,
    goals: dict[str, float],
    weakest: Case,
    feasible: bool,
    bill: list[dict[str, Any]],
) -> dict[str, Any]:
    minutes = float(project.study.session.minutes)
    parts, settings = describe(project.catalogue, evaluation.designs, row)
    limit = project.study.limits.cost
    # A margin of infinity does not apply to this design and is left out.
    margins = {
        name: max(float(m[row]), UNBOUNDED_MARGIN)
        for name, m in evaluation.margins.items()
        if m[row] < np.inf
    }
    if limit is not None:
        cost = goals[objectives.COST]
        margins["limit_cost"] = float(limit - cost)
        feasible = feasible and bool(cost <= limit)
    return {
        "design_id": design_id(parts, settings),
        "fidelity": "session",
        "parts": parts,
        "settings": settings,
        **goals,
        "currency": project.catalogue.prices.currency,
        "regime": REGIMES[int(evaluation.regime[row])],
        "feasible": feasible,
        "margins": margins,
        "ledger_J": {name: float(v[row]) for name, v in evaluation.ledger_J.items()},
        "ledger_case": {"operator": weakest.operator, "pack": weakest.pack},
        "time_to_first_charge_s": json_number(evaluation.time_to_first_charge_s[row]),
        "bill": bill,
        "cases": [
            {
                "operator": case.operator,
                "pack": case.pack,
                "minutes": minutes,
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


def _minutes_per_percent(project: Project, case: Case, row: int) -> float | None:
    """Minutes at the crank for one percent of the case's pack; None where it gets nothing."""
    energy_J = float(case.delivered_energy_J[row])
    if energy_J < LEAST_J:
        return None
    power_W = energy_J / 60 / project.study.session.minutes
    capacity_Wh = project.catalogue.packs[case.pack].capacity_Wh
    return float(pack.minutes_per_percent(capacity_Wh, AT_ITS_TERMINALS, power_W))
