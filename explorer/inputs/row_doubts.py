"""Rows of parts and people that look like a slip: bands of what such rows usually hold.

Bands are wide and of low confidence; they find a wrong unit or a slip by ten, they judge no part.
What lies outside is noted and stays as it is. Of generators, see `machine_classes`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import log1p
from typing import NamedTuple

RowValues = Mapping[str, float | int | str]
Doubt = tuple[str, float, str]
"""Column, its value, and why it is doubted."""


class Usual(NamedTuple):
    """Between which values something of a kind of row usually lies.

    `value` computes it from a row, None where the row lacks something; `column` is the one that is
    to be looked at; `slip_low` and `slip_high` say what makes it too small or too large.
    """

    kind: str
    column: str
    what: str
    value: Callable[[RowValues], float | None]
    least: float
    most: float
    slip_low: str
    slip_high: str


def number_in(row: RowValues, column: str) -> float | None:
    """A column's number, None where it is empty or text.

    >>> number_in({"a": 2, "b": "x"}, "a"), number_in({"a": 2, "b": "x"}, "b")
    (2.0, None)
    """
    value = row.get(column)
    return float(value) if isinstance(value, int | float) else None


def _column(name: str) -> Callable[[RowValues], float | None]:
    return lambda row: number_in(row, name)


def _time_constant(row: RowValues) -> float | None:
    farad, ohm = number_in(row, "capacitance_F"), number_in(row, "esr_ohm")
    if row.get("kind") != "supercapacitor" or farad is None or not ohm:
        return None
    return farad * ohm


def _leakage(row: RowValues) -> float | None:
    farad, amps = number_in(row, "capacitance_F"), number_in(row, "leakage_A")
    if row.get("kind") != "supercapacitor" or farad is None or not amps:
        return None
    return amps / farad


def _drop(kind: str) -> Callable[[RowValues], float | None]:
    """Forward drop at a tenth of an ampere, where series resistance matters little."""

    def drop(row: RowValues) -> float | None:
        saturation, emission = number_in(row, "saturation_A"), number_in(row, "emission_V")
        if row.get("kind") != kind or not saturation or emission is None:
            return None
        return emission * log1p(0.1 / saturation)

    return drop


def _on_resistance(row: RowValues) -> float | None:
    return number_in(row, "resistance_ohm") if row.get("kind") == "active" else None


BANDS = (
    Usual("cell", "esr_ohm", "series resistance times capacitance, s,", _time_constant, 0.05, 6.0,
         "milliohms taken for ohms, or a slip by ten?", "a contact in the reading, milliohms, or a "
         "slip by ten?"),
    Usual("cell", "leakage_A", "leakage over capacitance, A/F,", _leakage, 3e-8, 5e-5,
         "a slip of its unit?", "milliamperes taken for microamperes, or charging not over?"),
    Usual("rectifier", "saturation_A", "the drop of a Schottky diode at 0.1 A, V,",
         _drop("schottky"), 0.08, 0.5, "warm while it was measured?",
         "a silicon diode, or two in a row?"),
    Usual("rectifier", "saturation_A", "the drop of a silicon diode at 0.1 A, V,",
         _drop("silicon"), 0.5, 1.1, "a Schottky diode?", "two in a row?"),
    Usual("rectifier", "resistance_ohm", "on-resistance, ohm,", _on_resistance, 5e-4, 0.3,
         "milliohms divided twice?", "milliohms, or the resistance of its leads?"),
    Usual("lead", "resistance_ohm", "resistance of a conductor, ohm,",
         _column("resistance_ohm"), 5e-4, 2.0, "a slip by ten?", "milliohms, or a bad contact?"),
    Usual("pack_lead", "resistance_ohm", "resistance of a 5 V lead, ohm,",
         _column("resistance_ohm"), 5e-3, 2.0, "one conductor without its contacts?",
         "milliohms, or a bad contact?"),
    Usual("pack", "hold_V", "the input it holds or lets go at, V,", _column("hold_V"), 3.8, 5.0,
         "a cell's voltage instead of the input's?", "measured before the drop of its lead?"),
    Usual("pack", "current_A", "its current, A,", _column("current_A"), 0.05, 5.0,
         "milliamperes, or a slip by ten?", "milliamperes?"),
    Usual("operator", "critical_power_W", "critical power, W,",
         _column("critical_power_W"), 8.0, 300.0, "a slip by ten?", "a peak, not what lasts?"),
    Usual("operator", "reserve_J", "work above it, J,", _column("reserve_J"), 300.0, 30_000.0,
         "kilojoules taken for joules, or not all out?", "minutes for seconds, or not all out?"),
    Usual("operator", "comfort_force_N", "a comfortable force, N,", _column("comfort_force_N"),
         8.0, 200.0, "kilograms instead of newtons?", "the hardest pull instead?"),
)  # fmt: skip
"""From memory and from the figures that the tables' class values come from, a factor wider."""


def row_doubts(kind: str, row: RowValues) -> Iterator[Doubt]:
    """What of a row lies outside its band: column, its value, and why."""
    for band in BANDS:
        value = band.value(row) if band.kind == kind else None
        if value is None or band.least <= value <= band.most:
            continue
        slip = band.slip_low if value < band.least else band.slip_high
        why = (
            f"is unusual: {band.what} is then {value:.3g}, usual are {band.least:g} to "
            f"{band.most:g}: {slip}"
        )
        yield band.column, number_in(row, band.column) or 0.0, why
