"""The objectives of a study as a page shows them: units filled in, values and differences in words.

Everything follows the table of objectives; nothing here knows how many there are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, nan
from typing import Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model.objectives import BY_KEY, EFFORT, ENERGY, KEYS, OBJECTIVES, points
from explorer.report.format import in_unit, money, number, of_differences
from explorer.units import Array

DesignResult = Mapping[str, Any]
"""A design's result by the keys that results have everywhere."""

EFFORT_DIGITS = BY_KEY[EFFORT].digits
"""What an arm can hold is assumed to a tenth or so: a third digit would mean nothing."""
PROMISED = "Promised energy"
GAP_DIGITS = 2
"""Digits of a difference between two designs."""


@dataclass(frozen=True)
class Goal:
    """An objective on a page. `unit` is never empty; `gap_unit` is that of a difference, which for
    two percentages is in points, or it would read as a share of the first. `promised`: it is what
    builds promise, where the study goes by that.
    """

    key: str
    label: str
    unit: str
    more_is_better: bool
    digits: int
    is_money: bool
    by_case: bool
    gap_unit: str
    promised: bool = False

    def of(self, record: DesignResult) -> float:
        """The value of a design's result; NaN where builds of it were drawn too seldom."""
        value = record["promised_energy_J"] if self.promised else record[self.key]
        return nan if value is None else float(value)

    def text(self, value: float | None) -> str:
        """A value without its unit, rounded to what the model knows of it."""
        if self.is_money:
            return money(value or 0.0, "").strip()
        return number(value, self.digits)

    def with_unit(self, value: float | None) -> str:
        """A value with its unit."""
        return f"{self.text(value)} {self.unit}"


def goals(currency: str, by_promise: bool = False) -> tuple[Goal, ...]:
    """The objectives in their order, with the study's currency filled in; `by_promise`: energy is
    what builds promise.
    """
    return tuple(
        Goal(
            one.key,
            one.label if not (by_promise and one.key == ENERGY) else PROMISED,
            one.unit or currency,
            one.more_is_better,
            one.digits,
            one.is_money,
            one.by_case,
            f"percentage points of {one.label.lower()}"
            if one.unit == "%"
            else one.unit or currency,
            by_promise and one.key == ENERGY,
        )
        for one in OBJECTIVES
    )


def minimised(results: Sequence[DesignResult], by_promise: bool = False) -> Array:
    """The objectives of results as columns to be minimised, (n, objectives); `by_promise`: energy
    is what builds promise, where enough were drawn.
    """

    def value(one: DesignResult, key: str) -> float:
        promised = one["promised_energy_J"] if by_promise and key == ENERGY else None
        return float(one[key] if promised is None else promised)

    return points({key: np.array([value(one, key) for one in results]) for key in KEYS})


def summary(shown: Sequence[Goal], values: Mapping[str, float]) -> str:
    """All objectives of a design on one line; NaN is one that nobody knew then.

    >>> values = {"delivered_energy_J": 4005.2, "cost": 83.6, "mass_kg": 2.3}
    >>> summary(goals("EUR"), {**values, "crank_effort_percent": 51.7})
    '4,010 J, 83.60 EUR, 2.3 kg, 52 % effort'
    """
    return ", ".join(
        goal.with_unit(values[goal.key]) + (f" {goal.label.lower()}" if goal.unit == "%" else "")
        for goal in shown
        if isfinite(values[goal.key])
    )


def goal_difference(goal: Goal, gap: float) -> str:
    """What a design has that differs by `gap` from another in one objective.

    >>> goal_difference(goals("EUR")[1], -3.6), goal_difference(goals("EUR")[3], 4.0)
    ('3.60 EUR cheaper', '4 percentage points more effort')
    >>> goal_difference(goals("EUR")[3], -1.0)
    '1 percentage point less effort'
    """
    if goal.is_money:
        amount = money(abs(gap), goal.unit)
    else:
        amount = in_unit(abs(gap), of_differences(goal.unit), GAP_DIGITS)
    return f"{amount} {BY_KEY[goal.key].comparative(gap)}"


def phrase(key: str, text: str) -> str:
    """What a design has of an objective, as the predicate of a sentence: "weighs 2.3 kg"."""
    pattern = BY_KEY[key].phrase or f"has {{}} of {BY_KEY[key].label.lower()}"
    return pattern.format(text)


def part_names(project: Project) -> dict[str, str]:
    """What people call each part, by id."""
    parts = project.catalogue.parts
    return {part.id: part.name for link in LINKS for part in parts.get(link, ())}


def absent_parts(project: Project) -> frozenset[str]:
    """Ids of parts that stand for none at all: they weigh nothing."""
    parts = project.catalogue.parts
    return frozenset(part.id for link in LINKS for part in parts.get(link, ()) if part.mass_kg == 0)


def offered_parts(project: Project) -> dict[str, list[tuple[str, str]]]:
    """Id and name of the parts that a study may choose from, by link."""
    names = part_names(project)
    return {
        link: [(part, names[part]) for part in parts if part in names]
        for link, parts in project.study.choices.items()
    }
