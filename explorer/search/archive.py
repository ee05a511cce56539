"""Designs as rows of numbers, and what a search has evaluated of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model import margins as rule_margins
from explorer.model.chain import Chain
from explorer.model.demand import demand
from explorer.model.evaluate import HOPELESS, Evaluation
from explorer.model.space import Designs, Rows, Space, plain_setting
from explorer.model.supply import Halves
from explorer.units import Array


@dataclass(frozen=True)
class Coordinates:
    """Designs as rows of numbers: the place in a list of choices, or a continuous value."""

    space: Space

    @property
    def names(self) -> tuple[str, ...]:
        """The variables: links, then settings."""
        return (*LINKS, *SETTINGS)

    def count(self, name: str) -> int:
        """How many values a variable has, 0 for a continuous one."""
        if name in LINKS:
            return len(self.space.choices[name])
        setting = self.space.settings[name]
        return 0 if setting.continuous else len(setting.values)

    def designs(self, rows: Array) -> Designs:
        """The designs of rows of coordinates (n, variables)."""
        parts, settings = {}, {}
        for column, name in zip(rows.T, self.names, strict=True):
            if name in LINKS:
                parts[name] = self.space.choices[name][column.astype(np.intp)]
            elif self.count(name):
                settings[name] = np.array(self.space.settings[name].values)[column.astype(np.intp)]
            else:
                settings[name] = np.array([plain_setting(name, v) for v in column.tolist()])
        return Designs(parts, settings)

    def settled(self, rows: Array) -> Array:
        """Rows with continuous values as a design keeps them, to six digits."""
        rows = rows.copy()
        for place, name in enumerate(self.names):
            if not self.count(name):
                rows[:, place] = [plain_setting(name, value) for value in rows[:, place].tolist()]
        return rows

    def rows(self, designs: Designs) -> Array:
        """Coordinates of designs, NaN where a choice is no longer offered: (n, variables)."""
        columns = []
        for name in self.names:
            if name in LINKS:
                offered = self.space.choices[name].astype(float)
                value = designs.parts[name].astype(float)
            else:
                offered = np.array(self.space.settings[name].values)
                value = designs.settings[name]
            if self.count(name):
                order = np.argsort(offered)
                place = np.searchsorted(offered[order], value).clip(0, len(offered) - 1)
                found = offered[order][place] == value
                value = np.where(found, order[place].astype(float), np.nan)
            columns.append(value)
        return np.stack(columns, axis=1)


Covered = Callable[[Designs], NDArray[np.bool_]]
"""Which designs a sweep has evaluated already, (n,)."""


def nothing(designs: Designs) -> NDArray[np.bool_]:
    """No sweep has been there."""
    return np.zeros(len(designs), dtype=bool)


class Explored:
    """Everything evaluated so far, and the front of it at today's prices."""

    def __init__(self, project: Project, space: Space, covered: Covered = nothing) -> None:
        self.project, self.coordinates, self.covered = project, Coordinates(space), covered
        self.known: set[bytes] = set()
        self.rows = np.empty((0, len(self.coordinates.names)))
        self.points = np.empty((0, 4))
        self.violations = np.empty(0)
        self.margins = np.empty((0, 0))
        self.evaluations = 0

    def fresh(self, rows: Array) -> Array:
        """The settled rows that were never evaluated, each once, in order."""
        rows = self.coordinates.settled(rows)
        keys = [row.tobytes() for row in rows]
        new = {key: number for number, key in reversed(list(enumerate(keys)))}
        rows = rows[sorted(number for key, number in new.items() if key not in self.known)]
        return rows[~self.covered(self.coordinates.designs(rows))] if len(rows) else rows

    def sound(self, rows: Array) -> NDArray[np.bool_]:
        """Where no rule is broken that needs neither the curves of a chain nor its session.

        What breaks one, or the limits on mass and cost, is infeasible beyond doubt and not worth an
        evaluation.
        """
        project, designs = self.project, self.coordinates.designs(rows)
        study, catalogue = project.study, project.catalogue
        kept = np.ones(len(rows), dtype=bool)
        margins = []
        if study.limits.cost is not None:
            margins.append(study.limits.cost - costing.costs(project, designs))
        if study.limits.mass_kg is not None:
            margins.append(study.limits.mass_kg - costing.mass_kg(catalogue, designs))
        crowd = {
            name: Halves.of(
                catalogue, designs, catalogue.operators[name], 60 * study.session.minutes,
                study.session.winding_C,
            )
            for name in study.session.operators
        }  # fmt: skip
        for halves in crowd.values():
            margins += rule_margins.unloaded_margins(project, halves).values()
        for pack_id in study.session.packs:
            need = demand(catalogue, designs, catalogue.packs[pack_id])
            margins += rule_margins.back_margins(project, designs, need).values()
            # Too fast without a load: asks nothing of the curves, which cost the most.
            chain = Chain(None, np.arange(len(rows)), need)  # type: ignore[arg-type]
            for halves in crowd.values():
                fast = rule_margins.overspeed_margins(project, designs, chain, halves)
                margins += fast.values()
        for margin in margins:
            kept &= margin >= 0
        return kept

    def add(self, rows: Array, evaluation: Evaluation) -> None:
        """Remember results; infeasible designs count by how badly they break the rules."""
        cost = costing.costs(self.project, evaluation.designs)
        limit = self.project.study.limits.cost
        self.known.update(row.tobytes() for row in rows)
        self.rows = np.concatenate([self.rows, rows])
        self.points = np.concatenate([self.points, evaluation.objectives(cost)])
        margins = np.stack(list(evaluation.margins.values()), axis=1)
        if limit is not None:
            margins = np.column_stack([margins, limit - cost])
        margins = margins.clip(HOPELESS, -HOPELESS)
        self.margins = np.concatenate([self.margins, margins]) if len(self.margins) else margins
        # Margins have different units: what counts is how many rules are broken, then how far.
        broken = np.clip(-margins, 0.0, None)
        violations = (broken > 0).sum(axis=1) + (broken / (1.0 + broken)).sum(axis=1)
        self.violations = np.concatenate([self.violations, violations])

    def front_rows(self) -> Rows:
        """Numbers of the feasible designs that none dominates."""
        feasible = np.flatnonzero(self.violations == 0)
        return feasible[front.non_dominated(self.points[feasible])]
