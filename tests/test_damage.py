"""Damage is seen: flipped numbers and bytes are named, set aside and computed again."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import sqlite3
import stat
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from explorer.commands.check import check_store
from explorer.commands.launch import launch_study
from explorer.commands.rerun import rerun_study
from explorer.commands.table import front_table
from explorer.decision.decisions import decided_path
from explorer.decision.lock import lock
from explorer.errors import ExplorerError, InputError
from explorer.inputs.study import Project, load
from explorer.model.odds import Odds
from explorer.store.builds import Draws
from explorer.store.checksums import RECORDS, checksum
from explorer.store.keys import ids_of, path_of
from explorer.store.mending import look, mend
from explorer.store.results import SESSION, Store
from explorer.store.schema import SCHEMA_VERSION
from tests.helpers.invented import designs, results
from tests.helpers.stores import flipped, raw

ROOT = Path(__file__).parents[1]
FIRST = Path(__file__).parent / "data" / "first_store"


@pytest.fixture
def filled(small_project: Project) -> Project:
    """A project whose store has something of every kind."""
    done = results(small_project, designs(small_project, 400))
    with Store.open(path_of(small_project)) as store:
        for start, source in ((0, "sweep"), (100, "sample"), (200, SESSION), (300, "sweep")):
            some = done.take(np.arange(start, start + 100))
            store.append(small_project, some, source, progress=("covered:x", {"boxes": [start]}))
        store.save_progress("inputs:y", {"limit": {"cost": 90.0}})
        stored, _ = store.load(small_project)
        kept = {
            "front": store.keep_front(stored.numbers[:9], stored.objectives(stored.mass_kg)[:9]),
            "prices": store.remember_prices(small_project.catalogue.prices),
        }
        store.finish(store.begin("launch", {}), kept)
        store.decide("0123456789ab", "0123456789abcdef", {"note": "x"})
        store.decide("0123456789ab", "", None)
        for share in (0.5, 1.0):
            built = Odds(4, 1, 3, (900.0, 0.0, 950.0, 980.0 * share), 4, {"clamp_burst_J": 1})
            store.keep_draws("builds:z", Draws.of({7: built, 2**48 - 1: Odds(20, 20)}))
    return small_project


def everything(project: Project) -> dict[str, Any]:
    """All that later work reads of a store."""
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(project)
        found = store.evaluation(project, stored)
        (run,) = (one for one in store.history() if one.kind == "launch")
        assert run.result is not None
        numbers, points = store.front_of(run.result["front"])
        return {
            "numbers": stored.numbers.tolist(),
            "parts": [stored.designs.parts[link].tolist() for link in stored.designs.parts],
            "values": [value.tolist() for value in stored.values.values()],
            "stepped": stored.stepped.tolist(),
            "margins": {name: values.tolist() for name, values in found.margins.items()},
            "reuse": reuse,
            "run": run,
            "front": (numbers.tolist(), points.tolist()),
            "prices": store.prices_of(run.result["prices"]),
            "seen": store.prices_used(),
            "decisions": store.decisions(),
            "progress": (store.search_progress("covered:x"), store.search_progress("inputs:y")),
            "builds": store.draws("builds:z").odds(),
        }


def one_line_a_fault(error: ExplorerError, project: Project) -> None:
    """It names the file and quotes nothing that is stored."""
    quoted = [part.id for rows in project.catalogue.parts.values() for part in rows]
    for line in str(error).splitlines():
        assert "store.sqlite" in line
        assert not any(f"{name}" in line for name in quoted if len(name) > 4), line
        assert line.isprintable()
        assert "{" not in line


def test_a_sound_store_is_sound(filled: Project) -> None:
    before = path_of(filled).read_bytes()
    answer = check_store(filled.path)
    assert answer["verified"] == answer["records"] > 20
    assert (answer["blocks"], answer["runs"]) == (4, 1)
    assert mend(path_of(filled)) == ()
    assert path_of(filled).read_bytes() == before


@pytest.mark.parametrize("kind", RECORDS)
def test_any_flipped_value_is_named_by_whoever_reads_it(filled: Project, kind: str) -> None:
    """Each column of each kind of record; as SQLite sees it the file is well."""
    path, chance = path_of(filled), random.Random(kind)
    expected, sound = everything(filled), path.read_bytes()
    record = RECORDS[kind]
    for column in record.columns:
        path.write_bytes(sound)
        with raw(path) as file:
            rows = file.execute(f"SELECT rowid, {column} FROM {record.table}").fetchall()
            row, value = chance.choice([one for one in rows if one[1] not in ("", b"")])
            new = flipped(value, chance)
            try:
                file.execute(f"UPDATE {record.table} SET {column} = ? WHERE rowid = ?", (new, row))
            except sqlite3.IntegrityError:
                continue  # there is such a number: no single flip
            assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        with pytest.raises(InputError, match="damaged") as caught:
            check_store(filled.path)
        one_line_a_fault(caught.value, filled)
        try:
            found = everything(filled)
        except ExplorerError as error:
            one_line_a_fault(error, filled)
        else:  # only what is looked up by this very name is not found any more
            assert column in ("key", "part")
            assert found["progress"] != expected["progress"] or found["seen"] != expected["seen"]


@pytest.mark.parametrize("kind", RECORDS)
def test_what_is_damaged_is_set_aside_and_the_rest_kept(filled: Project, kind: str) -> None:
    path, record = path_of(filled), RECORDS[kind]
    expected = everything(filled)
    with raw(path) as file:
        column = record.columns[-1]
        value = b"x" if column in ("designs", "results", "points", "content") else "x"
        value = None if kind == "front" else value
        file.execute(
            f"UPDATE {record.table} SET {column} = ? WHERE rowid = "
            f"(SELECT max(rowid) FROM {record.table})",
            (value,),
        )
    path.chmod(0o600)
    damaged = path.read_bytes()
    lines = mend(path)
    assert re.search(rf"{record.words} \d+: is damaged", lines[0])
    (aside,) = path.parent.glob("*.damaged-*.sqlite")
    assert aside.name in lines[1]
    assert aside.read_bytes() == damaged
    if os.name == "posix":  # what only its owner could read stays so
        assert {stat.S_IMODE(one.stat().st_mode) for one in (path, aside)} == {0o600}
    assert check_store(filled.path)["records"] > 0
    with Store.open(path) as store:
        kinds = [run.kind for run in store.history()]
        stored, _ = store.load(filled)
        lost = set(expected["numbers"]) - set(stored.numbers.tolist())
        progress = (store.search_progress("covered:x"), store.search_progress("inputs:y"))
    physics = record.table in ("vocabulary", "context", "block", "detail")
    assert bool(lost) == physics
    assert kinds[-1] == "mend"
    if kind not in ("progress", "run"):
        assert kinds == ["launch", "mend"]
        # What nobody can know any longer is searched for again.
        assert bool(progress[0]) == (not physics)
        assert progress[1]
    if kind in ("price_list", "front", "outcome"):  # a run that kept what is gone kept nothing
        with Store.open(path) as store:
            assert store.history()[0].result is None
    assert mend(path) == ()


def test_flipped_bytes_anywhere_change_nothing_unseen(filled: Project) -> None:
    """Whatever byte of the file is hit: the same is read, or one line says that it is damaged."""
    path, chance = path_of(filled), random.Random(18)
    expected, sound = everything(filled), path.read_bytes()
    named = unread = 0
    for _ in range(120):
        content = bytearray(sound)
        place = chance.randrange(len(content))
        content[place] ^= chance.randrange(1, 256)
        path.write_bytes(content)
        try:
            found = everything(filled)
        except ExplorerError as error:
            named += 1
            one_line_a_fault(error, filled)
            continue
        if found != expected:  # a record was looked up and not found, which a launch notices
            assert {key for key in found if found[key] != expected[key]} <= {"progress", "seen"}
            with Store.open(path) as store:
                assert look(store).damages
            unread += 1
    assert named > 60
    assert unread < 6


def test_flipped_bytes_are_mended_or_refused(filled: Project) -> None:
    path, chance = path_of(filled), random.Random(19)
    expected, sound = everything(filled), path.read_bytes()
    whole = refused = 0
    for _ in range(60):
        content = bytearray(sound)
        content[chance.randrange(len(content))] ^= chance.randrange(1, 256)
        path.write_bytes(content)
        try:
            lines = mend(path)
        except ExplorerError as error:
            one_line_a_fault(error, filled)
            assert path.read_bytes() == content
            refused += 1
            continue
        if not lines:
            assert everything(filled) == expected  # the byte belongs to nothing
            whole += 1
            continue
        assert check_store(filled.path)["records"]
        with Store.open(path) as store:
            stored, _ = store.load(filled)
        values = dict(zip(expected["numbers"], expected["values"][0], strict=True))
        for number, value in zip(stored.numbers, stored.delivered_energy_J, strict=True):
            assert values[int(number)] == value
        for aside in path.parent.glob("*.damaged-*"):
            aside.unlink()
    assert whole < 45  # half of a small file is empty
    assert refused < 12  # header and schema


def test_a_commit_that_was_cut_short_is_taken_back_by_whoever_reads_first(filled: Project) -> None:
    """As a kill leaves it: part of the pages written, and the journal beside them."""
    path, expected = path_of(filled), everything(filled)
    journal = path.with_name(f"{path.name}-journal")
    file = sqlite3.connect(path, isolation_level=None)
    file.execute("PRAGMA cache_size = 1")  # pages go to the file before the commit
    file.execute("BEGIN IMMEDIATE")
    file.execute("UPDATE detail SET results = zeroblob(100000)")
    halves = path.read_bytes(), journal.read_bytes()
    file.execute("ROLLBACK")
    file.close()
    sound = path.read_bytes()
    assert halves[0] != sound
    for part, content in zip((path, journal), halves, strict=True):
        part.write_bytes(content)
    with Store.open(path, read_only=True) as store:
        assert len(store.load(filled)[0]) == len(expected["numbers"])
    assert not journal.exists()
    assert check_store(filled.path)["records"] > 20
    assert everything(filled) == expected


def test_a_table_whose_definition_is_no_text_is_one_line(filled: Project) -> None:
    """SQLite quotes it as it is, in bytes that are no UTF-8."""
    path = path_of(filled)
    content = path.read_bytes()
    assert content.count(b"model TEXT NOT NULL") == 1
    path.write_bytes(content.replace(b"model TEXT NOT NULL", b"model TEXT NOT N\xd5LL"))
    for command in (check_store, rerun_study, launch_study):
        with pytest.raises(
            InputError, match=r"structure is damaged|nothing of it can be"
        ) as caught:
            command(filled.path)
        one_line_a_fault(caught.value, filled)


@pytest.mark.parametrize("length", [0, 1, 100, 512, 4096, 30_000])
def test_a_file_cut_short_is_one_line(filled: Project, length: int) -> None:
    path = path_of(filled)
    path.write_bytes(path.read_bytes()[:length])
    for command in (check_store, rerun_study, front_table):
        with pytest.raises(ExplorerError) as caught:
            command(filled.path)
        assert caught.value.exit_status == 2
        assert "\n" not in str(caught.value)


def test_an_old_store_is_checked_as_far_as_it_can_be(tmp_path: Path) -> None:
    home = tmp_path / "first"
    shutil.copytree(FIRST, home)
    before = (home / "first.store.sqlite").read_bytes()
    answer = check_store(home / "first.toml")
    assert answer["verified"] == 0 < answer["records"]
    assert (home / "first.store.sqlite").read_bytes() == before
    Store.open(home / "first.store.sqlite").close()  # to write: it becomes one of today's
    again = check_store(home / "first.toml")
    assert again["verified"] == again["records"] == answer["records"]
    with raw(home / "first.store.sqlite") as file:
        assert file.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
        file.execute("PRAGMA user_version = 1")
    with pytest.raises(InputError, match="version is not that of its tables"):
        check_store(home / "first.toml")


def test_a_vanished_record_is_missed(filled: Project) -> None:
    path = path_of(filled)
    with raw(path) as file:
        file.execute("DELETE FROM block WHERE id = 3")  # sessions: others would stand
        file.execute("DELETE FROM detail WHERE block = 3")
    with pytest.raises(InputError, match="some block records have vanished"):
        everything(filled)
    with pytest.raises(InputError, match="block 3"):
        check_store(filled.path)


def test_no_store_beside_decisions_is_a_fresh_clone(filled: Project) -> None:
    with Store.open(path_of(filled)) as store:
        stored, _ = store.load(filled)
        lock(filled, store, ids_of(stored.numbers[stored.feasible][:1])[0])
    path_of(filled).unlink()
    for command in (check_store, partial(rerun_study, quick=True), front_table):
        with pytest.raises(InputError, match="a fresh clone, launch first") as caught:
            command(filled.path)
        assert decided_path(filled).name in str(caught.value)


def test_a_store_that_was_replaced_is_not_written_any_more(filled: Project) -> None:
    """Who had it open while another launch mended it must not write to what was set aside."""
    path = path_of(filled)
    with raw(path) as file:
        file.execute("UPDATE block SET count = 7 WHERE id = 1")
    with Store.open(path) as store:
        assert mend(path)
        with pytest.raises(ExplorerError, match="replaced or moved away"):
            store.save_progress("x", {})
    assert check_store(filled.path)["blocks"] == 3


def test_a_checksum_is_of_type_kind_and_place() -> None:
    values = ["a", 1, 1.0, b"a", None]
    found = {checksum("run", [value]) for value in values}
    found |= {checksum("outcome", ["a"]), checksum("run", ["a", ""]), checksum("run", ["", "a"])}
    assert len(found) == len(values) + 3


@pytest.mark.slow
def test_a_launch_computes_again_what_was_damaged(small_study: Path) -> None:
    first = launch_study(small_study, page=False, workers=1)
    project = load(small_study)
    with raw(path_of(project)) as file:
        for (block,) in file.execute("SELECT id FROM block").fetchall()[::3]:
            file.execute("UPDATE block SET designs = designs || x'00' WHERE id = ?", (block,))
    with pytest.raises(InputError, match="damaged"):
        rerun_study(small_study, page=False)
    again = launch_study(small_study, page=False, workers=1)
    assert "is damaged" in again["notes"][0]
    assert again["front"] == first["front"]
    assert again["picks"] == first["picks"]
    assert check_store(small_study)["verified"]


def test_check_store_on_the_command_line(filled: Project) -> None:
    command = [sys.executable, "-m", "explorer", "check", str(filled.path), "--store", "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    answer = json.loads(done.stdout)
    assert answer["verified"] == answer["records"]
    with raw(path_of(filled)) as file:
        file.execute("UPDATE block SET source = 'session' WHERE id IN (1, 2)")
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    assert (done.returncode, done.stdout) == (2, "")
    assert [line.split(": ")[1] for line in done.stderr.splitlines()] == ["block 1", "block 2"]
