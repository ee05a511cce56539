"""What a sampled search has evaluated, and the front of it at today's prices."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model import margins as rule_margins
from explorer.model.back_half import back_halves
from explorer.model.evaluation import UNBOUNDED_MARGIN, Evaluation
from explorer.model.space import Designs, Rows, Space
from explorer.model.unloaded import Fronts
from explorer.search.coordinates import Coordinates
from explorer.units import Array

PARENTS = 100
"""Designs to cross, at the least."""

Covered = Callable[[Designs], NDArray[np.bool_]]
"""Which designs a sweep has evaluated already, (n,)."""


def nothing(designs: Designs) -> NDArray[np.bool_]:
    """No sweep has been there."""
    return np.zeros(len(designs), dtype=bool)


class Archive:
    """Everything evaluated so far, one row a design.

    `rows` (n, variables) are coordinates, `points` (n, objectives) the objectives at today's
    prices, `margins` (n, rules) with the limit on cost last where there is one. `violations` (n,)
    is 0 for a feasible design, else how badly it breaks the rules. `evaluations` counts those that
    this search has paid for.
    """

    def __init__(self, project: Project, space: Space, covered: Covered = nothing) -> None:
        self.project, self.coordinates, self.covered = project, Coordinates(space), covered
        self.known: set[bytes] = set()
        self.rows = np.empty((0, len(self.coordinates.names)))
        self.points = np.empty((0, len(objectives.OBJECTIVES)))
        self.violations = np.empty(0)
        self.margins = np.empty((0, 0))
        self.evaluations = 0

    def exclude(self, designs: Designs) -> None:
        """Take designs for evaluated of which nothing else is known here."""
        self.known.update(row.tobytes() for row in self.coordinates.rows(designs))

    def fresh(self, rows: Array) -> Array:
        """The settled rows that were never evaluated, each once, in order."""
        rows = self.coordinates.settled(rows)
        keys = [row.tobytes() for row in rows]
        new = {key: number for number, key in reversed(list(enumerate(keys)))}
        rows = rows[sorted(number for key, number in new.items() if key not in self.known)]
        return rows[~self.covered(self.coordinates.designs(rows))] if len(rows) else rows

    def passes_screen(self, rows: Array) -> NDArray[np.bool_]:
        """Where no rule is broken that needs neither the curves of a chain nor its session.

        What breaks one, or the limits on mass and cost, is infeasible beyond doubt and not worth an
        evaluation.
        """
        designs = self.coordinates.designs(rows)
        kept = np.ones(len(rows), dtype=bool)
        for margin in _quick_margins(self.project, designs):
            kept &= margin >= 0
        return kept

    def add(self, rows: Array, evaluation: Evaluation, *, evaluated: bool = False) -> None:
        """Remember results; `evaluated` counts them as paid for by this search."""
        cost = costing.costs(self.project, evaluation.designs)
        points = objectives.points_of(self.project, evaluation, cost)
        # By name: stored results have them in another order than fresh ones.
        margins = np.stack(
            [evaluation.margins[name] for name in sorted(evaluation.margins)], axis=1
        )
        limit = self.project.study.limits.cost
        if limit is not None:
            margins = np.column_stack([margins, limit - cost])
        margins = margins.clip(UNBOUNDED_MARGIN, -UNBOUNDED_MARGIN)
        # Margins have different units: what counts is how many rules are broken, then how far.
        broken = np.clip(-margins, 0.0, None)
        violations = (broken > 0).sum(axis=1) + (broken / (1.0 + broken)).sum(axis=1)
        self.known.update(row.tobytes() for row in rows)
        self.rows = np.concatenate([self.rows, rows])
        self.points = np.concatenate([self.points, points])
        self.margins = np.concatenate([self.margins, margins]) if len(self.margins) else margins
        self.violations = np.concatenate([self.violations, violations])
        self.evaluations += len(rows) if evaluated else 0

    def front_rows(self) -> Rows:
        """Numbers of the feasible designs that none dominates."""
        feasible = np.flatnonzero(self.violations == 0)
        return feasible[front.non_dominated(self.points[feasible])]

    def front_and_parents(self, numbers: Rows) -> tuple[Rows, Rows]:
        """Of some designs, the front without equal points, and those to cross: the front, what
        would be the front without it and so on, then what breaks the rules least.
        """
        violations = self.violations[numbers]
        feasible = numbers[violations == 0]
        _, first = np.unique(self.points[feasible].round(9), axis=0, return_index=True)
        feasible = feasible[np.sort(first)]
        layers = [feasible[:0]]
        while len(feasible) and sum(map(len, layers)) < PARENTS:
            best = front.non_dominated(self.points[feasible])
            layers.append(feasible[best])
            feasible = feasible[~best]
        worse = numbers[np.argsort(violations, kind="stable")][np.count_nonzero(violations == 0) :]
        lacking = max(PARENTS - sum(map(len, layers)), 0)
        return layers[min(1, len(layers) - 1)], np.concatenate([*layers, worse[:lacking]])


def _quick_margins(project: Project, designs: Designs) -> Iterator[Array]:
    """Margins (n,) of the rules and limits that need neither curves nor sessions."""
    study, catalogue = project.study, project.catalogue
    if study.limits.cost is not None:
        yield study.limits.cost - costing.costs(project, designs)
    if study.limits.mass_kg is not None:
        yield study.limits.mass_kg - costing.mass_kg(catalogue, designs)
    crowd = [Fronts.of(project, designs, name) for name in study.session.operators]
    for fronts in crowd:
        yield from rule_margins.unloaded_margins(project, fronts).values()
    for pack_id in study.session.packs:
        need = back_halves(catalogue, designs, catalogue.packs[pack_id])
        yield from rule_margins.back_margins(project, designs, need).values()
        for fronts in crowd:
            yield from rule_margins.overspeed_margins(
                project, designs, need, fronts, np.arange(len(designs))
            ).values()
