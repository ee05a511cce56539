"""How hot a part gets that can be touched: heat leaves it through its surface into still air."""

from __future__ import annotations

import numpy as np

from explorer.units import Array, Real

STILL_AIR_W_PER_M2_K = 10.0
"""Convection and radiation of a surface in still air together, the low end of what handbooks give
for some tens of kelvin (natural convection 4 to 8, radiation of a dull surface 5 to 7; a test works
both out)."""
TOUCH_C = 65.0
"""Bare metal that burns when touched for a second, the lower end (ISO 13732-1, from memory)."""


def surface_rise(heat_W: Real, area_m2: Real) -> Array:
    """How much hotter than the air a surface gets in the end, K. Arguments broadcast; without any
    surface heat has nowhere to go, and the rise is infinite.

    >>> float(surface_rise(2.0, 0.01))
    20.0
    """
    heat, area = np.asarray(heat_W, dtype=float), np.asarray(area_m2, dtype=float)
    leaves = STILL_AIR_W_PER_M2_K * area
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(heat > 0, heat / leaves, 0.0)
