"""check: read a study and its tables, or its store; every fault is named, nothing is computed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from explorer.decision import decisions
from explorer.errors import InputError
from explorer.files import one_at_a_time
from explorer.inputs.machine_classes import line_column_meanings
from explorer.inputs.study import Project, load
from explorer.model.space import Space
from explorer.model.spreads import unspoken
from explorer.physics.emf_shape import SINE
from explorer.report.format import listed
from explorer.search import plan
from explorer.store.keys import path_of
from explorer.store.mending import look
from explorer.store.packing import pack
from explorer.store.results import Store


def check_study(study: Path) -> dict[str, Any]:
    """What a study holds; InputError with every fault of the study, its tables and its locks."""
    project = load(study)
    space = Space.of(project)
    found = decisions.of_study(project)
    return {
        "study": project.study.name,
        "combinations": space.size,
        "continuous": list(space.continuous),
        "plan": plan.plan(project, space).why,
        "choices": {link: len(names) for link, names in project.study.choices.items()},
        "locked": list(found.entries),
        "columns": line_column_meanings(),
        "notes": [*found.notices, *project.catalogue.notes, *_exact(project), *_unsolved(project)],
    }


def _exact(project: Project) -> Iterator[str]:
    """What builds could differ in, and spreads.csv does not speak of."""
    exact = unspoken(project) if project.builds_differ else ()
    if exact:
        yield (
            f"spreads.csv says nothing of {listed(exact)}: builds count as exactly what the tables "
            "say there"
        )


def _unsolved(project: Project) -> Iterator[str]:
    """Maps of the bridge that the next launch solves before it begins."""
    chosen = set(project.study.choices["generator"])
    shapes = [row.shape for row in project.catalogue.parts["generator"] if row.id in chosen]  # type: ignore[attr-defined]
    if all(shape == SINE for shape in shapes):
        return
    from explorer.model import shape_maps  # with parts of SciPy

    for kind in shape_maps.unsolved(project):
        yield (
            f"nobody has solved the map of the bridge for {shape_maps.in_words(kind)} here: the "
            "next launch does, once, in a minute or two"
        )


def check_store(study: Path, *, compact: bool = False) -> dict[str, Any]:
    """What a study's store holds, every record of it verified; it is changed only by `compact`,
    which packs it first (`store.packing`), and waits for a launch of the study to end.

    InputError that names every damaged record, for a file that is no store, or where there is none.
    """
    project = load(study)
    packed = None
    if compact:
        words = f"{project.path}: another run searches this study; waiting until it has ended"
        with one_at_a_time(project.path, words):
            packed = pack(path_of(project))._asdict()
    with Store.open(path_of(project), read_only=True) as store:
        found = look(store)
        if found.damages:
            raise InputError([one.fault for one in found.damages])
        _, reuse = store.load(project)
        return {
            "study": project.study.name,
            "store": str(store.path),
            "verified": found.records if store.has_checksums else 0,
            "records": found.records,
            "blocks": len(found.sound["block"]),
            "runs": len(found.sound["run"]),
            "fronts": len(found.sound["front"]),
            "price_lists": len(found.sound["price_list"]),
            "reuse": list(reuse.lines),
            "packed": packed,
        }
