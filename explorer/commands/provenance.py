"""What a page was made from, and where it stands."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

from explorer import MODEL_VERSION, __version__
from explorer.inputs.study import Project

LIBRARIES = ("numpy", "scipy", "optuna", "moocore", "bokeh")


def reports_folder(project: Project) -> Path:
    """Where the page and the build sheets of a study stand: reports/STUDY, beside a folder that is
    called studies, or else in the study's own folder.
    """
    home = project.path.resolve().parent
    return (home.parent if home.name == "studies" else home) / "reports" / project.study.name


def provenance(project: Project, last: Mapping[str, Any]) -> dict[str, Any]:
    """Hashes of the inputs, versions, and the seed of the `last` search."""
    return {
        "study": project.study_hash,
        "scenario": project.scenario_hash,
        "prices": project.catalogue.prices.content_hash,
        "tables": dict(project.catalogue.file_hashes),
        "model version": MODEL_VERSION,
        "genchain": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
        "random numbers start from": last.get("seed"),
    }
