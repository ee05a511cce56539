"""Designs to objectives, margins and ledger, over every operator and pack of the study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.study import Project
from explorer.model import averaged, costing, demand, supply
from explorer.model import margins as rule_margins
from explorer.model.chain import HEAT, Chain
from explorer.model.evaluation import UNBOUNDED_MARGIN as UNBOUNDED_MARGIN
from explorer.model.evaluation import Case as Case
from explorer.model.evaluation import Evaluation as Evaluation
from explorer.model.evaluation import number as number
from explorer.model.regimes import STEADY
from explorer.model.space import Designs
from explorer.model.supply import LOSSES, TERMS, Halves
from explorer.units import Array

BLOCK = 8192
"""Designs evaluated at a time: bounds memory, far above what overheads need."""


def evaluate(
    project: Project,
    designs: Designs,
    *,
    nodes: int = supply.NODES,
    weakest_share: Array | None = None,
) -> Evaluation:
    """Averaged fidelity of any number of designs.

    `nodes` are the bus voltages at which each front half is solved: fewer are faster and coarser.
    `weakest_share` (n,) is how full each string's fullest cell gets over the mean, where it was
    drawn; by default the worst that pieces within their spread come to.
    """
    starts = range(0, max(len(designs), 1), BLOCK)
    blocks = [np.arange(s, min(s + BLOCK, len(designs))) for s in starts]
    results = [
        _evaluate_block(
            project, designs.take(rows), nodes, None if weakest_share is None
            else weakest_share[rows],
        )
        for rows in blocks
    ]  # fmt: skip
    return results[0] if len(results) == 1 else Evaluation.concatenate(results)


class Solved(NamedTuple):
    """One case of a block: its chain, front halves and session."""

    chain: Chain
    halves: Halves
    session: averaged.Session


def solve(
    project: Project,
    designs: Designs,
    operator_id: str,
    pack_id: str,
    *,
    nodes: int = supply.NODES,
) -> Solved:
    """The averaged session of one operator and pack."""
    catalogue, plan = project.catalogue, project.study.session
    duration_s = 60 * plan.minutes
    first, half = supply.distinct(designs)
    halves = Halves.of(
        catalogue, designs.take(first), catalogue.operators[operator_id], duration_s,
        plan.winding_C,
    )  # fmt: skip
    chain = Chain(
        supply.curves(halves, nodes),
        half,
        demand.demand(catalogue, designs, catalogue.packs[pack_id]),
    )
    return Solved(chain, halves, averaged.session(chain, duration_s))


def _evaluate_block(
    project: Project, designs: Designs, nodes: int, weakest_share: Array | None
) -> Evaluation:
    plan = project.study.session
    solved = {
        (operator_id, pack_id): solve(project, designs, operator_id, pack_id, nodes=nodes)
        for operator_id in plan.operators
        for pack_id in plan.packs
    }
    return combine(project, designs, solved, weakest_share)


def combine(
    project: Project,
    designs: Designs,
    solved: Mapping[tuple[str, str], Solved],
    weakest_share: Array | None = None,
) -> Evaluation:
    """Objectives, margins and ledger from the solved cases (operator, pack) of some designs."""
    study, catalogue = project.study, project.catalogue
    solutions = tuple(solved.values())
    cases = tuple(
        Case(
            *who,
            s.session.delivered_J,
            s.session.effort,
            s.session.regime,
            s.session.first_charge_s,
        )
        for who, s in solved.items()
    )
    margins = [
        rule_margins.margins(project, designs, s.chain, s.halves, s.session, weakest_share)
        for s in solutions
    ]
    energies = np.stack([case.delivered_energy_J for case in cases])
    efforts = np.stack([case.crank_effort_percent for case in cases])
    worst = study.session.over_cases == "worst"
    energy = energies.min(axis=0) if worst else energies.mean(axis=0)
    effort = efforts.max(axis=0) if worst else efforts.mean(axis=0)
    weakest = energies.argmin(axis=0)

    def shown(values: Sequence[NDArray[Any]]) -> NDArray[Any]:
        return np.asarray(np.stack(values)[weakest, np.arange(len(designs))])

    mass = costing.mass_kg(catalogue, designs)
    together = {name: np.min([m[name] for m in margins], axis=0) for name in margins[0]}
    first_charge_s = np.max([s.session.first_charge_s for s in solutions], axis=0)
    together |= rule_margins.limit_margins(study, energy, mass, effort, first_charge_s)
    ledgers = [ledger(s.chain, s.session) for s in solutions]
    readings = [_readings(project, s) for s in solutions]
    return Evaluation(
        designs=designs,
        delivered_energy_J=energy,
        mass_kg=mass,
        crank_effort_percent=effort,
        time_to_first_charge_s=first_charge_s,
        regime=shown([s.session.regime for s in solutions]),
        margins=together,
        ledger_J={name: shown([one[name] for one in ledgers]) for name in ledgers[0]},
        readings={name: shown([one[name] for one in readings]) for name in readings[0]},
        cases=cases,
    )


def ledger(chain: Chain, done: averaged.Session) -> dict[str, Array]:
    """Where the work at the crank went over a session, J; `crank_work` is the sum.

    What the sum over voltages stores beyond what the bank can hold, up to a hundredth of it, is its
    error and left out. More breaks the rule `bank_energy_J`.
    """
    stored_J = done.stored_J
    held_J = rule_margins.most_stored_J(chain, done)
    near = np.isinf(rule_margins.bank_energy(chain, done))
    terms = {name: done.heats_J[:, k] for k, name in enumerate(HEAT)}
    terms |= {
        "esr": done.esr_J,
        "delivered": done.delivered_J,
        "stored": np.where(near, np.clip(stored_J, 0.0, held_J), stored_J),
    }
    return {"crank_work": np.sum(list(terms.values()), axis=0), **terms}


def _readings(project: Project, solved: Solved) -> dict[str, Array]:
    """What a person would feel and measure."""
    chain, halves, done = solved
    seconds = 60 * project.study.session.minutes
    volts = np.where(np.isfinite(done.hold_V), done.hold_V, chain.demand["on_V"][:, 0])
    front = chain.front(volts[:, None])[..., 0]
    delivered = np.where(
        done.regime == STEADY, chain.demand.load(volts[:, None]).delivered_W[:, 0], 0.0
    )
    work = rule_margins.crank_work(done)
    radius = halves.radius_m[chain.half]
    speed = front[TERMS.index("rad_s")]
    torque = np.where(speed > 0, (front[LOSSES].sum(axis=0) + volts * front[0]), 0.0) / (
        np.maximum(speed, 1e-9)
    )
    return {
        "crank_power_W": work / seconds,
        "handle_force_N": torque / radius,
        "start_handle_force_N": chain.supply.start_torque_N_m[chain.half] / radius,
        "pack_power_W": np.where(done.regime == STEADY, delivered, done.delivered_J / seconds),
        "hold_V": done.hold_V,
        "peak_V": done.peak_V,
        "idle_V": done.idle_V,
        "cycle_s": done.cycle_s,
        "on_share": done.on_share,
        "cadence_held_rpm": speed * 60 / (2 * np.pi),
        "unique_speed": chain.supply.unique[chain.half].astype(float),
    }
