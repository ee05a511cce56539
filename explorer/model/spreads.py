"""By how much parts, hands and cadences differ from build to build, as spreads.csv says."""

from __future__ import annotations

from collections.abc import Iterator
from math import log, sqrt
from typing import Literal, NamedTuple

import numpy as np

from explorer.inputs.back_parts import Cell
from explorer.inputs.records import Operator, Record
from explorer.inputs.spreads import (
    KEPT_SETTING,
    MAY_DIFFER,
    OF_DESIGN,
    Quantity,
    SpreadRow,
    Spreads,
    rows_of,
)
from explorer.inputs.study import Project
from explorer.model.odds import NORMAL_95
from explorer.units import Array

EXACT = (1.0, 1.0)
"""Factors of what does not differ."""


class Spread(NamedTuple):
    """One thing that differs from chain to chain, between two factors of its value.

    `fields` of `where` (a link, `operator` or `settings`) move together. `shape` as in spreads.csv:
    even between the factors, even on a logarithmic scale, lognormal with 95 % between them, or
    even factors of what the value lacks to 1.
    """

    says: str
    where: str
    fields: tuple[str, ...]
    low: float
    high: float
    shape: Literal["even", "loguniform", "lognormal", "loss"] = "even"

    def applied(self, value: float | Array, factor: float | Array) -> float | Array:
        """A value after its draw."""
        return 1 - (1 - value) * factor if self.shape == "loss" else value * factor

    def at(self, share: Array) -> Array:
        """Factors at shares (n,) from 0 to 1 of what may be."""
        if self.shape == "lognormal":
            from scipy.special import ndtri

            middle, reach = sqrt(self.low * self.high), log(self.high / self.low) / 2
            return np.asarray(middle * np.exp(reach / NORMAL_95 * ndtri(share)))
        if self.shape == "loguniform":
            return np.asarray(self.low * (self.high / self.low) ** share)
        return np.asarray(self.low + (self.high - self.low) * share)


def spreads_of_part(project: Project, link: str, part: Record) -> tuple[Spread, ...]:
    """Spreads of one part or person, in the order of `numbers_of`; numbers that its row leaves
    empty do not differ.
    """
    rows = rows_of(project.catalogue.spreads, link, part)
    found: list[Spread] = []
    for quantity in _quantities(link, rows):
        alike: dict[tuple[float, float, str], list[str]] = {}
        for name in quantity.fields:
            if name in rows and nominal(part, name) is not None:
                row = rows[name]
                alike.setdefault((_low(part, row), row.high, row.shape), []).append(name)
        for (low, high, _), fields in alike.items():
            row, together = rows[fields[0]], tuple(fields)
            says = _says(quantity, row, part)
            found.append(Spread(says, link, together, low, high, row.shape))
    return tuple(found)


def _low(part: Record, row: SpreadRow) -> float:
    """A cell's own least capacitance holds in place of its class's."""
    if isinstance(part, Cell) and row.field == "capacitance_F" and row.part != part.id:
        return min(part.capacitance_low_fraction, row.high)
    return row.low


def _says(quantity: Quantity, row: SpreadRow, part: Record) -> str:
    if row.part != part.id:
        return quantity.says
    measured = f"{row.column} of {part.name}, as measured"
    return f"{quantity.says}: {measured}" if len(quantity.fields) > 1 else measured


def of_hand(project: Project, person: Operator) -> tuple[Spread, ...]:
    """By how much a person differs from the table's row, or from the other day."""
    return spreads_of_part(project, "operator", person)


def of_cadence(project: Project) -> Spread:
    """How well the cadence is kept."""
    row = rows_of(project.catalogue.spreads, OF_DESIGN).get(KEPT_SETTING)
    (quantity,) = (one for one in MAY_DIFFER if one.where == OF_DESIGN)
    low, high = (row.low, row.high) if row else EXACT
    return Spread(
        quantity.says, OF_DESIGN, quantity.fields, low, high, row.shape if row else "even"
    )


def _quantities(link: str, rows: dict[str, SpreadRow]) -> Iterator[Quantity]:
    """Those of a link that builds may differ in, then every other number that a row speaks of."""
    known: set[str] = set()
    for one in MAY_DIFFER:
        if one.where == link:
            known.update(one.fields)
            yield one
    for name, row in rows.items():
        if name not in known:
            yield Quantity(f"{row.column} of the {link.replace('_', ' ')}", link, (name,))


def numbers_of(spreads: Spreads, link: str) -> tuple[str, ...]:
    """Every number of a link that builds may differ in: those of all studies, then this one's."""
    usual = [name for one in MAY_DIFFER if one.where == link for name in one.fields]
    further = sorted(
        {row.field for (kind, _), rows in spreads.items() if kind == link for row in rows}
    )
    return tuple(dict.fromkeys([*usual, *further]))


def unspoken(project: Project) -> tuple[str, ...]:
    """What builds could differ in, and no row of the study speaks of."""
    said = {(link, row.field) for (link, _), rows in project.catalogue.spreads.items()
            for row in rows}  # fmt: skip
    return tuple(
        one.says for one in MAY_DIFFER if not any((one.where, name) in said for name in one.fields)
    )


STANDS_IN = {
    "inductance_phase_H": "inductance_H",
    "resistance_equivalent_phase_ohm": "circuit_ohm",
}
"""What a column counts as where a row leaves it empty."""


def nominal(part: Record, field: str) -> float | None:
    """A field of a part, or what stands in for one that its row leaves empty; None for nothing."""
    value = getattr(part, STANDS_IN.get(field, field))
    return None if value is None else float(value)


def most(field: str) -> float:
    """A stroke cannot be more uneven than to stop."""
    return 0.99 if field == "unevenness" else np.inf
