"""The judge: one chain at switching level for a short window of time, compiled.

The circuit of `kernels.switching` with window, converter and pack. An even hand keeps its speed
through a pulse, as means over a period of this circuit say. Neither window nor valves switch.
"""

from __future__ import annotations

from math import ceil, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from explorer.model.kernels.back import LOADED, OPEN, taken
from explorer.model.kernels.compiled import edge, entry, law
from explorer.model.kernels.front import copper_resistance, crank_torque, drag_torque
from explorer.model.kernels.hand import excess, set_limits
from explorer.model.kernels.machine import BODY_DIODE_EMISSION_V, Machines
from explorer.model.kernels.records import SETUP, Fields, Records
from explorer.model.kernels.switching import (
    SETTLING,
    STEPS_A_PERIOD,
    Circuit,
    fill_emf,
    solve_step,
)
from explorer.physics.bridge import ONE_DIODE, SIX_PULSE
from explorer.units import Array

WIRE_INDUCTANCE_H = 2e-7
"""Of a few centimetres of wire; a machine without any would switch in no time at all."""
DIRECT_S = 0.02
"""What stands for a period of a brushed machine."""
KEEPS_TO, TRIES = 1e-4, 40
"""How closely the hand keeps to its limit, as a share of it; most tries."""

WINDOW_RESULT = np.dtype(
    [
        (name, "f8")
        for name in (
            "seconds", "bus_energy_J", "delivered_J", "crank_work_J", "copper_J", "phase_rms_A",
            "bus_current_A", "mean_bus_V", "end_inner_V", "crank_rad_s",
        )
    ]
    + [("found", "i8")]
)  # fmt: skip
"""What a window came to; `found` is 0 where no speed keeps to the hand's limit."""


@law
def _note(
    circuit: Circuit, state: int, emf: Array, amps: Array, volts: float, crank: float,
    rectified: float, step: float, out: Fields,
) -> None:  # fmt: skip
    """Add a step to what a window comes to; `phase_rms_A` gathers squares until the end."""
    row, drive = circuit.row, circuit.drive
    power = square = 0.0
    for k in range(int(row.phases)):
        power += emf[k] * amps[k]
        square += amps[k] * amps[k]
    shaft = crank * drive.ratio
    drag = drag_torque(row.drag_N_m, row.viscous_N_m_s, shaft)
    torque = crank_torque(
        power / max(shaft, 1e-12) + drag, drive.ratio, drive.efficiency, drive.drag_N_m
    )
    out.bus_energy_J += volts * rectified * step
    out.delivered_J += taken(circuit.load, state, volts, 1.0).delivered_W * step
    out.crank_work_J += torque * crank * step
    out.copper_J += square * circuit.copper_ohm * step
    out.phase_rms_A += square * step
    out.bus_current_A += rectified * step
    out.mean_bus_V += volts * step


@law
def _blank(out: Fields) -> None:
    out.bus_energy_J = out.delivered_J = out.crank_work_J = out.copper_J = 0.0
    out.phase_rms_A = out.bus_current_A = out.mean_bus_V = 0.0


@law
def _run(
    circuit: Circuit, state: int, inner_V: float, end_V: float, first_rad_s: float,
    last_rad_s: float, seconds: float, still: bool, out: Fields,
) -> None:  # fmt: skip
    """Settle, then follow a window; `still` holds the bank.

    The crank's speed goes straight from the first to the last as the bank goes from `inner_V` to
    `end_V`.
    """
    row, load, bridge = circuit.row, circuit.load, circuit.row.bridge
    electrical = first_rad_s * circuit.drive.ratio * row.pole_pairs
    period = DIRECT_S if bridge == ONE_DIODE else 2 * pi / max(electrical, 1.0)
    ohms = circuit.ohm + row.valves_in_path * row.valve_ohm
    settles = SETTLING * circuit.henry / ohms + 2 * period
    step = min(period / STEPS_A_PERIOD, seconds / 50)
    warm, steps = ceil(settles / step), round(seconds / step)
    step = seconds / steps
    kappa, by_step = 1.5 * circuit.henry / step + ohms, circuit.henry / step
    phases = circuit.phases
    phases[:] = 0.0
    amps, last, former, emf, before = phases[0], phases[1], phases[2], phases[3], phases[4]
    angle, volts, star, bank_V = 0.0, max(inner_V, 1e-6), 0.0, inner_V
    _blank(out)
    for number in range(warm + steps):
        counts = number >= warm
        moves = counts and not still
        share = 0.0
        if moves and end_V != inner_V:
            share = min(max((bank_V - inner_V) / (end_V - inner_V), 0.0), 1.0)
        crank = first_rad_s + (last_rad_s - first_rad_s) * share
        shaft = crank * circuit.drive.ratio
        angle += shaft * row.pole_pairs * step
        fill_emf(circuit, shaft, angle, emf)
        for k in range(3):
            before[k] = by_step * (2 * last[k] - 0.5 * former[k])
        ohm = load.esr_ohm + (step / load.capacitance_F if moves else 0.0)
        volts, star = solve_step(circuit, state, emf, before, ohm, bank_V, kappa, amps, volts, star)
        rectified = 0.0
        for k in range(3):
            rectified += max(amps[k], 0.0) if bridge == SIX_PULSE else abs(amps[k])
            former[k], last[k] = last[k], amps[k]
        if moves:
            now = taken(load, state, volts, 1.0)
            bank_V += (rectified - now.amps) * step / load.capacitance_F
        if counts:
            _note(circuit, state, emf, amps, volts, crank, rectified, step, out)
    out.seconds, out.end_inner_V, out.crank_rad_s = seconds, bank_V, first_rad_s
    out.phase_rms_A = sqrt(out.phase_rms_A / seconds / row.phases)
    out.bus_current_A, out.mean_bus_V = out.bus_current_A / seconds, out.mean_bus_V / seconds


@law
def _misses(
    circuit: Circuit, state: int, setup: Fields, inner_V: float, rad_s: float, out: Fields
) -> float:
    """By how much a period at a speed is too hard for the hand, bank at rest."""
    electrical = rad_s * circuit.drive.ratio * circuit.row.pole_pairs
    period = DIRECT_S if circuit.row.bridge == ONE_DIODE else 2 * pi / max(electrical, 1.0)
    _run(circuit, state, inner_V, inner_V, rad_s, rad_s, period, True, out)
    torque = out.crank_work_J / period / rad_s
    return excess(setup, setup.comfort_W, torque, rad_s)


@law
def _held(
    circuit: Circuit, state: int, setup: Fields, inner_V: float, guess_rad_s: float, out: Fields
) -> float:
    """Crank speed next to a guess at which a period is as hard as comfort allows, or the cadence.

    Who knows that there are several roots, and which one comes first from rest, guesses. Below 0:
    none was found.
    """
    cadence = circuit.drive.cadence_rad_s
    at = min(guess_rad_s, cadence)
    miss = _misses(circuit, state, setup, inner_V, at, out)
    if abs(miss) < KEEPS_TO or (miss < 0 and at >= cadence):
        return at
    low = high = at
    low_miss = high_miss = miss
    step, side = 1.003, 0
    for _ in range(TRIES):
        if low_miss < 0 < high_miss:
            at = (low * high_miss - high * low_miss) / (high_miss - low_miss)
        else:
            at = min(at * step, cadence) if miss < 0 else at / step
            step = step * step
        miss = _misses(circuit, state, setup, inner_V, at, out)
        if abs(miss) < KEEPS_TO or (miss < 0 and at >= cadence):
            return at
        if miss < 0:
            low, low_miss = at, miss
            high_miss *= 0.5 if side == -1 and high_miss > 0 else 1.0
            side = -1
        else:
            high, high_miss = at, miss
            low_miss *= 0.5 if side == 1 and low_miss < 0 else 1.0
            side = 1
    return -1.0


@entry
def _windows(
    rows: Records, trio: NDArray[np.int64], drives: Records, loads: Records, people: Records,
    winding_C: float, start_V: Array, guess_rad_s: Array, seconds: Array,
    closed: NDArray[np.int64], whole: bool, setup: Records, phases: Array, out: Records,
) -> None:  # fmt: skip
    for i in range(drives.shape[0]):
        row, drive = rows[trio[i]], drives[i]
        set_limits(setup[0], people[0], drive.radius_m)
        copper_ohm = copper_resistance(row.copper_ohm, winding_C)
        series = copper_resistance(row.circuit_ohm, winding_C) + row.lead_ohm
        sleeps = row.body_saturation_A > 0
        state = LOADED if closed[i] == 1 else OPEN
        henry = max(row.inductance_H, WIRE_INDUCTANCE_H)
        circuit = Circuit(
            row, drive, loads[i], copper_ohm, series, henry,
            row.body_saturation_A if sleeps else row.saturation_A,
            BODY_DIODE_EMISSION_V if sleeps else row.emission_V, phases,
        )  # fmt: skip
        crank = _held(circuit, state, setup[0], start_V[i], guess_rad_s[i], out[i])
        if sleeps and (crank < 0 or out[i].mean_bus_V >= row.start_V):
            circuit = Circuit(
                row, drive, loads[i], copper_ohm, series, henry, row.saturation_A,
                row.emission_V, phases,
            )  # fmt: skip
            crank = _held(circuit, state, setup[0], start_V[i], guess_rad_s[i], out[i])
        if crank <= 0:
            continue
        length = seconds[i]
        if whole and row.bridge != ONE_DIODE:
            pace = crank * drive.ratio * row.pole_pairs / (2 * pi)
            length = max(float(round(length * pace)), 1.0) / pace
        now = taken(loads[i], state, out[i].mean_bus_V, 1.0)
        net = out[i].bus_current_A - now.amps
        end_V = max(start_V[i] + net * length / loads[i].capacitance_F, 0.0)
        last = crank
        if end_V != start_V[i]:
            last = _held(circuit, state, setup[0], end_V, crank, out[i])
            if last <= 0:
                continue
        _run(circuit, state, start_V[i], end_V, crank, last, length, False, out[i])
        out[i].found = 1


def windows(
    tables: Machines,
    trio: NDArray[np.int64],
    drives: Records,
    loads: Records,
    person: Records,
    *,
    winding_C: float,
    start_V: Array,
    guess_rad_s: Array,
    seconds: Array,
    closed: NDArray[np.int64],
    whole: bool = True,
) -> Records:
    """Windows of some chains (n,), one each: results (n,) of `WINDOW_RESULT`.

    `start_V` is the bank's inner voltage, `guess_rad_s` the crank speed near which the hand is.
    `whole` takes the nearest whole number of electrical periods, at least one.
    """
    out = np.zeros(len(drives), WINDOW_RESULT)
    _windows(
        edge(tables.rows), trio, edge(drives), edge(loads), edge(person), winding_C,
        np.asarray(start_V, float), np.asarray(guess_rad_s, float), np.asarray(seconds, float),
        np.asarray(closed, np.int64), whole, edge(np.zeros(1, SETUP)), np.zeros((5, 3)), edge(out),
    )  # fmt: skip
    return out
