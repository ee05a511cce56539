"""Turns and cycles that repeat themselves: weighed for those that they stand for.

A turn that ends as it began is jumped as long as it drifts by millivolts; cycles of the window are
jumped after a few that cover many turns. What the bank gains in the sample beyond what it really
gains is taken off the crank's work, so that a jump closes as a step does.
"""

from __future__ import annotations

from math import exp, floor, inf, pi

from explorer.model.kernels import accounts as acc
from explorer.model.kernels.compiled import law
from explorer.model.kernels.hand import reserve_left
from explorer.model.kernels.motion import WARMS_K, Context
from explorer.model.kernels.records import Fields
from explorer.units import Array

SETTLING_CYCLES, SETTLING_TURNS = 2, 16.0
"""Cycles and turns that pass, with a new hand or a load that is new to it, before some are weighed:
the hand's mean torque takes this long to find its place."""
SAMPLED_CYCLES, SAMPLED_TURNS, MOST_CYCLES = 3, 64.0, 200
"""At least so many cycles are weighed, over so many turns; or so many."""
DRIFT_V, DRIFT, LEAST_JUMP = 4e-3, 4e-3, 4.0
"""Turns are jumped as long as bank, speed and torque drift by no more than these."""
ALIKE_V = 1e-4
"""Two cycles of an even hand that begin so close are the same."""
VALVE_LAG_S = 10.0
"""How fast a valve takes its temperature (assumed; seconds for a small package on its leads)."""
_INNER, _SPEED, _TORQUE, _LASTING, _RESERVE = range(5)
"""What a mark keeps beside the books."""
MARKED, HEATED = 5, 4


@law
def mark(s: Fields, books: Array, kept: Array, at: Array) -> None:
    """Keep the books and the state as they are."""
    for k in range(acc.ACCOUNTS):
        kept[k] = books[k]
    at[_INNER], at[_SPEED], at[_TORQUE] = s.inner_V, s.rad_s, s.torque_N_m
    at[_LASTING], at[_RESERVE] = s.lasting_N_m, s.reserve_J


@law
def warm(ctx: Context, s: Fields, books: Array, heated: Array) -> None:
    """Take the heat of winding and valves since last time; `heated` keeps J, J, A s and s."""
    row = ctx.chain.row
    seconds = books[acc.CLOCK] - heated[2]
    if row.heat_capacity_J_per_K <= 0 or seconds <= 0:
        return
    s.winding_C += (books[acc.COPPER] - heated[0]) / row.heat_capacity_J_per_K
    watts = (books[acc.BRIDGE] - heated[1]) / seconds
    target_C = ctx.chain.setup.ambient_C + row.thermal_K_per_W * watts / row.valves
    s.valve_C += (target_C - s.valve_C) * (1 - exp(-seconds / VALVE_LAG_S))
    s.amps = (books[acc.CHARGE] - heated[3]) / seconds
    heated[0], heated[1] = books[acc.COPPER], books[acc.BRIDGE]
    heated[2], heated[3] = books[acc.CLOCK], books[acc.CHARGE]


@law
def _jump(
    ctx: Context, s: Fields, books: Array, ring: Array, kept: Array, at: Array, times: float
) -> None:
    """Let what has happened since a mark happen some more times, the state where it is."""
    farad = ctx.load.capacitance_F
    seconds = (books[acc.CLOCK] - kept[acc.CLOCK]) * times
    gained_J = 0.5 * farad * (s.inner_V * s.inner_V - at[_INNER] * at[_INNER])
    if ctx.chain.setup.held == 0:
        gained_J += 0.5 * ctx.chain.setup.inertia * (s.rad_s * s.rad_s - at[_SPEED] * at[_SPEED])
    for k in range(acc.ACCOUNTS):
        books[k] += times * (books[k] - kept[k])
    books[acc.CRANK] -= times * gained_J
    s.clock_s += seconds
    s.began_s += seconds
    for k in range(ring.shape[0]):
        ring[k] += seconds
    full = ctx.person.reserve_J
    drawn = at[_RESERVE] - s.reserve_J
    s.reserve_J = min(s.reserve_J - times * drawn, full)


@law
def _allowed(ctx: Context, s: Fields, books: Array, kept: Array, at: Array) -> float:
    """How many times what has happened since a mark may be repeated before the hand or the
    winding are different."""
    most = inf
    heat_J = books[acc.COPPER] - kept[acc.COPPER]
    if ctx.chain.row.heat_capacity_J_per_K > 0 and heat_J > 0:
        most = WARMS_K * ctx.chain.row.heat_capacity_J_per_K / heat_J
    drawn = at[_RESERVE] - s.reserve_J
    if s.tired == 0 and drawn > 0:
        most = min(most, s.reserve_J / drawn - 1)
    return most


@law
def begins_anew(s: Fields, at: Array) -> bool:
    """Whether a turn-on finds the bank as the marked one did: then all cycles to come are alike."""
    return abs(s.inner_V - at[_INNER]) < ALIKE_V


@law
def alike(ctx: Context) -> bool:
    """Whether a cycle follows from its first voltage: with an even hand, where nothing warms."""
    setup = ctx.chain.setup
    return setup.held == 1 and setup.swing == 0 and ctx.chain.row.heat_capacity_J_per_K <= 0


@law
def repeat_turns(
    ctx: Context, s: Fields, books: Array, ring: Array, kept: Array, at: Array, left_s: float
) -> float:
    """At the end of a quiet turn: jump those like it. Returns how many, 0: none."""
    turn_s = books[acc.CLOCK] - kept[acc.CLOCK]
    drift_V = s.inner_V - at[_INNER]
    times = min(DRIFT_V / max(abs(drift_V), 1e-12), _allowed(ctx, s, books, kept, at))
    if ctx.chain.setup.held == 0:
        moved = abs(s.rad_s - at[_SPEED]) / max(s.rad_s, 1e-9)
        times = min(times, DRIFT / max(moved, 1e-12))
        moved = abs(s.torque_N_m - at[_TORQUE]) / max(s.torque_N_m, 1e-9)
        times = min(times, DRIFT / max(moved, 1e-12))
    times = floor(min(times, left_s / turn_s - 1))
    if times < LEAST_JUMP:
        return 0.0
    _jump(ctx, s, books, ring, kept, at, times)
    # The drift goes on as it went; what the square of it adds is taken off again.
    moved_V = times * drift_V
    now_V = s.inner_V + moved_V
    farad = ctx.load.capacitance_F
    books[acc.CRANK] += 0.5 * farad * (now_V * now_V - s.inner_V * s.inner_V)
    s.inner_V = now_V
    s.bus_V += moved_V
    return times


@law
def repeat_cycles(
    ctx: Context, s: Fields, books: Array, ring: Array, kept: Array, at: Array, left_s: float
) -> float:
    """At a turn-on, `s.cycles` cycles after a mark: jump whole cycles. Returns how many, 0: none.

    The last one is left to be stepped.
    """
    turns, cycles = (books[acc.ANGLE] - kept[acc.ANGLE]) / (2 * pi), s.cycles
    enough = alike(ctx) or (cycles >= SAMPLED_CYCLES and (turns >= SAMPLED_TURNS))
    if not (enough or (cycles >= MOST_CYCLES and turns >= 8.0)):
        return -1.0
    cycle_s = (books[acc.CLOCK] - kept[acc.CLOCK]) / cycles
    most = _allowed(ctx, s, books, kept, at) * cycles
    times = floor(min(most, left_s / cycle_s - 1))
    if times < 1:
        return 0.0
    _jump(ctx, s, books, ring, kept, at, times / cycles)
    return times


@law
def tire(ctx: Context, s: Fields, seconds: float) -> bool:
    """Draw on the reserve; whether it has just run out."""
    if s.over_W <= 0 and s.reserve_J >= ctx.person.reserve_J:
        return False
    s.reserve_J = reserve_left(s.reserve_J, ctx.person.reserve_J, s.over_W, seconds)
    if s.tired == 0 and s.reserve_J <= 0 and ctx.chain.setup.tired_W < ctx.chain.setup.comfort_W:
        s.tired = 1
        return True
    return False
