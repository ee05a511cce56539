"""Sessions for every design that could stand on the front: the filter proposes, sessions decide.

The filter's energy and effort of a design are credited with its doubt (see `model.doubt`) before it
is left out. What that leaves is stepped through time, and again what the sessions bring up, until
all that stands on the front was stepped.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from contextlib import closing
from hashlib import blake2b
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.front import non_dominated
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.study import Project
from explorer.model.doubt import credited
from explorer.model.evaluation import Evaluation
from explorer.model.space import Designs, Rows
from explorer.search.dominance import beaten
from explorer.search.progress import Step, Watch
from explorer.stopping import starting_workers
from explorer.store.keys import search_key
from explorer.store.results import SESSION, Store
from explorer.store.standing import nominal_front_rows, within_cost
from explorer.store.stored import Stored
from explorer.units import Array

BATCH = 256
"""Designs stepped by a worker at a time, and kept."""
AUDITED = 200
"""Designs beyond the doubt that are stepped to see what it missed."""


class Audit(NamedTuple):
    """How many designs beyond the doubt were stepped, and how many of them the front lacked."""

    stepped: int
    missed: int


def contenders(project: Project, stored: Stored, cost: Array) -> Rows:
    """Rows of designs that were not stepped and could stand on the front at some costs (n,)."""
    points = stored.nominal(cost)
    standing = points[np.flatnonzero(stored.keeps_limits & within_cost(project, cost))]
    mine = np.flatnonzero(may_stand(project, stored, cost))
    best = credited(project, points[mine], stored.energy_doubt[mine])
    return mine[~beaten(best, standing[non_dominated(standing)])].astype(np.int64)


def may_stand(project: Project, stored: Stored, cost: Array) -> NDArray[np.bool_]:
    """Where a design that was not stepped may keep every rule and limit at some costs (n,)."""
    return stored.may_stand & ~stored.stepped & within_cost(project, cost)


def step_contenders(
    project: Project,
    store: Store,
    stored: Stored,
    cost: Array,
    watch: Watch,
    workers: int,
    wanted: Sequence[int] = (),
) -> int:
    """Step every design that could stand on the front at some costs (n,) of the `stored` ones, and
    those at the rows `wanted`, and keep their sessions; returns how many were stepped.

    Who is stepped in a round is kept before it begins, each batch when it is done: a launch that is
    cut short ends its round first, so that the same designs are stepped as if it had not been.
    """
    count, key = 0, _round_key(project, stored, cost)
    more = np.array([row for row in dict.fromkeys(wanted) if not stored.stepped[row]], np.int64)
    while True:
        rows = _unstepped(stored, store.search_progress(key))
        if not len(rows):
            rows, more = np.union1d(contenders(project, stored, cost), more), more[:0]
            if not len(rows):
                return count
            store.save_progress(key, {"designs": stored.numbers[rows].tolist()})
        total = count + len(rows)
        watch(Step("step", count, total, 0))
        with closing(in_batches(project, stored.designs.take(rows), workers)) as batches:
            for found in batches:
                store.append(project, found, SESSION)
                count += len(found)
                watch(Step("step", count, total, 0))
        # The same designs in the same order, some of them now by their sessions.
        again, _ = store.load(project)
        stored = again.take(_places(again, stored))


def _round_key(project: Project, stored: Stored, cost: Array) -> str:
    """Name of the rounds of some designs at some costs."""
    order = np.argsort(stored.numbers, kind="stable")
    hashed = blake2b(stored.numbers[order].tobytes() + cost[order].tobytes(), digest_size=8)
    return f"round:{content_hash([search_key(project), hashed.hexdigest()])}"


def _unstepped(stored: Stored, kept: Mapping[str, Any]) -> Rows:
    """Rows of the designs of a round that has begun which are still to be stepped."""
    chosen = np.isin(stored.numbers, np.array(kept.get("designs", []), np.uint64))
    return np.flatnonzero(chosen & ~stored.stepped)


def audit_begun(project: Project, store: Store) -> bool:
    """Whether designs were chosen for the audit of a study's search, or it is over."""
    return bool(store.search_progress(_audit_key(project)))


def audit(
    project: Project, store: Store, stored: Stored, cost: Array, workers: int, watch: Watch
) -> Audit:
    """Step some designs beyond the doubt: how many of them would stand on the front.

    They are kept, so that one that was missed stands on the front from now on. Done once for a
    search: a second audit would only look where the first has looked. One that was cut short goes
    on with the designs that it had chosen.
    """
    key = _audit_key(project)
    kept = store.search_progress(key)
    if "missed" in kept:
        return Audit(**kept)
    if not kept:
        left = np.flatnonzero(may_stand(project, stored, cost))
        left = left[np.argsort(stored.numbers[left], kind="stable")]  # whoever came back first
        generator = np.random.default_rng(project.study.search.seed)
        chosen = generator.permutation(left)[:AUDITED]
        kept = {"designs": stored.numbers[chosen].tolist()}
        store.save_progress(key, kept)
    rows, total = _unstepped(stored, kept), len(kept["designs"])
    if len(rows):
        watch(Step("audit", total - len(rows), total, 0))
        with closing(in_batches(project, stored.designs.take(rows), workers)) as batches:
            for found in batches:
                store.append(project, found, SESSION)
        watch(Step("audit", total, total, 0))
        again, _ = store.load(project)
        stored = again.take(_places(again, stored))
    standing = stored.numbers[nominal_front_rows(project, stored, cost)]
    chosen_numbers = np.array(kept["designs"], np.uint64)
    found_so = Audit(total, int(np.isin(chosen_numbers, standing).sum()))
    store.save_progress(key, found_so._asdict())
    return found_so


def _audit_key(project: Project) -> str:
    return f"audit:{search_key(project)}"


def _places(later: Stored, earlier: Stored) -> Rows:
    """Rows of `later` that hold the designs of `earlier`, in their order."""
    order = np.argsort(later.numbers, kind="stable")
    return np.asarray(order[np.searchsorted(later.numbers[order], earlier.numbers)])


def in_batches(
    project: Project, designs: Designs, workers: int
) -> Generator[Evaluation, None, None]:
    """Sessions of some designs, batch by batch, on several processes or the machines of
    `workers.on_machines`.
    """
    from explorer.model.stepped import sessions_of

    # Neighbours share the curves that margins are read from.
    order = np.lexsort([*designs.settings.values(), *designs.parts.values()][::-1])
    batches = [designs.take(order[start : start + BATCH]) for start in range(0, len(order), BATCH)]
    if workers == 1 or len(batches) == 1:
        yield from (sessions_of(project, one) for one in batches)
        return
    from joblib import Parallel, delayed

    sessions_of(project, designs.take(order[:1]))  # compiles once, before every worker would
    parallel = Parallel(n_jobs=workers, return_as="generator_unordered", pre_dispatch="2*n_jobs")
    with starting_workers():
        results = parallel(delayed(sessions_of)(project, one) for one in batches)
    yield from results
