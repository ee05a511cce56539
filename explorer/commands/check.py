"""check: read a study and its tables; every fault is named, nothing is computed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from explorer.decision import lock
from explorer.inputs.machine_classes import EMF_EXAMPLE, EMF_MEANS
from explorer.inputs.study import load
from explorer.model.space import Space
from explorer.search import run as search


def check_study(study: Path) -> dict[str, Any]:
    """What a study holds; InputError with every fault of the study, its tables and its locks."""
    project = load(study)
    space = Space.of(project)
    locks = lock.read_locks(project)
    return {
        "study": project.study.name,
        "combinations": space.size,
        "continuous": list(space.continuous),
        "plan": search.plan(project, space).why,
        "choices": {link: len(names) for link, names in project.study.choices.items()},
        "locked": [one.design_id for one in locks],
        "columns": {"emf_line_V_s": f"{EMF_MEANS['three_phase']}: {EMF_EXAMPLE}"},
        "notes": list(project.catalogue.notes),
    }
