"""A shift on its way: its state, how its voltages meet thresholds, and how its steps are booked."""

from __future__ import annotations

from math import pi
from typing import NamedTuple

import numpy as np

from explorer.model.kernels import accounts as acc
from explorer.model.kernels.back import LATCHED, OPEN, opens_V, taken
from explorer.model.kernels.compiled import law
from explorer.model.kernels.curve import (
    AT_BRIDGE,
    AT_COPPER,
    AT_CURRENT,
    AT_DRAG,
    AT_EFFORT,
    AT_GEARING,
    AT_LEAD,
    AT_PHASE_A,
    AT_PULSES,
    AT_TORQUE,
    fill_curve,
    place,
)
from explorer.model.kernels.front import Chain, front, set_heat
from explorer.model.kernels.hand import (
    equivalent_power,
    external_excess,
    stroke,
)
from explorer.model.kernels.records import Fields
from explorer.model.kernels.stepping import Bus, Turned, crank_bus, held_bus
from explorer.units import Array

CURVE_NODES = 216
"""Nodes of a curve of held speed."""
SECTORS = 32
"""Steps of a turn, unless voltage wants shorter ones."""
LONGEST_STEP_S, LONGEST_TURNING_S, SHORTEST_STEP_S = 2.0, 0.3, 1e-8
LANDING_V = 1e-6
"""How far beyond a threshold a step may end."""
LOCATIONS = 60
NEAR_V = 0.3
"""Thresholds farther than this, and twice what the bus stands or may stand off the bank, are not
met: a loaded bus may fold well above its threshold."""
FOLDS = 24
"""Halvings that locate where a bus folds."""
SLEEPS_V = 0.05
"""An active valve that has woken sleeps again so far below its start."""
WARMS_K = 3.0
"""Curves are solved anew, and jumps end, where a temperature has moved by this."""


class Settings(NamedTuple):
    """What holds for all chains. `jumps` False steps everything.

    `ambient_C` is the temperature of the air, and of the valves at first. With `frozen` nothing
    switches: the bank begins at `start_V`, its window `closed` or open. `even`
    takes the stroke out of a held speed's current, not the heat of it. `step_V` is the most that
    the bank moves in a step, `step_share` the same as a share of the hysteresis.
    """

    ambient_C: float
    jumps: bool = True
    frozen: bool = False
    start_V: float = 0.0
    closed: bool = False
    even: bool = False
    step_V: float = 0.1
    step_share: float = 0.1


STATE = np.dtype(
    [
        (name, "f8")
        for name in (
            "inner_V", "bus_V", "net_A", "trend_V",  # bank and bus
            "rad_s", "gain_rad_s", "speeds_up", "angle", "turned_rad", "settled_rad",  # crank
            "stood_s",
            "clock_s", "began_s", "ends_s", "timer_s", "switched_s", "flicker",
            "torque_N_m", "lasting_N_m", "swing", "effort", "over_W", "reserve_J",  # hand
            "winding_C", "valve_C", "curve_C", "curve_valve_C", "amps",  # heat
            "last_turn_rad_s", "slowest_rad_s", "fastest_rad_s", "turns", "hunted_turns",
        )
    ]
    + [
        (name, "i8")
        for name in (
            "mode", "asleep", "tired", "sector", "at_limit", "done", "cycles", "quiet",
        )
    ]
)  # fmt: skip
"""A shift on its way. `cycles` counts those of the window since a mark, below 0 those that are let
pass before one; `quiet` says that nothing has switched since the turn began."""


class Context(NamedTuple):
    """What a shift is stepped with."""

    chain: Chain
    load: Fields
    person: Fields
    columns: Array


@law
def most_W(ctx: Context, s: Fields) -> float:
    """Equivalent power that the hand gives at most: less when the reserve is gone, W."""
    return (
        min(ctx.chain.setup.tired_W, ctx.chain.setup.comfort_W)
        if s.tired == 1
        else ctx.chain.setup.comfort_W
    )


@law
def heat_up(ctx: Context, s: Fields) -> None:
    """Let the temperatures of now hold; without a heat capacity they stay."""
    setup = ctx.chain.setup
    setup.winding_C, setup.valve_C = s.winding_C, s.valve_C
    set_heat(ctx.chain, s.amps)


@law
def draw_curve(ctx: Context, s: Fields) -> None:
    """Solve the curve of held speed at the temperatures and the reserve of now."""
    fill_curve(ctx.columns, ctx.chain, most_W(ctx, s), ctx.chain.setup.unevenness)


@law
def bus_now(ctx: Context, s: Fields, guess_V: float) -> Bus:
    """The bus over the bank as it stands."""
    if ctx.chain.setup.held == 1:
        return held_bus(
            ctx.columns, ctx.chain.setup, s.asleep, ctx.load, s.mode, s.inner_V, ctx.load.esr_ohm,
            stroke(ctx.chain.setup, s.angle), guess_V,
        )  # fmt: skip
    return crank_bus(
        ctx.chain, s.asleep == 1, ctx.load, s.mode, s.inner_V, ctx.load.esr_ohm, s.rad_s,
        guess_V,
    )  # fmt: skip


@law
def _lift(
    ctx: Context, s: Fields, level_V: float, rad_s: float, angle: float
) -> tuple[float, float]:
    """Inner voltage at which the bus stands at a level, and how it rises with the level."""
    current = current_v = 0.0
    if ctx.chain.setup.held == 1:
        left, share, rate = place(ctx.chain.setup, ctx.columns.shape[1], level_V)
        low = ctx.columns[s.asleep, left, AT_CURRENT]
        high = ctx.columns[s.asleep, left + 1, AT_CURRENT]
        swing = stroke(ctx.chain.setup, angle)
        current, current_v = swing * (low + (high - low) * share), swing * (high - low) * rate
    elif rad_s > 0:
        at = front(ctx.chain, s.asleep == 1, rad_s, level_V)
        current, current_v = at.current_A, at.current_v
    now = taken(ctx.load, s.mode, level_V, ctx.chain.setup.leakage)
    esr = ctx.load.esr_ohm
    return level_V - esr * (current - now.amps), 1 - esr * (current_v - now.amps_v)


@law
def lifted(ctx: Context, s: Fields, level_V: float, rad_s: float, angle: float) -> float:
    """Inner voltage at which the bus stands at a level, with the crank at a speed and angle."""
    inner_V, _ = _lift(ctx, s, level_V, rad_s, angle)
    return inner_V


@law
def floor(ctx: Context, s: Fields, bus_V: float, rad_s: float, angle: float) -> float:
    """Least inner voltage that carries the closed window's load from a bus voltage down.

    That of the turn-off threshold; or where series resistance folds, and the bus collapses above
    the threshold, the least of all inner voltages in between.
    """
    low = opens_V(ctx.load, s.mode)
    inner_V, rises = _lift(ctx, s, low, rad_s, angle)
    if rises >= 0 or bus_V <= low:
        return inner_V
    high = bus_V
    for _ in range(FOLDS):
        middle = 0.5 * (low + high)
        inner_V, rises = _lift(ctx, s, middle, rad_s, angle)
        if rises < 0:
            low = middle
        else:
            high = middle
    return inner_V


@law
def beyond(
    ctx: Context, s: Fields, inner_V: float, bus_V: float, rad_s: float, angle: float
) -> tuple[float, int]:
    """How far a step ends beyond the nearest threshold, V, and which: 1 up, -1 down, 2 valves.

    Far below 0 where none is near. `bus_V` is the bus in the middle of the step.
    """
    most, which = -1e3, 0
    if ctx.chain.setup.frozen == 1:
        return most, which
    load, mode = ctx.load, s.mode
    reach = NEAR_V + 2 * abs(bus_V - inner_V) + 2 * load.esr_ohm * load.draw_A
    up = load.on_V if mode == OPEN else load.over_V
    if mode != LATCHED and bus_V > up - reach:
        most, which = inner_V - lifted(ctx, s, up, rad_s, angle), 1
    down = load.return_V if mode == LATCHED else opens_V(load, mode)
    if mode != OPEN and bus_V < down + reach:
        if mode == LATCHED:
            under = lifted(ctx, s, down, rad_s, angle) - inner_V
        else:
            under = floor(ctx, s, bus_V, rad_s, angle) - inner_V
        if under > most:
            most, which = under, -1
    start_V = ctx.chain.row.start_V
    if ctx.chain.row.body_saturation_A > 0 and abs(bus_V - start_V) < reach:
        if s.asleep == 1:
            over = inner_V - lifted(ctx, s, start_V, rad_s, angle)
        else:
            over = lifted(ctx, s, start_V - SLEEPS_V, rad_s, angle) - inner_V
        if over > most:
            most, which = over, 2
    return most, which


@law
def step_most_V(ctx: Context) -> float:
    """The most that the bank may move in a step, V."""
    setup, load = ctx.chain.setup, ctx.load
    return min(setup.step_V, setup.step_share * (load.on_V - load.off_V))


@law
def held_step(ctx: Context, s: Fields, seconds: float) -> Bus:
    """The bank alone for some seconds: the state in the middle."""
    angle = s.angle + 0.5 * s.rad_s * seconds
    ohm = ctx.load.esr_ohm + seconds / (2 * ctx.load.capacitance_F)
    guess = max(s.bus_V + s.trend_V * seconds, 0.5 * s.bus_V)
    return held_bus(
        ctx.columns, ctx.chain.setup, s.asleep, ctx.load, s.mode, s.inner_V, ohm,
        stroke(ctx.chain.setup, angle), guess,
    )  # fmt: skip


@law
def held_length(ctx: Context, s: Fields, now: Bus) -> float:
    """The longest step that keeps voltage, time constant and stroke resolved, s."""
    load = ctx.load
    rate = abs(now.net_A) / load.capacitance_F + 1e-12
    slope = stroke(ctx.chain.setup, s.angle) * now.current_v - now.taken.amps_v
    slope = abs(slope / max(1 - load.esr_ohm * slope, 1e-3)) / load.capacitance_F
    longest = min(
        step_most_V(ctx) / rate, max(1.0 / max(slope, 1e-12), 1e-3 / rate), LONGEST_STEP_S
    )
    if ctx.chain.setup.swing > 0 and now.rad_s > 1e-3:
        part = 2 * pi / SECTORS
        left = (s.sector + 1) * part - s.angle
        longest = min(longest, left / now.rad_s)
    return max(longest, SHORTEST_STEP_S)


@law
def book_held(
    ctx: Context, s: Fields, books: Array, now: Bus, swing: float, inner_V: float, seconds: float,
    seen: Fields,
) -> None:  # fmt: skip
    """Add a step at held speed; its crank's work is what the front half asks for."""
    columns, way = ctx.columns, s.asleep
    left, share, _ = place(ctx.chain.setup, columns.shape[1], now.bus_V)
    near, far = 1 - share, share
    work = now.bus_V * now.current_A * swing
    for column, account in (
        (AT_GEARING, acc.GEARING), (AT_DRAG, acc.DRAG), (AT_COPPER, acc.COPPER),
        (AT_LEAD, acc.LEAD), (AT_BRIDGE, acc.BRIDGE), (AT_PULSES, acc.ESR),
    ):  # fmt: skip
        watts = near * columns[way, left, column] + far * columns[way, left + 1, column]
        books[account] += watts * seconds
        work += watts
    books[acc.CRANK] += work * seconds
    books[acc.ESR] += now.net_A * (now.bus_V - inner_V) * seconds
    books[acc.ANGLE] += now.rad_s * seconds
    books[acc.CHARGE] += now.current_A * swing * seconds
    acc.book_load(books, now.taken, now.bus_V, seconds)
    eff = near * columns[way, left, AT_EFFORT] + far * columns[way, left + 1, AT_EFFORT]
    books[acc.EFFORT_S] += eff * seconds
    if now.rad_s < 0.999999 * ctx.chain.drive.cadence_rad_s:
        books[acc.LIMIT_S] += seconds
    torque = near * columns[way, left, AT_TORQUE] + far * columns[way, left + 1, AT_TORQUE]
    amps = near * columns[way, left, AT_PHASE_A] + far * columns[way, left + 1, AT_PHASE_A]
    bridge = near * columns[way, left, AT_BRIDGE] + far * columns[way, left + 1, AT_BRIDGE]
    most = 1 + ctx.chain.setup.unevenness
    seen.peak_torque_N_m = max(seen.peak_torque_N_m, torque * most)
    seen.peak_phase_A = max(seen.peak_phase_A, amps * most)
    seen.peak_bus_A = max(seen.peak_bus_A, now.current_A)
    seen.peak_bridge_W = max(seen.peak_bridge_W, bridge)
    seen.fastest_rad_s = max(seen.fastest_rad_s, now.rad_s)
    s.effort, s.over_W = eff, 0.0
    setup = ctx.chain.setup
    if setup.tired_W < setup.comfort_W:
        asked = equivalent_power(
            torque / setup.radius_m, now.rad_s * setup.radius_m, setup.kappa_m_s, setup.p_W_s2_m2
        )
        s.over_W = external_excess(asked, setup.tired_W, setup.kappa_m_s)


@law
def book_turned(
    ctx: Context,
    s: Fields,
    books: Array,
    now: Turned,
    hand_N_m: float,
    inner_V: float,
    seen: Fields,
) -> None:
    """Add a step of crank and bank; the hand's work is its own torque over the angle."""
    at, seconds = now.front, now.seconds
    books[acc.GEARING] += at.gearing_W * seconds
    books[acc.DRAG] += at.drag_W * seconds
    books[acc.COPPER] += at.copper_W * seconds
    books[acc.LEAD] += at.lead_W * seconds
    books[acc.BRIDGE] += at.bridge_W * seconds
    books[acc.ESR] += (at.pulses_W + now.net_A * (now.bus_V - inner_V)) * seconds
    books[acc.CRANK] += hand_N_m * now.radians
    books[acc.ANGLE] += now.radians
    books[acc.CHARGE] += at.current_A * seconds
    acc.book_load(books, now.taken, now.bus_V, seconds)
    books[acc.EFFORT_S] += s.effort * seconds
    if s.at_limit == 1:
        books[acc.LIMIT_S] += seconds
    seen.peak_torque_N_m = max(seen.peak_torque_N_m, hand_N_m, at.torque_N_m)
    seen.peak_phase_A = max(seen.peak_phase_A, at.phase_A)
    seen.peak_bus_A = max(seen.peak_bus_A, at.current_A)
    seen.peak_bridge_W = max(seen.peak_bridge_W, at.bridge_W)
    seen.fastest_rad_s = max(seen.fastest_rad_s, now.rad_s)
    if at.torque_w < 0:
        seen.beyond_peak_share += seconds
