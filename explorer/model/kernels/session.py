"""A session: shifts of operators on one bank, stepped through time from an empty bank.

Whoever takes over finds bank, pack and windings as they were left, and a crank that stands. Each
person's reserve is their own: it returns while others crank, and who goes on at once goes on as
they were.

An operator with inertia has two states, crank speed and bank voltage, and a governor that holds the
mean cadence within force and effort; one without turns at held speed, with one state. Switching is
located inside a step. What repeats itself, turns or cycles of the window, is stepped for a while
and then weighed for the turns or cycles that it stands for.
"""

from __future__ import annotations

from math import inf, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.kernels import accounts as acc
from explorer.model.kernels.advance import advance_held, advance_turned
from explorer.model.kernels.back import LOADED, OPEN
from explorer.model.kernels.compiled import edge, entry, law
from explorer.model.kernels.curve import CURVE_COLUMNS, lay_out_curve
from explorer.model.kernels.events import CONNECTED, STOPPED, switch
from explorer.model.kernels.front import Chain
from explorer.model.kernels.hand import (
    TABLED_RADIUS_M,
    crest,
    external_excess,
    reserve_left,
    set_limits,
)
from explorer.model.kernels.machine import Machines
from explorer.model.kernels.motion import (
    CURVE_NODES,
    SECTORS,
    STATE,
    WARMS_K,
    Context,
    Settings,
    bus_now,
    draw_curve,
    heat_up,
)
from explorer.model.kernels.records import SETUP, Fields, Records, Single
from explorer.model.kernels.repeats import (
    HEATED,
    MARKED,
    SETTLING_CYCLES,
    SETTLING_TURNS,
    alike,
    begins_anew,
    mark,
    repeat_cycles,
    repeat_turns,
    tire,
    warm,
)
from explorer.model.kernels.stepping import Bus
from explorer.model.kernels.verdict import HUNT_SHARE, blank, close_books, curve_facts, judge
from explorer.units import Array

FLICKER_S, FLICKERS = 0.05, 200
"""A window that has switched so many times more than once in this time chatters: a cycle of twice
this is a twentieth of the shortest that the rules allow. Such cycles are not jumped.
"""
MOST_STEPS = 400_000
"""A session of more steps than this is given up, and says so by its `seconds`."""


class Work(NamedTuple):
    """Arrays that one session after another uses."""

    columns: Array
    books: Array
    turn_books: Array
    cycle_books: Array
    turn_at: Array
    cycle_at: Array
    ring: Array
    heated: Array


@law
def _begin(ctx: Context, s: Fields, first: bool, goes_on: bool, left_J: float) -> None:
    """A shift: by a new hand with what is left of its reserve, or by the one that goes on. The bank
    is as it was left."""
    setup = ctx.chain.setup
    if first:
        s.inner_V, s.clock_s, s.mode = setup.start_V, 0.0, OPEN
        s.bus_V = max(s.inner_V, 1e-9)
        if setup.closed == 1:
            s.mode = LOADED
        s.winding_C, s.valve_C = ctx.chain.row.cold_C, setup.ambient_C
        s.timer_s = inf
        s.asleep = 0
        if ctx.chain.row.body_saturation_A > 0 and s.bus_V < ctx.chain.row.start_V:
            s.asleep = 1
    if not goes_on:
        _take_over(ctx, s, left_J)
    s.ends_s = s.clock_s + ctx.person.seconds
    s.stood_s, s.done, s.flicker, s.switched_s = 0.0, 0, 0.0, -1.0
    s.curve_C, s.curve_valve_C = s.winding_C, s.valve_C
    s.cycles, s.quiet = -1 if alike(ctx) else -SETTLING_CYCLES, 0
    s.settled_rad = 0.0
    s.last_turn_rad_s = s.turns = s.hunted_turns = s.fastest_rad_s = 0.0
    s.slowest_rad_s = inf


@law
def _take_over(ctx: Context, s: Fields, left_J: float) -> None:
    """A new hand at the crank, which stands."""
    s.rad_s, s.angle, s.sector, s.turned_rad, s.began_s = 0.0, 0.0, 0, 0.0, s.clock_s
    s.torque_N_m = s.lasting_N_m = s.effort = s.over_W = 0.0
    s.trend_V = s.swing = s.gain_rad_s = s.speeds_up = s.net_A = s.amps = 0.0
    s.reserve_J, s.tired, s.at_limit = left_J, 0, 0
    if ctx.person.follows > 0 and left_J <= 0:
        s.tired = 1 if ctx.chain.setup.tired_W < ctx.chain.setup.comfort_W else 0
    if ctx.chain.setup.held == 0:
        _, s.angle = crest(ctx.person)
        s.sector = int(s.angle / (2 * pi / SECTORS) + 1e-9)


@law
def _unsettle(ctx: Context, s: Fields) -> None:
    """Let some turns pass before cycles are weighed: an uneven hand finds its torque anew."""
    if ctx.chain.setup.held == 0:
        s.settled_rad = s.turned_rad + 2 * pi * SETTLING_TURNS


@law
def _clear(work: Work, goes_on: bool) -> None:
    """Empty books for a new shift; who goes on still knows the turn that was."""
    for k in range(acc.ACCOUNTS):
        work.books[k] = 0.0
    for k in range(work.heated.shape[0]):
        work.heated[k] = 0.0
    if goes_on:
        return
    for k in range(SECTORS):
        work.ring[k] = -1.0


@law
def _left_of_reserve(
    setup: Fields, person: Fields, people: Records, results: Fields, k: int
) -> float:
    """What a person begins shift `k` with: all of the reserve, or what was left of it after the
    shift before and has returned since, at rest, J."""
    if person.follows == 0:
        return person.reserve_J
    rested_s = 0.0
    for other in range(person.follows, k):
        rested_s += people[other].seconds
    at_rest_W = external_excess(0.0, setup.tired_W, setup.kappa_m_s)
    left_J = results[person.follows - 1].end_reserve_J
    return reserve_left(left_J, person.reserve_J, at_rest_W, rested_s)


@law
def _follow(ctx: Context, s: Fields, work: Work, seen: Fields, was: int, took_s: float) -> bool:
    """Note what a step came to; whether the hand's reserve has just run out."""
    seen.steps += 1
    if was == LOADED:
        work.books[acc.LOADED_S] += took_s
        if took_s > 0:
            seen.lowest_loaded_V = min(seen.lowest_loaded_V, s.bus_V)
    # Before the bank came to stand there, the bus stood at least as high.
    seen.highest_V = max(seen.highest_V, s.bus_V, s.inner_V)
    if ctx.chain.setup.held == 0:
        s.slowest_rad_s = min(s.slowest_rad_s, s.rad_s)
        s.fastest_rad_s = max(s.fastest_rad_s, s.rad_s)
    tired = tire(ctx, s, took_s)
    seen.least_reserve_J = min(seen.least_reserve_J, s.reserve_J)
    if tired:  # what comes is not like what was
        s.quiet, s.cycles = 0, min(s.cycles, -1)
        _unsettle(ctx, s)
    return tired


@law
def _write(s: Fields, books: Array, line: Array) -> None:
    """One line of the course, see `sessions`."""
    line[0], line[1], line[2], line[3] = s.clock_s, s.bus_V, s.inner_V, s.rad_s
    line[4], line[5], line[6] = s.torque_N_m, books[acc.DELIVERED], books[acc.CRANK]
    line[7] = s.mode


@law
def _switched(ctx: Context, s: Fields, work: Work, seen: Fields, event: int) -> bool:
    """Let a step's event happen; whether whole cycles of the window were jumped after it."""
    led = switch(ctx, s, seen, event)
    s.flicker = max(s.flicker - (s.clock_s - s.switched_s) / FLICKER_S, 0.0) + 1
    s.switched_s = s.clock_s
    if led == STOPPED or s.flicker > FLICKERS:
        s.done = STOPPED
        return False
    s.quiet = 0
    if led != CONNECTED:
        return False
    if seen.turn_ons == 1:
        _unsettle(ctx, s)
    if s.cycles == -1 and s.turned_rad < s.settled_rad:
        return False
    s.cycles += 1
    if s.cycles == 1 and alike(ctx) and not begins_anew(s, work.cycle_at):
        s.cycles = 0  # it opened with a bus that sprang up, or closed for the first time
    if s.cycles == 0:
        mark(s, work.books, work.cycle_books, work.cycle_at)
    if s.cycles <= 0:
        return False
    seen.cycle_s = (work.books[acc.CLOCK] - work.cycle_books[acc.CLOCK]) / s.cycles
    if ctx.chain.setup.jumps == 0 or seen.cycle_s < 2 * FLICKER_S:
        return False
    times = repeat_cycles(
        ctx, s, work.books, work.ring, work.cycle_books, work.cycle_at, s.ends_s - s.clock_s
    )
    if times <= 0:
        return False
    seen.jumps += 1
    seen.openings += int(times)
    seen.turn_ons += int(times)
    s.cycles = -1
    return True


@law
def _turned(ctx: Context, s: Fields, work: Work, seen: Fields) -> None:
    """A whole turn is over: note how even it was; jump those like it."""
    books = work.books
    turn_s = max(books[acc.CLOCK] - work.turn_books[acc.CLOCK], 1e-9)
    mean = 2 * pi / turn_s
    s.turns += 1
    if s.quiet == 1:
        if s.mode == LOADED:
            seen.hold_V = (books[acc.HOLD_V_S] - work.turn_books[acc.HOLD_V_S]) / turn_s
        seen.swing_share = (s.fastest_rad_s - s.slowest_rad_s) / mean
        if abs(mean - s.last_turn_rad_s) > HUNT_SHARE * mean:
            s.hunted_turns += 1
    s.last_turn_rad_s, s.slowest_rad_s, s.fastest_rad_s = mean, inf, 0.0
    if s.quiet == 1 and ctx.chain.setup.jumps == 1 and s.timer_s == inf:
        times = repeat_turns(
            ctx, s, books, work.ring, work.turn_books, work.turn_at, s.ends_s - s.clock_s
        )
        if times > 0:
            seen.jumps += 1
            s.turns += times
    mark(s, books, work.turn_books, work.turn_at)
    s.quiet = 1
    warm(ctx, s, books, work.heated)


@law
def _renew(ctx: Context, s: Fields) -> Bus:
    """Let the temperatures and the limits of now hold: at held speed by a new curve."""
    heat_up(ctx, s)
    if ctx.chain.setup.held == 1:
        s.curve_C, s.curve_valve_C = s.winding_C, s.valve_C
        draw_curve(ctx, s)
    now = bus_now(ctx, s, s.bus_V)
    if ctx.chain.setup.held == 1:
        s.bus_V = now.bus_V
    return now


@law
def shift(
    ctx: Context, s: Fields, work: Work, seen: Fields, first: bool, goes_on: bool, left_J: float,
    trace: Array,
) -> int:  # fmt: skip
    """Step one shift; returns how many rows of `trace` were written."""
    _begin(ctx, s, first, goes_on, left_J)
    _clear(work, goes_on)
    blank(seen, s)
    books, held = work.books, ctx.chain.setup.held == 1
    begun_V, begun_rad_s, written = s.inner_V, s.rad_s, 0
    heat_up(ctx, s)
    draw_curve(ctx, s)
    curve_facts(ctx, seen)
    near = bus_now(ctx, s, s.bus_V)
    s.bus_V = near.bus_V
    mark(s, books, work.turn_books, work.turn_at)
    while s.clock_s < s.ends_s - 1e-9 and seen.steps < MOST_STEPS:
        before_s, was, left_s = s.clock_s, s.mode, s.ends_s - s.clock_s
        if held:
            event, whole, near = advance_held(ctx, s, books, work.ring, seen, near, left_s)
        else:
            event, whole = advance_turned(ctx, s, books, work.ring, seen, left_s)
        renew = _follow(ctx, s, work, seen, was, s.clock_s - before_s)
        if written < trace.shape[0]:
            _write(s, books, trace[written])
            written += 1
        if event != 0:
            jumped = _switched(ctx, s, work, seen, event)
            if s.done == STOPPED:
                break
            near = bus_now(ctx, s, s.bus_V)
            renew = renew or (jumped and not held)
        if whole:
            _turned(ctx, s, work, seen)
            renew = renew or not held
        elif held and books[acc.CLOCK] - work.heated[2] > 1.0:
            warm(ctx, s, books, work.heated)
        if held:
            moved_K = max(abs(s.winding_C - s.curve_C), abs(s.valve_C - s.curve_valve_C))
            renew = renew or moved_K > WARMS_K
        if renew:
            near = _renew(ctx, s)
    warm(ctx, s, books, work.heated)
    close_books(ctx, s, books, seen, begun_V, begun_rad_s)
    judge(ctx, s, seen)
    s.clock_s = s.ends_s
    return written


@law
def set_up(setup: Fields, row: Fields, drive: Fields, load: Fields, person: Fields) -> None:
    """Fill in what a shift works with beside the settings."""
    size = drive.radius_m / TABLED_RADIUS_M
    set_limits(setup, person, drive.radius_m)
    setup.bank_ohm, setup.held = load.esr_ohm, 1 if person.inertia_kg_m2 <= 0 else 0
    setup.unevenness = person.unevenness if setup.held == 1 else 0.0
    setup.swing = 0.0 if setup.even == 1 else setup.unevenness
    setup.inertia = person.inertia_kg_m2 * size * size + drive.inertia_kg_m2
    setup.inertia += row.inertia_kg_m2 * drive.ratio * drive.ratio
    setup.crest, _ = crest(person)


@entry
def _sessions(
    rows: Fields, values: Single, trio: NDArray[np.int64], drives: Fields, loads: Fields,
    people: Records, setups: Fields, states: Fields, work: Work, results: Fields, trace: Array,
) -> int:  # fmt: skip
    """Sessions of chains (n,) by people (shifts,) into `results` (n, shifts)."""
    written = 0
    for i in range(drives.shape[0]):
        chain = Chain(values, rows[trio[i]], drives[i], setups[0])
        written, delivered_J, crank_J = 0, 0.0, 0.0
        for k in range(people.shape[0]):
            set_up(setups[0], rows[trio[i]], drives[i], loads[i], people[k])
            lay_out_curve(chain)
            ctx = Context(chain, loads[i], people[k], work.columns)
            left_J = _left_of_reserve(setups[0], people[k], people, results[i], k)
            goes_on = k > 0 and people[k].follows == k
            begun, seen = written, results[i, k]
            written += shift(
                ctx, states[0], work, seen, k == 0, goes_on, left_J, trace[begun:]
            )  # fmt: skip
            for line in range(begun, written):
                trace[line, 5] += delivered_J
                trace[line, 6] += crank_J
            delivered_J += seen.delivered_J
            crank_J += seen.crank_work_J
    return written


def sessions(
    tables: Machines,
    trio: NDArray[np.int64],
    drives: Fields,
    loads: Fields,
    people: Records,
    settings: Settings,
    *,
    traced: int = 0,
    nodes: int = CURVE_NODES,
) -> tuple[Records, Array]:
    """Sessions of some chains: results (n, shifts) of `accounts.RESULT`, and a course.

    `trio` (n,) picks of each chain the machine in `tables`; `drives` and `loads` (n,) are its other
    halves; `people` (shifts,) turn one after the other on the same bank. Windings begin at the
    temperature of their tables. The course holds up to `traced` steps of the last chain's session:
    s, bus V, inner V, rad/s, N m, J delivered, J at the crank, state of the switch.
    """
    results: Records = np.zeros((len(drives), len(people)), acc.RESULT)
    if (people["inertia_kg_m2"] > 0).all():
        nodes = nodes // 3
    trace = np.zeros((traced, 8))
    setup = np.zeros(1, SETUP)
    for name in Settings._fields:
        setup[name] = getattr(settings, name)
    work = Work(
        columns=np.zeros((2, nodes, CURVE_COLUMNS)),
        books=np.zeros(acc.ACCOUNTS),
        turn_books=np.zeros(acc.ACCOUNTS),
        cycle_books=np.zeros(acc.ACCOUNTS),
        turn_at=np.zeros(MARKED),
        cycle_at=np.zeros(MARKED),
        ring=np.zeros(SECTORS),
        heated=np.zeros(HEATED),
    )
    written = _sessions(
        edge(tables.rows), tables.values, trio, edge(drives), edge(loads), edge(people),
        edge(setup), edge(np.zeros(1, STATE)), work, edge(results), trace,
    )  # fmt: skip
    return results, trace[:written]
