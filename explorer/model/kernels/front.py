"""The front half of one chain: what it asks of the hand at a crank speed and a bus voltage.

And the curve of held speed: at each bus voltage the first speed, coming from rest, at which the
hand has enough, or the cadence.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.kernels.compiled import inlined, law
from explorer.model.kernels.hand import effort, excess
from explorer.model.kernels.machine import (
    copper_resistance,
    drops,
    knee,
    phases,
    read,
    valves_in_path,
)
from explorer.model.kernels.records import BRUSHED, Rows
from explorer.physics import gearing, generator, valve
from explorer.units import Array

drag_torque = law(generator.drag_torque)
crank_torque = law(gearing.crank_torque)
gear_loss = law(gearing.loss)
forward_drop = law(valve.forward_drop)
drop_lost = law(valve.drop_lost)
leakage_factor = law(valve.leakage_factor)

HOT_RISE_K = 90.0
TOP_V = 64.0
"""Curves end here: everything above the extra-low-voltage limit of 60 V is a hazard that only
needs to be recognised."""
STEEPLY, ROOT = 1e-7, 40
"""How closely the hand keeps to its limit, as a share of it; most tries."""
STANDS = 1e-5
"""A crank slower than this share of its cadence stands."""
SCANNED = 12
"""Speeds at which a chain whose torque may peak below the cadence is looked at."""
(
    CURRENT, SPEED, GEARING, DRAG, COPPER, LEAD, BRIDGE, PULSES, EFFORT, PHASE_A, TORQUE,
) = range(11)  # fmt: skip
"""Columns of a curve: A into the bus, rad/s of the crank, W of each loss, effort, A rms of a
phase, N m at the crank."""
COLUMNS = 11


class Front(NamedTuple):
    """A front half at a crank speed and bus voltage: A, N m at the crank, slopes, and W.

    `current_w` and `torque_v` are slopes by crank speed and bus voltage.
    """

    current_A: float
    current_w: float
    current_v: float
    torque_N_m: float
    torque_w: float
    torque_v: float
    phase_A: float
    gearing_W: float
    drag_W: float
    copper_W: float
    lead_W: float
    bridge_W: float
    pulses_W: float


class Chain(NamedTuple):
    """What a front half is made of: tables, rows, and the setup of the moment."""

    values: Array
    row: Rows
    drive: Rows
    setup: Rows


@law
def set_heat(chain: Chain, amps: float) -> None:
    """Fill in what temperatures do, at a mean bus current of `amps`."""
    row, setup, lost_V = chain.row, chain.setup, 0.0
    setup.warmth, setup.leakage = 0.0, 1.0
    if row.heat_capacity_J_per_K > 0:
        setup.warmth = (setup.winding_C - setup.cold_C) / HOT_RISE_K
        setup.leakage = leakage_factor(setup.valve_C)
        if row.saturation_A > 0 and amps > 0:
            drop = forward_drop(amps, row.saturation_A, row.emission_V)
            lost_V = drops(row.kind) * drop_lost(drop, row.gap_V, setup.valve_C)
    setup.lost_V = lost_V


@law
def at_rest(chain: Chain) -> float:
    """Torque that breaks the chain away, N m."""
    drive = chain.drive
    return crank_torque(chain.row.drag_N_m, drive.ratio, drive.efficiency, drive.drag_N_m)


@inlined
def front(chain: Chain, asleep: bool, crank_rad_s: float, bus_V: float) -> Front:
    """The balance of a front half turned at a speed above 0 against a mean bus voltage."""
    row, drive = chain.row, chain.drive
    shaft, ratio = crank_rad_s * drive.ratio, drive.ratio
    setup = chain.setup
    lost = 0.0 if asleep else setup.lost_V
    at = read(chain.values, row, asleep, shaft, bus_V - lost, setup.warmth, setup.bank_ohm)
    series = phases(row.kind) * at.phase_A
    squares, squares_2 = series * at.phase_A, 2 * series
    copper_ohm = copper_resistance(row.copper_ohm, setup.winding_C)
    valve_ohm = valves_in_path(row.kind) * row.valve_ohm
    ohm = copper_ohm + row.lead_ohm + valve_ohm
    junction_V = max(at.drop_V - lost, 0.0)
    rippled = setup.bank_ohm * at.ripple * at.bus_A
    drag_N_m = drag_torque(row.drag_N_m, row.viscous_N_m_s, shaft)
    volts = bus_V + junction_V
    electric_W = (volts + rippled) * at.bus_A + squares * ohm
    electric_w = (volts + 2 * rippled) * at.bus_w + at.bus_A * at.drop_w
    electric_w += squares_2 * ohm * at.phase_w
    electric_w += setup.bank_ohm * at.ripple_w * at.bus_A * at.bus_A
    electric_v = (volts + 2 * rippled) * at.bus_v + at.bus_A * (1 + at.drop_v)
    electric_v += squares_2 * ohm * at.phase_v
    electric_v += setup.bank_ohm * at.ripple_v * at.bus_A * at.bus_A
    shaft_N_m = electric_W / shaft + drag_N_m
    gear = ratio / drive.efficiency
    shaft_W = shaft_N_m * shaft
    return Front(
        at.bus_A, at.bus_w * ratio, at.bus_v,
        crank_torque(shaft_N_m, ratio, drive.efficiency, drive.drag_N_m),
        gear * ratio * ((electric_w - electric_W / shaft) / shaft + row.viscous_N_m_s),
        gear * electric_v / shaft,
        at.phase_A,
        gear_loss(shaft_W, crank_rad_s, drive.efficiency, drive.drag_N_m),
        drag_N_m * shaft, squares * copper_ohm, squares * row.lead_ohm,
        junction_V * at.bus_A + squares * valve_ohm, rippled * at.bus_A,
    )  # fmt: skip


@law
def _uneven_torque(now: Front, crank_rad_s: float, unevenness: float, chain: Chain) -> float:
    """Mean torque at held speed under a stroke: ohmic heats grow by half the swing's square.

    At one bus voltage the current follows the stroke, and the mean square of `1 + a sin` is
    `1 + a^2/2`.
    """
    row = chain.row
    heats = now.copper_W + now.lead_W + now.pulses_W
    heats += phases(row.kind) * now.phase_A * now.phase_A * valves_in_path(row.kind) * row.valve_ohm
    more_W = unevenness * unevenness / 2 * heats / chain.drive.efficiency
    return now.torque_N_m + more_W / crank_rad_s


@law
def too_hard(
    chain: Chain, asleep: bool, most_W: float, unevenness: float,
    bus_V: float, crank_rad_s: float,
) -> float:  # fmt: skip
    """By how much a speed above 0 is too hard at a bus voltage, as a share of the limit."""
    now = front(chain, asleep, crank_rad_s, bus_V)
    torque = _uneven_torque(now, crank_rad_s, unevenness, chain)
    return excess(chain.setup, most_W, torque, crank_rad_s)


@law
def held_speed(
    chain: Chain, asleep: bool, most_W: float, unevenness: float,
    bus_V: float, below_rad_s: float,
) -> float:  # fmt: skip
    """The first speed, coming from rest, at which the hand has enough, or the cadence; rad/s.

    `below_rad_s` is a speed known to be light enough, 0 where none is. A torque that peaks below
    the cadence, as the short-circuit torque does at `w_e L = R`, is scanned for its first root.
    """
    cadence, row = chain.drive.cadence_rad_s, chain.row
    if cadence <= 0:
        return 0.0
    if at_rest(chain) > chain.setup.torque_N_m:
        return 0.0

    high, high_miss = (
        cadence,
        too_hard(chain, asleep, most_W, unevenness, bus_V, cadence),
    )
    knee_rad_s = bus_V / (knee(row.kind) * row.emf_V_s * chain.drive.ratio)
    low = max(min(0.97 * knee_rad_s, 0.98 * cadence), 1e-6 * cadence)
    low_miss = -1.0
    ohm = row.cold_ohm
    reactance = cadence * chain.drive.ratio * row.pole_pairs * row.inductance_H
    if row.kind != BRUSHED and reactance > 0.7 * ohm and knee_rad_s < 0.9 * cadence:
        found = False
        first, step = low, cadence - low
        for k in range(SCANNED):
            share = (k + 1) / SCANNED
            rad_s = first + step * share * share
            miss = (
                too_hard(chain, asleep, most_W, unevenness, bus_V, rad_s)
                if k < SCANNED - 1
                else high_miss
            )
            if k == 0:
                low_miss = too_hard(chain, asleep, most_W, unevenness, bus_V, low)
                if low_miss > 0:
                    high, high_miss, low, low_miss, found = low, low_miss, 0.0, -1.0, True
                    break
            if miss > 0:
                high, high_miss, found = rad_s, miss, True
                break
            low, low_miss = rad_s, miss
        if not found:
            return cadence
    elif high_miss <= 0:
        return cadence
    else:
        if below_rad_s > low:
            low = min(below_rad_s, 0.999999 * cadence)
        low_miss = too_hard(chain, asleep, most_W, unevenness, bus_V, low)
        if low_miss > 0:
            high, high_miss, low, low_miss = low, low_miss, 0.0, -1.0
    # Regula falsi with the Illinois halving.
    side = 0
    rad_s = high
    for _ in range(ROOT):
        rad_s = (low * high_miss - high * low_miss) / (high_miss - low_miss)
        rad_s = min(max(rad_s, low + 1e-9 * cadence), high)
        miss = too_hard(chain, asleep, most_W, unevenness, bus_V, rad_s)
        if abs(miss) < STEEPLY or high - low < 1e-10 * cadence:
            break
        if miss > 0:
            high, high_miss = rad_s, miss
            if side == 1:
                low_miss *= 0.5
            side = 1
        else:
            low, low_miss = rad_s, miss
            if side == -1:
                high_miss *= 0.5
            side = -1
    return rad_s if rad_s > STANDS * cadence else 0.0


@law
def _fill(
    columns: Array, way: int, node: int, chain: Chain, unevenness: float, rad_s: float,
    bus_V: float,
) -> None:  # fmt: skip
    """One node of a curve. A crank that stands gives nothing; its torque is what it breaks at."""
    if rad_s <= 0:
        for column in range(COLUMNS):
            columns[way, node, column] = 0.0
        columns[way, node, TORQUE] = at_rest(chain)
        columns[way, node, EFFORT] = min(columns[way, node, TORQUE] / chain.setup.torque_N_m, 1.0)
        return
    row = chain.row
    now = front(chain, way == 1, rad_s, bus_V)
    more = 1 + unevenness * unevenness / 2
    squares = phases(row.kind) * now.phase_A * now.phase_A
    valve_W = squares * valves_in_path(row.kind) * row.valve_ohm
    torque = _uneven_torque(now, rad_s, unevenness, chain)
    copper, lead, pulses = more * now.copper_W, more * now.lead_W, more * now.pulses_W
    bridge = now.bridge_W + (more - 1) * valve_W
    columns[way, node, CURRENT], columns[way, node, SPEED] = now.current_A, rad_s
    columns[way, node, DRAG], columns[way, node, COPPER], columns[way, node, LEAD] = (
        now.drag_W,
        copper,
        lead,
    )
    columns[way, node, BRIDGE], columns[way, node, PULSES] = bridge, pulses
    out = bus_V * now.current_A + now.drag_W + copper + lead + bridge + pulses
    columns[way, node, GEARING] = torque * rad_s - out
    # The hand slows until effort is 1; what the root leaves is not asked of it.
    columns[way, node, EFFORT] = min(effort(chain.setup, torque, rad_s), 1.0)
    columns[way, node, PHASE_A], columns[way, node, TORQUE] = now.phase_A, torque


@law
def node_V(setup: Rows, nodes: int, node: int) -> float:
    """Bus voltage of a node of a curve."""
    below, last = (2 * nodes) // 3, nodes - 1
    if node <= below:
        return setup.foot_V * node / below
    return setup.foot_V + (setup.top_V - setup.foot_V) * (node - below) / (last - below)


@law
def lay_out_curve(chain: Chain) -> None:
    """Fill in where the nodes of a curve lie: even up to the foot, and closer beyond it."""
    row, drive, setup = chain.row, chain.drive, chain.setup
    open_V = row.open_V_s * drive.ratio * drive.cadence_rad_s
    top_V = max(min(1.02 * open_V + 0.3, TOP_V), 0.1)
    foot_V = max(min(0.97 * open_V, TOP_V) - row.foot_drop_V, 0.3 * top_V)
    setup.top_V, setup.foot_V = top_V, min(foot_V, 0.9 * top_V)


@law
def fill_curve(columns: Array, chain: Chain, most_W: float, unevenness: float) -> None:
    """Solve a curve (2, nodes, COLUMNS) of held speed, valves awake and asleep.

    Without valves that sleep only the first is filled.
    """
    sleeps, nodes = chain.row.body_saturation_A > 0, columns.shape[1]
    for way in range(2 if sleeps else 1):
        before = 0.0
        for node in range(nodes):
            bus_V = node_V(chain.setup, nodes, node)
            before = held_speed(chain, way == 1, most_W, unevenness, bus_V, before)
            _fill(columns, way, node, chain, unevenness, before, bus_V)
        # Above the open chain's voltage nothing flows.
        if chain.setup.top_V < TOP_V:
            columns[way, nodes - 1, CURRENT] = 0.0


@inlined
def place(setup: Rows, nodes: int, bus_V: float) -> tuple[int, float, float]:
    """Node left of a voltage, the share of the way to the next, and nodes a volt."""
    below, last = (2 * nodes) // 3, nodes - 1
    if bus_V < setup.foot_V:
        rate = below / setup.foot_V
        along = max(bus_V, 0.0) * rate
        left = min(int(along), below - 1)
        return left, along - left, rate
    rate = (last - below) / (setup.top_V - setup.foot_V)
    along = below + (bus_V - setup.foot_V) * rate
    left = min(int(along), last - 1)
    return left, min(along - left, 1.0), rate if along < last else 0.0


@law
def on_curve(columns: Array, setup: Rows, way: int, column: int, bus_V: float) -> float:
    """One column of a curve at a voltage, valves awake (0) or asleep (1)."""
    left, share, _ = place(setup, columns.shape[1], bus_V)
    return columns[way, left, column] * (1 - share) + columns[way, left + 1, column] * share
