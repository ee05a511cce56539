"""The circuit of machine, valves and bank at switching level: one step in time.

Phase currents through inductance, resistance and exponential valves, a bank behind its resistance,
and what leaves the bus; no map of the bridge, no stiff bus. Second-order backward differences in
equal steps; a step's currents, star point and bus voltage are solved together. With
k = 3L/2h + R + Rs a phase obeys
`k i + nVt asinh(i e^(V/2nVt)/(2 Is)) = e + v_n + L (2 i1 - i2/2)/h`.
"""

from __future__ import annotations

from math import pi
from typing import NamedTuple

from explorer.model.kernels.back import taken
from explorer.model.kernels.compiled import law
from explorer.model.kernels.junction import blocking, through_legs
from explorer.model.kernels.records import Fields
from explorer.model.kernels.wave import wave
from explorer.physics.bridge import ONE_DIODE, SIX_PULSE
from explorer.units import Array

STEPS_A_PERIOD = 720
"""Of an electrical period."""
SETTLING = 6.0
"""Time constants of the winding that pass, beside two periods, before a period counts."""
SOLVED_V, MOST_NEWTONS = 1e-9, 40


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


@law
def solve_step(
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
                one = blocking(drive - volts, kappa, circuit.saturation_A, emission_V)
            else:
                one = through_legs(
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
def fill_emf(circuit: Circuit, shaft: float, angle: float, emf: Array) -> None:
    """Fill in the EMF of each phase at an electrical angle, V."""
    row, count = circuit.row, int(circuit.row.phases)
    peak = row.emf_V_s * shaft
    for k in range(count):
        emf[k] = peak
        if row.bridge != ONE_DIODE:
            apart = 2 * pi / 3 * k if count == 3 else pi / 2 * k
            emf[k] = peak * wave(row, angle - apart)
