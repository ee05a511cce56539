"""Designs to objectives, margins and ledger, over every operator and pack of the study."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model import margins as rule_margins
from explorer.model.cases import CaseName, sessions_of_cases, together
from explorer.model.evaluation import Case, Evaluation, ledger_case_of, session_energies
from explorer.model.kernels.accounts import TERMS
from explorer.model.kernels.records import Records
from explorer.model.limits import limit_margins
from explorer.model.regimes import CHATTERING, CYCLING, STEADY
from explorer.model.rows import Rowed
from explorer.model.simulate import Care, Solved, solve
from explorer.model.space import Designs
from explorer.units import RAD_S_PER_RPM, Array

BLOCK = 8192
"""Designs evaluated at a time: bounds memory, far above what overheads need."""


def evaluate(
    project: Project,
    designs: Designs,
    care: Care = Care.FILTER,
    *,
    weakest_share: Array | None = None,
    front: Rowed | None = None,
) -> Evaluation:
    """Results of any number of designs, followed as closely as `care` says.

    `weakest_share` (n,) is how full each string's fullest cell gets over the mean, where it was
    drawn; by default the worst that pieces within their spread come to. `front` are the rows of
    their front halves where they are known already.
    """
    starts = range(0, max(len(designs), 1), BLOCK)
    blocks = [np.arange(s, min(s + BLOCK, len(designs))) for s in starts]
    results = []
    for some in blocks:
        share = None if weakest_share is None else weakest_share[some]
        block = designs.take(some)
        own = front and Rowed(front.machines, front.trio[some], front.drives[some])
        results.append(combine_cases(project, block, solve(project, block, care, own), share))
    return results[0] if len(results) == 1 else Evaluation.concatenate(results)


def combine_cases(
    project: Project,
    designs: Designs,
    solved: Mapping[CaseName, Solved],
    weakest_share: Array | None = None,
) -> Evaluation:
    """Objectives, margins and ledger from the solved cases of some designs."""
    study, solutions = project.study, tuple(solved.values())
    sessions = sessions_of_cases(solved)
    cases = _cases(solved, sessions)
    every = np.arange(len(designs))
    efforts = [
        np.max([cases[place].crank_effort_percent for place in places], axis=0)
        for places in sessions
    ]
    over = study.session.over_cases
    energy = together(session_energies(cases), over, more_is_better=True)
    effort = together(efforts, over, more_is_better=False)
    shown_case = ledger_case_of(cases)

    def shown(values: Sequence[NDArray[Any]]) -> NDArray[Any]:
        return np.asarray(np.stack(values)[shown_case, every])

    mass = costing.mass_kg(project, designs)
    margins = [rule_margins.margins(project, designs, s, weakest_share) for s in solutions]
    least = {name: np.min([m[name] for m in margins], axis=0) for name in margins[0]}
    first_charge_s = np.max([cases[p[-1]].time_to_first_charge_s for p in sessions], axis=0)
    ledgers = [ledger(s.result) for s in solutions]
    readings = [_readings(s) for s in solutions]
    return Evaluation(
        designs=designs,
        delivered_energy_J=energy,
        mass_kg=mass,
        crank_effort_percent=effort,
        time_to_first_charge_s=first_charge_s,
        regime=shown([case.regime for case in cases]),
        margins=least | limit_margins(study, energy, mass, effort, first_charge_s),
        ledger_J={name: shown([one[name] for one in ledgers]) for name in ledgers[0]},
        readings={name: shown([one[name] for one in readings]) for name in readings[0]},
        cases=cases,
        session_ledger_J=_session_ledger(ledgers, sessions, shown),
    )


def _cases(
    solved: Mapping[CaseName, Solved], sessions: Sequence[Sequence[int]]
) -> tuple[Case, ...]:
    """Every case's own values; of shifts in a row the first charge is that of any up to then."""
    firsts = [np.asarray(one.result["first_charge_s"]) for one in solved.values()]
    for places in sessions:
        for before, place in pairwise(places):
            firsts[place] = np.minimum(firsts[before], firsts[place])
    return tuple(
        Case(
            name,
            np.asarray(one.result["delivered_J"]),
            100 * one.result["effort"],
            one.result["regime"].astype(np.int8),
            first_s,
        )
        for (name, one), first_s in zip(solved.items(), firsts, strict=True)
    )


def _session_ledger(
    ledgers: Sequence[Mapping[str, Array]],
    sessions: Sequence[Sequence[int]],
    shown: Callable[[Sequence[NDArray[Any]]], NDArray[Any]],
) -> dict[str, Array]:
    """All shifts of the ledger's session together; nothing where each session has one."""
    if all(len(places) == 1 for places in sessions):
        return {}
    whole = {
        place: {name: np.sum([ledgers[p][name] for p in places], axis=0) for name in ledgers[0]}
        for places in sessions
        for place in places
    }
    return {name: shown([whole[k][name] for k in range(len(ledgers))]) for name in ledgers[0]}


def ledger(result: Records) -> dict[str, Array]:
    """Where the work at the crank went over a session, J; `crank_work` is the sum."""
    # Rounding may leave a lossless gear a hair below nothing.
    terms = {name: np.maximum(result[f"{name}_J"], 0.0) for name in TERMS}
    # What an earlier shift left in the bank may be spent, and so may the swing of a crank that is
    # still turning as this one begins, which is booked with it.
    terms["stored"] = result["stored_J"] + np.minimum(result["kinetic_J"], 0.0)
    return {"crank_work": np.sum(list(terms.values()), axis=0), **terms}


def _readings(solved: Solved) -> dict[str, Array]:
    """What a person would feel and measure."""
    fronts, half, need, result = solved[:4]
    seconds, radius = solved.seconds, fronts.drives["radius_m"][half]
    regime = result["regime"]
    rests, moves = regime == STEADY, np.isin(regime, (CYCLING, CHATTERING))
    at_rest_W = need.load(result["working_V"][:, None]).delivered_W[:, 0]
    mean_W = result["delivered_J"] / seconds
    hold_V = np.where(rests, result["hold_V"], result["end_bus_V"])
    return {
        "crank_power_W": result["crank_work_J"] / seconds,
        "handle_force_N": result["working_torque_N_m"] / radius,
        "start_handle_force_N": result["start_torque_N_m"] / radius,
        "pack_power_W": np.where(rests, at_rest_W, mean_W),
        "hold_V": np.where(moves, np.nan, hold_V),
        "peak_V": np.asarray(result["highest_V"]),
        "idle_V": np.asarray(result["idle_V"]),
        "cycle_s": rule_margins.cycle_s(result),
        "on_share": result["loaded_s"] / seconds,
        "cadence_held_rpm": result["working_rad_s"] / RAD_S_PER_RPM,
        "at_limit_share": result["at_limit_s"] / seconds,
        "winding_C": np.asarray(result["winding_C"]),
    }
