"""Searching what cannot be swept: Optuna proposes, the best of it is crossed, neighbours end it.

A design is never evaluated twice. A search that was killed goes on as if nothing had happened: its
evaluations are given back to it in their order, and with the `Waymark` of the last of them it makes
the proposal anew from which that one came.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np

from explorer.inputs.study import Project
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.space import Designs, Space
from explorer.search.archive import Archive, Covered, nothing
from explorer.search.genetic import Crossings
from explorer.search.neighbourhood import Substitutions
from explorer.search.optuna_proposals import PROPOSED_AT_ONCE, Proposals
from explorer.units import Array

PROPOSED, CROSSED = 0.02, 0.9
"""Shares of the evaluations after which Optuna and the crossings have had theirs."""


class Proposer(Protocol):
    """Where designs to evaluate come from, as rows of coordinates."""

    @property
    def state(self) -> dict[str, Any]:
        """Plain values from which the next proposal can be made anew, beside archive and
        generator.
        """

    def propose(self) -> Array | None:
        """The next designs in order, None where there is nothing more to propose."""


@dataclass(frozen=True)
class Waymark:
    """Where a search stood before a proposal: the number of its source, evaluations by then, the
    states of random generator and source. The first source is always asked from its beginning,
    since what Optuna's samplers hold cannot be kept.
    """

    source: int = 0
    evaluations: int = 0
    generator: Mapping[str, Any] | None = None
    state: Mapping[str, Any] | None = None


class Batch(NamedTuple):
    """Results of designs evaluated together, and the mark of their proposal."""

    found: Evaluation
    mark: Waymark


def sample(
    project: Project,
    space: Space,
    known: Evaluation | None,
    *,
    seen: Designs | None = None,
    covered: Covered = nothing,
    done: Evaluation | None = None,
    mark: Waymark | None = None,
    stop: Callable[[int], bool] = lambda evaluations: False,
) -> Iterator[Batch]:
    """Search a space within the study's number of evaluations; yields each batch's results.

    `known` are results to start from. Neither they nor the designs in `seen` are evaluated again,
    nor those of which `covered` says that a sweep has been there. `stop(evaluations)` is asked
    after each batch. The same study and the same known results in the same order give the same
    search. One that was cut short goes on, given what it had evaluated in that order, `done`, and
    the `mark` of its last batch.
    """
    archive = Archive(project, space, covered)
    if seen is not None:
        archive.exclude(seen)
    if known is not None and len(known):
        rows = archive.coordinates.rows(known.designs)
        offered = np.flatnonzero(~np.isnan(rows).any(axis=1))
        archive.add(rows[offered], known.take(offered))
    search = _Search(project, archive, done, mark or Waymark())
    yield from search.batches(stop)


class _Search:
    """A search on its way. `done[place:]` was evaluated by an earlier launch and is yet to be
    proposed again.
    """

    def __init__(
        self, project: Project, archive: Archive, done: Evaluation | None, mark: Waymark
    ) -> None:
        self.archive, self.done, self.mark = archive, done, mark
        self.budget, self.batch = project.study.search.evaluations, project.study.search.batch
        self.generator = np.random.default_rng(project.study.search.seed)
        self.place = 0
        if mark.generator is not None:
            self.generator.bit_generator.state = dict(mark.generator)
        self._take(mark.evaluations)

    def batches(self, stop: Callable[[int], bool]) -> Iterator[Batch]:
        """What is evaluated, source by source."""
        archive, first, begun = self.archive, self.mark.source, self.mark.state
        ends = (
            min(self.budget, max(PROPOSED_AT_ONCE, int(PROPOSED * self.budget))),
            int(CROSSED * self.budget),
            self.budget,
        )
        for number in range(first, len(ends)):
            source, begun = self._source(number, begun), None
            while archive.evaluations < ends[number]:
                if number:
                    state = dict(self.generator.bit_generator.state)
                    self.mark = Waymark(number, archive.evaluations, state, source.state)
                rows = source.propose()
                if rows is None:
                    break
                rows = self._not_done(archive.fresh(rows)[: ends[number] - archive.evaluations])
                rows = rows[: max(ends[number] - archive.evaluations, 0)]
                for start in range(0, len(rows), self.batch):
                    some = rows[start : start + self.batch]
                    found = evaluate(archive.project, archive.coordinates.designs(some))
                    archive.add(some, found, evaluated=True)
                    yield Batch(found, self.mark)
                    if stop(archive.evaluations):
                        return

    def _source(self, number: int, state: Mapping[str, Any] | None) -> Proposer:
        if number == 0:
            return Proposals(self.archive, self.batch)
        if number == 1:
            return Crossings(self.archive, self.generator, **(state or {}))
        return Substitutions(self.archive, self.generator, **(state or {}))

    def _not_done(self, rows: Array) -> Array:
        """What is left to evaluate of a proposal; what was evaluated before is remembered."""
        if self.done is None or self.place == len(self.done):
            return rows
        ahead = self.archive.coordinates.rows(self.done.designs)[self.place :]
        count = min(len(rows), len(ahead))
        if np.array_equal(rows[:count], ahead[:count]):
            self._take(count)
            return rows[count:]
        # Prices or what was swept have changed, so that other designs are proposed now.
        self._take(len(ahead))
        return self.archive.fresh(rows)

    def _take(self, count: int) -> None:
        """Remember the next evaluations of an earlier launch."""
        if self.done is None or not count:
            return
        some = self.done.take(np.arange(self.place, min(self.place + count, len(self.done))))
        self.archive.add(self.archive.coordinates.rows(some.designs), some, evaluated=True)
        self.place += len(some)
