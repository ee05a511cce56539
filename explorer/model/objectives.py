"""The objectives of every study: what a design is weighed by, defined once and read by everything.

To add one, add a row. An objective whose value follows from parts and settings alone says so by
`of`; others are results of a session or depend on prices, and their key is the name under which
results carry them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

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

    `usual_most` stands in for a limit that a study leaves out when objectives are weighed
    (judgement); None where physics sets the limit. The words: `wish_label` is the wish as a
    heading, `more` and `less` compare a design with another, `phrase` says what a design has, its
    value in the braces. Left empty, they follow from the others.
    """

    key: str
    label: str
    unit: str
    more_is_better: bool
    wish: str
    digits: int
    usual_most: float | None
    of: StaticValue | None = None
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


ENERGY, COST, EFFORT = "delivered_energy_J", "cost", "crank_effort_percent"
"""Those that a session or prices decide."""

OBJECTIVES: tuple[Objective, ...] = (
    Objective(ENERGY, "Energy", "J", True, "most_energy", 3, None, phrase="gives {}"),
    Objective(
        COST, "Cost", "", False, "least_cost", 2, 100.0,
        more="dearer", less="cheaper", phrase="costs {}",
    ),
    Objective(
        "mass_kg", "Mass", "kg", False, "lightest", 3, 5.0,
        of=lambda project, designs: costing.mass_kg(project.catalogue, designs),
        more="heavier", less="lighter", phrase="weighs {}",
    ),
    Objective(
        EFFORT, "Effort", "%", False, "easiest", 2, 100.0,
        wish_label="Easiest on the arm", phrase="takes {} of what the arm can hold",
    ),
)  # fmt: skip
"""In the order of a front's columns."""

KEYS = tuple(one.key for one in OBJECTIVES)
BY_KEY = {one.key: one for one in OBJECTIVES}


def points(values: Mapping[str, Array]) -> Array:
    """The objectives of designs as columns to be minimised, (n, objectives), from values by key.

    KeyError where a value is missing.
    """
    return np.stack([one.sign * values[one.key] for one in OBJECTIVES], axis=1)


def values(row: Array) -> dict[str, float]:
    """The values by key that a row of `points` stands for: the inverse."""
    return {one.key: float(one.sign * v) for one, v in zip(OBJECTIVES, row, strict=True)}
