"""Tables, price lists, locks and stores that are links: inside the study's folder or refused."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from explorer.commands.check import check_study
from explorer.commands.launch import launch_study
from explorer.decision.decisions import decided_path
from explorer.decision.lock import read_locks
from explorer.errors import InputError
from explorer.inputs.study import load

OUTSIDE = "is a link that leads outside the study's folder"


def linked_away(path: Path, away: Path) -> None:
    """Move a file elsewhere and put a link in its place."""
    shutil.move(path, away / path.name)
    path.symlink_to(away / path.name)


@pytest.mark.parametrize(
    "file", ["parts/cells.csv", "parts/prices.csv", "bench/converter_points.csv"]
)
def test_a_table_outside_is_refused(small_study: Path, file: str) -> None:
    away = small_study.parent.parent / "away"
    away.mkdir()
    linked_away(small_study.parent / file, away)
    with pytest.raises(InputError) as caught:
        check_study(small_study)
    assert f"{small_study.parent / file}: {OUTSIDE}" in str(caught.value).split("\n")


@pytest.mark.parametrize("key", ["tables", "bench"])
def test_a_folder_of_tables_outside_is_refused(small_study: Path, key: str) -> None:
    folder = small_study.parent / {"tables": "parts"}.get(key, key)
    shutil.move(folder, small_study.parent.parent / key)
    folder.symlink_to(small_study.parent.parent / key)
    with pytest.raises(InputError, match=f"study.{key}: must lie inside the study's folder"):
        check_study(small_study)


def test_a_link_inside_the_folder_is_followed(small_study: Path) -> None:
    table = small_study.parent / "parts" / "cells.csv"
    inside = small_study.parent / "cells of last year.csv"
    table.rename(inside)
    table.symlink_to(inside)
    assert check_study(small_study)["combinations"] == 5184


def test_a_link_to_itself_is_no_table(small_study: Path) -> None:
    table = small_study.parent / "parts" / "cells.csv"
    table.unlink()
    table.symlink_to(table.name)
    with pytest.raises(InputError, match=r"cells\.csv: "):
        check_study(small_study)


def test_locks_outside_are_refused(small_study: Path) -> None:
    locks = small_study.with_name("small.decided.toml")
    locks.symlink_to(small_study.parent.parent / "small.decided.toml")
    with pytest.raises(InputError, match=rf"small\.decided\.toml: {OUTSIDE}"):
        check_study(small_study)


def test_a_store_outside_is_refused_and_nothing_is_written_there(small_study: Path) -> None:
    away = small_study.parent.parent / "other.sqlite"
    small_study.with_name("small.store.sqlite").symlink_to(away)
    with pytest.raises(InputError, match=rf"small\.store\.sqlite: {OUTSIDE}"):
        launch_study(small_study, page=False)
    assert not away.exists()


@pytest.mark.parametrize("name", ["spreads.csv", "leads.csv", "cells.csv", "prices.csv"])
@pytest.mark.parametrize("target", ["gone.csv", None], ids=["gone", "itself"])
def test_a_link_that_leads_nowhere_is_not_no_table(
    small_study: Path, name: str, target: str | None
) -> None:
    """A table that may be missing is not taken for missing where a link to it is broken."""
    table = small_study.parent / "parts" / name
    table.unlink(missing_ok=True)
    table.symlink_to(target or table.name)
    with pytest.raises(InputError, match=rf"{name}: is a link that leads nowhere"):
        load(small_study)


def test_decisions_behind_a_broken_link_are_named(small_study: Path) -> None:
    path = decided_path(load(small_study))
    path.symlink_to("gone.toml")
    with pytest.raises(InputError, match="is a link that leads nowhere"):
        read_locks(load(small_study))
    assert path.is_symlink()
