"""Sessions of designs, stepped through time by the compiled model, in the form of `evaluate`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model.evaluate import combine_cases, evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.kernels.session import sessions
from explorer.model.kernels.waveform import windows
from explorer.model.simulate import Care, Solved, settings, solve
from explorer.model.space import Designs
from explorer.units import RAD_S_PER_RPM, Array

COURSE_STEPS = 60_000
"""Steps of a session that a course keeps at the most."""
WINDOW_S = 0.5
"""Length of the window that is looked at with switching: many periods, and soon solved."""
EVEN_HAND = {"unevenness": 0.0, "unevenness_turn": 0.0, "inertia_kg_m2": 0.0}
"""A hand that keeps its speed and torque, as the judge has it."""
BEFORE_THE_BUS = ("gearing", "drag", "copper", "lead", "bridge")
"""Where work at the crank goes that never comes to the bus."""


class Stepped(NamedTuple):
    """Results of designs (n,), and what only the session knows as margins, the worst case's:
    volts that the bank's limit is above the highest bus voltage, and joules left of the reserve.
    """

    found: Evaluation
    margins: Mapping[str, Array]


class Stretch(NamedTuple):
    """A short stretch at switching level beside the same stretch of a session, both with an even
    hand: where it begins, how long it is, and what the bridge gives to the bus.
    """

    start_V: float
    seconds: float
    bus_energy_J: float
    bus_energy_of_the_session_J: float
    difference_percent: float


class Course(NamedTuple):
    """One design over time, a row a step: s, bus V, W into the pack."""

    time_s: Array
    bus_V: Array
    pack_W: Array


class Traced(NamedTuple):
    """One design over time, a row a step: s, bus V, W into the pack, V behind the bank's series
    resistance, turns of the crank a minute.
    """

    time_s: Array
    bus_V: Array
    pack_W: Array
    inner_V: Array
    cadence_rpm: Array


def sessions_of(project: Project, designs: Designs) -> Evaluation:
    """Results of designs by stepping every case through time, some milliseconds for each."""
    return evaluate(project, designs, Care.SESSION)


def stepped(project: Project, designs: Designs) -> Stepped:
    """`sessions_of`, and what only the session knows."""
    solved = solve(project, designs, Care.SESSION)
    own = [_own_margins(one) for one in solved.values()]
    return Stepped(
        combine_cases(project, designs, solved),
        {name: np.min([one[name] for one in own], axis=0) for name in own[0]},
    )


def course(project: Project, design: Designs, operator_id: str, pack_id: str) -> Course:
    """One design (length 1) over the session in which an operator cranks, every stroke and cycle
    stepped.
    """
    found = traced(project, design, operator_id, pack_id)
    return Course(found.time_s, found.bus_V, found.pack_W)


def traced(
    project: Project,
    design: Designs,
    operator_id: str,
    pack_id: str,
    *,
    coarse: bool = False,
) -> Traced:
    """`course` with all that its steps know.

    `coarse`: by tables for parts that are drawn once, as promises use them.
    """
    front = rows.rowed(project, design, coarse=coarse)
    load, crew = rows.loads(project, design, pack_id), project.study.session.crew_of(operator_id)
    _, steps = sessions(
        front.machines, front.trio, front.drives, load, rows.shifts_of(project, crew),
        settings(project)._replace(jumps=False), traced=COURSE_STEPS,
    )  # fmt: skip
    time_s, given_J = steps[:, 0], steps[:, 5]
    spans = np.diff(time_s, prepend=0.0)
    watts = np.diff(given_J, prepend=0.0) / np.maximum(spans, 1e-12)
    takes = spans > 0
    return Traced(
        time_s[takes], steps[takes, 1], watts[takes], steps[takes, 2],
        steps[takes, 3] / RAD_S_PER_RPM,
    )  # fmt: skip


def window(
    project: Project, design: Designs, operator_id: str, pack_id: str, *, start_V: float,
    seconds: float = WINDOW_S,
) -> Stretch | None:  # fmt: skip
    """One design (length 1) at switching level for a while, its load off, from a bank's inner
    voltage; None where the hand finds no speed there.
    """
    plan, front = project.study.session, rows.rowed(project, design)
    load = rows.loads(project, design, pack_id)
    person = project.catalogue.operators[operator_id].model_copy(update=EVEN_HAND)
    hand = rows.shift_of(person, 60 * plan.own_minutes(operator_id))
    brief = hand.copy()
    brief["seconds"] = seconds
    still = settings(project)._replace(jumps=False, frozen=True, start_V=start_V)
    found, steps = sessions(front.machines, front.trio, front.drives, load, brief, still, traced=1)
    fine = windows(
        front.machines, front.trio, front.drives, load, hand,
        winding_C=float(rows.first_winding_C(project, front.machines.rows)[0]),
        start_V=np.array([start_V]), guess_rad_s=steps[:1, 3], seconds=np.array([seconds]),
        closed=np.zeros(1, np.int64),
    )[0]  # fmt: skip
    if fine["found"] != 1:
        return None
    done = found[0, 0]
    given_J = float(done["crank_work_J"] - sum(done[f"{name}_J"] for name in BEFORE_THE_BUS))
    judged_W, session_W = float(fine["bus_energy_J"] / fine["seconds"]), given_J / seconds
    return Stretch(
        start_V, float(fine["seconds"]), float(fine["bus_energy_J"]),
        session_W * float(fine["seconds"]),
        100 * (session_W / judged_W - 1) if judged_W else 0.0,
    )  # fmt: skip


def _own_margins(solved: Solved) -> dict[str, Array]:
    return {
        "bank_voltage_V": solved.need["voltage_limit_V"][:, 0] - solved.result["highest_V"],
        "reserve_J": np.asarray(solved.result["least_reserve_J"]),
    }
