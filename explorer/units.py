"""Constants and the conversions that happen at the edges; everything inside is SI."""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Real = float | Array
"""What the physics takes: a number or an array of them; all arguments broadcast."""

RAD_S_PER_RPM = 2 * pi / 60
J_PER_WH = 3600.0
KELVIN = 273.15
M2_PER_CM2 = 1e-4
STANDARD_GRAVITY = 9.80665
THERMAL_VOLTAGE_25C = 0.025693
"""kT/q at 298.15 K, V (2019 SI constants)."""

UNIT_SUFFIXES = {
    "_W_s2_m2": "W s2/m2", "_kg_m2": "kg m2", "_J_per_K": "J/K", "_K_per_W": "K/W",
    "_N_m_s": "N m s", "_m_s": "m/s", "_N_m": "N m", "_V_s": "V s",
    "_rad_s": "rad/s", "_percent": "%", "_rpm": "rpm", "_ohm": "ohm", "_kg": "kg", "_Wh": "Wh",
    "_C": "°C", "_V": "V", "_A": "A", "_W": "W", "_N": "N", "_J": "J", "_F": "F", "_H": "H",
    "_ends": "ends", "_cm2": "cm2", "_K": "K", "_m": "m", "_s": "s",
}  # fmt: skip
"""The unit that the ending of a name means, longest endings first."""


def unit_of(name: str) -> str:
    """The unit that a name ends with, empty where it has none.

    >>> unit_of("start_torque_N_m"), unit_of("cells_series")
    ('N m', '')
    """
    return next((u for suffix, u in UNIT_SUFFIXES.items() if name.endswith(suffix)), "")
