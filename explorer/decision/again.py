"""Designs that were decided for and that the store does not hold: evaluated once more."""

from __future__ import annotations

from explorer import MODEL_VERSION
from explorer.decision.lock import Lock, read_locks
from explorer.decision.locked_design import designs_of_lock
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model.space import Designs
from explorer.store.results import SESSION, Store


def evaluate_decided(project: Project, store: Store) -> int:
    """Step those through time that the store lacks, as in a fresh clone, and keep their results;
    how many there were.

    One that the store cannot give back, since the study may not choose it any more, is stepped
    once.
    """
    stored, _ = store.load(project)
    missing: dict[str, Designs] = {}
    for lock in read_locks(project, store):
        designs, _ = designs_of_lock(project, lock)
        key = _key(project, lock)
        if designs and stored.find(lock.design_id) is None and not store.search_progress(key):
            missing[key] = designs
    if not missing:
        return 0
    from explorer.model.stepped import sessions_of

    found = sessions_of(project, Designs.concatenate(list(missing.values())))
    with store.alone():
        store.append(project, found, SESSION)
        for key in missing:
            store.save_progress(key, {"evaluated": True})
    return len(missing)


def _key(project: Project, lock: Lock) -> str:
    """Name of what a design's result depends on."""
    rows = [project.catalogue.row_hashes[link].get(lock.parts[link]) for link in LINKS]
    name = content_hash([MODEL_VERSION, project.scenario_hash, rows, lock.design_id])
    return f"decided:{name}"
