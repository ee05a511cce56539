"""Killed at any moment during rerun, lock and review, nothing is lost and nothing half-written."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.helpers import kills

KILLS = 25


@pytest.fixture(scope="module")
def launched(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A launched study; copied by who changes it."""
    home = tmp_path_factory.mktemp("kills") / "small"
    shutil.copytree(Path(__file__).parent / "data" / "small", home)
    return kills.launched(home / "small.toml")


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["rerun", "lock", "review"])  # launches: search/test_killed.py
def test_kill_9_loses_nothing(launched: Path, tmp_path: Path, kind: str) -> None:
    home = tmp_path / "small"
    shutil.copytree(launched.parent, home)
    found = kills.attack(kind, home / launched.name, KILLS, seed=18)
    assert found.wrong == ()
    assert found.kills == KILLS
