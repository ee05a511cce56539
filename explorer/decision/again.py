"""Designs that were decided for and that the store does not hold: evaluated once more."""

from __future__ import annotations

from collections.abc import Mapping
from time import monotonic

from explorer import MODEL_VERSION
from explorer.decision.lock import Lock, read_locks
from explorer.decision.locked_design import designs_of_lock
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model.space import Designs
from explorer.store.results import SESSION, Store

ITSELF = {"evaluated": True}
AROUND = {"evaluated": True, "around": True}
"""What is kept of a decided design: it was stepped; and what it could be changed into, too."""


def evaluate_decided(project: Project, store: Store) -> int:
    """Step those through time that the store lacks, as in a fresh clone or after a change of the
    session, and keep their results. Then what they could be changed into, as `lock` does, until
    the study's `settle_seconds` are over; a later rerun does the rest. Returns how many sessions
    and builds.

    One that the store cannot give back, since the study may not choose it any more, is stepped
    once.
    """
    stored, _ = store.load(project)
    locks = {_key(project, lock): lock for lock in read_locks(project, store)}
    known = {key: store.search_progress(key) for key in locks}
    missing: dict[str, Designs] = {}
    for key, lock in locks.items():
        designs, _ = designs_of_lock(project, lock)
        if designs and stored.find(lock.design_id) is None and not known[key]:
            missing[key] = designs
    if missing:
        _step(project, store, missing)
    alone = [key for key in locks if key in missing or known[key] == ITSELF]
    return len(missing) + _step_around(project, store, {key: locks[key] for key in alone})


def _step(project: Project, store: Store, missing: Mapping[str, Designs]) -> None:
    from explorer.model.stepped import sessions_of

    found = sessions_of(project, Designs.concatenate(list(missing.values())))
    with store.alone():
        store.append(project, found, SESSION)
        for key in missing:
            store.save_progress(key, ITSELF)


def _step_around(project: Project, store: Store, locks: Mapping[str, Lock]) -> int:
    from explorer.decision import advising
    from explorer.decision.candidates import Origin

    evaluated, end = 0, monotonic() + project.study.promise.settle_seconds
    for key, lock in locks.items():
        if monotonic() > end:
            break
        evaluated += advising.step_around(project, store, Origin.of(project, lock))
        store.save_progress(key, AROUND)
    return evaluated


def _key(project: Project, lock: Lock) -> str:
    """Name of what a design's result depends on."""
    rows = [project.catalogue.row_hashes[link].get(lock.parts[link]) for link in LINKS]
    name = content_hash([MODEL_VERSION, project.scenario_hash, rows, lock.design_id])
    return f"decided:{name}"
