"""check: read a study and its tables; every fault is named, nothing is computed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from explorer.decision import lock
from explorer.inputs.machine_classes import line_column_meanings
from explorer.inputs.study import load
from explorer.model.space import Space
from explorer.search import plan


def check_study(study: Path) -> dict[str, Any]:
    """What a study holds; InputError with every fault of the study, its tables and its locks."""
    project = load(study)
    space = Space.of(project)
    locks = lock.read_locks(project)
    return {
        "study": project.study.name,
        "combinations": space.size,
        "continuous": list(space.continuous),
        "plan": plan.plan(project, space).why,
        "choices": {link: len(names) for link, names in project.study.choices.items()},
        "locked": [one.design_id for one in locks],
        "columns": line_column_meanings(),
        "notes": list(project.catalogue.notes),
    }
