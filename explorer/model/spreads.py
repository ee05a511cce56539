"""By how much parts, hands and cadences differ from build to build: by class, or as measured."""

from __future__ import annotations

from math import log, sqrt
from typing import Literal, NamedTuple

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import Operator, Record
from explorer.inputs.spreads import EVERY
from explorer.inputs.study import Project
from explorer.model.odds import NORMAL_95
from explorer.units import Array


class Spread(NamedTuple):
    """One thing that differs from chain to chain, evenly between two factors of its value.

    `fields` of `where` (a link, `operator` or `settings`) move together. `how`: the value itself,
    the loss (1 - value), the value on a logarithmic scale; or, as measured, its logarithm is normal
    and 95 % lie between the factors.
    """

    says: str
    where: str
    fields: tuple[str, ...]
    low: float
    high: float
    how: Literal["value", "loss", "log", "lognormal"] = "value"

    def applied(self, value: float | Array, factor: float | Array) -> float | Array:
        """A value after its draw."""
        return 1 - (1 - value) * factor if self.how == "loss" else value * factor

    def at(self, share: Array) -> Array:
        """Factors at shares (n,) from 0 to 1 of what may be."""
        if self.how == "lognormal":
            from scipy.special import ndtri

            middle, reach = sqrt(self.low * self.high), log(self.high / self.low) / 2
            return np.asarray(middle * np.exp(reach / NORMAL_95 * ndtri(share)))
        if self.how == "log":
            return np.asarray(self.low * (self.high / self.low) ** share)
        return np.asarray(self.low + (self.high - self.low) * share)


def measured(project: Project, link: str, part: Record) -> dict[str, Spread]:
    """What spreads.csv says of a part or person, by field, its own rows before those of all: holds
    in place of the class. Fields that a class lets differ together and that have the same factors
    are one spread: what two ammeters are off is in all terms of a converter's loss alike.
    """
    tables = project.catalogue.spreads
    rows = (
        *((row, f"every {link}") for row in tables.get((link, EVERY), ())),
        *((row, f"{part.name}, as measured") for row in tables.get((link, part.id), ())),
    )
    named = {row.field: whose for row, whose in rows}
    found = {
        row.field: Spread(
            f"{row.column} of {whose}", link, (row.field,), row.low, row.high,
            "lognormal" if row.shape == "lognormal" else "value",
        )
        for row, whose in rows
        if row.field in FIELDS[link]
    }  # fmt: skip
    for one in CLASS_SPREADS:
        fields = tuple(name for name in one.fields if one.where == link and name in found)
        alike = {(found[name].low, found[name].high, found[name].how) for name in fields}
        if len(fields) > 1 and len(alike) == 1:
            says = f"{one.says}: {named[fields[0]]}"
            found |= dict.fromkeys(fields, found[fields[0]]._replace(says=says, fields=fields))
    return found


def spreads_of_part(project: Project, link: str, part: Record) -> tuple[Spread, ...]:
    """Spreads of one part: those of its class, and what was measured in their place."""
    own = measured(project, link, part)
    of_class = (
        one._replace(fields=tuple(name for name in one.fields if name not in own))
        for one in CLASS_SPREADS
        if one.where == link
    )
    return (*(one for one in of_class if one.fields), *dict.fromkeys(own.values()))


def of_hand(project: Project, person: Operator) -> tuple[Spread, ...]:
    """By how much a person differs from the table's row, or from the other day."""
    own = measured(project, "operator", person)
    return (*(one for one in HAND if one.fields[0] not in own), *own.values())


HAND = (
    Spread("the arm's lasting power", "operator", ("critical_power_W",), 0.85, 1.15),
    Spread("the arm's reserve", "operator", ("reserve_J",), 0.8, 1.2),
    Spread("the force that is comfortable", "operator", ("comfort_force_N",), 0.85, 1.15),
    Spread("the evenness of the stroke", "operator", ("unevenness",), 0.8, 1.2),
)
CADENCE = Spread("the cadence that is kept", "settings", ("cadence_rpm",), 0.92, 1.08)
CLASS_SPREADS = (
    Spread("loss of the gearing", "gearing", ("efficiency",), 0.7, 1.3, "loss"),
    Spread("drag of the gearing", "gearing", ("drag_torque_N_m",), 0.7, 1.3),
    Spread("EMF of the generator", "generator", ("emf_phase_V_s",), 0.95, 1.05),
    Spread(
        "winding resistance",
        "generator",
        ("resistance_phase_ohm", "resistance_equivalent_phase_ohm"),
        0.9,
        1.1,
    ),
    Spread("winding inductance", "generator", ("inductance_phase_H",), 0.85, 1.15),
    Spread(
        "drag of the generator", "generator", ("drag_torque_N_m", "drag_viscous_N_m_s"), 0.7, 1.3
    ),
    Spread("resistance of the generator lead", "lead", ("resistance_ohm",), 0.9, 1.1),
    Spread("forward voltage of the rectifier", "rectifier", ("saturation_A",), 0.5, 2.0, "log"),
    Spread("resistance of the rectifier", "rectifier", ("resistance_ohm",), 0.8, 1.2),
    Spread("leakage of the rectifier", "rectifier", ("leakage_A",), 0.1, 1.0, "log"),
    Spread("resistance of the cells", "cell", ("esr_ohm",), 0.6, 1.0),
    Spread("leakage of the cells", "cell", ("leakage_A",), 0.2, 1.0),
    Spread("threshold of the clamp", "clamp", ("threshold_V",), 0.98, 1.02),
    Spread("resistance of the window's switch", "window", ("on_resistance_ohm",), 0.8, 1.2),
    Spread(
        "loss of the converter",
        "converter",
        (
            "loss_W",
            "loss_per_input_V",
            "loss_per_input_A",
            "loss_per_input_A2",
            "loss_per_output_A",
            "loss_per_output_A2",
        ),
        0.85,
        1.15,
    ),
    Spread("output voltage of the converter", "converter", ("output_V",), 0.99, 1.01),
    Spread("resistance of the 5 V lead", "pack_lead", ("resistance_ohm",), 0.9, 1.1),
)
"""Assumed spreads of parts bought or salvaged by class (common practice, no source). Where a table
holds the most that a data sheet allows (resistance and leakage of cells, leakage of diodes), the
factors reach down from it.
"""
FIELDS: dict[str, frozenset[str]] = {
    link: frozenset(
        field for one in (*CLASS_SPREADS, *HAND) if one.where == link for field in one.fields
    )
    for link in (*LINKS, "operator")
}
"""Fields of each link, and of a person, that builds differ in."""
CAPACITANCE_HIGH = 1.2
"""Upper end of a supercapacitor's usual tolerance of -10/+20 %; the lower end is in its table."""


STANDS_IN = {
    "inductance_phase_H": "inductance_H",
    "resistance_equivalent_phase_ohm": "circuit_ohm",
}
"""What a column counts as where a row leaves it empty."""


def nominal(part: Record, field: str) -> float:
    """A field of a part, or what stands in for one that its row leaves empty."""
    value = getattr(part, STANDS_IN.get(field, field))
    return float(value)


def most(field: str) -> float:
    """A stroke cannot be more uneven than to stop."""
    return 0.99 if field == "unevenness" else np.inf
