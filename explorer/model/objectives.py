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
from explorer.model.space import Designs, Space
from explorer.units import Array

StaticValue = Callable[[Project, Designs], Array]
Scale = Callable[[Project], float]


@dataclass(frozen=True)
class Objective:
    """One objective.

    `key` is its name in results and JSON, `label` its word on a page, `unit` its unit (empty for
    the currency of the study), `more_is_better` its sense, `wish` the pick that answers it,
    `digits` how many of its digits mean something to a person. `of` gives its value (n,) for
    designs where parts and settings alone decide it; None where a session or prices do. `at_most`
    is what a study cannot get more of, or beyond which it counts no more: see `scale`.
    """

    key: str
    label: str
    unit: str
    more_is_better: bool
    wish: str
    digits: int
    of: StaticValue | None = None
    at_most: Scale | None = None

    @property
    def sign(self) -> float:
        """What turns values into ones to be minimised."""
        return -1.0 if self.more_is_better else 1.0

    def scale(self, project: Project) -> float:
        """What counts as 1 in a study's hypervolume: `at_most`, else what parts and settings give
        at the most in `SCALE_DRAWS` designs, the same ones for every front. ValueError where an
        objective has neither.
        """
        if self.at_most is not None:
            return self.at_most(project)
        if self.of is None:
            raise ValueError(f"objective {self.key} has no scale, give it at_most")
        designs = Space.of(project).draw(SCALE_DRAWS, np.random.default_rng(1))
        return float(np.abs(self.of(project, designs)).max()) or 1.0


def _whole_energy_J(project: Project) -> float:
    """All that the strongest operator of a study can give in its session."""
    session = project.study.session
    people = [project.catalogue.operators[name] for name in session.operators]
    return max(o.critical_power_W * 60 * session.minutes + o.reserve_J for o in people)


SCALE_DRAWS = 1000
ENERGY, COST, EFFORT = "delivered_energy_J", "cost", "crank_effort_percent"
"""Those that a session or prices decide."""

OBJECTIVES: tuple[Objective, ...] = (
    Objective(ENERGY, "Energy", "J", True, "most_energy", 3, at_most=_whole_energy_J),
    Objective(
        COST,
        "Cost",
        "",
        False,
        "least_cost",
        2,
        at_most=lambda project: project.study.limits.cost or 1000.0,
    ),
    Objective(
        "mass_kg",
        "Mass",
        "kg",
        False,
        "lightest",
        3,
        lambda project, designs: costing.mass_kg(project.catalogue, designs),
        at_most=lambda project: project.study.limits.mass_kg or 50.0,
    ),
    Objective(
        EFFORT,
        "Effort",
        "%",
        False,
        "easiest",
        2,
        at_most=lambda project: project.study.limits.crank_effort_percent or 100.0,
    ),
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
