"""Studies that the tests share."""

from __future__ import annotations

import gc
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import hypothesis
import pytest

from explorer.inputs.study import Project, load

HERE = Path(__file__).parent
DEMO = HERE.parent / "studies" / "flood_gauge.toml"

hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")
"""How fast an example runs says how busy the machine is, and is measured by the benches."""


@pytest.fixture(autouse=True)
def _collects_cycles() -> Iterator[None]:
    """A command that runs within a test and collects no cycles leaves that to its own process."""
    yield
    gc.enable()


@pytest.fixture
def small_study(tmp_path: Path) -> Path:
    """The study file of a copy of the small study, with its tables; free to be changed."""
    home = tmp_path / "small"
    shutil.copytree(HERE / "data" / "small", home)
    return home / "small.toml"


@pytest.fixture
def small_project(small_study: Path) -> Project:
    """The small study, loaded from its own copy."""
    return load(small_study)


@pytest.fixture(scope="session")
def demo_project() -> Project:
    """The demo study of the repository by nominal values, turned by hands that keep their speed,
    whose sessions take a third of the time; read it, write nothing beside it."""
    project = load(DEMO)
    project = replace(project, study=replace(project.study, by_promise=False))
    held = {"inertia_kg_m2": 0.0, "unevenness_turn": 0.0, "kappa_m_s": 0.0, "p_W_s2_m2": 0.0}
    operators = {
        name: person.model_copy(update=held) for name, person in project.catalogue.operators.items()
    }
    return replace(project, catalogue=replace(project.catalogue, operators=operators))
