"""Front halves at single points and their curves of held speed, without a session around them.

What rules ask that hold before any session: the push of a hand against a clamp, straight from the
universal map; and what a front half brings to each bus voltage, for bounds of the search.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.kernels.bridge import Map, Source, map_for, rectify
from explorer.model.kernels.compiled import edge, entry
from explorer.model.kernels.curve import CURVE_COLUMNS, fill_curve, lay_out_curve, node_V
from explorer.model.kernels.front import Chain, copper_resistance, crank_torque, drag_torque
from explorer.model.kernels.hand import set_limits
from explorer.model.kernels.machine import BODY_DIODE_EMISSION_V, Machines
from explorer.model.kernels.records import SETUP, Fields, Records, Single
from explorer.physics.bridge import ONE_DIODE
from explorer.units import Array

BY_WHICH_MAPS_DIFFER = ("bridge", "emf_h3", "emf_h5", "emf_h7")


class Pushed(NamedTuple):
    """A into the bus, and mean N m at the crank, (n,) each."""

    current_A: Array
    torque_N_m: Array


class Curves(NamedTuple):
    """Curves of held speed of some front halves on a stiff bus: `volts` (h, nodes) and `columns`
    (h, nodes, CURVE_COLUMNS), valves that sleep asleep below their start.
    """

    volts: Array
    columns: Array


@entry
def _points(
    universal: Map, rows: Fields, drives: Fields, winding_C: Array, half: NDArray[np.int64],
    points: Array, unevenness: float, found: Array,
) -> None:  # fmt: skip
    for k in range(points.shape[0]):
        row, drive = rows[half[k]], drives[half[k]]
        crank_rad_s, bus_V = points[k, 0], points[k, 1]
        shaft = crank_rad_s * drive.ratio
        copper_ohm = copper_resistance(row.copper_ohm, winding_C[half[k]])
        circuit_ohm = copper_resistance(row.circuit_ohm, winding_C[half[k]])
        saturation_A, emission_V, valve_ohm = row.saturation_A, row.emission_V, row.valve_ohm
        if row.body_saturation_A > 0 and bus_V < row.start_V:
            saturation_A, emission_V = row.body_saturation_A, BODY_DIODE_EMISSION_V
        if row.bridge == ONE_DIODE:
            emission_V, valve_ohm = row.drops * emission_V, row.drops * valve_ohm
        source = Source(
            row.emf_V_s * shaft, row.pole_pairs * shaft, circuit_ohm + row.lead_ohm,
            row.inductance_H, saturation_A, emission_V, valve_ohm,
        )  # fmt: skip
        drag_N_m = drag_torque(row.drag_N_m, row.viscous_N_m_s, shaft)
        found[k, 0] = 0.0
        if shaft > 0:
            at = rectify(universal, row.bridge, source, bus_V)
            series = copper_ohm + row.lead_ohm + row.valves_in_path * row.valve_ohm
            heat_W = row.phases * at.phase_A * at.phase_A * series
            heat_W *= 1 + unevenness * unevenness / 2
            drag_N_m += (bus_V * at.bus_A + at.junction_W + heat_W) / shaft
            found[k, 0] = at.bus_A
        found[k, 1] = crank_torque(drag_N_m, drive.ratio, drive.efficiency, drive.drag_N_m)


def pushed(
    machines: Records, drives: Records, winding_C: Array, half: NDArray[np.int64],
    crank_rad_s: Array, bus_V: Array, unevenness: float,
) -> Pushed:  # fmt: skip
    """Front halves turned at given speeds against given stiff bus voltages, (n,) each.

    `machines` and `drives` (h,) need no tables; `winding_C` (h,); `half` (n,) picks one for each
    point. An uneven hand adds `a^2/2` of all ohmic heat. At rest nothing flows and the torque is
    static drag.
    """
    points, found = np.stack([crank_rad_s, bus_V], axis=1), np.zeros((len(half), 2))
    kinds = np.stack([machines[name] for name in BY_WHICH_MAPS_DIFFER], axis=1)
    _, first, kind = np.unique(kinds, axis=0, return_index=True, return_inverse=True)
    for number, one in enumerate(first):
        some = np.flatnonzero(kind.reshape(-1)[half] == number)
        part = np.zeros((len(some), 2))
        _points(
            map_for(machines[one]), edge(machines), edge(drives), winding_C, half[some],
            np.ascontiguousarray(points[some]), unevenness, part,
        )  # fmt: skip
        found[some] = part
    return Pushed(found[:, 0], found[:, 1])


@entry
def _curves(
    rows: Fields, values: Single, trio: NDArray[np.int64], drives: Fields, person: Fields,
    setups: Fields, work: Array, volts: Array, columns: Array,
) -> None:  # fmt: skip
    for i in range(drives.shape[0]):
        setup = setups[0]
        set_limits(setup, person[0], drives[i].radius_m)
        setup.winding_C = rows[trio[i]].cold_C
        chain = Chain(values, rows[trio[i]], drives[i], setup)
        lay_out_curve(chain)
        fill_curve(work, chain, setup.comfort_W, person[0].unevenness)
        for node in range(volts.shape[1]):
            volts[i, node] = node_V(setup, volts.shape[1], node)
            asleep = chain.row.body_saturation_A > 0 and volts[i, node] < chain.row.start_V
            for column in range(CURVE_COLUMNS):
                columns[i, node, column] = work[1 if asleep else 0, node, column]


def curves(
    tables: Machines, trio: NDArray[np.int64], drives: Records, person: Records, nodes: int
) -> Curves:
    """Curves of held speed of some front halves (h,), cold and on a stiff bus, for one person."""
    volts = np.zeros((len(drives), nodes))
    columns = np.zeros((len(drives), nodes, CURVE_COLUMNS))
    setup = np.zeros(1, SETUP)
    setup["leakage"] = 1.0
    _curves(
        edge(tables.rows), tables.values, trio, edge(drives), edge(person), edge(setup),
        np.zeros((2, nodes, CURVE_COLUMNS)), volts, columns,
    )  # fmt: skip
    return Curves(volts, columns)
