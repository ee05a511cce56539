"""One design's result under the keys that hold wherever a result appears.

Outside the averaged model's range a result is that of the session, stepped through time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from explorer.inputs.study import Project
from explorer.model import averaged, costing, objectives, session
from explorer.model.chain import HEAT
from explorer.model.evaluate import (
    UNBOUNDED_MARGIN,
    Case,
    Evaluation,
    combine,
    evaluate,
    number,
    solve,
)
from explorer.model.regimes import CYCLING, FLOODED, REGIMES, STARVED, STEADY
from explorer.model.space import Designs, describe, design_id
from explorer.physics import pack
from explorer.units import Array

AT_ITS_TERMINALS = 1.0
"""Energies count at a pack's terminals: what it loses of them inside is not asked."""
LEAST_J = 1e-3
"""Less than this in a session is nothing: what a load's first step leaks into a pack."""


class ByTime(NamedTuple):
    """Results of designs stepped through time, and the session's own margins, the worst case's."""

    found: Evaluation
    margins: Mapping[str, Array]


def by_session(project: Project, designs: Designs) -> ByTime:
    """`evaluate` of a few designs by stepping through time: up to some seconds for each and case.

    Margins follow from what the session finds, but that of the stroke's ripple: it is a rule about
    a bank's size, not about its course. A retrying pack's `on_share` counts its waiting.
    """
    plan = project.study.session
    averaged_ones = {
        (person, pack): solve(project, designs, person, pack)
        for person in plan.operators
        for pack in plan.packs
    }
    every = range(len(designs))
    results = {who: session.simulate(project, designs, *who, traces=every) for who in averaged_ones}
    stepped = {
        who: done._replace(session=_as_averaged(results[who], done.session, 60 * plan.minutes))
        for who, done in averaged_ones.items()
    }
    found = combine(project, designs, stepped)
    ripple_V = combine(project, designs, averaged_ones).margins["stroke_ripple_V"]
    own = [result.margins for result in results.values()]
    return ByTime(
        replace(found, margins={**found.margins, "stroke_ripple_V": ripple_V}),
        {name: np.min([one[name] for one in own], axis=0) for name in own[0]},
    )


def answered(project: Project, designs: Designs) -> Evaluation:
    """One design (length 1) by the averaged model where that holds, else stepped through time."""
    quick = evaluate(project, designs)
    return quick if quick.in_range[0] else by_session(project, designs).found


def _as_averaged(
    result: session.SessionResult, quick: averaged.Session, duration_s: float
) -> averaged.Session:
    """A stepped session in the form of the averaged one; what it has no word for stays `quick`'s:
    the voltage without load, and those that only the rule about ripple asks for.
    """
    every = range(len(result.regime))
    cycles = np.array([_turn_ons(result.traces[row]) for row in every])
    since_s = duration_s - result.time_to_first_charge_s
    many = (result.regime == CYCLING) & (cycles > 1)
    on_s = [result.traces[row].seconds[result.traces[row].closed].sum() for row in every]
    rests = np.isin(result.regime, (STARVED, STEADY, FLOODED))
    return replace(
        quick,
        regime=result.regime,
        first_charge_s=result.time_to_first_charge_s,
        cycle_s=np.where(many, since_s / np.maximum(cycles, 1.0), np.inf),
        hold_V=np.where(rests, result.end_inner_V, np.nan),
        peak_V=result.highest_V,
        delivered_J=result.delivered_energy_J,
        heats_J=np.stack([result.ledger_J[name] for name in HEAT], axis=1),
        esr_J=result.ledger_J["esr"],
        stored_J=result.ledger_J["stored"],
        effort=result.effort,
        on_share=np.array(on_s) / duration_s,
    )


def _turn_ons(trace: session.Trace) -> float:
    """How often the window closed; a cycle that stands for many counts as many."""
    new = np.flatnonzero(trace.closed[1:] & ~trace.closed[:-1]) + 1
    return float((trace.seconds[new] / np.maximum(trace.lived_s[new], 1e-12)).sum())


def design_record(
    project: Project, evaluation: Evaluation, row: int, cost: float
) -> dict[str, Any]:
    """One design's result under the keys that hold wherever a result appears.

    A design outside the averaged model's range is stepped through time: `fidelity` says which of
    the two answers, for all of its cases; `averaged` is then None. Ledger, regime and readings are
    those of `ledger_case`.
    """
    if not evaluation.in_range[row]:
        chosen = evaluation.designs.take(np.array([row]))
        stepped = record_of(project, by_session(project, chosen).found, 0, cost, "session")
        return {**stepped, "averaged": None}
    return record_of(project, evaluation, row, cost, "averaged")


def record_of(
    project: Project, evaluation: Evaluation, row: int, cost: float, fidelity: str
) -> dict[str, Any]:
    """The result as the evaluation has it; `fidelity` is what it was found by."""
    minutes = float(project.study.session.minutes)
    parts, settings = describe(project.catalogue, evaluation.designs, row)
    limit = project.study.limits.cost
    weakest = evaluation.cases[int(evaluation.weakest[row])]
    # A margin of infinity does not apply to this design and is left out.
    margins = {
        name: max(float(m[row]), UNBOUNDED_MARGIN)
        for name, m in evaluation.margins.items()
        if m[row] < np.inf
    }
    feasible = bool(np.all([m[row] >= 0 for m in evaluation.margins.values()]))
    if limit is not None:
        margins["limit_cost"] = float(limit - cost)
        feasible = feasible and bool(cost <= limit)
    return {
        "design_id": design_id(parts, settings),
        "fidelity": fidelity,
        "parts": parts,
        "settings": settings,
        **_objectives(project, evaluation, row, cost),
        "currency": project.catalogue.prices.currency,
        "regime": REGIMES[int(evaluation.regime[row])],
        "feasible": feasible,
        "margins": margins,
        "ledger_J": {name: float(v[row]) for name, v in evaluation.ledger_J.items()},
        "ledger_case": {"operator": weakest.operator, "pack": weakest.pack},
        "time_to_first_charge_s": number(evaluation.time_to_first_charge_s[row]),
        "bill": costing.bill(project, evaluation.designs, row),
        "cases": [
            {
                "operator": case.operator,
                "pack": case.pack,
                "minutes": minutes,
                **{key: float(getattr(case, key)[row]) for key in objectives.session_keys()},
                "time_to_first_charge_s": number(case.time_to_first_charge_s[row]),
                "regime": REGIMES[int(case.regime[row])],
                "minutes_per_percent": _minutes_per_percent(project, case, row),
            }
            for case in evaluation.cases
        ],
        "over_cases": project.study.session.over_cases,
        "readings": {name: number(v[row]) for name, v in evaluation.readings.items()},
    }


def _objectives(
    project: Project, evaluation: Evaluation, row: int, cost: float
) -> dict[str, float]:
    """The objectives of one design by key, in their order."""
    one = evaluation.take(np.array([row]))
    return objectives.values(objectives.points_of(project, one, np.array([cost]))[0])


def _minutes_per_percent(project: Project, case: Case, row: int) -> float | None:
    """Minutes at the crank for one percent of the case's pack; None where it gets nothing."""
    energy_J = float(case.delivered_energy_J[row])
    if energy_J < LEAST_J:
        return None
    power_W = energy_J / 60 / project.study.session.minutes
    capacity_Wh = project.catalogue.packs[case.pack].capacity_Wh
    return float(pack.minutes_per_percent(capacity_Wh, AT_ITS_TERMINALS, power_W))
