"""Solves what overlapping pulses leave of a bridge's current on a bus with a resistance.

`python -m explorer.model.soft_bus_map` writes the tables of a sine (`explorer.physics.soft_bus`)
anew: some minutes. Those of other shapes go with their maps, see `explorer.model.shape_maps`. A
node is one period at switching level on a bank that holds its voltage, with the resistance where it
is and shared among the phases.
"""

from __future__ import annotations

from math import ceil, cos, pi, sin

import numpy as np
from scipy.interpolate import PchipInterpolator

from explorer.model.kernels.back import OPEN
from explorer.model.kernels.compiled import edge, entry
from explorer.model.kernels.records import DRIVE, LOAD, MACHINE, Records, rows
from explorer.model.kernels.switching import (
    SETTLING,
    STEPS_A_PERIOD,
    Circuit,
    fill_emf,
    solve_step,
)
from explorer.physics import soft_bus
from explorer.physics.bridge import FULL_BRIDGES, SIX_PULSE, STAR, WINDING, Kind
from explorer.physics.soft_bus import FACTORS, MOST_PHI, MOST_SHARED, sharing_of
from explorer.units import Array

SINE_NODES, SINE_VOLTS = (13, 8, 33), 40
SHAPE_NODES, SHAPE_VOLTS = (9, 6, 25), 30
"""Nodes along the three places of a table, of a sine and of another shape; and voltages solved."""
PEAK_V, SPEED_RAD_S, IMPEDANCE_OHM = 10.0, 300.0, 1.0
SATURATION_A, EMISSION_V = 3e-5, 0.01
"""Valves that drop little."""
LEAST_PHI, LEAST_SHARED, MOST_VOLTS = 0.02, 2e-3, 0.99
"""What stands for 0, of phase angle and shared part; the most voltage over the open circuit's."""
ALL_SHARED = 1e-9
"""Part of the bus where all of its resistance lies in the phases."""
SETTLES = 3 * SETTLING
"""Time constants that pass: of the whole resistance, which a part of the currents does not meet."""


@entry
def _periods(
    machine: Records, drive: Records, load: Records, ohm: float, volts: Array, settles: float,
    phases: Array, found: Array,
) -> None:  # fmt: skip
    """A period of a bank at each of `volts` (n,) behind `load.esr_ohm`, into `found` (n, 3).

    Mean current into the bus, A; mean squares of a phase's and of the bus current, A^2.
    """
    row = machine[0]
    star = row.bridge == SIX_PULSE
    circuit = Circuit(
        row, drive[0], load[0], ohm, ohm, row.inductance_H, row.saturation_A, row.emission_V,
        phases,
    )  # fmt: skip
    period = 2 * pi / SPEED_RAD_S
    step, warm = period / STEPS_A_PERIOD, ceil(settles / period * STEPS_A_PERIOD)
    kappa, by_step = 1.5 * row.inductance_H / step + ohm, row.inductance_H / step
    amps, last, former, emf, before = phases[0], phases[1], phases[2], phases[3], phases[4]
    for n in range(volts.shape[0]):
        phases[:] = 0.0
        bus_V, star_V = max(volts[n], 1e-6), 0.0
        found[n, :] = 0.0
        for number in range(warm + STEPS_A_PERIOD):
            fill_emf(circuit, SPEED_RAD_S, SPEED_RAD_S * step * (number + 1), emf)
            for k in range(3):
                before[k] = by_step * (2 * last[k] - 0.5 * former[k])
            bus_V, star_V = solve_step(
                circuit, OPEN, emf, before, load[0].esr_ohm, volts[n], kappa, amps, bus_V, star_V
            )
            rectified = square = 0.0
            for k in range(3):
                rectified += max(amps[k], 0.0) if star else abs(amps[k])
                square += amps[k] * amps[k]
                former[k], last[k] = last[k], amps[k]
            if number >= warm:
                found[n, 0] += rectified / STEPS_A_PERIOD
                found[n, 1] += square / row.phases / STEPS_A_PERIOD
                found[n, 2] += rectified * rectified / STEPS_A_PERIOD


def _solved_at(kind: Kind, phi: float, shared: float, volts: Array) -> Array:
    """Mean current and mean squares (n, 3) on voltages behind a bus that has a part `shared` of the
    resistance of two phases in line with it, at a phase angle of all in rad.
    """
    star = kind.phases == 3
    whole_ohm, henry = IMPEDANCE_OHM * cos(phi), IMPEDANCE_OHM * sin(phi) / SPEED_RAD_S
    machine = rows(
        MACHINE, 1, bridge=SIX_PULSE if star else FULL_BRIDGES, phases=3 if star else 2,
        valves_in_path=1 if star else 2, drops=2, emf_V_s=PEAK_V / SPEED_RAD_S, pole_pairs=1,
        inductance_H=henry, saturation_A=SATURATION_A, emission_V=EMISSION_V,
        emf_h3=kind.shape.h3, emf_h5=kind.shape.h5, emf_h7=kind.shape.h7,
    )  # fmt: skip
    drive = rows(DRIVE, 1, ratio=1.0, efficiency=1.0, radius_m=0.1)
    bus_ohm = whole_ohm * shared / sharing_of(kind).share
    load = rows(LOAD, 1, esr_ohm=bus_ohm, capacitance_F=1.0, on_V=1e9)
    found = np.zeros((len(volts), 3))
    _periods(
        edge(machine), edge(drive), edge(load), whole_ohm * (1 - shared), volts,
        SETTLES * henry / whole_ohm + 4 * pi / SPEED_RAD_S, np.zeros((5, 3)), found,
    )  # fmt: skip
    return found


def _at_turn(kind: Kind, turn: float, counts: tuple[int, int, int], voltages: int) -> Array:
    """The table at one place of the phase angle: (shared, current, 3)."""
    phi = max(MOST_PHI * turn**2, LEAST_PHI)
    sharing = sharing_of(kind)
    open_V = 2 * kind.knee * PEAK_V
    volts = open_V * np.linspace(MOST_VOLTS, 0.0, voltages)
    whole = _solved_at(kind, phi, ALL_SHARED, volts)
    whole_form = whole[:, 1] / whole[:, 0] ** 2
    current = np.minimum(whole[:, 0] * IMPEDANCE_OHM / (sharing.short * PEAK_V), 1.0)
    places, values = np.append(0.0, np.sqrt(current)), np.zeros((*counts[1:], FACTORS))
    rising = np.append(True, np.diff(places) > 1e-9)
    for i, part in enumerate(np.linspace(0, 1, counts[1])):
        found = _solved_at(kind, phi, max(MOST_SHARED * part, LEAST_SHARED), volts)
        form = found[:, 1] / found[:, 0] ** 2
        rest = np.log(found[:, 2] / found[:, 0] ** 2 / (sharing.square * form))
        left, wider = np.log(found[:, 0] / whole[:, 0]), np.log(form / whole_form)
        if part == 0:  # a stiff bus is its own shared bridge
            left, wider = np.zeros_like(left), np.zeros_like(wider)
        known = np.vstack([np.zeros(FACTORS), np.stack([left, wider, rest], axis=-1)])
        at = np.minimum(np.linspace(0, 1, counts[2]), places[rising][-1])
        values[i] = PchipInterpolator(places[rising], known[rising])(at)
    return values


def overlaps(kind: Kind, counts: tuple[int, int, int], voltages: int) -> Array:
    """The table of a kind of bridge and its shape, (phi, shared, current, 3)."""
    turns = np.linspace(0, 1, counts[0])
    return np.stack([_at_turn(kind, float(turn), counts, voltages) for turn in turns])


def overlaps_of_shape(kind: Kind) -> Array:
    """That of another shape than a sine, a third of the nodes: some twenty seconds."""
    return overlaps(kind, SHAPE_NODES, SHAPE_VOLTS).astype(np.float32)


def main() -> None:
    """Solve the tables of a sine side by side and write them."""
    from joblib import Parallel, delayed

    kinds = (STAR, WINDING)
    tables = Parallel(n_jobs=2)(delayed(overlaps)(kind, SINE_NODES, SINE_VOLTS) for kind in kinds)
    named = {
        soft_bus.overlap_name(sharing_of(kind)): table.astype(np.float32)
        for kind, table in zip(kinds, tables, strict=True)
    }
    np.savez_compressed(soft_bus.OVERLAP_FILE, **named)


if __name__ == "__main__":
    main()
