"""A study's search from wherever it stands to its end: sweep, then sample, all into the store."""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import asdict, replace
from typing import Literal

import numpy as np

from explorer.inputs.csv_tables import content_hash
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluation import Evaluation
from explorer.model.space import Designs, Space
from explorer.search import boxes, leases
from explorer.search.convergence import Growth, yardstick
from explorer.search.cover import Cover, contents
from explorer.search.plan import GRACE, Plan, plan, sampled_instead
from explorer.search.progress import (
    Clock,
    Pace,
    Piece,
    SearchState,
    Step,
    Summary,
    Watch,
    unwatched,
)
from explorer.search.sample import Waymark, sample
from explorer.search.shared_sweep import SearchWork, blocks, state_of, step_of
from explorer.search.sweep import Sweep
from explorer.search.workers import on_machines
from explorer.store.keys import search_key
from explorer.store.results import Store
from explorer.store.standing import nominal_front_rows
from explorer.store.stored import Stored

WORKERS = 2
PILOT_BLOCKS = 4
"""Blocks that every worker has done by then."""
YARDSTICK_SIZE = 100_000
"""Spaces up to this size are also enumerated when they are sampled, to say what was missed."""
MOST_STARTS = 20_000
"""Stored designs that a sampled search starts from at the most."""

SweepEnd = Literal["covered", "cut short", "too slow"]


def launch(
    project: Project,
    store: Store,
    watch: Watch = unwatched,
    workers: int = WORKERS,
    cluster: str | None = None,
    again: bool = False,
) -> Summary:
    """Search a study; a search that was cut short goes on, a finished one is not done again.

    `cluster` is the address of a Dask cluster, by default the study's. `again` samples anew where
    a finished search had sampled, from the front at today's prices: what was swept needs no second
    look, since it holds at any price.
    """
    space, search = Space.of(project), project.study.search
    kept = contents(project, space)
    key = content_hash([search_key(project), kept])
    state = SearchState.read(store.search_progress(key))
    cover = Cover(project, store, space, kept)
    chosen = plan(project, space, state.rate, cover.open(state))
    _, reuse = store.load(project)
    resumed = bool(state.evaluated or state.sampled)
    clock = Clock(time.monotonic(), 60 * search.minutes)
    work = SearchWork(project, store, space, cover, key, clock, watch, workers, state.seconds)
    # A longer time limit than last time may let a sweep end that was given up then.
    done = state.finished and not (chosen.sweep and state.covered < space.size)
    if again and done:
        state = replace(state, finished=False, sampled=0, history=(), sampling=None)
    end: SweepEnd = "covered"
    if chosen.sweep and not done:
        with on_machines(cluster or search.cluster):
            state, end = _sweep(work, replace(state, finished=False), chosen.on_trial)
    else:
        leases.close(store, key)  # one that was killed may have left its sweep open
    if end == "too slow":
        needed_s = space.size / (state.rate or 1.0)
        chosen = sampled_instead(project, space, needed_s, "at the measured rate")
    done = end != "cut short"
    if chosen.sample and done and not state.finished:
        state = _sample(work, state)
    if done and not state.finished:
        state = _finished(work, state, chosen)
    reused = [*(reuse.lines if reuse.stored else ()), *cover.words]
    return _summary(project, space, state, chosen, done, resumed, reused)


def _finished(work: SearchWork, state: SearchState, chosen: Plan) -> SearchState:
    """The state of a search at its end, kept."""
    state = replace(state, finished=True, seconds=work.spent_s)
    if chosen.sample and not chosen.sweep and work.space.size <= YARDSTICK_SIZE:
        state = replace(state, yardstick=yardstick(work.project, work.store))
    work.store.save_progress(work.key, state.kept)
    return state


def _summary(
    project: Project,
    space: Space,
    state: SearchState,
    chosen: Plan,
    done: bool,
    resumed: bool,
    reuse: list[str],
) -> Summary:
    """What a search came to; `done` says that it was not cut short."""
    swept, sampled = state.covered, chosen.sample and done
    ways = (("sweep", swept > 0), ("sample", sampled))
    exact = swept == space.size
    covered = swept if chosen.sweep else swept + state.sampled
    share = min(covered / space.size, 1.0)
    why = chosen.why
    if swept and not chosen.sweep:
        why += f"; {swept:,} were swept before that was known"
    if chosen.sweep and not exact:
        why += (
            f"; cut short after {60 * project.study.search.minutes:.0f} s with "
            f"{share:.1%} covered, launch again to go on"
        )
    return Summary(
        method="+".join(name for name, taken in ways if taken),
        why=why,
        sampler=project.study.search.sampler if sampled else "",
        seed=project.study.search.seed,
        combinations=space.size,
        combinations_covered=swept,
        designs_considered=swept + state.sampled,
        designs_feasible=state.feasible,
        designs_evaluated=state.evaluated,
        exact=exact,
        feasible_counted=state.counted,
        share_covered=share,
        swept_per_second=state.rate,
        seconds=state.seconds,
        resumed=resumed,
        hypervolume_history=[(int(n), float(v)) for n, v in state.history],
        yardstick=state.yardstick,
        reuse=reuse,
    )


def _sweep(work: SearchWork, state: SearchState, on_trial: bool) -> tuple[SearchState, SweepEnd]:
    """Sweep what was never swept, piece by piece; says how it ended.

    Blocks come in random order, so that those done show how long the others will take: `on_trial`
    it is given up when that is too long. What was covered by then is kept.
    """
    project, cover = work.project, work.cover
    total = boxes.size(cover.whole)
    state = _with_pieces(cover, state)
    pace = Pace(PILOT_BLOCKS * work.workers)
    work.watch(step_of(work, state))
    for number, piece in enumerate(state.pieces or ()):
        sweep = Sweep.of(project, boxes.space_of(project, piece.box))
        if piece.cut != sweep.halves_per_block:  # blocks of another release
            state = state.with_piece(number, Piece(piece.box, cut=sweep.halves_per_block))
        leases.open_piece(work.store, work.key, state, number)
        with closing(blocks(work, sweep, number, pace)) as states:
            for state in states:
                clock, open_ = work.clock, total - state.covered
                if on_trial and state.rate is not None:
                    on_trial = False
                    if open_ / state.rate > (GRACE - clock.spent) * clock.limit_s:
                        return _closed(work), "too slow"
                if clock.spent > 1 and open_:
                    return _closed(work), "cut short"
        state = _closed(work)
        cover.add(piece.box, (state.pieces or ())[number].feasible, True)
    cover.add(cover.whole, state.feasible, state.counted)
    return state, "covered"


def _closed(work: SearchWork) -> SearchState:
    """The state of a search, in which nobody takes blocks any more."""
    leases.close(work.store, work.key)
    return state_of(work)


def _with_pieces(cover: Cover, state: SearchState) -> SearchState:
    """The state of a search that knows which pieces it has to sweep."""
    if state.pieces is not None:
        return state
    pieces = cover.left()
    known = boxes.size(cover.whole) - sum(map(boxes.size, pieces))
    state = replace(state, known=known, pieces=tuple(Piece(piece) for piece in pieces))
    if not known:
        return state
    feasible, counted = cover.feasible_before()
    return replace(state, feasible=feasible, counted=counted)


def _sample(work: SearchWork, state: SearchState) -> SearchState:
    """Sample within the study's evaluations and time, from what was stored when it began."""
    project, store, key = work.project, work.store, f"sample:{work.key}"
    budget = project.study.search.evaluations
    begun = state.sampling
    if begun is None:
        begun, state = {"first": store.last_block()}, replace(state, sampled=0, history=())
    first = begun["first"]
    mark = Waymark(**{name: value for name, value in begun.items() if name != "first"})
    stored, _ = store.load(project, lambda block, _: block <= first)
    covered = work.cover.holds(state)
    known, others = starting_points(project, store, stored)
    seen = None if others is None else others.take(~covered(others))
    mine, _ = store.load(project, lambda block, source: block > first and source == key)
    done = store.evaluation(project, mine) if len(mine) else None
    growth = Growth(project, known)
    if done is not None:
        growth.add(done)

    def stop(evaluations: int) -> bool:
        return evaluations >= budget or work.clock.spent > 1

    work.watch(Step("sample", state.sampled, budget, state.feasible))
    batches = sample(
        project, work.space, known,
        seen=seen, covered=covered, done=done, mark=mark, stop=stop,
    )  # fmt: skip
    for found, at in batches:
        sampled = state.sampled + len(found)
        state = replace(
            state,
            sampled=sampled,
            evaluated=state.evaluated + len(found),
            feasible=state.feasible + int(found.feasible.sum()),
            history=(*state.history, (sampled, growth.add(found))),
            sampling={"first": first, **asdict(at)},
        )
        store.append(project, found, key, progress=(work.key, state.kept))
        work.watch(Step("sample", sampled, budget, state.feasible))
    return state


def starting_points(
    project: Project, store: Store, stored: Stored
) -> tuple[Evaluation | None, Designs | None]:
    """What a sampled search starts from: all that is stored, or of many the best at today's
    prices, and the designs of the others.

    In the order of their ids: that in which they were found depends on how many searched.
    """
    if not len(stored):
        return None, None
    rows, others = np.arange(len(stored)), None
    if len(rows) > MOST_STARTS:
        rows = nominal_front_rows(project, stored, costing.costs(project, stored.designs))
        others = stored.designs.take(np.setdiff1d(np.arange(len(stored)), rows))
    rows = rows[np.argsort(stored.numbers[rows], kind="stable")]
    return store.evaluation(project, stored, rows), others
