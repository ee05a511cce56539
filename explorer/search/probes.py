"""Random designs of a study, to see which rules stand in its way."""

from __future__ import annotations

import numpy as np

from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluation import UNBOUNDED_MARGIN
from explorer.model.space import Space
from explorer.units import Array

PROBES = 1000
"""Random designs that show how often each rule is broken."""


def rejections(project: Project) -> dict[str, tuple[int, int]]:
    """How many of `PROBES` random designs break each rule, and break it alone."""
    broken = {name: margin < 0 for name, margin in _probed(project).items()}
    count = np.sum(list(broken.values()), axis=0)
    return {
        name: (int(b.sum()), int((b & (count == 1)).sum())) for name, b in broken.items() if b.any()
    }


def nearest_miss(project: Project) -> dict[str, float]:
    """By how much the random design that breaks fewest rules misses each rule it breaks."""
    margins = _probed(project)
    count = np.sum([margin < 0 for margin in margins.values()], axis=0)
    best = int(count.argmin())
    return {name: -float(m[best]) for name, m in margins.items() if m[best] < 0}


def _probed(project: Project) -> dict[str, Array]:
    """Margins of `PROBES` random designs, the limit on cost included."""
    designs = Space.of(project).draw(PROBES, np.random.default_rng(project.study.search.seed))
    from explorer.model.evaluate import evaluate

    margins, limit = dict(evaluate(project, designs).margins), project.study.limits.cost
    if limit is not None:
        cost = costing.costs(project, designs)
        margins["limit_cost"] = np.where(np.isfinite(cost), limit - cost, UNBOUNDED_MARGIN)
    return margins
