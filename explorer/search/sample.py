"""Searching what cannot be swept: Optuna proposes, the best of it is crossed, neighbours end it.

A design is never evaluated twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from explorer.inputs.study import Project
from explorer.model.evaluate import Evaluation, evaluate
from explorer.model.space import Designs, Space
from explorer.search.archive import Archive, Covered, nothing
from explorer.search.genetic import generations
from explorer.search.neighbourhood import substitutions
from explorer.search.optuna_proposals import PROPOSED_AT_ONCE, propose

PROPOSED, CROSSED = 0.02, 0.9
"""Shares of the evaluations after which Optuna and the crossings have had theirs."""


def sample(
    project: Project,
    space: Space,
    known: Evaluation | None,
    *,
    seen: Designs | None = None,
    covered: Covered = nothing,
    stop: Callable[[int], bool] = lambda evaluations: False,
) -> Iterator[Evaluation]:
    """Search a space within the study's number of evaluations; yields each batch's results.

    `known` are results to start from. Neither they nor the designs in `seen` are evaluated again,
    nor those of which `covered` says that a sweep has been there. `stop(evaluations)` is asked
    between batches. The same study and the same known results in the same order give the same
    search.
    """
    archive = Archive(project, space, covered)
    if seen is not None:
        archive.exclude(seen)
    if known is not None and len(known):
        rows = archive.coordinates.rows(known.designs)
        offered = np.flatnonzero(~np.isnan(rows).any(axis=1))
        archive.add(rows[offered], known.take(offered))
    budget, batch = project.study.search.evaluations, project.study.search.batch
    generator = np.random.default_rng(project.study.search.seed)
    for source, end in (
        (propose(archive, batch), min(budget, max(PROPOSED_AT_ONCE, int(PROPOSED * budget)))),
        (generations(archive, generator), int(CROSSED * budget)),
        (substitutions(archive, generator), budget),
    ):
        for rows in source:
            rows = archive.fresh(rows)[: end - archive.evaluations]
            for start in range(0, len(rows), batch):
                some = rows[start : start + batch]
                found = evaluate(project, archive.coordinates.designs(some))
                archive.add(some, found, evaluated=True)
                yield found
            if archive.evaluations >= end or stop(archive.evaluations):
                break
        if stop(archive.evaluations):
            return
