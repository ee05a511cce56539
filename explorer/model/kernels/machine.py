"""Generator, lead and rectifier over shaft speed and bus voltage: solved once, read in 20 ns.

A table belongs to one trio and serves every operator, crank, gearing and bank. Along speed its
nodes are even in the logarithm. Along voltage they follow the knee, which moves with the speed:
`foot_V` to `top_V` holds the exponential of the valves, below it current changes slowly.

Two columns of nodes, a cold and a hot winding: current falls like 1/(R + c), so that means of the
reciprocal are exact without inductance, and close with it.
"""

from __future__ import annotations

from math import exp, log, log1p, sqrt
from typing import NamedTuple

import numpy as np

from explorer.model.kernels.bridge import Map, Source, map_for, rectify
from explorer.model.kernels.compiled import edge, entry, inlined, law
from explorer.model.kernels.pulses import bank_share, pulses
from explorer.model.kernels.records import Fields, Records, Single
from explorer.physics import generator
from explorer.physics.bridge import ONE_DIODE
from explorer.units import Array


class Grid(NamedTuple):
    """Nodes of a table along speed; along voltage up to the foot, and from there on."""

    speeds: int
    body: int
    foot: int


FINE, COARSE = Grid(64, 56, 32), Grid(28, 20, 14)
"""For sessions and the search; and for builds that are drawn once, solved in a tenth of the time.
"""
CROWDED = 0.8
"""How much closer nodes lie at the foot than at 0 V, see `_body_place`."""
SLOWEST_SHARE = 1 / 400
"""The first node's speed over the last; below it currents fall with the speed."""
FALLS, FOOT_SHARE, TRICKLE_A = 10.0, 0.03, 1e-4
"""The foot begins so many factors e of current, and this share of the open voltage, below the
voltage at which a trickle is left."""
LEAST_FOOT = 0.3
"""The foot's lowest place, as a share of the top."""
BEYOND_SHARE, BEYOND_V = 0.02, 0.3
"""How far above the open chain's voltage nothing flows any more."""
HOT_RISE_K = 90.0
"""The hot winding stands this much above the cold one; further up the law goes on."""
LEAST_PULSED_A, LEAST_TAKEN = 1e-6, 0.5
"""Less current has no pulses worth solving; no bank more than doubles a current."""
BODY_DIODE_EMISSION_V = 0.05
"""nVt of a MOSFET body diode, about twice the thermal voltage (common practice, from memory)."""
(
    COLD_A, COLD_RMS, COLD_DROP, HOT_A, HOT_RMS, HOT_DROP, AMPS_T, AMPS_TT, FORM_T, FORM_TT,
    RIPPLE, RIPPLE_T, RAD_S,
) = range(13)  # fmt: skip
"""What a node holds: bus current, phase rms and the junctions' volts, cold and hot; what pulses on
a bank's resistance take off, and their ripple, see `pulses.Pulses`; shaft speed."""
TABLE_COLUMNS = 13


class Machines(NamedTuple):
    """Some trios: `rows` (n,) of `MACHINE`, and the tables that they point to.

    `values` (tables, speeds, nodes along voltage, TABLE_COLUMNS). Where no valve ever sleeps, awake
    and asleep are the same table.
    """

    rows: Records
    values: Single


class Point(NamedTuple):
    """A trio at a speed and bus voltage: A into the bus, A rms of a phase, V of the junctions,
    the pulses' ripple, and how all change with speed and voltage (suffix _w and _v)."""

    bus_A: float
    bus_w: float
    bus_v: float
    phase_A: float
    phase_w: float
    phase_v: float
    drop_V: float
    drop_w: float
    drop_v: float
    ripple: float
    ripple_w: float
    ripple_v: float


@law
def _body_place(share: float) -> float:
    """Place from 0 to 1 of a share of the foot's voltage: closer towards the foot."""
    along = 1 + CROWDED
    return (along - sqrt(along * along - 4 * CROWDED * share)) / (2 * CROWDED)


@law
def _ends(row: Fields, asleep: bool, rad_s: float) -> tuple[float, float, float, float]:
    """Foot and top of the voltages at a speed, and how both change with it."""
    top_slope = row.open_V_s * (1 + BEYOND_SHARE)
    top_V = top_slope * rad_s + BEYOND_V
    foot_V = row.foot_V_s * rad_s - (row.body_foot_drop_V if asleep else row.foot_drop_V)
    if foot_V > LEAST_FOOT * top_V:
        return foot_V, top_V, row.foot_V_s, top_slope
    return LEAST_FOOT * top_V, top_V, LEAST_FOOT * top_slope, top_slope


@law
def _node_V(row: Fields, asleep: bool, rad_s: float, node: int) -> float:
    """Bus voltage of a node at a speed."""
    foot_V, top_V, _, _ = _ends(row, asleep, rad_s)
    if node <= row.body_nodes:
        place = node / row.body_nodes
        return foot_V * ((1 + CROWDED) * place - CROWDED * place * place)
    return foot_V + (top_V - foot_V) * (node - row.body_nodes) / (row.foot_nodes - 1)


@law
def _fill_node(
    universal: Map, node: Single, row: Fields, cold: Source, warm: Source, bus_V: float
) -> None:
    """Fill in one node of a table (TABLE_COLUMNS,); `warm` counts where the winding warms."""
    at = rectify(universal, row.bridge, cold, bus_V)
    hot = at
    if row.heat_capacity_J_per_K > 0:
        hot = rectify(universal, row.bridge, warm, bus_V)
    node[COLD_A], node[HOT_A] = at.bus_A, hot.bus_A
    node[COLD_RMS], node[HOT_RMS] = at.phase_A, hot.phase_A
    node[COLD_DROP] = at.junction_W / max(at.bus_A, 1e-30)
    node[HOT_DROP] = hot.junction_W / max(hot.bus_A, 1e-30)
    if row.bridge != ONE_DIODE and at.bus_A > LEAST_PULSED_A:
        effect = pulses(universal, row, cold, bus_V, at)
        node[AMPS_T], node[AMPS_TT] = effect.amps_t, effect.amps_tt
        node[FORM_T], node[FORM_TT] = effect.form_t, effect.form_tt
        node[RIPPLE], node[RIPPLE_T] = effect.ripple, effect.ripple_t


@entry
def _solve(universal: Map, values: Single, machines: Records, number: int, asleep: bool) -> None:
    """Fill in one table (speeds, nodes, TABLE_COLUMNS) of one trio."""
    row, speeds, nodes = machines[number], values.shape[0], values.shape[1]
    saturation_A, emission_V = row.saturation_A, row.emission_V
    if asleep:
        saturation_A, emission_V = row.body_saturation_A, BODY_DIODE_EMISSION_V
    series, valve_ohm = row.valves_in_path * row.valve_ohm, row.valve_ohm
    if row.bridge == ONE_DIODE:  # several in line are one with all their volts
        emission_V, valve_ohm = row.drops * emission_V, row.drops * valve_ohm
    for i in range(speeds):
        rad_s = row.slowest_rad_s * exp(i / row.nodes_per_log)
        emf_V, omega = row.emf_V_s * rad_s, row.pole_pairs * rad_s
        cold = Source(
            emf_V, omega, row.cold_ohm - series, row.inductance_H, saturation_A, emission_V,
            valve_ohm,
        )  # fmt: skip
        warm = Source(
            emf_V, omega, row.hot_ohm - series, row.inductance_H, saturation_A, emission_V,
            valve_ohm,
        )  # fmt: skip
        last = nodes - 1
        for j in range(last):  # at the last nothing flows
            bus_V = _node_V(row, asleep, rad_s, j)
            _fill_node(universal, values[i, j], row, cold, warm, bus_V)
        for column in (COLD_DROP, HOT_DROP):
            values[i, last, column] = values[i, last - 1, column]
        for j in range(nodes):
            values[i, j, RAD_S] = rad_s


def _laid_out(row: np.void, fastest_rad_s: float, winding_C: float, grid: Grid) -> dict[str, float]:
    """Where the nodes of a trio's tables lie, and its resistances: fields of `MACHINE`."""
    series = float(row["valves_in_path"] * row["valve_ohm"] + row["lead_ohm"])
    hot_C = winding_C + HOT_RISE_K
    phase_ohm, open_V_s = float(row["circuit_ohm"]), float(row["knee"] * row["emf_V_s"])

    def drop_V(saturation_A: float, emission_V: float) -> float:
        if saturation_A <= 0:
            return 0.0
        return float(row["drops"]) * emission_V * (log1p(TRICKLE_A / saturation_A) + FALLS)

    return {
        "slowest_rad_s": fastest_rad_s * SLOWEST_SHARE,
        "nodes_per_log": (grid.speeds - 1) / log(1 / SLOWEST_SHARE),
        "body_nodes": grid.body,
        "foot_nodes": grid.foot,
        "open_V_s": open_V_s,
        "foot_V_s": open_V_s * (1 - FOOT_SHARE),
        "foot_drop_V": drop_V(float(row["saturation_A"]), float(row["emission_V"])),
        "body_foot_drop_V": drop_V(float(row["body_saturation_A"]), BODY_DIODE_EMISSION_V),
        "cold_C": winding_C,
        "cold_ohm": float(generator.copper_resistance(phase_ohm, winding_C)) + series,
        "hot_ohm": float(generator.copper_resistance(phase_ohm, hot_C)) + series,
    }


def laid_out(machines: Records, fastest_rad_s: Array, winding_C: Array, grid: Grid) -> Records:
    """Machines (n,) with where the nodes of their tables lie, up to a shaft speed each (n,)."""
    made = machines.copy()
    for number in range(len(made)):
        fastest = float(fastest_rad_s[number])
        for name, value in _laid_out(made[number], fastest, float(winding_C[number]), grid).items():
            made[name][number] = value
    return made


def tabulate(
    machines: Records, fastest_rad_s: Array, winding_C: float | Array, grid: Grid = FINE
) -> Machines:
    """Tables of some trios, `machines` (n,) of `MACHINE`, each up to a shaft speed (n,).

    `winding_C` is the temperature of the windings, at the start where they warm, of each (n,) or
    of all. Speeds above the fastest are read at it; below 1/400 of it currents fall with the speed.
    """
    at_C = np.broadcast_to(np.asarray(winding_C, dtype=float), len(machines))
    made, tables = laid_out(machines, fastest_rad_s, at_C, grid), 0
    for number in range(len(made)):
        made["awake_table"][number] = tables
        tables += 1
        if made["body_saturation_A"][number] > 0:
            made["asleep_table"][number] = tables
            tables += 1
        else:
            made["asleep_table"][number] = tables - 1
    values = np.zeros((tables, grid.speeds, grid.body + grid.foot, TABLE_COLUMNS), dtype=np.float32)
    for number in range(len(made)):
        awake, asleep = int(made["awake_table"][number]), int(made["asleep_table"][number])
        universal = map_for(made[number])
        _solve(universal, values[awake], edge(made), number, False)
        if asleep != awake:
            _solve(universal, values[asleep], edge(made), number, True)
    return Machines(made, values)


@law
def _place(
    row: Fields, asleep: bool, rad_s: float, bus_V: float
) -> tuple[int, float, float, float]:
    """Node left of a voltage at a speed and how far beyond, and slopes of that by both."""
    foot_V, top_V, foot_w, top_w = _ends(row, asleep, rad_s)
    if bus_V < foot_V:
        share = max(bus_V, 0.0) / foot_V
        place = _body_place(share)
        rate = row.body_nodes / (1 + CROWDED - 2 * CROWDED * place) / foot_V
        along, by_w = place * row.body_nodes, -rate * share * foot_w
    else:
        body, rate = row.body_nodes, (row.foot_nodes - 1) / (top_V - foot_V)
        along = body + (bus_V - foot_V) * rate
        by_w = -rate * (foot_w + (along - body) / (row.foot_nodes - 1) * (top_w - foot_w))
        if along >= body + row.foot_nodes - 1:
            return body + row.foot_nodes - 2, 1.0, 0.0, 0.0
    left = min(int(along), row.body_nodes + row.foot_nodes - 2)
    return left, along - left, by_w, rate


@inlined
def _node(
    values: Single, t: int, i: int, j: int, warmth: float, soft: float
) -> tuple[float, float, float, float]:
    """Bus current, phase rms, junctions' drop and ripple at a node, for a winding and a bank
    whose resistance counts as `soft`, see `pulses.bank_share`."""
    amps, phase_A = float(values[t, i, j, COLD_A]), float(values[t, i, j, COLD_RMS])
    drop_V, ripple = float(values[t, i, j, COLD_DROP]), 0.0
    if warmth != 0.0:
        # 1/I = (1 - t)/cold + t/hot
        hot_A, hot_phase_A = float(values[t, i, j, HOT_A]), float(values[t, i, j, HOT_RMS])
        if amps > 0 and hot_A > 0:
            amps *= hot_A / ((1 - warmth) * hot_A + warmth * amps)
            phase_A *= hot_phase_A / ((1 - warmth) * hot_phase_A + warmth * phase_A)
        drop_V += warmth * (float(values[t, i, j, HOT_DROP]) - drop_V)
    if soft > 0:
        ripple = float(values[t, i, j, RIPPLE]) + soft * float(values[t, i, j, RIPPLE_T])
        ripple = max(ripple, 0.0)
        amps_t, amps_tt = float(values[t, i, j, AMPS_T]), float(values[t, i, j, AMPS_TT])
        form_t, form_tt = float(values[t, i, j, FORM_T]), float(values[t, i, j, FORM_TT])
        takes = max(1 + soft * (amps_t + soft * amps_tt), LEAST_TAKEN)
        amps /= takes
        phase_A /= takes * max(1 + soft * (form_t + soft * form_tt), LEAST_TAKEN)
    return amps, phase_A, drop_V, ripple


@inlined
def _sloped(
    p: float, q: float, r: float, s: float, x: float, y: float
) -> tuple[float, float, float]:
    """A value between four nodes, and its slopes by both places; x from (p, q) to (r, s)."""
    low, high = p + y * (q - p), r + y * (s - r)
    return low + x * (high - low), high - low, (1 - x) * (q - p) + x * (s - r)


@inlined
def _between(
    values: Single, t: int, row: Fields, asleep: bool, rad_s: float, bus_V: float, warmth: float,
    bank_ohm: float,
) -> Point:  # fmt: skip
    """A trio between four nodes of its table."""
    i = min(int(log(rad_s / row.slowest_rad_s) * row.nodes_per_log), values.shape[1] - 2)
    low, high = float(values[t, i, 0, RAD_S]), float(values[t, i + 1, 0, RAD_S])
    x_w = 1 / (high - low)
    x = max((rad_s - low) * x_w, 0.0)
    if x >= 1.0:
        x, x_w = 1.0, 0.0
    j, y, y_w, y_v = _place(row, asleep, rad_s, bus_V)
    soft = bank_share(bank_ohm)
    p_A, p_rms, p_V, p_ripple = _node(values, t, i, j, warmth, soft)
    q_A, q_rms, q_V, q_ripple = _node(values, t, i, j + 1, warmth, soft)
    r_A, r_rms, r_V, r_ripple = _node(values, t, i + 1, j, warmth, soft)
    s_A, s_rms, s_V, s_ripple = _node(values, t, i + 1, j + 1, warmth, soft)
    amps = _sloped(p_A, q_A, r_A, s_A, x, y)
    phase = _sloped(p_rms, q_rms, r_rms, s_rms, x, y)
    drop = _sloped(p_V, q_V, r_V, s_V, x, y)
    ripple, ripple_x, ripple_y = _sloped(p_ripple, q_ripple, r_ripple, s_ripple, x, y)
    return Point(
        amps[0], amps[1] * x_w + amps[2] * y_w, amps[2] * y_v,
        phase[0], phase[1] * x_w + phase[2] * y_w, phase[2] * y_v,
        drop[0], drop[1] * x_w + drop[2] * y_w, drop[2] * y_v, ripple,
        ripple_x * x_w + ripple_y * y_w, ripple_y * y_v,
    )  # fmt: skip


@inlined
def read(
    values: Single, row: Fields, asleep: bool, rad_s: float, bus_V: float, warmth: float,
    bank_ohm: float,
) -> Point:  # fmt: skip
    """A trio at a shaft speed above 0 and a mean bus voltage.

    `warmth` says how far winding resistance stands from the cold (0) to the hot (1) one;
    `bank_ohm` is the resistance that the bridge's pulses meet in the bank.
    """
    t = row.asleep_table if asleep else row.awake_table
    if rad_s < row.slowest_rad_s:  # so far below the knee everything grows with the speed
        slow = rad_s / row.slowest_rad_s
        at = _between(values, t, row, asleep, row.slowest_rad_s, bus_V / slow, warmth, bank_ohm)
        rate, along = 1 / row.slowest_rad_s, bus_V / slow
        return Point(
            slow * at.bus_A, rate * (at.bus_A - along * at.bus_v), at.bus_v,
            slow * at.phase_A, rate * (at.phase_A - along * at.phase_v), at.phase_v,
            slow * at.drop_V, rate * (at.drop_V - along * at.drop_v), at.drop_v,
            at.ripple, -along * at.ripple_v / rad_s, at.ripple_v / slow,
        )  # fmt: skip
    return _between(values, t, row, asleep, rad_s, bus_V, warmth, bank_ohm)


@entry
def _read_all(
    machines: Records, values: Single, number: int, points: Array, warmth: float, bank_ohm: float,
    found: Array,
) -> None:  # fmt: skip
    for k in range(points.shape[0]):
        at = read(values, machines[number], False, points[k, 0], points[k, 1], warmth, bank_ohm)
        found[k, 0], found[k, 1], found[k, 2], found[k, 3] = (
            at.bus_A, at.phase_A, at.drop_V, at.ripple,
        )  # fmt: skip


def read_all(
    tables: Machines, number: int, rad_s: Array, bus_V: Array, warmth: float, bank_ohm: float
) -> Array:
    """Bus current A, phase rms A, junctions' drop V, ripple of one trio at points (n,): (n, 4)."""
    points = np.stack([rad_s, bus_V], axis=1)
    found = np.zeros((len(points), 4))
    _read_all(edge(tables.rows), tables.values, number, points, warmth, bank_ohm, found)
    return found
