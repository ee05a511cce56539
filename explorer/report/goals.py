"""The four goals of a page: their order, their words, and a design's place among them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from explorer.parts import LINKS
from explorer.report.content import Objective, Record
from explorer.report.numerals import money, number

if TYPE_CHECKING:
    from explorer.config import Project

OBJECTIVE_KEYS = ("delivered_energy_J", "cost", "mass_kg", "crank_effort_percent")


def objectives(currency: str) -> tuple[Objective, ...]:
    return (
        Objective("delivered_energy_J", "Energy", "J", True),
        Objective("cost", "Cost", currency, False),
        Objective("mass_kg", "Mass", "kg", False),
        Objective("crank_effort_percent", "Effort", "%", False),
    )


def goal_key(record: Record) -> tuple[float, float, float, float]:
    """The record's place in objective space, all minimised."""
    energy, *rest = (float(record[key]) for key in OBJECTIVE_KEYS)
    return (-energy, *rest)  # type: ignore[return-value]


def part_names(project: Project) -> dict[str, str]:
    parts = project.catalogue.parts
    return {part.id: part.name for link in LINKS for part in parts.get(link, ())}


def objective_text(goal: Objective, record: Record) -> str:
    value = float(record[goal.key])
    return money(value, goal.unit) if goal.key == "cost" else f"{number(value)} {goal.unit}"
