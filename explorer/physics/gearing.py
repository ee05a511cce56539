"""Gear stages between crank and generator."""

from __future__ import annotations

from explorer.units import Real


def crank_torque(shaft_torque_N_m: Real, ratio: Real, efficiency: Real, drag_N_m: Real) -> Real:
    """Torque at the crank for a torque at the generator shaft: `T N/eta + T_drag`.

    `ratio` is generator over crank speed, `efficiency` of all stages together, drag at the crank.
    Broadcasts; N m.

    >>> float(crank_torque(1.0, 5.0, 0.5, 0.2))
    10.2
    """
    return shaft_torque_N_m * ratio / efficiency + drag_N_m


def loss(shaft_power_W: Real, crank_rad_s: Real, efficiency: Real, drag_N_m: Real) -> Real:
    """Heat in the gearing while `shaft_power_W` reaches the generator, W."""
    return shaft_power_W * (1 / efficiency - 1) + drag_N_m * crank_rad_s
