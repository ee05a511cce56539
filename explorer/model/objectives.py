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

    `usual_most` stands in for a limit that a study leaves out when objectives are weighed
    (judgement). The words: `wish_label` is the wish as a heading, `more` and `less` compare a
    design with another, `phrase` says what a design has, its value in the braces. Left empty, they
    follow from the others.
    """

    key: str
    label: str
    unit: str
    more_is_better: bool
    wish: str
    digits: int
    of: StaticValue | None = None
    at_most: Scale | None = None
    usual_most: float | None = None
    wish_label: str = ""
    more: str = ""
    less: str = ""
    phrase: str = ""

    @property
    def is_money(self) -> bool:
        """Whether it is an amount in the study's currency."""
        return not self.unit

    @property
    def by_case(self) -> bool:
        """Whether each person and pack has a value of its own."""
        return self.of is None and not self.is_money

    @property
    def wish_words(self) -> str:
        """The wish as a heading."""
        return self.wish_label or self.wish.replace("_", " ").capitalize()

    def comparative(self, gap: float) -> str:
        """What a design is that has `gap` more than another: heavier, or more energy.

        >>> OBJECTIVES[2].comparative(-0.3), OBJECTIVES[0].comparative(120.0)
        ('lighter', 'more energy')
        """
        own, word = (self.more, "more") if gap > 0 else (self.less, "less")
        return own or f"{word} {self.label.lower()}"

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
    """All that the strongest operator of a study can give in its session, or all in a row."""
    session, people = project.study.session, project.catalogue.operators
    each = [
        people[name].critical_power_W * 60 * session.own_minutes(name) + people[name].reserve_J
        for name in session.operators
    ]
    return sum(each) if session.shifts else max(each)


SCALE_DRAWS = 1000
PROMISED_ENERGY = "promised_energy_J"
ENERGY, COST, EFFORT = "delivered_energy_J", "cost", "crank_effort_percent"
"""Those that a session or prices decide."""

OBJECTIVES: tuple[Objective, ...] = (
    Objective(
        ENERGY,
        "Energy",
        "J",
        True,
        "most_energy",
        3,
        at_most=_whole_energy_J,
        phrase="gives {}",
    ),
    Objective(
        COST,
        "Cost",
        "",
        False,
        "least_cost",
        2,
        at_most=lambda project: project.study.limits.cost or 1000.0,
        usual_most=100.0,
        more="dearer",
        less="cheaper",
        phrase="costs {}",
    ),
    Objective(
        "mass_kg",
        "Mass",
        "kg",
        False,
        "lightest",
        3,
        lambda project, designs: costing.mass_kg(project, designs),
        at_most=lambda project: project.study.limits.mass_kg or 50.0,
        usual_most=5.0,
        more="heavier",
        less="lighter",
        phrase="weighs {}",
    ),
    Objective(
        EFFORT,
        "Effort",
        "%",
        False,
        "easiest",
        2,
        at_most=lambda project: project.study.limits.crank_effort_percent or 100.0,
        usual_most=100.0,
        wish_label="Easiest on the arm",
        phrase="takes {} of what the arm can hold",
    ),
)
"""In the order of a front's columns."""

KEYS = tuple(one.key for one in OBJECTIVES)
BY_KEY = {one.key: one for one in OBJECTIVES}


def keys_of(project: Project) -> list[str]:
    """Keys of results that hold a study's objectives, in the order of the front's columns."""
    promised = project.study.by_promise
    return [PROMISED_ENERGY if promised and key == ENERGY else key for key in KEYS]


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
