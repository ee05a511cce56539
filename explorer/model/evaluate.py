"""Designs to objectives, margins and ledger, over every operator and pack of the study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model import margins as rule_margins
from explorer.model.evaluation import Case, Evaluation
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
    solved: Mapping[tuple[str, str], Solved],
    weakest_share: Array | None = None,
) -> Evaluation:
    """Objectives, margins and ledger from the solved cases (operator, pack) of some designs."""
    study = project.study
    solutions = tuple(solved.values())
    cases = tuple(
        Case(
            *who,
            np.asarray(s.result["delivered_J"]),
            100 * s.result["effort"],
            s.result["regime"].astype(np.int8),
            np.asarray(s.result["first_charge_s"]),
        )
        for who, s in solved.items()
    )
    margins = [rule_margins.margins(project, designs, s, weakest_share) for s in solutions]
    energies = np.stack([case.delivered_energy_J for case in cases])
    efforts = np.stack([case.crank_effort_percent for case in cases])
    worst = study.session.over_cases == "worst"
    energy = energies.min(axis=0) if worst else energies.mean(axis=0)
    effort = efforts.max(axis=0) if worst else efforts.mean(axis=0)
    weakest = energies.argmin(axis=0)

    def shown(values: Sequence[NDArray[Any]]) -> NDArray[Any]:
        return np.asarray(np.stack(values)[weakest, np.arange(len(designs))])

    mass = costing.mass_kg(project, designs)
    together = {name: np.min([m[name] for m in margins], axis=0) for name in margins[0]}
    first_charge_s = np.max([case.time_to_first_charge_s for case in cases], axis=0)
    together |= limit_margins(study, energy, mass, effort, first_charge_s)
    ledgers = [ledger(s.result) for s in solutions]
    readings = [_readings(project, s) for s in solutions]
    return Evaluation(
        designs=designs,
        delivered_energy_J=energy,
        mass_kg=mass,
        crank_effort_percent=effort,
        time_to_first_charge_s=first_charge_s,
        regime=shown([case.regime for case in cases]),
        margins=together,
        ledger_J={name: shown([one[name] for one in ledgers]) for name in ledgers[0]},
        readings={name: shown([one[name] for one in readings]) for name in readings[0]},
        cases=cases,
    )


def ledger(result: Records) -> dict[str, Array]:
    """Where the work at the crank went over a session, J; `crank_work` is the sum."""
    # Rounding may leave a lossless gear a hair below nothing.
    terms = {name: np.maximum(result[f"{name}_J"], 0.0) for name in TERMS}
    return {"crank_work": np.sum(list(terms.values()), axis=0), **terms}


def _readings(project: Project, solved: Solved) -> dict[str, Array]:
    """What a person would feel and measure."""
    fronts, half, need, result, _ = solved
    seconds, radius = 60 * project.study.session.minutes, fronts.drives["radius_m"][half]
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
