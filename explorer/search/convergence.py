"""How far the front has come: its hypervolume over a search, and against a space's exact front."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer import front
from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model.evaluation import Evaluation
from explorer.search.sweep import Sweep
from explorer.search.workers import run_blocks
from explorer.store.results import Store
from explorer.store.standing import nominal_front_rows
from explorer.units import Array


class Growth:
    """Hypervolume of the front as results come in, as a share of a box around the first ones."""

    def __init__(self, project: Project, known: Evaluation | None) -> None:
        self.project = project
        self.points = np.empty((0, len(objectives.OBJECTIVES)))
        if known is not None:
            self.add(known)

    def add(self, found: Evaluation) -> float:
        """Take results in; returns the hypervolume of the front as it is now."""
        good = found.take(np.flatnonzero(found.feasible))
        cost = costing.costs(self.project, good.designs)
        limit = self.project.study.limits.cost
        kept = cost <= (np.inf if limit is None else limit)
        points = np.concatenate([self.points, objectives.points_of(self.project, good, cost)[kept]])
        self.points = points[front.non_dominated(points)]
        return relative_hypervolume(self.project, self.points)


def relative_hypervolume(project: Project, points: Array) -> float:
    """Hypervolume of a front (n, objectives) as a share of the study's box, 0 to 1.

    The box reaches from nothing of a good thing, and as much of a bad one as `Objective.scale`
    says, to as much of the good and nothing of the bad: the same for every front of a study, so
    that numbers can be compared.
    """
    scales = np.array([one.scale(project) for one in objectives.OBJECTIVES])
    return front.hypervolume(points / scales, np.array(box_corner(project)) / scales)


def box_corner(project: Project) -> list[float]:
    """The corner of that box that is worst in every objective, in their units."""
    return [
        0.0 if one.more_is_better else float(one.scale(project)) for one in objectives.OBJECTIVES
    ]


def yardstick(project: Project, store: Store) -> dict[str, Any]:
    """How much of the exact front of a small space a sampled search has reached."""
    sweep = Sweep.of(project)
    kept = [r.kept for r in run_blocks(sweep, np.arange(len(sweep))) if r.kept is not None]
    stored, _ = store.load(project)
    cost = costing.costs(project, stored.designs)
    mine_points = stored.nominal(cost)[nominal_front_rows(project, stored, cost)]
    if not kept:
        return {"hypervolume_share": 1.0, "front_share": 1.0, "combinations": sweep.size}
    points = Growth(project, Evaluation.concatenate(kept)).points
    reached = {tuple(p) for p in np.round(mine_points, 9).tolist()}
    hits = [tuple(p) in reached for p in np.round(points, 9).tolist()]
    whole = relative_hypervolume(project, points)
    return {
        "combinations": sweep.size,
        "hypervolume_share": relative_hypervolume(project, mine_points) / whole if whole else 1.0,
        "front_share": float(np.mean(hits)) if hits else 1.0,
    }
