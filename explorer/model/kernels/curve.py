"""The curve of held speed: at each bus voltage the first speed, coming from rest, at which the hand
has enough, or the cadence; and what flows and is lost there.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.kernels.compiled import inlined, law
from explorer.model.kernels.front import Chain, Front, at_rest, front
from explorer.model.kernels.hand import effort, excess
from explorer.model.kernels.records import Fields
from explorer.physics.bridge import ONE_DIODE
from explorer.units import Array

STEEPLY, ROOT = 1e-7, 40
"""How closely the hand keeps to its limit, as a share of it; most tries."""
STANDS = 1e-5
"""A crank slower than this share of its cadence stands."""
SCANNED = 12
"""Speeds at which a chain whose torque may peak below the cadence is looked at."""
(
    AT_CURRENT, AT_SPEED, AT_GEARING, AT_DRAG, AT_COPPER, AT_LEAD, AT_BRIDGE, AT_PULSES, AT_EFFORT,
    AT_PHASE_A, AT_TORQUE,
) = range(11)  # fmt: skip
"""Columns of a curve: A into the bus, rad/s of the crank, W of each loss, effort, A rms of a
phase, N m at the crank."""
CURVE_COLUMNS = 11


@law
def _uneven_torque(now: Front, crank_rad_s: float, unevenness: float, chain: Chain) -> float:
    """Mean torque at held speed under a stroke: ohmic heats grow by half the swing's square.

    At one bus voltage the current follows the stroke, and the mean square of `1 + a sin` is
    `1 + a^2/2`.
    """
    row = chain.row
    heats = now.copper_W + now.lead_W + now.pulses_W
    heats += row.phases * now.phase_A * now.phase_A * row.valves_in_path * row.valve_ohm
    more_W = unevenness * unevenness / 2 * heats / chain.drive.efficiency
    return now.torque_N_m + more_W / crank_rad_s


class Holder(NamedTuple):
    """Who holds a speed: a chain with its valves awake or asleep, the equivalent power that the
    hand gives at most, W, and the swing of its stroke."""

    chain: Chain
    asleep: bool
    most_W: float
    unevenness: float


class Bracket(NamedTuple):
    """Two crank speeds and by how much each is too hard: the root lies between, if there is one."""

    low: float
    low_miss: float
    high: float
    high_miss: float


@law
def limit_excess(holder: Holder, bus_V: float, crank_rad_s: float) -> float:
    """By how much a speed above 0 is too hard at a bus voltage, as a share of the limit."""
    chain = holder.chain
    now = front(chain, holder.asleep, crank_rad_s, bus_V)
    torque = _uneven_torque(now, crank_rad_s, holder.unevenness, chain)
    return excess(chain.setup, holder.most_W, torque, crank_rad_s)


@law
def _scanned(holder: Holder, bus_V: float, low: float, cadence_miss: float) -> Bracket:
    """The first bracket from a low speed up; `high_miss` is not above 0 where there is none."""
    cadence = holder.chain.drive.cadence_rad_s
    low_miss = limit_excess(holder, bus_V, low)
    if low_miss > 0:
        return Bracket(0.0, -1.0, low, low_miss)
    first, step = low, cadence - low
    for k in range(SCANNED):
        share = (k + 1) / SCANNED
        rad_s = first + step * share * share
        miss = limit_excess(holder, bus_V, rad_s) if k < SCANNED - 1 else cadence_miss
        if miss > 0:
            return Bracket(low, low_miss, rad_s, miss)
        low, low_miss = rad_s, miss
    return Bracket(low, low_miss, cadence, cadence_miss)


@law
def _root(holder: Holder, bus_V: float, bracket: Bracket) -> float:
    """The speed in a bracket at which the hand has just enough: regula falsi with the Illinois
    halving, rad/s."""
    cadence, side = holder.chain.drive.cadence_rad_s, 0
    low, low_miss, high, high_miss = bracket
    rad_s = high
    for _ in range(ROOT):
        rad_s = (low * high_miss - high * low_miss) / (high_miss - low_miss)
        rad_s = min(max(rad_s, low + 1e-9 * cadence), high)
        miss = limit_excess(holder, bus_V, rad_s)
        if abs(miss) < STEEPLY or high - low < 1e-10 * cadence:
            break
        if miss > 0:
            high, high_miss = rad_s, miss
            low_miss *= 0.5 if side == 1 else 1.0
            side = 1
        else:
            low, low_miss = rad_s, miss
            high_miss *= 0.5 if side == -1 else 1.0
            side = -1
    return rad_s if rad_s > STANDS * cadence else 0.0


@law
def held_speed(holder: Holder, bus_V: float, below_rad_s: float) -> float:
    """The first speed, coming from rest, at which the hand has enough, or the cadence; rad/s.

    `below_rad_s` is a speed known to be light enough, 0 where none is. A torque that peaks below
    the cadence, as the short-circuit torque does at `w_e L = R`, is scanned for its first root.
    """
    chain = holder.chain
    cadence, row = chain.drive.cadence_rad_s, chain.row
    if cadence <= 0 or at_rest(chain) > chain.setup.torque_N_m:
        return 0.0
    high_miss = limit_excess(holder, bus_V, cadence)
    knee_rad_s = bus_V / (row.knee * row.emf_V_s * chain.drive.ratio)
    low = max(min(0.97 * knee_rad_s, 0.98 * cadence), 1e-6 * cadence)
    reactance = cadence * chain.drive.ratio * row.pole_pairs * row.inductance_H
    peaks = row.bridge != ONE_DIODE and reactance > 0.7 * row.cold_ohm
    if peaks and knee_rad_s < 0.9 * cadence:
        bracket = _scanned(holder, bus_V, low, high_miss)
        return _root(holder, bus_V, bracket) if bracket.high_miss > 0 else cadence
    if high_miss <= 0:
        return cadence
    if below_rad_s > low:
        low = min(below_rad_s, 0.999999 * cadence)
    low_miss = limit_excess(holder, bus_V, low)
    if low_miss > 0:
        return _root(holder, bus_V, Bracket(0.0, -1.0, low, low_miss))
    return _root(holder, bus_V, Bracket(low, low_miss, cadence, high_miss))


@law
def _fill(node: Array, holder: Holder, rad_s: float, bus_V: float) -> None:
    """One node of a curve (CURVE_COLUMNS,). A crank that stands gives nothing; its torque is what
    it breaks away at."""
    chain = holder.chain
    if rad_s <= 0:
        for column in range(CURVE_COLUMNS):
            node[column] = 0.0
        node[AT_TORQUE] = at_rest(chain)
        node[AT_EFFORT] = min(node[AT_TORQUE] / chain.setup.torque_N_m, 1.0)
        return
    row = chain.row
    now = front(chain, holder.asleep, rad_s, bus_V)
    more = 1 + holder.unevenness * holder.unevenness / 2
    squares = row.phases * now.phase_A * now.phase_A
    valve_W = squares * row.valves_in_path * row.valve_ohm
    torque = _uneven_torque(now, rad_s, holder.unevenness, chain)
    node[AT_CURRENT], node[AT_SPEED], node[AT_DRAG] = now.current_A, rad_s, now.drag_W
    node[AT_COPPER], node[AT_LEAD] = more * now.copper_W, more * now.lead_W
    node[AT_BRIDGE], node[AT_PULSES] = now.bridge_W + (more - 1) * valve_W, more * now.pulses_W
    out = bus_V * now.current_A + now.drag_W + node[AT_COPPER] + node[AT_LEAD]
    out += node[AT_BRIDGE] + node[AT_PULSES]
    node[AT_GEARING] = torque * rad_s - out
    # The hand slows until effort is 1; what the root leaves is not asked of it.
    node[AT_EFFORT] = min(effort(chain.setup, torque, rad_s), 1.0)
    node[AT_PHASE_A], node[AT_TORQUE] = now.phase_A, torque


@law
def node_V(setup: Fields, nodes: int, node: int) -> float:
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
    top_V = 1.02 * open_V + 0.3
    foot_V = max(0.97 * open_V - row.foot_drop_V, 0.3 * top_V)
    setup.top_V, setup.foot_V = top_V, min(foot_V, 0.9 * top_V)


@law
def fill_curve(columns: Array, chain: Chain, most_W: float, unevenness: float) -> None:
    """Solve a curve (2, nodes, CURVE_COLUMNS) of held speed, valves awake and asleep.

    Without valves that sleep only the first is filled.
    """
    sleeps, nodes = chain.row.body_saturation_A > 0, columns.shape[1]
    for way in range(2 if sleeps else 1):
        before, holder = 0.0, Holder(chain, way == 1, most_W, unevenness)
        for node in range(nodes):
            bus_V = node_V(chain.setup, nodes, node)
            before = held_speed(holder, bus_V, before)
            _fill(columns[way, node], holder, before, bus_V)
        # Above the open chain's voltage nothing flows.
        columns[way, nodes - 1, AT_CURRENT] = 0.0


@inlined
def place(setup: Fields, nodes: int, bus_V: float) -> tuple[int, float, float]:
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
def on_curve(columns: Array, setup: Fields, way: int, column: int, bus_V: float) -> float:
    """One column of a curve at a voltage, valves awake (0) or asleep (1)."""
    left, share, _ = place(setup, columns.shape[1], bus_V)
    return columns[way, left, column] * (1 - share) + columns[way, left + 1, column] * share
