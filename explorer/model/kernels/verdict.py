"""What a shift came to: results from its books, its regime, what was wrong with the hand."""

from __future__ import annotations

from math import inf, nan

from explorer.model.kernels import accounts as acc
from explorer.model.kernels.back import LATCHED, LOADED, OPEN, opens_V, taken
from explorer.model.kernels.compiled import law
from explorer.model.kernels.curve import AT_CURRENT, AT_SPEED, AT_TORQUE, node_V, on_curve
from explorer.model.kernels.events import STOPPED
from explorer.model.kernels.motion import Context
from explorer.model.kernels.records import Fields
from explorer.model.regimes import CHATTERING, CYCLING, FLOODED, STARVED, STEADY
from explorer.units import Array

HUNT_SHARE, HUNTS_OVER = 0.05, 0.2
"""A cadence that moves by this share from turn to turn, in this share of the turns, hunts."""
BREAK_SHARE, BREAK_SPEED = 0.1, 1.5
"""Share of the time beyond the machine's peak torque, and speed over the cadence asked for, from
which on a hand breaks away."""
STALLED_S = 1.0
"""A crank that has stood for so long is stalled."""


@law
def blank(seen: Fields, s: Fields) -> None:
    """Results before the first step."""
    seen.first_charge_s = inf
    seen.lowest_loaded_V, seen.highest_V = inf, 0.0
    seen.least_reserve_J = s.reserve_J
    seen.hold_V = seen.unstable_equilibrium_V = nan
    seen.cycle_s = inf


@law
def curve_facts(ctx: Context, seen: Fields) -> None:
    """Where the bus rests without a load, and the torque at the empty bank, from the curve."""
    columns, setup, row = ctx.columns, ctx.chain.setup, ctx.chain.row
    sleeps = 1 if row.body_saturation_A > 0 else 0
    seen.start_torque_N_m = columns[sleeps, 0, AT_TORQUE]
    before_V, before_A = 0.0, 0.0
    for node in range(columns.shape[1]):
        volts = node_V(setup, columns.shape[1], node)
        way = sleeps if volts < row.start_V else 0
        net = columns[way, node, AT_CURRENT] - taken(ctx.load, OPEN, volts, setup.leakage).amps
        if net <= 0 and node > 0:
            share = before_A / max(before_A - net, 1e-30)
            seen.idle_V = before_V + (volts - before_V) * share
            return
        before_V, before_A = volts, net
    seen.idle_V = before_V


@law
def _unstable_equilibrium(ctx: Context, seen: Fields) -> None:
    """The highest voltage below the lowest loaded one where the load takes more than comes."""
    columns, setup = ctx.columns, ctx.chain.setup
    last = columns.shape[1] - 1
    for back in range(last + 1):
        volts = node_V(setup, last + 1, last - back)
        if volts > seen.lowest_loaded_V:
            continue
        if volts < opens_V(ctx.load, LOADED):
            return
        net = columns[0, last - back, AT_CURRENT]
        net -= taken(ctx.load, LOADED, volts, setup.leakage).amps
        if net < 0:
            seen.unstable_equilibrium_V = volts
            return


@law
def _rests(ctx: Context, s: Fields) -> bool:
    """Whether the bank has a voltage to rest at with the load on, between off and now."""
    columns, setup = ctx.columns, ctx.chain.setup
    for node in range(columns.shape[1]):
        volts = node_V(setup, columns.shape[1], node)
        if volts < opens_V(ctx.load, LOADED) or volts > s.bus_V + 0.05:
            continue
        now = taken(ctx.load, LOADED, volts, setup.leakage)
        if now.sustained and columns[0, node, AT_CURRENT] >= now.amps:
            return True
    return False


@law
def close_books(
    ctx: Context, s: Fields, books: Array, seen: Fields, begun_V: float, begun_rad_s: float
) -> None:
    """What a shift came to that began with the bank at some voltage and the crank at a speed."""
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
    if ctx.chain.setup.held == 0:
        squares = s.rad_s * s.rad_s - begun_rad_s * begun_rad_s
        seen.kinetic_J = 0.5 * ctx.chain.setup.inertia * squares
    seen.end_reserve_J = s.reserve_J
    seen.seconds = books[acc.CLOCK]
    seen.effort = books[acc.EFFORT_S] / ctx.person.seconds
    seen.at_limit_s, seen.loaded_s = books[acc.LIMIT_S], books[acc.LOADED_S]
    seen.end_inner_V, seen.end_bus_V = s.inner_V, s.bus_V
    seen.winding_C, seen.valve_C = s.winding_C, s.valve_C
    seen.cadence_rad_s = books[acc.ANGLE] / max(books[acc.CLOCK] - s.stood_s, 1e-9)
    seen.beyond_peak_share /= max(books[acc.CLOCK], 1e-9)
    if s.mode != LOADED:
        seen.hold_V = nan
    elif seen.hold_V != seen.hold_V:  # not a number yet
        seen.hold_V = s.bus_V
    _unstable_equilibrium(ctx, seen)
    _at_work(ctx, seen)


@law
def _at_work(ctx: Context, seen: Fields) -> None:
    """What hand and front half do where the load rests, or in the middle of its window.

    A load that was cut before does not rest, wherever the end of the shift finds it.
    """
    load = ctx.load
    rests = seen.hold_V == seen.hold_V and seen.openings == 0
    volts = seen.hold_V if rests else 0.5 * (opens_V(load, LOADED) + load.on_V)
    columns, setup = ctx.columns, ctx.chain.setup
    way = 1 if ctx.chain.row.body_saturation_A > 0 and volts < ctx.chain.row.start_V else 0
    seen.working_V = volts
    seen.working_A = on_curve(columns, setup, way, AT_CURRENT, volts)
    seen.working_rad_s = on_curve(columns, setup, way, AT_SPEED, volts)
    seen.working_torque_N_m = on_curve(columns, setup, way, AT_TORQUE, volts)


@law
def judge(ctx: Context, s: Fields, seen: Fields) -> None:
    """What kind of shift it was, and what was wrong with it; one that was given up says so."""
    # A shift may begin with the load on, as the one before left it.
    drew = seen.turn_ons > 0 or seen.loaded_s > 0 or ctx.chain.setup.closed == 1
    if s.done == STOPPED or (not drew and seen.refused > 0):
        seen.regime = CHATTERING
    elif s.mode == LATCHED:
        seen.regime = FLOODED
    elif not drew and s.mode != LOADED:
        seen.regime = STARVED
    elif s.mode == LOADED and seen.openings == 0 and _rests(ctx, s):
        seen.regime = STEADY
    else:
        seen.regime = CYCLING
    cadence = ctx.chain.drive.cadence_rad_s
    seen.fault = acc.SOUND
    if ctx.chain.setup.held == 1:
        rad_s = on_curve(ctx.columns, ctx.chain.setup, s.asleep, AT_SPEED, s.bus_V)
        if rad_s <= 0 and cadence > 0:
            seen.fault = acc.CANNOT_START
    elif s.turned_rad < 0.5:
        seen.fault = acc.CANNOT_START
    elif s.stood_s > STALLED_S:
        seen.fault = acc.STALLS
    elif seen.beyond_peak_share > BREAK_SHARE and seen.fastest_rad_s > BREAK_SPEED * cadence:
        seen.fault = acc.BREAKS_AWAY
    elif s.turns > 20 and s.hunted_turns > HUNTS_OVER * s.turns:
        seen.fault = acc.HUNTS
    if s.done != STOPPED and s.clock_s < s.ends_s - 1e-6:
        seen.fault = acc.UNFINISHED
