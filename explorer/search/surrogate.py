"""A surrogate of the model: what designs will be, from those that were evaluated."""

from __future__ import annotations

import numpy as np
from scipy.linalg import cho_solve, solve_triangular
from scipy.special import log_ndtr

from explorer.model import costing, objectives
from explorer.model.space import Rows
from explorer.search.archive import Archive
from explorer.units import Array

LEARNT_FROM = 1000
"""Designs to learn from, at the most: time grows with the third power of them."""
REACH, NOISE = 10.0, 0.01
"""Differences over which likeness falls to 1/e, and the variance that no likeness explains."""
HOPE, CAUTION = 0.5, 0.1
"""Standard deviations by which a predicted objective is taken for better, and the share of the
front's extent that halving the chance to keep all rules outweighs (times ln 2).
"""
LEAST_CHANCE = 0.01
"""A rule that is as good as broken is not feared any more than this."""


class Process:
    """A Gaussian process over designs, the more alike the more values they share.

    Formulas 2.25 and 2.26 of Rasmussen and Williams, Gaussian Processes for Machine Learning
    (2006).
    """

    def __init__(self, values: Array, known: Array) -> None:
        """`values` (n, v) are what designs hold, `known` (n, k) what became of them."""
        self.values, self.mean, spread = values, known.mean(axis=0), known.std(axis=0)
        self.spread = np.where(spread > 0, spread, 1.0)
        alike = self._alike(values)
        alike[np.diag_indices_from(alike)] += NOISE
        self.lower = np.linalg.cholesky(alike)
        self.weights = cho_solve((self.lower, True), (known - self.mean) / self.spread)

    def _alike(self, values: Array) -> Array:
        """Likeness (n, m) of designs to those known: 1 for the same, less the less they share."""
        whole = self.values[0].sum()
        return np.asarray(np.exp((values @ self.values.T - whole) / REACH))

    def predict(self, values: Array) -> tuple[Array, Array]:
        """Means (n, k) of what designs will become, and their standard deviations (n, k)."""
        alike = self._alike(values)
        explained = (solve_triangular(self.lower, alike.T, lower=True) ** 2).sum(axis=0)
        unsure = np.sqrt(np.clip(1 - explained, 0.0, 1.0))
        return self.mean + self.spread * (alike @ self.weights), unsure[:, None] * self.spread


class Surrogate:
    """Which designs are worth an evaluation.

    Objectives that a session decides are predicted from feasible designs only: those of the others
    mean little. The chance to keep each rule is predicted from the margins of all. Cost is known,
    and so is what parts and settings decide.
    """

    def __init__(
        self, archive: Archive, members: Rows, parents: Rows, generator: np.random.Generator
    ) -> None:
        """To be better than some members of a front, from their parents and other designs."""
        others = np.setdiff1d(np.arange(len(archive.rows)), parents)
        late, early = (
            others[-LEARNT_FROM // 2 :],
            generator.permutation(others[: -LEARNT_FROM // 2]),
        )
        learnt = np.concatenate([parents, late, early])[:LEARNT_FROM]
        self.archive, self.members = archive, archive.points[members]
        values = self._values(archive.rows[learnt])
        margins = archive.margins[learnt]
        margins = margins[:, (margins < 0).any(axis=0)]
        usual = np.median(np.abs(margins), axis=0)
        usual[usual == 0] = 1.0
        # Between -1 and 1: what breaks a rule by far says as little more as what keeps it by far.
        self.rules = Process(values, margins / (usual + np.abs(margins)))
        if len(members):
            feasible = archive.violations[learnt] == 0
            self.objectives = Process(values[feasible], archive.points[learnt[feasible]])

    def _values(self, rows: Array) -> Array:
        """A column for each value of each variable, 1 where a row has it; continuous ones lie
        between two of their sweep points.
        """
        coordinates, columns = self.archive.coordinates, []
        for column, name in zip(rows.T, coordinates.names, strict=True):
            count = coordinates.count(name)
            points = np.arange(count) if count else coordinates.space.settings[name].values
            columns += [np.interp(column, points, one) for one in np.eye(len(points))]
        return np.stack(columns, axis=1)

    def order(self, rows: Array) -> Rows:
        """Numbers of some designs, the most promising first.

        That is, those that are beaten by the least share of the front's extent, with some hope and
        at the cost of the risk to break a rule.
        """
        values = self._values(rows)
        margins, unsure = self.rules.predict(values)
        spread = np.sqrt(unsure**2 + NOISE * self.rules.spread**2)
        chances = np.clip(log_ndtr(margins / spread), np.log(LEAST_CHANCE), 0.0)
        loss = -CAUTION * chances.sum(axis=1)
        if len(self.members):
            points, unsure = self.objectives.predict(values)
            points -= HOPE * unsure
            designs, project = self.archive.coordinates.designs(rows), self.archive.project
            known = objectives.static_values(project, designs)
            known[objectives.COST] = costing.costs(project, designs)
            for column, one in enumerate(objectives.OBJECTIVES):
                if one.key in known:
                    points[:, column] = one.sign * known[one.key]
            extent = np.ptp(self.members, axis=0)
            extent[extent == 0] = 1.0
            behind = np.full(len(rows), -1.0)
            for member in self.members:
                np.maximum(behind, ((points - member) / extent).min(axis=1), out=behind)
            loss += behind
        # Rounded, so that designs that look the same stay in order whatever the last bits are.
        return np.argsort(loss.round(9), kind="stable")
