"""One step of a shift, as long as it may be, shortened until it ends on the threshold it meets."""

from __future__ import annotations

from math import pi
from typing import NamedTuple

from explorer.model.kernels import accounts as acc
from explorer.model.kernels.compiled import law
from explorer.model.kernels.front import at_rest, front
from explorer.model.kernels.governor import GOVERNED, govern, mean_speed
from explorer.model.kernels.hand import KEEPS_UP, follows, pattern, stroke
from explorer.model.kernels.motion import (
    LANDING_V,
    LOCATIONS,
    LONGEST_STEP_S,
    LONGEST_TURNING_S,
    SECTORS,
    SHORTEST_STEP_S,
    Context,
    beyond,
    book_held,
    book_turned,
    held_length,
    held_step,
    step_most_V,
)
from explorer.model.kernels.records import Fields
from explorer.model.kernels.stepping import Bus, Turned, crank_bus, turn
from explorer.units import Array

SLOW_SHARE = 0.02
"""Below this share of the cadence steps go by time instead of angle."""
STARTING_S, STARTING_GAIN = 0.01, 0.1
"""A step by time of a crank that turns is this long, or changes its speed by this share."""
COLLAPSED, TIMED, NOTHING = -2, 3, 0
"""What a step ended with beside `motion.beyond`: a load that the bank cannot carry, a pack that
has waited, nothing."""
PART = 2 * pi / SECTORS
"""Angle of a sector, rad."""
FLAT_RAD_S = 1e-5
"""A crank slower than this stands."""


@law
def _enter_sector(ctx: Context, s: Fields, ring: Array) -> bool:
    """Count a sector, keep when it began, set the hand's torque; whether a turn ended."""
    s.sector += 1
    whole = s.sector == SECTORS
    if whole:
        s.sector = 0
        s.angle -= 2 * pi
    if ctx.chain.setup.held == 0 and s.sector % GOVERNED == 0:
        govern(ctx, s, mean_speed(s, ring, s.sector))
    ring[s.sector] = s.clock_s
    return whole


class Landing(NamedTuple):
    """Two lengths of a step, and by how much each ends beyond a threshold, V.

    `low` ends short of it; `high` beyond, below 0 where none is known. `side` is the one that was
    found last.
    """

    low: float
    low_miss: float
    high: float
    high_miss: float
    side: int


UNKNOWN = Landing(0.0, 0.0, -1.0, 0.0, 0)
"""Nothing is known but where the step begins, and not by how much that is short of a threshold."""


@law
def _forget_high(landing: Landing) -> Landing:
    return Landing(landing.low, landing.low_miss, -1.0, 0.0, landing.side)


@law
def _lands(landing: Landing, length: float, over: float) -> bool:
    """Whether a step of some length ends on the threshold, or meets none."""
    return (over <= LANDING_V and (landing.high < 0 or over >= 0)) or length <= SHORTEST_STEP_S


@law
def _narrow(
    ctx: Context, s: Fields, landing: Landing, length: float, over: float, number: int
) -> tuple[Landing, float]:
    """The lengths around a threshold after one more try, and the next to try: regula falsi with
    the Illinois halving, every eighth time by halves."""
    low, low_miss, high, high_miss, side = landing
    if low_miss == 0:
        begins, _ = beyond(ctx, s, s.inner_V, s.bus_V, s.rad_s, s.angle)
        low_miss = min(begins, -1e-12)
    if over > 0:
        high, high_miss = length, over
        low_miss *= 0.5 if side == 1 else 1.0
        side = 1
    else:
        low, low_miss = length, over
        high_miss *= 0.5 if side == -1 else 1.0
        side = -1
    next_length = (low * high_miss - high * low_miss) / (high_miss - low_miss)
    if number % 8 == 7:
        next_length = 0.5 * (low + high)
    return Landing(low, low_miss, high, high_miss, side), max(next_length, SHORTEST_STEP_S)


@law
def _sectors_passed(ctx: Context, s: Fields, ring: Array) -> bool:
    """Enter every sector that the crank has come to; whether a turn ended."""
    whole = False
    while s.angle >= (s.sector + 1) * PART and s.sector < SECTORS:
        whole = _enter_sector(ctx, s, ring) or whole
    return whole


@law
def advance_held(
    ctx: Context, s: Fields, books: Array, ring: Array, seen: Fields, near: Bus, left_s: float
) -> tuple[int, bool, Bus]:
    """A step at held speed: what it ended with, whether a turn ended, and its middle."""
    length = min(held_length(ctx, s, near), s.timer_s, left_s)
    landing = UNKNOWN
    now, which, over = near, NOTHING, -1.0
    for number in range(LOCATIONS):
        now = held_step(ctx, s, length)
        if not now.found:
            if length <= SHORTEST_STEP_S:
                return COLLAPSED, False, near
            length, landing = max(0.25 * length, SHORTEST_STEP_S), _forget_high(landing)
            continue
        inner_V = s.inner_V + length * now.net_A / ctx.load.capacitance_F
        over, which = beyond(ctx, s, inner_V, now.bus_V, now.rad_s, s.angle + now.rad_s * length)
        if _lands(landing, length, over):
            break
        landing, length = _narrow(ctx, s, landing, length, over, number)
    inner_V = s.inner_V + length * now.net_A / ctx.load.capacitance_F
    # The stroke that the step was solved with, at the speed foreseen.
    swing = stroke(ctx.chain.setup, s.angle + 0.5 * s.rad_s * length)
    book_held(ctx, s, books, now, swing, 0.5 * (s.inner_V + inner_V), length, seen)
    s.trend_V = (now.bus_V - s.bus_V) / max(length, 1e-9)
    s.inner_V, s.bus_V, s.rad_s = inner_V, now.bus_V, now.rad_s
    s.angle += now.rad_s * length
    s.turned_rad += now.rad_s * length
    s.clock_s += length
    s.timer_s -= length
    ahead = (s.sector + 1) * PART
    if abs(s.angle - ahead) < (1e-3 * ahead if s.angle < ahead else 0.1) * PART:
        s.angle = ahead
    whole = _sectors_passed(ctx, s, ring)
    if over < 0:
        which = TIMED if s.timer_s <= 0 else NOTHING
    return which, whole, now


@law
def _standing(
    ctx: Context, s: Fields, books: Array, seen: Fields, seconds: float
) -> tuple[int, float]:
    """A crank that stands: the bank alone; what it ended with, and the time that it took, s."""
    length, load, asleep = seconds, ctx.load, s.asleep == 1
    landing = UNKNOWN
    which, over = NOTHING, -1.0
    now = crank_bus(ctx.chain, asleep, load, s.mode, s.inner_V, load.esr_ohm, 0.0, s.bus_V)
    if now.found:
        length = min(length, step_most_V(ctx) * load.capacitance_F / max(abs(now.net_A), 1e-12))
    for number in range(LOCATIONS):
        ohm = load.esr_ohm + length / (2 * load.capacitance_F)
        now = crank_bus(ctx.chain, asleep, load, s.mode, s.inner_V, ohm, 0.0, s.bus_V)
        if not now.found:
            if length <= SHORTEST_STEP_S:
                return COLLAPSED, 0.0
            length, landing = max(0.25 * length, SHORTEST_STEP_S), _forget_high(landing)
            continue
        inner_V = s.inner_V + length * now.net_A / load.capacitance_F
        over, which = beyond(ctx, s, inner_V, now.bus_V, 0.0, s.angle)
        if _lands(landing, length, over):
            break
        landing, length = _narrow(ctx, s, landing, length, over, number)
    inner_V = s.inner_V + length * now.net_A / load.capacitance_F
    middle_V = 0.5 * (s.inner_V + inner_V)
    books[acc.ESR] += now.net_A * (now.bus_V - middle_V) * length
    acc.book_load(books, now.taken, now.bus_V, length)
    books[acc.EFFORT_S] += s.effort * length
    books[acc.LIMIT_S] += length
    s.inner_V, s.bus_V = inner_V, now.bus_V
    return (which if over >= 0 else NOTHING), length


@law
def _stopping(ctx: Context, s: Fields, hand_N_m: float) -> float:
    """How long a crank takes that comes to a halt, s: its own momentum over what brakes it."""
    at = front(ctx.chain, s.asleep == 1, 0.5 * s.rad_s, s.bus_V)
    brake = at.torque_N_m - hand_N_m
    return ctx.chain.setup.inertia * s.rad_s / max(brake, 1e-9)


@law
def _try_turn(
    ctx: Context, s: Fields, radians: float, seconds: float
) -> tuple[Turned, float, float]:
    """A step by angle, or by time where `radians` is 0: its middle, speed at its end, torque."""
    ahead = 0.5 * radians if radians > 0 else 0.5 * s.rad_s * seconds
    hand = s.torque_N_m * pattern(ctx.person, s.angle + ahead, s.swing)
    cadence = ctx.chain.drive.cadence_rad_s
    if s.rad_s > KEEPS_UP * cadence:
        hand *= follows(ctx.person, cadence, s.rad_s)
    guess = s.rad_s
    if radians > 0:
        guess = max(s.rad_s + 0.5 * s.gain_rad_s, 0.1 * s.rad_s)
    elif guess <= 0:
        guess = 0.5 * seconds * max(hand - at_rest(ctx.chain), 0.0) / ctx.chain.setup.inertia
    now = turn(
        ctx.chain, s.asleep == 1, ctx.load, s.mode, ctx.chain.setup.inertia, hand, s.rad_s,
        s.inner_V, radians, seconds, guess, max(s.bus_V + s.trend_V, 0.5 * s.bus_V),
    )  # fmt: skip
    return now, 2 * now.rad_s - s.rad_s, hand


@law
def _held_fast(ctx: Context, s: Fields) -> bool:
    """Whether the crank stands, and the hand's torque does not move it in its first step."""
    if s.rad_s > 0:
        return False
    pull = s.torque_N_m * pattern(ctx.person, s.angle, s.swing) - at_rest(ctx.chain)
    return pull * STARTING_S <= ctx.chain.setup.inertia * FLAT_RAD_S


@law
def _by_time_s(s: Fields, left_rad: float) -> float:
    """How long a step by time may be: a crank that creeps steadily needs no short ones, s."""
    if s.rad_s <= 0:
        return STARTING_S
    steady_s = STARTING_GAIN * s.rad_s / max(abs(s.speeds_up), 1e-9)
    return max(STARTING_S, min(steady_s, left_rad / s.rad_s, LONGEST_TURNING_S))


@law
def _locate_turn(
    ctx: Context, s: Fields, seconds_most: float
) -> tuple[Turned, float, float, int, float]:
    """The step of bank and crank that ends on the threshold it meets: its middle, the speed at its
    end, the hand's torque, the threshold, and how far beyond it, V."""
    load, cadence = ctx.load, ctx.chain.drive.cadence_rad_s
    left_rad = (s.sector + 1) * PART - s.angle
    by_angle = s.rad_s > SLOW_SHARE * cadence and left_rad < s.rad_s * LONGEST_TURNING_S
    voltage_s = step_most_V(ctx) * load.capacitance_F / max(abs(s.net_A), 1e-9)
    longest_s = min(seconds_most, voltage_s)
    size = min(_by_time_s(s, left_rad), longest_s)
    if by_angle:
        size = min(left_rad, s.rad_s * voltage_s)
    landing = UNKNOWN
    which, over = NOTHING, -1.0
    now, ends, hand = _try_turn(ctx, s, size if by_angle else 0.0, size)
    for number in range(LOCATIONS):
        if number > 0:
            now, ends, hand = _try_turn(ctx, s, size if by_angle else 0.0, size)
        if now.found and ends >= 0 and now.seconds <= seconds_most * (1 + 1e-12):
            inner_V = s.inner_V + now.seconds * now.net_A / load.capacitance_F
            over, which = beyond(ctx, s, inner_V, now.bus_V, ends, s.angle + now.radians)
            if _lands(landing, size, over):
                break
            landing, size = _narrow(ctx, s, landing, size, over, number)
            continue
        if by_angle:
            # Too slow for the angle, or for the time that is left: by time instead.
            by_angle, size, landing = False, min(STARTING_S, longest_s), _forget_high(landing)
        elif not now.found:
            size, landing = 0.25 * size, _forget_high(landing)
        else:
            halt = _stopping(ctx, s, hand)
            size = 0.5 * size if halt >= size or number > 8 else halt
            if size == halt:
                now, ends, hand = _try_turn(ctx, s, 0.0, size)
                if now.found and ends < 1e-3 * cadence:
                    ends = 0.0
                    break
        if size <= SHORTEST_STEP_S:
            return now, ends, hand, COLLAPSED, over
    return now, ends, hand, which, over


@law
def advance_turned(
    ctx: Context, s: Fields, books: Array, ring: Array, seen: Fields, left_s: float
) -> tuple[int, bool]:
    """A step of bank and crank: what it ended with, and whether a turn ended."""
    seconds_most = min(s.timer_s, left_s)
    if _held_fast(ctx, s):
        govern(ctx, s, mean_speed(s, ring, (s.sector + 1) % SECTORS))
        if _held_fast(ctx, s):
            which, took = _standing(ctx, s, books, seen, min(seconds_most, LONGEST_STEP_S))
            s.clock_s += took
            s.timer_s -= took
            s.stood_s += took
            s.gain_rad_s = 0.0
            if which == NOTHING and s.timer_s <= 0:
                which = TIMED
            return which, False
    target = (s.sector + 1) * PART
    now, ends, hand, which, over = _locate_turn(ctx, s, seconds_most)
    if which == COLLAPSED:
        return COLLAPSED, False
    inner_V = s.inner_V + now.seconds * now.net_A / ctx.load.capacitance_F
    book_turned(ctx, s, books, now, hand, 0.5 * (s.inner_V + inner_V), seen)
    s.gain_rad_s, s.trend_V = ends - s.rad_s, now.bus_V - s.bus_V
    s.speeds_up = s.gain_rad_s / max(now.seconds, 1e-9)
    s.inner_V, s.bus_V, s.net_A = inner_V, now.bus_V, now.net_A
    s.rad_s = ends if ends > FLAT_RAD_S else 0.0
    s.angle += now.radians
    s.turned_rad += now.radians
    s.clock_s += now.seconds
    s.timer_s -= now.seconds
    if s.rad_s > 0:
        s.stood_s = 0.0
    if abs(s.angle - target) < 1e-9:
        s.angle = target
    whole = _sectors_passed(ctx, s, ring)
    if over < 0:
        which = TIMED if s.timer_s <= 0 else NOTHING
    return which, whole
