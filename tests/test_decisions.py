"""Decisions: store and file hold the same, whatever happens to one of them."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from explorer.commands.check import check_study
from explorer.commands.rerun import rerun_study
from explorer.decision import decided_file, decisions
from explorer.decision import lock as locking
from explorer.decision.candidates import Origin
from explorer.decision.decided_file import as_kept, read_entries, write_entries
from explorer.decision.decisions import decided, decided_path, first_release_path, take_in
from explorer.decision.lock import lock, read_locks, release
from explorer.decision.neighbours import stepped_around
from explorer.errors import DiskError, InputError
from explorer.inputs.study import Project
from explorer.model.stepped import sessions_of
from explorer.store import waiting
from explorer.store.keys import path_of
from explorer.store.promises import odds_of
from explorer.store.results import SESSION, Store
from tests.helpers.invented import designs, results
from tests.test_lock import sound_ids

TODAY = date(2026, 11, 25)


@pytest.fixture
def store(small_project: Project):
    with Store.open(path_of(small_project)) as opened:
        opened.append(small_project, results(small_project, designs(small_project, 60)), "sweep")
        yield opened


@pytest.fixture
def two(small_project: Project, store: Store) -> list[str]:
    """Two locked designs."""
    ids = sound_ids(small_project, store)[:2]
    for name in ids:
        lock(small_project, store, name, f"why {name}", today=TODAY)
    return ids


def in_both(project: Project, store: Store) -> list[tuple[str, str]]:
    """Designs and notes; store and file must hold the same, and nothing waits."""
    found = decided(project, store)
    assert found.notices == ()
    kept = [one.entry for one in store.decisions()]
    entries = read_entries(decided_path(project)) or []
    by_design = {entry["design_id"]: as_kept(entry) for entry in entries}
    assert {one["design_id"]: one for one in kept} == by_design
    assert all(one.hash == one.entry["hash"] for one in store.decisions())
    return [(entry["design_id"], entry["note"]) for entry in found.entries.values()]


def edited(project: Project, old: str, new: str) -> int:
    """Edit the file at the last place of some text; the line of it."""
    path = decided_path(project)
    before, _, after = path.read_text().rpartition(old)
    assert after
    path.write_text(before + new + after)
    return before.count("\n") + 1


@pytest.mark.parametrize("behind", [False, True])
def test_a_lock_that_is_stopped_has_both_or_neither(
    small_project: Project, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    behind: bool,
) -> None:  # fmt: skip
    """Decision and sheet: a stop may come while the decision is made, or right behind it."""

    @contextmanager
    def stopped(project: Project, opened: Store) -> Iterator[decisions.Decided]:
        with decisions.changing(project, opened) as found:
            yield found
            if not behind:
                raise KeyboardInterrupt
        raise KeyboardInterrupt

    def write_sheet() -> tuple[Path]:
        sheet.write_text("a sheet")
        return (sheet,)

    sheet = tmp_path / "sheet.html"
    design = sound_ids(small_project, store)[0]
    decision = locking.prepare(small_project, store, design, today=TODAY)
    monkeypatch.setattr(locking, "changing", stopped)
    with pytest.raises(KeyboardInterrupt):
        locking.keep(small_project, store, decision, write_sheet)
    assert (design in decided(small_project, store).entries) == behind
    assert sheet.exists() == behind


def test_date_and_note_may_be_edited(small_project: Project, store: Store, two: list[str]) -> None:
    edited(small_project, f"why {two[1]}", "for the dyke")
    text = decided_path(small_project).read_text() + "# kept\n"
    decided_path(small_project).write_text(text)
    with Store.open(path_of(small_project), read_only=True) as reader:
        assert decided(small_project, reader).notices == (
            f"{decided_path(small_project)}: {two[1]} differs from the store's in note; that of "
            "2026-11-25 holds",
        )
    assert len(take_in(small_project, store).notices) == 1
    assert in_both(small_project, store)[1] == (two[1], "for the dyke")
    assert decided_path(small_project).read_text() == text  # a person's comment stays
    assert [run.kind for run in store.history()] == ["lock", "lock", "edit"]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("\nmass_kg = ", "\nmass_kg = 1", "locked 2.bill.9.mass_kg"),
        ("\nunit_price = ", "\nunit_price = 1", "unit_price"),
        ("\nquantity = ", "\nquantity = 1", "quantity"),
        ('\nhash = "', '\nhash = "0', "locked 2.hash"),
        ("\nfeasible = true", "\nfeasible = false", "feasible"),
        ("[locked.margins]\n", "[locked.margins]\nnew_V = 1.0\n", "locked 2.margins.new_V"),
    ],
)
def test_what_was_computed_may_not_be_edited(
    small_project: Project, store: Store, two: list[str], old: str, new: str, key: str
) -> None:
    edited(small_project, old, new)
    lines = decided_path(small_project).read_text().splitlines()
    before = [one.entry for one in store.decisions()]
    with pytest.raises(InputError) as caught:
        take_in(small_project, store)
    (fault,) = caught.value.faults
    assert key in str(fault)
    number = int(fault.where.split(",")[0].removeprefix("line "))
    assert lines[number - 1].startswith(key.rpartition(".")[2])
    assert [one.entry for one in store.decisions()] == before
    # Without the store nobody knows which value it was; that it was one, everybody does.
    store.close()
    path_of(small_project).unlink()
    with pytest.raises(InputError, match=r"line \d+, locked 2"):
        check_study(small_project.path)


def test_an_entry_taken_out_is_released(
    small_project: Project, store: Store, two: list[str]
) -> None:
    path = decided_path(small_project)
    entries = read_entries(path) or []
    write_entries(path, entries[1:])
    (words,) = take_in(small_project, store).notices
    assert words == f"{path}: {two[0]} has been taken out: it is released"
    assert [name for name, _ in in_both(small_project, store)] == two[1:]
    assert [run.kind for run in store.history()] == ["lock", "lock", "release"]
    # It comes back where the file gets it back, as from another branch.
    write_entries(path, entries)
    (words,) = take_in(small_project, store).notices
    assert "is not in the store: taken in" in words
    assert sorted(name for name, _ in in_both(small_project, store)) == sorted(two)


def test_a_lost_file_is_written_again(small_project: Project, store: Store, two: list[str]) -> None:
    path = decided_path(small_project)
    before = path.read_text()
    path.unlink()
    assert [one.design_id for one in read_locks(small_project)] == two
    (words,) = take_in(small_project, store).notices
    assert words == f"{path}: is missing, the store's decisions hold"
    assert path.read_text() == before


def test_an_older_entry_does_not_hold(small_project: Project, store: Store, two: list[str]) -> None:
    before = in_both(small_project, store)
    edited(small_project, "date = 2026-11-25\nnote = ", "date = 2026-11-24\nnote = ")
    (words,) = take_in(small_project, store).notices
    assert words.endswith("differs from the store's in date; the store's of 2026-11-25 is newer "
                          "and holds")  # fmt: skip
    assert in_both(small_project, store) == before
    assert "2026-11-24" not in decided_path(small_project).read_text()


def as_the_first_release(project: Project) -> Path:
    """The file as that release wrote it: without hashes, under its old name."""
    path = first_release_path(project)
    lines = decided_path(project).read_text().splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not line.startswith("hash = ")))
    return path


def test_the_first_release_is_taken_in_once(
    small_project: Project, store: Store, two: list[str]
) -> None:
    old = as_the_first_release(small_project)
    kept = old.read_bytes()
    expected = in_both_of_a_new_store(small_project, store)
    with Store.open(path_of(small_project)) as new:
        notices = take_in(small_project, new).notices
        assert len(notices) == 2
        assert all(f"{name} is taken in" in words for name, words in zip(two, notices, strict=True))
        assert in_both(small_project, new) == expected
        assert old.read_bytes() == kept
        release(small_project, new, two[0])
        old.write_text("left and not read any more")
        assert check_study(small_project.path)["locked"] == two[1:]
        assert take_in(small_project, new).notices == ()
        assert [name for name, _ in in_both(small_project, new)] == two[1:]


def in_both_of_a_new_store(project: Project, store: Store) -> list[tuple[str, str]]:
    """What holds, before store and file are gone."""
    expected = in_both(project, store)
    store.close()
    path_of(project).unlink()
    decided_path(project).unlink()
    return expected


def test_of_two_files_the_newer_entry_holds(
    small_project: Project, store: Store, two: list[str]
) -> None:
    old = as_the_first_release(small_project)
    for day, holds in (("2026-11-24", f"why {two[1]}"), ("2026-11-26", "later")):
        before, _, after = old.read_text().rpartition("note = ")
        _, _, rest = after.partition("\n")
        before = before[: before.rindex("date = ")] + f"date = {day}\n"
        old.write_text(before + 'note = "later"\n' + rest)
        (words,) = decided(small_project, store).notices
        assert f"{two[1]} differs from small.lock.toml's in date, note" in words
        found = decided(small_project, store).entries[two[1]]
        assert found["note"] == holds
    take_in(small_project, store)
    assert in_both(small_project, store)[1] == (two[1], "later")


def test_a_file_that_cannot_be_written_changes_nothing(
    small_project: Project, store: Store, two: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = in_both(small_project, store)
    path = decided_path(small_project)
    text = path.read_text()
    path.unlink()

    def refuse(*_: object) -> None:
        raise DiskError("the disk is full")

    with monkeypatch.context() as full:
        full.setattr(decisions, "write_entries", refuse)
        for change in (take_in, lambda *given: release(*given, two[0])):
            with pytest.raises(DiskError):
                change(small_project, store)
            assert not path.exists()
    take_in(small_project, store)
    assert in_both(small_project, store) == before
    assert path.read_text() == text


def test_a_file_never_grows_beyond_what_is_read(
    small_project: Project, store: Store, two: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else no command could read it, and none of its decisions be released."""
    third = sound_ids(small_project, store)[2]
    path = decided_path(small_project)
    content = path.read_bytes()
    monkeypatch.setattr(decided_file, "LARGEST_LOCKS_BYTES", len(content) + 1000)
    with pytest.raises(InputError, match="release a design first, got 3 decisions"):
        lock(small_project, store, third, today=TODAY)
    assert path.read_bytes() == content
    assert [name for name, _ in in_both(small_project, store)] == two
    release(small_project, store, two[0])
    lock(small_project, store, third, today=TODAY)
    assert [name for name, _ in in_both(small_project, store)] == [two[1], third]


def test_a_run_killed_between_file_and_store_is_ended(
    small_project: Project, store: Store, two: list[str]
) -> None:
    """The file is written last before the store commits: it may hold what the store does not."""
    old_store = path_of(small_project).read_bytes()
    third = sound_ids(small_project, store)[2]
    lock(small_project, store, third, today=TODAY)
    expected = in_both(small_project, store)
    store.close()
    path_of(small_project).write_bytes(old_store)
    with Store.open(path_of(small_project)) as again:
        (words,) = take_in(small_project, again).notices
        assert words.endswith(f"{third} is not in the store: taken in")
        assert in_both(small_project, again) == expected


def test_a_file_as_it_was_written_is_not_read_again(
    small_project: Project, store: Store, two: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Hundreds of decisions take seconds to be parsed and checked.
    path = decided_path(small_project)
    more = sound_ids(small_project, store)[2:5]

    def read(*_: object, **__: object) -> None:
        raise AssertionError("the file was read")

    with monkeypatch.context() as unread:
        unread.setattr(decided_file, "read_toml", read)
        lock(small_project, store, more[0], 'a "[[locked]]" of \\n [[locked]]', today=TODAY)
        lock(small_project, store, more[1], "", today=TODAY)
        release(small_project, store, two[0])
        lock(small_project, store, more[2], today=TODAY)
        entries = decided(small_project, store).entries
    assert list(entries) == [two[1], *more]
    written = path.read_text()
    assert [one[0] for one in in_both(small_project, store)] == list(entries)
    write_entries(path, list(entries.values()))  # each of them anew
    assert path.read_text() == written


def test_a_file_in_another_order_keeps_it(
    small_project: Project, store: Store, two: list[str]
) -> None:
    path = decided_path(small_project)
    entries = read_entries(path) or []
    third, fourth = sound_ids(small_project, store)[2:4]
    write_entries(path, entries[::-1])
    lock(small_project, store, third, today=TODAY)
    lock(small_project, store, fourth, today=TODAY)
    order = [two[1], two[0], third, fourth]
    assert [one["design_id"] for one in read_entries(path) or []] == order
    assert [design for design, _ in in_both(small_project, store)] == order
    edited(small_project, f"why {two[1]}", "for the dyke")
    assert take_in(small_project, store).entries[two[1]]["note"] == "for the dyke"
    assert in_both(small_project, store)[0] == (two[1], "for the dyke")


def test_what_the_store_has_lost_is_not_taken_for_written(
    small_project: Project, store: Store, two: list[str]
) -> None:
    store._connection.execute("DELETE FROM decision WHERE design = ?", (two[1],))
    store._connection.execute("DELETE FROM checksum WHERE record = 'decision' AND row = 2")
    found = take_in(small_project, store)
    assert list(found.entries) == two
    assert found.notices == (
        f"{decided_path(small_project)}: {two[1]} is not in the store: taken in",
    )
    assert len(in_both(small_project, store)) == 2


def test_a_fresh_clone_evaluates_what_was_decided(small_project: Project) -> None:
    """The file alone is enough; its numbers come out again."""
    with Store.open(path_of(small_project)) as store:
        chosen = sessions_of(small_project, designs(small_project, 40))
        store.append(small_project, chosen, SESSION)
        sound = sound_ids(small_project, store)[:2]
        for name in sound:
            lock(small_project, store, name, today=TODAY)
    clone = small_project.path.parent.with_name("clone")
    shutil.copytree(small_project.path.parent, clone)
    (clone / path_of(small_project).name).unlink()
    answer = rerun_study(clone / small_project.path.name, page=False)
    assert any("a fresh clone, what was decided is evaluated again" in w for w in answer["notes"])
    around = [Origin.of(small_project, one) for one in read_locks(small_project)]
    near = sum(len(stepped_around(small_project, one)) for one in around)
    with Store.open(clone / path_of(small_project).name, read_only=True) as store:
        numbers = np.array([int(name, 16) for name in sound], np.uint64)
        drawn = sum(one.draws for one in odds_of(small_project, store, numbers))
    assert answer["physics_evaluations"] == 2 + near + drawn
    before = {one.design_id: one for one in read_locks(small_project)}
    for verdict in answer["locked"]:
        assert verdict["basis"] == "store"
        assert verdict["cost"] == before[verdict["design_id"]].result["cost"]
    again = rerun_study(clone / small_project.path.name, page=False)
    assert again["physics_evaluations"] == 0
    assert not any("clone" in words for words in again["notes"])
    assert (clone / decided_path(small_project).name).read_bytes() == decided_path(
        small_project
    ).read_bytes()


def test_a_second_writer_waits_with_a_word(
    small_project: Project,
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(waiting, "WORD_AFTER_S", 0.05)
    other = sqlite3.connect(path_of(small_project), isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    end = threading.Timer(1.5, lambda: other.execute("ROLLBACK"))
    end.start()
    lock(small_project, store, sound_ids(small_project, store)[0], today=TODAY)
    end.join()
    other.close()
    assert len(in_both(small_project, store)) == 1
    (said,) = caplog.messages
    assert said.startswith(
        f"{path_of(small_project)}: another run is writing to it; waiting for it"
    )
