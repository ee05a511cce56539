"""What warmth does to a junction: its forward drop and its leakage."""

from __future__ import annotations

import numpy as np

from explorer.units import KELVIN, THERMAL_VOLTAGE_25C, Real

TABLE_C = 25.0
"""The temperature that the tables' saturation current and leakage hold at."""
SATURATION_EXPONENT = 2.5
"""Of absolute temperature in the saturation current: 2 for a Schottky barrier, 3 for a junction."""
LEAKAGE_DOUBLES_K = 10.0
"""Reverse leakage doubles over so many kelvins (common practice, from memory)."""
LEAKAGE_KNEE_V = 0.1
"""Reverse leakage of a junction saturates within a few thermal voltages."""
SUPPLY_RAMP_V = 0.1
"""An active valve's supply current comes up over this range above its start voltage."""


def forward_drop(current_A: Real, saturation_A: Real, emission_V: Real) -> Real:
    """Shockley's law at the tables' temperature, V: `nVt ln(1 + i/Is)`, no series resistance."""
    return emission_V * np.log1p(current_A / saturation_A)


def drop_lost(drop_V: Real, gap_V: Real, junction_C: Real) -> Real:
    """By how much a forward drop at the tables' temperature is less when the junction is warmer, V.

    `Is ~ T^k exp(-Eg/(n k T))` (textbook: Sze, Physics of Semiconductor Devices) in Shockley's law:
    `v(T) = v T/T0 + Eg (1 - T/T0) - k Vt(T) ln(T/T0)`, some 1 to 2 mV a kelvin. `gap_V` is the
    barrier: about 0.7 V for Schottky, 1.1 V for silicon. Negative below the tables' temperature.

    >>> round(1e4 * float(drop_lost(0.7, 1.11, 35.0)) / 10)
    16
    """
    ratio = (junction_C + KELVIN) / (TABLE_C + KELVIN)
    power = SATURATION_EXPONENT * THERMAL_VOLTAGE_25C * ratio * np.log(ratio)
    return (ratio - 1) * (gap_V - drop_V) + power


def leakage_factor(junction_C: Real) -> Real:
    """Reverse leakage at a junction temperature over that of the tables.

    >>> leakage_factor(45.0)
    4.0
    """
    return 2.0 ** ((junction_C - TABLE_C) / LEAKAGE_DOUBLES_K)
