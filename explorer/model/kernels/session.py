"""A session: shifts of operators on one bank, stepped through time from an empty bank.

An operator with inertia has two states, crank speed and bank voltage, and a governor that holds the
mean cadence within force and effort; one without turns at held speed, with one state. Switching is
located inside a step. What repeats itself, turns or cycles of the window, is stepped for a while
and then weighed for the turns or cycles that it stands for.
"""

from __future__ import annotations

from math import inf, nan, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.kernels import accounts as acc
from explorer.model.kernels.advance import advance_held, advance_turned
from explorer.model.kernels.back import LATCHED, LOADED, OPEN, opens_V, taken
from explorer.model.kernels.compiled import edge, entry, law
from explorer.model.kernels.events import CONNECTED, STOPPED, switch
from explorer.model.kernels.front import (
    COLUMNS,
    CURRENT,
    SPEED,
    TORQUE,
    Chain,
    lay_out_curve,
    node_V,
    on_curve,
)
from explorer.model.kernels.hand import TABLED_RADIUS_M, crest, set_limits
from explorer.model.kernels.machine import Machines
from explorer.model.kernels.motion import (
    NODES,
    SECTORS,
    STATE,
    WARMS_K,
    Context,
    Settings,
    bus_now,
    draw_curve,
    heat_up,
)
from explorer.model.kernels.records import SETUP, Rows
from explorer.model.kernels.repeats import (
    KEPT,
    SETTLING_CYCLES,
    mark,
    repeat_cycles,
    repeat_turns,
    tire,
    warm,
)
from explorer.units import Array

HUNT_SHARE, HUNTS_OVER = 0.05, 0.2
"""A cadence that moves by this share from turn to turn, in this share of the turns, hunts."""
BREAK_SHARE, BREAK_SPEED = 0.1, 1.5
"""Share of the time beyond the machine's peak torque, and speed over the cadence asked for, from
which on a hand breaks away."""
FLICKER_S, FLICKERS = 1e-3, 200
"""A window that switches so often, each time within this of the last, chatters."""
STALLED_S = 1.0
"""A crank that has stood for so long is stalled."""
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
def _begin(ctx: Context, s: Rows, first: bool) -> None:
    """A new hand at the crank, which stands; the bank is as it was left."""
    setup = ctx.chain.setup
    if first:
        s.inner_V, s.clock_s, s.mode = setup.start_V, 0.0, OPEN
        s.bus_V = max(s.inner_V, 1e-9)
        if setup.closed == 1:
            s.mode = LOADED
        s.winding_C, s.valve_C, s.timer_s = setup.cold_C, setup.ambient_C, inf
        s.asleep = 0
        if ctx.chain.row.body_saturation_A > 0 and s.bus_V < ctx.chain.row.start_V:
            s.asleep = 1
    s.rad_s, s.angle, s.sector, s.turned_rad, s.began_s = 0.0, 0.0, 0, 0.0, s.clock_s
    s.torque_N_m = s.lasting_N_m = s.mean_rad_s = s.effort = s.over_W = 0.0
    s.trend_V = s.swing = s.gain_rad_s = s.net_A = s.stood_s = s.amps = 0.0
    s.reserve_J, s.tired, s.at_limit, s.done = ctx.person.reserve_J, 0, 0, 0
    s.flicker, s.switched_s = 0, -1.0
    s.curve_C, s.curve_valve_C = s.winding_C, s.valve_C
    if ctx.chain.setup.held == 0:
        _, s.angle = crest(ctx.person)
        s.sector = int(s.angle / (2 * pi / SECTORS) + 1e-9)


@law
def _blank(seen: Rows, ctx: Context) -> None:
    seen.first_charge_s = inf
    seen.lowest_loaded_V, seen.highest_V = inf, 0.0
    seen.least_reserve_J = ctx.person.reserve_J
    seen.hold_V = seen.trap_V = nan
    seen.cycle_s = inf


@law
def _curve_facts(ctx: Context, seen: Rows) -> None:
    """Where the bus rests without a load, and the torque at the empty bank, from the curve."""
    columns, setup, row = ctx.columns, ctx.chain.setup, ctx.chain.row
    sleeps = 1 if row.body_saturation_A > 0 else 0
    seen.start_torque_N_m = columns[sleeps, 0, TORQUE]
    before_V, before_A = 0.0, 0.0
    for node in range(columns.shape[1]):
        volts = node_V(setup, columns.shape[1], node)
        way = sleeps if volts < row.start_V else 0
        net = columns[way, node, CURRENT] - taken(ctx.load, OPEN, volts, setup.leakage).amps
        if net <= 0 and node > 0:
            share = before_A / max(before_A - net, 1e-30)
            seen.idle_V = before_V + (volts - before_V) * share
            return
        before_V, before_A = volts, net
    seen.idle_V = before_V


@law
def _trap(ctx: Context, seen: Rows) -> None:
    """The highest voltage below the lowest loaded one where the load takes more than comes."""
    columns, setup = ctx.columns, ctx.chain.setup
    last = columns.shape[1] - 1
    for back in range(last + 1):
        volts = node_V(setup, last + 1, last - back)
        if volts > seen.lowest_loaded_V:
            continue
        if volts < opens_V(ctx.load, LOADED):
            return
        net = columns[0, last - back, CURRENT]
        net -= taken(ctx.load, LOADED, volts, setup.leakage).amps
        if net < 0:
            seen.trap_V = volts
            return


@law
def _rests(ctx: Context, s: Rows) -> bool:
    """Whether the bank has a voltage to rest at with the load on, between off and now."""
    columns, setup = ctx.columns, ctx.chain.setup
    for node in range(columns.shape[1]):
        volts = node_V(setup, columns.shape[1], node)
        if volts < opens_V(ctx.load, LOADED) or volts > s.bus_V + 0.05:
            continue
        now = taken(ctx.load, LOADED, volts, setup.leakage)
        if now.sustained and columns[0, node, CURRENT] >= now.amps:
            return True
    return False


@law
def _close_books(ctx: Context, s: Rows, books: Array, seen: Rows, begun_V: float) -> None:
    """What a shift came to."""
    farad = ctx.load.capacitance_F
    seen.gearing_J, seen.drag_J, seen.copper_J = (
        books[acc.GEARING],
        books[acc.DRAG],
        books[acc.COPPER],
    )
    seen.lead_J, seen.bridge_J = books[acc.LEAD], books[acc.BRIDGE]
    seen.reverse_leakage_J, seen.bridge_supply_J = books[acc.REVERSE], books[acc.SUPPLY]
    seen.cell_leakage_J, seen.balancing_J = books[acc.CELL], books[acc.BALANCING]
    seen.clamp_J, seen.esr_J, seen.window_J = books[acc.CLAMP], books[acc.ESR], books[acc.WINDOW]
    seen.converter_J, seen.pack_lead_J = books[acc.CONVERTER], books[acc.PACK_LEAD]
    seen.delivered_J, seen.crank_work_J = books[acc.DELIVERED], books[acc.CRANK]
    seen.stored_J = 0.5 * farad * (s.inner_V * s.inner_V - begun_V * begun_V)
    seen.kinetic_J = (
        0.0 if ctx.chain.setup.held == 1 else 0.5 * ctx.chain.setup.inertia * s.rad_s * s.rad_s
    )
    seen.seconds = books[acc.CLOCK]
    seen.effort = books[acc.EFFORT_S] / ctx.person.seconds
    seen.at_limit_s, seen.loaded_s = books[acc.LIMIT_S], books[acc.LOADED_S]
    seen.end_inner_V, seen.end_bus_V = s.inner_V, s.bus_V
    seen.winding_C, seen.valve_C = s.winding_C, s.valve_C
    seen.cadence_rad_s = books[acc.ANGLE] / max(books[acc.CLOCK] - s.stood_s, 1e-9)
    seen.beyond_peak_share /= max(books[acc.CLOCK], 1e-9)
    _trap(ctx, seen)


@law
def _judge(ctx: Context, s: Rows, seen: Rows, hunted: float, turns: float) -> None:
    """What kind of shift it was, and what was wrong with it."""
    drew = seen.turn_ons > 0 or ctx.chain.setup.closed == 1
    if s.done == STOPPED or (not drew and seen.refused > 0):
        seen.regime = acc.CHATTERING
    elif s.mode == LATCHED:
        seen.regime = acc.FLOODED
    elif not drew and s.mode != LOADED:
        seen.regime = acc.STARVED
    elif s.mode == LOADED and seen.openings == 0 and _rests(ctx, s):
        seen.regime = acc.STEADY
    else:
        seen.regime = acc.CYCLING
    cadence = ctx.chain.drive.cadence_rad_s
    seen.fault = acc.SOUND
    if ctx.chain.setup.held == 1:
        if on_curve(ctx.columns, ctx.chain.setup, s.asleep, SPEED, s.bus_V) <= 0 and cadence > 0:
            seen.fault = acc.CANNOT_START
    elif s.turned_rad < 0.5:
        seen.fault = acc.CANNOT_START
    elif s.stood_s > STALLED_S:
        seen.fault = acc.STALLS
    elif seen.beyond_peak_share > BREAK_SHARE and seen.fastest_rad_s > BREAK_SPEED * cadence:
        seen.fault = acc.BREAKS_AWAY
    elif turns > 20 and hunted > HUNTS_OVER * turns:
        seen.fault = acc.HUNTS


@law
def shift(ctx: Context, s: Rows, work: Work, seen: Rows, first: bool, trace: Array) -> int:
    """Step one shift; returns how many rows of `trace` were written."""
    _begin(ctx, s, first)
    _blank(seen, ctx)
    books, ring = work.books, work.ring
    for k in range(acc.ACCOUNTS):
        books[k] = 0.0
    for k in range(SECTORS):
        ring[k] = -1.0
    for k in range(4):
        work.heated[k] = 0.0
    begun_V, begun_s, ends_s = s.inner_V, s.clock_s, s.clock_s + ctx.person.seconds
    heat_up(ctx, s)
    draw_curve(ctx, s)
    _curve_facts(ctx, seen)
    near = bus_now(ctx, s, s.bus_V)
    s.bus_V = near.bus_V
    # Cycles of an even hand are alike from the first on.
    even = ctx.chain.setup.held == 1 and ctx.chain.setup.swing == 0
    cycles, quiet, whole, written = -1 if even else -SETTLING_CYCLES, False, False, 0
    last_turn, hunted, turns, low, high = 0.0, 0.0, 0.0, inf, 0.0
    mark(s, books, work.turn_books, work.turn_at)
    while s.clock_s < ends_s - 1e-9 and seen.steps < MOST_STEPS:
        before_s, was = s.clock_s, s.mode
        if ctx.chain.setup.held == 1:
            event, whole, near = advance_held(ctx, s, books, ring, seen, near, ends_s - s.clock_s)
        else:
            event, whole = advance_turned(ctx, s, books, ring, seen, ends_s - s.clock_s)
            low, high = min(low, s.rad_s), max(high, s.rad_s)
        took = s.clock_s - before_s
        seen.steps += 1
        if was == LOADED:
            books[acc.LOADED_S] += took
            if took > 0:
                seen.lowest_loaded_V = min(seen.lowest_loaded_V, s.bus_V)
        seen.highest_V = max(seen.highest_V, s.bus_V)
        tired = tire(ctx, s, took)
        seen.least_reserve_J = min(seen.least_reserve_J, s.reserve_J)
        if written < trace.shape[0]:
            trace[written, 0], trace[written, 1], trace[written, 2] = s.clock_s, s.bus_V, s.inner_V
            trace[written, 3], trace[written, 4] = s.rad_s, s.torque_N_m
            trace[written, 5], trace[written, 6] = books[acc.DELIVERED], books[acc.CRANK]
            trace[written, 7] = s.mode
            written += 1
        renew = tired
        if tired:  # what comes is not like what was
            quiet, cycles = False, min(cycles, -1)
        if event != 0:
            led = switch(ctx, s, seen, event)
            s.flicker = s.flicker + 1 if s.clock_s - s.switched_s < FLICKER_S else 0
            s.switched_s = s.clock_s
            if s.flicker > FLICKERS:
                led = STOPPED
            if led == STOPPED:
                s.done = STOPPED
                break
            near = bus_now(ctx, s, s.bus_V)
            quiet = False
            if led == CONNECTED:
                cycles += 1
                if cycles == 0:
                    mark(s, books, work.cycle_books, work.cycle_at)
                elif cycles > 0 and ctx.chain.setup.jumps == 1:
                    length = (books[acc.CLOCK] - work.cycle_books[acc.CLOCK]) / cycles
                    seen.cycle_s = length
                    times = repeat_cycles(
                        ctx, s, books, ring, work.cycle_books, work.cycle_at, cycles,
                        ends_s - s.clock_s,
                    )  # fmt: skip
                    if times > 0:
                        seen.jumps += 1
                        seen.openings += int(times)
                        seen.turn_ons += int(times)
                        cycles = -1
                        renew = True
                elif cycles > 0:
                    seen.cycle_s = (books[acc.CLOCK] - work.cycle_books[acc.CLOCK]) / cycles
        if whole:
            turn_s = books[acc.CLOCK] - work.turn_books[acc.CLOCK]
            turns += 1
            mean = 2 * pi / max(turn_s, 1e-9)
            if quiet:
                if s.mode == LOADED:
                    held = books[acc.HOLD_V_S] - work.turn_books[acc.HOLD_V_S]
                    seen.hold_V = held / max(turn_s, 1e-9)
                seen.swing_share = (high - low) / mean
                if abs(mean - last_turn) > HUNT_SHARE * mean:
                    hunted += 1
            last_turn, low, high = mean, inf, 0.0
            if quiet and ctx.chain.setup.jumps == 1 and s.timer_s == inf:
                times = repeat_turns(
                    ctx, s, books, ring, work.turn_books, work.turn_at, ends_s - s.clock_s
                )
                if times > 0:
                    seen.jumps += 1
                    turns += times
            mark(s, books, work.turn_books, work.turn_at)
            quiet = True
            warm(ctx, s, books, work.heated)
            renew = renew or ctx.chain.setup.held == 0
        elif ctx.chain.setup.held == 1 and books[acc.CLOCK] - work.heated[2] > 1.0:
            warm(ctx, s, books, work.heated)
        if ctx.chain.setup.held == 1:
            moved = max(abs(s.winding_C - s.curve_C), abs(s.valve_C - s.curve_valve_C))
            renew = tired or moved > WARMS_K
        if renew:
            heat_up(ctx, s)
            if ctx.chain.setup.held == 1:
                s.curve_C, s.curve_valve_C = s.winding_C, s.valve_C
                draw_curve(ctx, s)
                near = bus_now(ctx, s, s.bus_V)
                s.bus_V = near.bus_V
    if s.mode != LOADED:
        seen.hold_V = nan
    elif seen.hold_V != seen.hold_V:
        seen.hold_V = s.bus_V
    warm(ctx, s, books, work.heated)
    _close_books(ctx, s, books, seen, begun_V)
    _judge(ctx, s, seen, hunted, turns)
    if s.done == STOPPED:
        s.clock_s = ends_s
    elif s.clock_s < ends_s - 1e-6:
        seen.fault = acc.UNFINISHED
        s.clock_s = ends_s
    return written


@law
def set_up(setup: Rows, row: Rows, drive: Rows, load: Rows, person: Rows) -> None:
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
    rows: Rows, values: Array, trio: NDArray[np.int64], drives: Rows, loads: Rows, people: Rows,
    setups: Rows, states: Rows, work: Work, results: Rows, trace: Array,
) -> int:  # fmt: skip
    """Sessions of chains (n,) by people (shifts,) into `results` (n, shifts)."""
    written = 0
    for i in range(drives.shape[0]):
        chain = Chain(values, rows[trio[i]], drives[i], setups[0])
        for k in range(people.shape[0]):
            set_up(setups[0], rows[trio[i]], drives[i], loads[i], people[k])
            lay_out_curve(chain)
            ctx = Context(chain, loads[i], people[k], work.columns)
            written = shift(ctx, states[0], work, results[i, k], k == 0, trace)
    return written


def sessions(
    tables: Machines,
    trio: NDArray[np.int64],
    drives: Rows,
    loads: Rows,
    people: Rows,
    settings: Settings,
    *,
    traced: int = 0,
    nodes: int = NODES,
) -> tuple[Rows, Array]:
    """Sessions of some chains: results (n, shifts) of `accounts.RESULT`, and a course.

    `trio` (n,) picks of each chain the machine in `tables`; `drives` and `loads` (n,) are its other
    halves; `people` (shifts,) turn one after the other on the same bank. The tables must be those
    of the settings' winding temperature: of the ambient where the winding warms. The course holds
    up to `traced` steps of the last chain's last shift: s, bus V, inner V, rad/s, N m, J delivered,
    J at the crank, state of the switch.
    """
    results: Rows = np.zeros((len(drives), len(people)), acc.RESULT)
    if (people["inertia_kg_m2"] > 0).all():
        nodes = nodes // 3
    trace = np.zeros((traced, 8))
    setup = np.zeros(1, SETUP)
    for name in Settings._fields:
        setup[name] = getattr(settings, name)
    work = Work(
        np.zeros((2, nodes, COLUMNS)), *(np.zeros(acc.ACCOUNTS) for _ in range(3)),
        *(np.zeros(KEPT) for _ in range(2)), np.zeros(SECTORS), np.zeros(4),
    )  # fmt: skip
    written = _sessions(
        edge(tables.rows), tables.values, trio, edge(drives), edge(loads), edge(people),
        edge(setup), edge(np.zeros(1, STATE)), work, edge(results), trace,
    )  # fmt: skip
    return results, trace[:written]
