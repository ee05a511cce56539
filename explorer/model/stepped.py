"""Sessions of designs, stepped through time by the compiled model, in the form of `evaluate`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from explorer.inputs.study import Project
from explorer.model import averaged, rows
from explorer.model.chain import HEAT
from explorer.model.evaluate import Evaluation, Solved, combine, solve
from explorer.model.kernels import accounts
from explorer.model.kernels.motion import Settings
from explorer.model.kernels.records import Records
from explorer.model.kernels.session import sessions
from explorer.model.kernels.waveform import windows
from explorer.model.regimes import CHATTERING, CYCLING, STEADY
from explorer.model.space import Designs
from explorer.units import Array

COURSE_STEPS = 60_000
"""Steps of a session that a course keeps at the most."""
WINDOW_S = 0.5
"""Length of the window that is looked at with switching: many periods, and soon solved."""
BEFORE_THE_BUS = ("gearing", "drag", "copper", "lead", "bridge")
"""Where work at the crank goes that never comes to the bus."""
AT_ONCE = 1024
"""Designs stepped at a time: what they share is solved once for each such batch."""


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


def sessions_of(project: Project, designs: Designs) -> Evaluation:
    """`evaluate` by stepping every case through time, some milliseconds for each."""
    return stepped(project, designs).found


def stepped(project: Project, designs: Designs) -> Stepped:
    """`sessions_of`, and what only the session knows.

    Margins follow from what the session finds, but that of the stroke's ripple: it is a rule about
    a bank's size, not about its course.
    """
    starts = range(0, max(len(designs), 1), AT_ONCE)
    blocks = [
        _block(project, designs.take(np.arange(s, min(s + AT_ONCE, len(designs))))) for s in starts
    ]
    if len(blocks) == 1:
        return blocks[0]
    margins = {
        name: np.concatenate([one.margins[name] for one in blocks]) for name in blocks[0].margins
    }
    return Stepped(Evaluation.concatenate([one.found for one in blocks]), margins)


def _block(project: Project, designs: Designs) -> Stepped:
    plan = project.study.session
    averages = {
        (person, pack): solve(project, designs, person, pack)
        for person in plan.operators
        for pack in plan.packs
    }
    results = {who: simulate(project, designs, *who) for who in averages}
    ones = {
        who: done._replace(session=_as_averaged(results[who], done.session, 60 * plan.minutes))
        for who, done in averages.items()
    }
    found = combine(project, designs, ones)
    ripple_V = combine(project, designs, averages).margins["stroke_ripple_V"]
    own = [_own_margins(results[who], done) for who, done in averages.items()]
    return Stepped(
        replace(found, margins={**found.margins, "stroke_ripple_V": ripple_V}),
        {name: np.min([one[name] for one in own], axis=0) for name in own[0]},
    )


def simulate(
    project: Project, designs: Designs, operator_id: str, pack_id: str, *, even: bool = False
) -> Records:
    """One case of each design, (n,) of `accounts.RESULT`; `even` takes the stroke off the bus."""
    plan, front = project.study.session, rows.rowed(project, designs)
    found, _ = sessions(
        front.machines, front.trio, front.drives, rows.loads(project, designs, pack_id),
        rows.shift_of(project.catalogue.operators[operator_id], 60 * plan.minutes),
        _settings(project)._replace(even=even),
    )  # fmt: skip
    return found[:, 0]


def course(project: Project, design: Designs, operator_id: str, pack_id: str) -> Course:
    """One design (length 1) over its session, every stroke and cycle stepped."""
    plan, front = project.study.session, rows.rowed(project, design)
    _, steps = sessions(
        front.machines, front.trio, front.drives, rows.loads(project, design, pack_id),
        rows.shift_of(project.catalogue.operators[operator_id], 60 * plan.minutes),
        _settings(project)._replace(jumps=False), traced=COURSE_STEPS,
    )  # fmt: skip
    time_s, given_J = steps[:, 0], steps[:, 5]
    spans = np.diff(time_s, prepend=0.0)
    watts = np.diff(given_J, prepend=0.0) / np.maximum(spans, 1e-12)
    takes = spans > 0
    return Course(time_s[takes], steps[takes, 1], watts[takes])


def window(
    project: Project, design: Designs, operator_id: str, pack_id: str, *, start_V: float,
    seconds: float = WINDOW_S,
) -> Stretch | None:  # fmt: skip
    """One design (length 1) at switching level for a while, its load off, from a bank's inner
    voltage; None where the hand finds no speed there.
    """
    plan, front = project.study.session, rows.rowed(project, design)
    load = rows.loads(project, design, pack_id)
    person = project.catalogue.operators[operator_id].model_copy(update={"unevenness": 0.0})
    hand = rows.shift_of(person, 60 * plan.minutes)
    brief = hand.copy()
    brief["seconds"] = seconds
    still = _settings(project)._replace(jumps=False, frozen=True, start_V=start_V)
    found, steps = sessions(front.machines, front.trio, front.drives, load, brief, still, traced=1)
    fine = windows(
        front.machines, front.trio, front.drives, load, hand, winding_C=plan.winding_C,
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


def _settings(project: Project) -> Settings:
    plan = project.study.session
    return Settings(ambient_C=plan.ambient_C, cold_C=plan.winding_C)


def _as_averaged(result: Records, quick: averaged.Session, duration_s: float) -> averaged.Session:
    """A stepped session in the form of the averaged one; what it has no word for stays `quick`'s:
    the voltages that only the rule about ripple asks for.

    A session that was given up unfinished counts as chattering: it says nothing, and no design may
    stand on it.
    """
    unfinished = result["fault"] == accounts.UNFINISHED
    regime = np.where(unfinished, CHATTERING, result["regime"]).astype(np.int8)
    rests = regime == STEADY
    cycle_s = np.where(regime == CHATTERING, 0.0, np.inf)
    many = (regime == CYCLING) & (result["turn_ons"] > 1)
    hold_V = np.where(rests, result["hold_V"], result["end_bus_V"])
    return replace(
        quick,
        regime=regime,
        first_charge_s=result["first_charge_s"],
        cycle_s=np.where(many, result["cycle_s"], cycle_s),
        hold_V=np.where(np.isin(regime, (CYCLING, CHATTERING)), np.nan, hold_V),
        peak_V=result["highest_V"],
        idle_V=result["idle_V"],
        delivered_J=result["delivered_J"],
        heats_J=np.stack([result[f"{name}_J"] for name in HEAT], axis=1),
        esr_J=result["esr_J"],
        stored_J=result["stored_J"],
        effort=100 * result["effort"],
        on_share=result["loaded_s"] / duration_s,
    )


def _own_margins(result: Records, done: Solved) -> dict[str, Array]:
    limit_V = done.chain.demand["voltage_limit_V"][:, 0]
    return {
        "bank_voltage_V": limit_V - result["highest_V"],
        "reserve_J": np.asarray(result["least_reserve_J"]),
    }
