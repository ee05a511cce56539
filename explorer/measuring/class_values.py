"""What is known of parts before anything is measured: class spreads as the prior of a fit."""

from __future__ import annotations

from collections.abc import Mapping
from math import log, sqrt

from explorer.inputs.machine_classes import MachineClass
from explorer.inputs.spreads import class_rows

EVEN = 1 / sqrt(12.0)
"""Standard deviation of an even distribution over its width."""
CLASS_SD = 0.7
"""Of a quantity whose class is a guess: a factor of two either way (judgement), logarithmic."""
COPPER_SHARE = 0.1
"""Least share of a machine's mass that is copper (judgement): its heat capacity is then low."""
COPPER_J_PER_KG_K = 390.0
COOLING_W_PER_KG = 20.0
"""Copper loss that a machine bears for long whatever its build (judgement, low)."""


def class_spread(kind: str, column: str) -> float:
    """Relative standard deviation of a column between parts of one class, 0 where none is assumed:
    of the class spreads as shipped.
    """
    for row in class_rows():
        if (row.link, row.field, row.varies) == (kind, column, "batch"):
            return EVEN * (row.high - row.low)
    return 0.0


def class_expectation(
    one: MachineClass | None, quantity: str, fallback: float
) -> tuple[float, float]:
    """Middle of a class's range of a quantity and its logarithmic standard deviation."""
    if one is None:
        return fallback, 2 * CLASS_SD
    low, high = one.ranges[quantity]
    return sqrt(low * high), max(EVEN * log(high / low), 0.3)


def stand_ins(
    columns: Mapping[str, float], mass_kg: float, phases: int, resistance_ohm: float, fastest: float
) -> dict[str, tuple[float, str]]:
    """Limits of a generator that no note gives, low on purpose: column -> value, and why it.

    `fastest`: the highest speed of any reading, rpm.
    """
    heat = COPPER_SHARE * mass_kg * COPPER_J_PER_KG_K
    amps = sqrt(COOLING_W_PER_KG * mass_kg / (phases * resistance_ohm))
    found = {
        "current_limit_A": (
            float(f"{amps:.2g}"),
            f"a current whose heat of {COOLING_W_PER_KG:g} W for each kilogram any machine bears",
        ),
        "heat_capacity_J_per_K": (
            float(f"{heat:.2g}"), f"copper taken as {COPPER_SHARE:.0%} of the mass",
        ),
        "speed_limit_rpm": (
            float(f"{max(fastest, 1.0):.3g}"), "the fastest that it was turned in the notes",
        ),
    }  # fmt: skip
    return {name: value for name, value in found.items() if name not in columns}
