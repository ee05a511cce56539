"""Gear stages between crank and generator."""

from __future__ import annotations

import numpy as np

from explorer.units import Array, Real


def crank_torque(shaft_torque_N_m: Real, ratio: Real, efficiency: Real, drag_N_m: Real) -> Array:
    """Torque at the crank for a torque at the generator shaft: `T N/eta + T_drag`.

    `ratio` is generator over crank speed, `efficiency` of all stages together, drag at the crank.
    Broadcasts; N m.

    >>> float(crank_torque(1.0, 5.0, 0.5, 0.2))
    10.2
    """
    return np.asarray(np.asarray(shaft_torque_N_m) * ratio / efficiency + drag_N_m)


def loss(shaft_power_W: Real, crank_rad_s: Real, efficiency: Real, drag_N_m: Real) -> Array:
    """Heat in the gearing while `shaft_power_W` reaches the generator, W."""
    share = 1 / np.asarray(efficiency, dtype=float) - 1
    return np.asarray(np.asarray(shaft_power_W) * share + np.asarray(drag_N_m) * crank_rad_s)
