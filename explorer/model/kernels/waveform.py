"""The judge: one chain at switching level for a short window of time, compiled.

Phase currents through inductance, resistance and exponential valves; bank with series resistance,
drains, window, converter and pack; no map of the bridge, no stiff bus. An even hand keeps its speed
through a pulse, as means over a period of this circuit say. Neither window nor valves switch.
Second-order backward differences in equal steps; a step's currents, star point and bus voltage are
solved together. With k = 3L/2h + R + Rs a phase obeys `k i + nVt asinh(i e^(V/2nVt)/(2 Is)) =
e + v_n + L (2 i1 - i2/2)/h`.
"""

from __future__ import annotations

from math import ceil, exp, log, pi, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.kernels.back import LOADED, OPEN, taken
from explorer.model.kernels.bridge import wright_omega
from explorer.model.kernels.compiled import edge, entry, law
from explorer.model.kernels.front import copper_resistance, crank_torque, drag_torque
from explorer.model.kernels.hand import excess, set_limits
from explorer.model.kernels.machine import BODY_DIODE_EMISSION_V, Machines
from explorer.model.kernels.records import SETUP, Fields, Records
from explorer.model.kernels.wave import wave
from explorer.physics.bridge import ONE_DIODE, SIX_PULSE
from explorer.units import Array

STEPS_A_PERIOD = 720
"""Of an electrical period."""
WIRE_INDUCTANCE_H = 2e-7
"""Of a few centimetres of wire; a machine without any would switch in no time at all."""
SETTLING = 6.0
"""Time constants of the winding that pass, beside two periods, before the window opens."""
DIRECT_S = 0.02
"""What stands for a period of a brushed machine."""
SOLVED_V, MOST_NEWTONS = 1e-9, 40
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


class Circuit(NamedTuple):
    """One chain's circuit, at a winding temperature, with its valves awake or asleep.

    `phases` (5, 3) is room for what each phase has in a step.
    """

    row: Fields
    drive: Fields
    load: Fields
    copper_ohm: float
    ohm: float
    henry: float
    saturation_A: float
    emission_V: float
    phases: Array


class Branch(NamedTuple):
    """A phase's current, and how it changes with what drives it and with the bus voltage."""

    amps: float
    by_drive: float
    by_bus: float


@law
def _branch(
    drive_V: float, kappa: float, bus_V: float, saturation_A: float, emission_V: float, legs: float
) -> Branch:
    """`kappa i + legs nVt asinh(i e^(V/2nVt)/(2 Is)) = drive`, one phase through its legs."""
    size, sign = abs(drive_V), 1.0 if drive_V >= 0 else -1.0
    if saturation_A <= 0:
        over = size - 0.5 * legs * bus_V
        if over <= 0:
            return Branch(0.0, 1e-12, 0.0)
        return Branch(sign * over / kappa, 1 / kappa, -sign * 0.5 * legs / kappa)
    nvt = legs * emission_V
    c = log(2 * saturation_A) - bus_V / (2 * emission_V)
    total = size / nvt
    log_k = log(kappa / nvt) + c
    k = exp(max(log_k, -700.0))
    z = total - wright_omega(total + log_k - 0.6931471805599453)
    if z < 1.5:
        z = min(total / (1 + k), 2.0)
    for _ in range(8):
        if z > 30:
            step = (z + 0.5 * exp(log_k + z) - total) / (1 + 0.5 * exp(log_k + z))
        else:
            rise = exp(z)
            step = (z + k * 0.5 * (rise - 1 / rise) - total) / (1 + k * 0.5 * (rise + 1 / rise))
        z = max(z - step, 0.0)
        if abs(step) < 1e-11 * (1 + z):
            break
    fall = exp(-2 * z)
    half = 0.5 * exp(c + z)
    amps, root = half * (1 - fall), half * (1 + fall)
    by_drive = root / (kappa * root + nvt)
    return Branch(sign * amps, by_drive, -sign * 0.5 * legs * amps / (kappa * root + nvt))


@law
def _blocking(drive_V: float, kappa: float, saturation_A: float, emission_V: float) -> Branch:
    """`kappa i + nVt ln(1 + i/Is) = drive`, one diode that lets nothing back."""
    if drive_V <= 0:
        return Branch(0.0, 0.0, 0.0)
    if saturation_A <= 0:
        return Branch(drive_V / kappa, 1 / kappa, -1 / kappa)
    leak = kappa * saturation_A
    omega = wright_omega((drive_V + leak) / emission_V + log(leak / emission_V))
    amps = max((emission_V * omega - leak) / kappa, 0.0)
    slope = 1 / (kappa + emission_V / (amps + saturation_A))
    return Branch(amps, slope, -slope)


@law
def _step(
    circuit: Circuit, state: int, emf: Array, before: Array, ohm: float, behind_V: float,
    kappa: float, amps: Array, guess_V: float, guess_star: float,
) -> tuple[float, float]:  # fmt: skip
    """Currents of a step into `amps`; returns bus voltage and star point. Newton in both.

    `before` holds what the inductances drive, V; the bank is `behind_V` behind `ohm`.
    """
    kind = circuit.row.bridge
    count = 3 if kind == SIX_PULSE else (1 if kind == ONE_DIODE else 2)
    legs = 2.0 if count == 2 else 1.0
    volts, star = max(guess_V, 1e-6), guess_star
    for number in range(MOST_NEWTONS):
        total = total_star = total_bus = rectified = by_star = by_bus = 0.0
        for k in range(count):
            drive = emf[k] + before[k]
            if kind == ONE_DIODE:
                emission_V = circuit.row.drops * circuit.emission_V
                one = _blocking(drive - volts, kappa, circuit.saturation_A, emission_V)
            else:
                one = _branch(
                    drive + (star if count == 3 else 0.0), kappa, volts, circuit.saturation_A,
                    circuit.emission_V, legs,
                )  # fmt: skip
            amps[k] = one.amps
            total, total_star, total_bus = (
                total + one.amps, total_star + one.by_drive, total_bus + one.by_bus
            )  # fmt: skip
            if one.amps > 0:
                rectified += one.amps
                by_star += one.by_drive
                by_bus += one.by_bus
            elif count == 2:
                rectified -= one.amps
                by_bus -= one.by_bus
        now = taken(circuit.load, state, volts, 1.0)
        miss_V = volts - behind_V - ohm * (rectified - now.amps)
        slope = 1 - ohm * (by_bus - now.amps_v)
        if count != 3:
            if abs(miss_V) < SOLVED_V:
                break
            volts = max(volts - miss_V / max(slope, 0.05), 1e-6)
            continue
        scale = abs(amps[0]) + abs(amps[1]) + abs(amps[2])
        if abs(miss_V) < SOLVED_V and abs(total) <= 1e-9 * scale + 1e-12:
            break
        # total + total_star ds + total_bus dv = 0; miss - ohm by_star ds + slope dv = 0
        solves = total_star * slope + total_bus * ohm * by_star
        if solves <= 0 or number % 8 == 7:
            star -= 0.5 * total / max(total_star, 1e-9)
            volts = max(volts - 0.5 * miss_V / max(slope, 0.05), 1e-6)
            continue
        star -= (total * slope - total_bus * miss_V) / solves
        volts = max(volts - (total_star * miss_V + ohm * by_star * total) / solves, 1e-6)
    return volts, star


@law
def _drive(circuit: Circuit, shaft: float, angle: float, emf: Array) -> None:
    """Fill in the EMF of each phase at an electrical angle, V."""
    row, count = circuit.row, int(circuit.row.phases)
    peak = row.emf_V_s * shaft
    for k in range(count):
        emf[k] = peak
        if row.bridge != ONE_DIODE:
            apart = 2 * pi / 3 * k if count == 3 else pi / 2 * k
            emf[k] = peak * wave(row, angle - apart)


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
def run_window(
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
        _drive(circuit, shaft, angle, emf)
        for k in range(3):
            before[k] = by_step * (2 * last[k] - 0.5 * former[k])
        ohm = load.esr_ohm + (step / load.capacitance_F if moves else 0.0)
        volts, star = _step(circuit, state, emf, before, ohm, bank_V, kappa, amps, volts, star)
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
    run_window(circuit, state, inner_V, inner_V, rad_s, rad_s, period, True, out)
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
        run_window(circuit, state, start_V[i], end_V, crank, last, length, False, out[i])
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
