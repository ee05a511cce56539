"""The capacitor bank and what shares its terminals: leakage, balancing, clamp."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.units import Array, Real


class Bank(NamedTuple):
    """Cells combined: F, ohm, V, and the conductances that load the bus in S."""

    capacitance_F: Array
    esr_ohm: Array
    voltage_limit_V: Array
    leakage_S: Array
    balancing_S: Array


def combine(
    series: Real,
    parallel: Real,
    *,
    capacitance_F: Real,
    esr_ohm: Real,
    voltage_V: Real,
    derating: Real,
    leakage_A: Real,
    balancing_ohm: Real,
) -> Bank:
    """Equal cells, `series` in a string and `parallel` strings. Broadcasts.

    Leakage is the data-sheet current at rated voltage, taken as proportional to voltage (a
    simplification: real cells leak less than that below their rating). `balancing_ohm` 0: none.

    >>> float(combine(5, 1, capacitance_F=5.0, esr_ohm=0.17, voltage_V=2.7, derating=1.0,
    ...     leakage_A=15e-6, balancing_ohm=0.0).capacitance_F)
    1.0
    """
    n_series, n_parallel = np.asarray(series, dtype=float), np.asarray(parallel, dtype=float)
    ohm = np.asarray(balancing_ohm, dtype=float)
    strings = n_parallel / n_series
    return Bank(
        np.asarray(capacitance_F * strings),
        np.asarray(esr_ohm / strings),
        np.asarray(n_series * voltage_V * derating),
        np.asarray(strings * leakage_A / voltage_V),
        np.where(ohm > 0, strings / np.where(ohm > 0, ohm, 1.0), 0.0),
    )


def weakest_share(series: Real, piece_spread: Real) -> Array:
    """Voltage of the fullest cell of a string over the mean, when one cell is at the low end of
    its spread and all others at the high end: the worst that can come. Broadcasts.

    Cells in a row carry the same charge, so each holds `V (1/C_i)/sum(1/C_j)`. `piece_spread` is
    half the width of each piece's own spread, relative to its batch, 0 to below 1. Derived.

    >>> round(float(weakest_share(5, 0.025)), 3)
    1.041
    """
    cells = np.asarray(series, dtype=float)
    others = (1 - np.asarray(piece_spread)) / (1 + np.asarray(piece_spread))
    return np.asarray(cells / (1 + (cells - 1) * others))


def fullest_share(capacitance: Array) -> Array:
    """Voltage of the fullest cell of strings over the mean of its string, (..., n) to (...).

    Cells in a row carry the same charge from empty: each holds `V (1/C_i)/sum(1/C_j)`. Derived.

    >>> round(float(fullest_share(np.array([0.9, 1.1, 1.1]))), 3)
    1.138
    """
    inverse = 1 / np.asarray(capacitance, dtype=float)
    return np.asarray(inverse.max(axis=-1) / inverse.mean(axis=-1))


def stored_energy(capacitance_F: Real, voltage_V: Real) -> Array:
    """Energy of a capacitor, J: `C V^2/2`.

    >>> round(float(stored_energy(100.0, 2.7)), 3)
    364.5
    """
    return np.asarray(0.5 * np.asarray(capacitance_F) * np.asarray(voltage_V) ** 2)


def stroke_ripple(
    unevenness: Real,
    bus_power_W: Real,
    crank_rad_s: Real,
    capacitance_F: Real,
    bus_V: Real,
    esr_ohm: Real = 0.0,
) -> Array:
    """Peak-to-peak bus ripple of an uneven stroke, V: `(a P/V) hypot(1/(pi f C), 2 ESR)`.

    f turns a second. Half a turn of `a P sin` stores `a P/(pi f)` in the bank, which takes it up as
    `C V dV` (small ripple); the swing of the current, `2 a P/V`, drops over the series resistance a
    quarter turn ahead of it.
    """
    turns_per_s = np.asarray(crank_rad_s, dtype=float) / (2 * np.pi)
    swing_A = np.asarray(unevenness) * bus_power_W / np.maximum(bus_V, 1e-9)
    stored = 1 / np.maximum(np.pi * turns_per_s * capacitance_F, 1e-30)
    return np.where(swing_A == 0, 0.0, swing_A * np.hypot(stored, 2 * np.asarray(esr_ohm)))


def clamp_current(bus_V: Real, threshold_V: Real, resistance_ohm: Real) -> Array:
    """Current of a shunt clamp, A: `(V - threshold)/R` above its threshold, resistance 0: none."""
    ohm = np.asarray(resistance_ohm, dtype=float)
    excess = np.maximum(np.asarray(bus_V, dtype=float) - threshold_V, 0.0)
    return np.where(ohm > 0, excess / np.where(ohm > 0, ohm, 1.0), 0.0)
