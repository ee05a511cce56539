"""Stored designs at today's prices, with what every sentence about prices needs at hand."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property

from explorer.inputs.study import Project
from explorer.model import objectives
from explorer.model.space import Rows
from explorer.report.goals import Goal, goals, part_names, summary
from explorer.store.stored import Stored
from explorer.units import Array

NAMED = 8
"""Designs named of those that entered or left, prices that matter, price limits of a lock."""


@dataclass(frozen=True)
class PriceView:
    """`cost` (n,) and `rows` are the stored designs' costs and the front's rows today, with the
    parts of `owned` free.
    """

    project: Project
    stored: Stored
    cost: Array
    rows: Rows
    owned: Collection[str]

    @cached_property
    def names(self) -> Mapping[str, str]:
        """What people call each part."""
        return part_names(self.project)

    @property
    def currency(self) -> str:
        """The currency of all costs."""
        return str(self.project.catalogue.prices.currency)

    @cached_property
    def goals(self) -> tuple[Goal, ...]:
        """The objectives, units filled in."""
        return goals(self.currency, self.project.study.by_promise)

    @cached_property
    def points(self) -> Array:
        """Objectives of all stored designs at these costs, minimised: (n, objectives)."""
        return self.stored.objectives(self.cost)

    def summary_of(self, point: Array) -> str:
        """A row of minimised objectives in words."""
        return summary(self.goals, objectives.values(point))
