"""Between which numbers each column and setting lies, so that a slip of a unit is no part.

The widest that parts of such a chain have, with a factor of ten or more to spare (judgement). What
lies outside is refused: it would reach the front, or overflow on its way there.
"""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple


class Range(NamedTuple):
    """Least and most that a number of a name may be, both included; 0 where its record takes it."""

    least: float
    most: float

    def __str__(self) -> str:
        """As the column dictionary and faults have it."""
        return f"{self.least:.10g} to {self.most:.10g}"


RANGES: dict[str, Range] = {
    name: Range(least, most)
    for least, most, names in (
        (1e-6, 100, "mass_kg"),
        (0.02, 1, "radius_m"),
        (0.01, 10_000, "torque_limit_N_m"),
        (0.01, 1000, "ratio"),
        (0.01, 1, "efficiency capacitance_low_fraction derating overvoltage_return power_share"),
        (
            1e-6,
            1,
            "reference_tolerance current_limit_tolerance piece_spread unevenness unevenness_turn",
        ),
        (1e-6, 100, "drag_torque_N_m"),
        (1e-9, 10, "drag_viscous_N_m_s"),
        (1e-4, 100, "emf_line_V_s emf_phase_V_s"),
        (-0.35, 0.35, "emf_h3"),  # a square wave has 1/3, 1/5 and 1/7
        (-0.21, 0.21, "emf_h5"),
        (-0.15, 0.15, "emf_h7"),
        (
            1e-5,
            10_000,
            "resistance_line_ohm resistance_phase_ohm "
            "resistance_equivalent_line_ohm resistance_equivalent_phase_ohm",
        ),
        (1e-9, 100, "inductance_line_H inductance_phase_H"),
        (1, 1000, "pole_pairs"),
        (
            0.001,
            10_000,
            "current_limit_A input_current_limit_A output_current_limit_A measured_to_A",
        ),
        (0.001, 100_000, "pulse_limit_A"),
        (1e-6, 1000, "pulse_energy_J"),
        (1e-6, 10, "soft_start_s"),
        (1e-9, 1, "input_capacitance_F"),
        (-60, 60, "charge_min_C"),
        (1, 1_000_000, "speed_limit_rpm"),
        (0.01, 1_000_000, "heat_capacity_J_per_K"),
        (1e-9, 100, "inertia_kg_m2"),
        (1e-6, 10_000, "resistance_ohm esr_ohm on_resistance_ohm"),
        (1e-20, 1, "saturation_A"),
        (0.001, 1, "emission_V"),
        (1e-12, 10, "leakage_A supply_A"),
        (0.001, 10_000, "thermal_K_per_W"),
        (1, 500, "junction_limit_C"),
        (1e-6, 100_000, "capacitance_F"),
        (0.1, 1e9, "balancing_ohm"),
        (0.001, 1000, "body_drop_V start_V sense_V reference_V"),
        (0.1, 10_000, "reverse_limit_V voltage_V threshold_V voltage_limit_V"),
        (0.1, 10_000, "output_V input_min_V input_max_V hold_V input_V"),
        (0.001, 100_000, "power_limit_W"),
        (0.001, 1e8, "energy_limit_J"),
        (0.1, 100_000, "surface_cm2"),
        (0.001, 1000, "current_A current_most_A output_A"),
        (0.001, 100_000, "retry_s capacity_Wh"),
        (1, 5000, "critical_power_W"),
        (1, 1_000_000, "reserve_J"),
        (0.1, 10_000, "comfort_force_N force_limit_N"),
        (0.1, 5000, "sprint_torque_N_m"),
        (0.5, 500, "sprint_speed_rad_s"),
        (0.01, 10, "kappa_m_s kappa"),
        (0.1, 500, "p_W_s2_m2 p"),
        (1e-6, 1e9, "price"),
        (1, 1e9, "from_quantity available"),
        (1, 10_000, "cells_series cells_parallel"),
        (1, 1000, "cadence_rpm"),
        (1, 1, "delta"),
        (0.01, 10_000, "undervoltage_off_V undervoltage_band_V overvoltage_off_V"),
    )
    for name in names.split()
}
"""By name of a column or setting, in the unit of its suffix. The one home of these limits;
`studies/parts/README.md` shows them, and a test holds both."""


def implausible(name: str, value: float) -> str:
    """The rule that a number breaks which nothing of its name has; "" for any other.

    Zero, NaN and infinity are left to the record's own checks.

    >>> implausible("mass_kg", 1e308), implausible("mass_kg", 0.0)
    ('must be plausible, that is 1e-06 to 100', '')
    """
    limits = RANGES.get(name)
    if limits is None or not value or not isfinite(value):
        return ""
    inside = limits.least <= value <= limits.most
    return "" if inside else f"must be plausible, that is {limits}"
