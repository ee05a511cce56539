"""The objectives of every study: what a design is weighed by, defined once and read by everything.

To add one, add a row. An objective whose value follows from parts and settings alone says so by
`of`; others are results of a session or depend on prices, and their key is the name under which
results carry them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.space import Designs
from explorer.units import Array

StaticValue = Callable[[Project, Designs], Array]


@dataclass(frozen=True)
class Objective:
    """One objective.

    `key` is its name in results and JSON, `label` its word on a page, `unit` its unit (empty for
    the currency of the study), `more_is_better` its sense, `wish` the pick that answers it,
    `digits` how many of its digits mean something to a person. `of` gives its value (n,) for
    designs where parts and settings alone decide it; None where a session or prices do.
    """

    key: str
    label: str
    unit: str
    more_is_better: bool
    wish: str
    digits: int
    of: StaticValue | None = None

    @property
    def sign(self) -> float:
        """What turns values into ones to be minimised."""
        return -1.0 if self.more_is_better else 1.0


ENERGY, COST, EFFORT = "delivered_energy_J", "cost", "crank_effort_percent"
"""Those that a session or prices decide."""

OBJECTIVES: tuple[Objective, ...] = (
    Objective(ENERGY, "Energy", "J", True, "most_energy", 3),
    Objective(COST, "Cost", "", False, "least_cost", 2),
    Objective(
        "mass_kg",
        "Mass",
        "kg",
        False,
        "lightest",
        3,
        lambda project, designs: costing.mass_kg(project.catalogue, designs),
    ),
    Objective(EFFORT, "Effort", "%", False, "easiest", 2),
)
"""In the order of a front's columns."""

KEYS = tuple(one.key for one in OBJECTIVES)


def points(values: Mapping[str, Array]) -> Array:
    """The objectives of designs as columns to be minimised, (n, objectives), from values by key.

    KeyError where a value is missing.
    """
    return np.stack([one.sign * values[one.key] for one in OBJECTIVES], axis=1)


def values(row: Array) -> dict[str, float]:
    """The values by key that a row of `points` stands for: the inverse."""
    return {one.key: float(one.sign * v) for one, v in zip(OBJECTIVES, row, strict=True)}


def session_keys() -> tuple[str, ...]:
    """Keys of the objectives that a session decides: neither parts and settings alone nor prices.

    >>> session_keys()
    ('delivered_energy_J', 'crank_effort_percent')
    """
    return tuple(one.key for one in OBJECTIVES if one.of is None and one.key != COST)


def static_values(project: Project, designs: Designs) -> dict[str, Array]:
    """Values (n,) by key of the objectives that parts and settings alone decide."""
    return {one.key: one.of(project, designs) for one in OBJECTIVES if one.of is not None}


class Results(Protocol):
    """Results of designs, with an attribute (n,) for each of `session_keys`."""

    @property
    def designs(self) -> Designs:
        """The designs that these are results of."""
        ...


def points_of(project: Project, found: Results, cost: Array) -> Array:
    """The objectives of results at some cost (n,) as columns to be minimised, (n, objectives)."""
    session = {key: getattr(found, key) for key in session_keys()}
    return points({**session, **static_values(project, found.designs), COST: cost})
