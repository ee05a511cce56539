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
STANDARD_GRAVITY = 9.80665
THERMAL_VOLTAGE_25C = 0.025693
"""kT/q at 298.15 K, V (2019 SI constants)."""

UNIT_SUFFIXES = {
    "_N_m": "N m",
    "_J": "J",
    "_V": "V",
    "_A": "A",
    "_W": "W",
    "_K": "K",
    "_N": "N",
    "_s": "s",
    "_kg": "kg",
    "_rpm": "rpm",
    "_percent": "%",
    "_C": "°C",
}


def unit_of(name: str) -> str:
    """The unit that a name ends with, empty where it has none.

    >>> unit_of("start_torque_N_m"), unit_of("cells_series")
    ('N m', '')
    """
    return next((u for suffix, u in UNIT_SUFFIXES.items() if name.endswith(suffix)), "")
