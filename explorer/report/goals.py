"""The four goals of a page: their order, their words, and a design's place among them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from explorer.inputs.links import LINKS
from explorer.report.format import money, number
from explorer.report.page.content import Objective, Record

if TYPE_CHECKING:
    from explorer.inputs.study import Project

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


def offered_parts(project: Project) -> dict[str, list[tuple[str, str]]]:
    """Id and name of the parts that a study may choose from, by link."""
    names = part_names(project)
    return {
        link: [(part, names[part]) for part in parts if part in names]
        for link, parts in project.study.choices.items()
    }


EFFORT_DIGITS = 2
"""What an arm can hold is assumed to a tenth or so: a third digit would say nothing."""


def goal_text(key: str, value: float | None) -> str:
    """The value of a goal without its unit, rounded to what the model knows of it."""
    if key == "cost":
        return money(value or 0.0, "").strip()
    return number(value, EFFORT_DIGITS) if key == "crank_effort_percent" else number(value)


def objective_text(goal: Objective, record: Record) -> str:
    return f"{goal_text(goal.key, float(record[goal.key]))} {goal.unit}"
