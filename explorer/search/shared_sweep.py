"""A sweep that launches of one study share: blocks by leases, each into the store once."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Generator
from contextlib import closing
from dataclasses import dataclass, replace

import numpy as np

from explorer.errors import ExplorerError
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.study import Project
from explorer.model.evaluation import Evaluation
from explorer.model.space import Space
from explorer.search import boxes, leases
from explorer.search.cover import Cover, contents
from explorer.search.progress import Clock, Pace, SearchState, Step, Watch
from explorer.search.sweep import BlockResult, Sweep
from explorer.search.workers import on_machines, run_blocks
from explorer.store.keys import path_of, search_key
from explorer.store.results import Store

PILOT_SHARE = 0.05
"""Share of the time limit after which a sweep that was begun on trial is judged by its own rate."""


@dataclass(frozen=True)
class SearchWork:
    """A launch: what it searches, where its state is kept, who looks on."""

    project: Project
    store: Store
    space: Space
    cover: Cover
    key: str
    clock: Clock
    watch: Watch
    workers: int
    spent_before_s: float

    @property
    def spent_s(self) -> float:
        """Seconds that the search has taken, those of earlier launches with them."""
        return self.spent_before_s + self.clock.spent_s


def blocks(
    work: SearchWork,
    sweep: Sweep,
    number: int,
    pace: Pace | None = None,
    enough: Callable[[], bool] = lambda: False,
) -> Generator[SearchState, None, None]:
    """Sweep a piece, together with all others that do, until `enough`; the state of the search
    after each block of this process, and now and then while others have the last ones.
    """
    order = np.random.default_rng(work.project.study.search.seed).permutation(len(sweep)).tolist()
    mine = leases.Leases(work.store.path, work.key, number, order, enough)
    with mine.renewed():
        while leases.piece_of(work.store, work.key) == number:
            left = len(sweep) - len((state_of(work).pieces or ())[number].blocks)
            if not left or enough():
                return
            with closing(run_blocks(sweep, mine.taken(), work.workers if left > 1 else 1)) as some:
                for result in some:
                    if (state := _delivered(work, mine, result, pace)) is not None:
                        work.watch(step_of(work, state))
                        yield state
            if mine.error is not None:
                raise mine.error
            state = state_of(work)
            if len((state.pieces or ())[number].blocks) < len(sweep):
                time.sleep(leases.LOOK_S)
                yield state


def _delivered(
    work: SearchWork, mine: leases.Leases, result: BlockResult, pace: Pace | None
) -> SearchState | None:
    """Keep what a block held; the state of the search then, None where the lease had lapsed and
    another has the block.
    """
    with work.store.alone():
        if not mine.give_back(work.store, result.number):
            return None
        before = state_of(work)
        state = before.with_block(
            mine.piece, result, before.seconds if pace is None else work.spent_s
        )
        rate = None if pace is None else pace.at(state.covered)
        if rate is not None and work.clock.spent > PILOT_SHARE:
            state = replace(state, rate=rate)
        _keep(work, state, result.kept)
    return state


def state_of(work: SearchWork) -> SearchState:
    """Where the search stands in the store."""
    return SearchState.read(work.store.search_progress(work.key))


def step_of(work: SearchWork, state: SearchState) -> Step:
    """A state for whoever shows progress."""
    return Step("sweep", state.covered, boxes.size(work.cover.whole), state.feasible)


class Helper:
    """Takes part in the sweep of a search that another process leads, while it waits for its turn.

    A sample is not shared: each of its batches follows from those before it. Nor are sessions.
    """

    def __init__(
        self, project: Project, watch: Watch, workers: int, cluster: str | None = None
    ) -> None:
        self.project, self.watch, self.workers = project, watch, workers
        self.cluster = cluster or project.study.search.cluster
        self.kept: str | None = None
        self.said: set[str] = set()
        self.failed = False

    def __call__(self, my_turn: Callable[[], bool]) -> None:
        """Take part as long as there is something to share and it is not this one's turn."""
        path = path_of(self.project)
        if self.project.study.search.method == "sample":
            self._say("a sample is not shared, since each batch follows from those before it")
        elif path.exists() and not self.failed:
            try:
                with Store.open(path, existing=True) as store:
                    self._take_part(store, my_turn)
            except ExplorerError:
                self.failed = True  # whoever leads meets it, too, and so does this one in its turn

    def _take_part(self, store: Store, my_turn: Callable[[], bool]) -> None:
        space = Space.of(self.project)
        self.kept = self.kept or contents(self.project, space)
        key = content_hash([search_key(self.project), self.kept])
        if (number := leases.piece_of(store, key)) is None:
            return
        cover = Cover(self.project, store, space, self.kept)
        clock = Clock(time.monotonic(), 60 * self.project.study.search.minutes)
        work = SearchWork(
            self.project, store, space, cover, key, clock, self.watch, self.workers, 0.0
        )
        piece = (state_of(work).pieces or ())[number]
        sweep = Sweep.of(self.project, boxes.space_of(self.project, piece.box))
        if piece.cut != sweep.halves_per_block or len(piece.blocks) == len(sweep):
            return
        self._say("its sweep is shared meanwhile")
        with (
            on_machines(self.cluster),
            closing(blocks(work, sweep, number, None, my_turn)) as all_,
        ):
            for _ in all_:
                pass

    def _say(self, words: str) -> None:
        if words not in self.said:
            self.said.add(words)
            logging.getLogger(__name__).warning("%s: %s", self.project.path, words)


def _keep(work: SearchWork, state: SearchState, found: Evaluation | None) -> None:
    """Into the store: what a block found, and the state, in one transaction."""
    if found is None:
        work.store.save_progress(work.key, state.kept)
    else:
        work.store.append(work.project, found, "sweep", progress=(work.key, state.kept))
