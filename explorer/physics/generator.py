"""Permanent-magnet machine: EMF, copper, drag; and copper itself."""

from __future__ import annotations

import numpy as np

from explorer.units import Array, Real

COPPER_TEMPERATURE_COEFFICIENT = 0.00393
"""Of annealed copper at 20 C, 1/K (IEC 60028)."""
COPPER_RESISTIVITY = 1.7241e-8
"""Of annealed copper at 20 C, ohm m (IEC 60028)."""


def copper_resistance(resistance_20C_ohm: Real, temperature_C: Real) -> Real:
    """Resistance of a copper winding at a temperature, ohm (linear law of IEC 60028).

    >>> float(copper_resistance(1.0, 120.0))
    1.393
    """
    return resistance_20C_ohm * (1 + COPPER_TEMPERATURE_COEFFICIENT * (temperature_C - 20.0))


def wire_diameter(gauge_awg: Real) -> Array:
    """Diameter of a wire by its gauge, m: `0.127 mm * 92^((36 - n)/39)` (ASTM B258).

    >>> round(float(wire_diameter(18)) * 1000, 3)
    1.024
    """
    return np.asarray(0.127e-3 * 92 ** ((36 - np.asarray(gauge_awg, dtype=float)) / 39))


def wire_resistance(gauge_awg: Real, length_m: Real, temperature_C: float = 20) -> Array:
    """Resistance of one solid copper conductor, ohm.

    Diameter by gauge from ASTM B258; resistivity of IEC 60028.

    >>> round(float(wire_resistance(20, 1.0)) * 1000, 2)
    33.31
    """
    diameter = wire_diameter(gauge_awg)
    at_20C = COPPER_RESISTIVITY * np.asarray(length_m) / (np.pi * diameter**2 / 4)
    return np.asarray(copper_resistance(at_20C, temperature_C))


def peak_emf(emf_constant_V_s: Real, shaft_rad_s: Real) -> Real:
    """Peak phase EMF at a shaft speed, V: `Ke w`."""
    return emf_constant_V_s * shaft_rad_s


def drag_torque(coulomb_N_m: Real, viscous_N_m_s: Real, shaft_rad_s: Real) -> Real:
    """Bearing, cogging and iron drag at the shaft, N m: `T_c + k w`."""
    return coulomb_N_m + viscous_N_m_s * shaft_rad_s
