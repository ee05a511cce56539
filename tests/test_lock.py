"""Locks: a decision in plain TOML, told apart from what has changed since, never recomputed."""

from __future__ import annotations

import re
import sqlite3
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import explorer.decision.lock as lock_module
from explorer import MODEL_VERSION
from explorer.commands.lock import _namesakes
from explorer.decision.decisions import decided_path
from explorer.decision.lock import keep, lock, prepare, read_locks, release
from explorer.errors import ExplorerError, InputError
from explorer.files import write_atomic
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project, load
from explorer.model.evaluate import evaluate
from explorer.model.names import name_of
from explorer.model.record import design_record
from explorer.model.space import Designs, design_ids
from explorer.store import waiting
from explorer.store.keys import path_of as store_path
from explorer.store.results import Store
from tests.helpers.invented import designs, replace_in, results

TODAY = date(2026, 11, 25)


@pytest.fixture
def store(small_project: Project):
    with Store.open(store_path(small_project)) as opened:
        opened.append(small_project, results(small_project, designs(small_project, 60)), "sweep")
        yield opened


def sound_ids(project: Project, store: Store) -> list[str]:
    stored, _ = store.load(project)
    ids = design_ids(project.catalogue, stored.designs, range(len(stored)))
    return [name for name, sound in zip(ids, stored.keeps_physics, strict=True) if sound]


def test_a_lock_holds_everything_of_that_day(small_project: Project, store: Store) -> None:
    chosen = sound_ids(small_project, store)[3]
    path = lock(small_project, store, chosen, "for the\n north dyke", today=TODAY)
    assert path == small_project.path.parent / "small.decided.toml"
    (found,) = read_locks(small_project)
    stored, _ = store.load(small_project)
    row = stored.find(chosen)
    one = store.evaluation(small_project, stored, np.array([row]))
    expected = design_record(small_project, one, 0, found.result["cost"])
    # TOML has no null: a reading that does not exist is left out, the rest is the same.
    record = found.record
    expected["readings"] = {k: v for k, v in expected["readings"].items() if v is not None}
    assert record.pop("build_quantity") == small_project.study.prices.build_quantity
    assert record == expected
    assert found.result["cost"] == pytest.approx(
        sum(line["quantity"] * line["unit_price"] for line in found.bill), abs=1e-9
    )
    assert (found.date, found.note, found.stale) == (TODAY, "for the north dyke", ())
    assert found.hashes["prices"] == small_project.catalogue.prices.content_hash
    assert [(r.kind, r.intent["design_id"]) for r in store.history()] == [("lock", chosen)]


def test_a_design_is_locked_and_released_by_its_name(small_project: Project, store: Store) -> None:
    chosen = sound_ids(small_project, store)[2]
    lock(small_project, store, name_of(chosen).lower(), today=TODAY)
    (found,) = read_locks(small_project)
    assert found.design_id == chosen
    with pytest.raises(InputError, match="locked already"):
        lock(small_project, store, name_of(chosen))
    release(small_project, store, name_of(chosen).replace("-", ""))
    assert read_locks(small_project) == []


def test_several_locks_and_release(small_project: Project, store: Store) -> None:
    one, two = sound_ids(small_project, store)[:2]
    lock(small_project, store, one, today=TODAY)
    lock(small_project, store, two, today=TODAY)
    with pytest.raises(InputError, match="locked already"):
        lock(small_project, store, one)
    assert [x.design_id for x in read_locks(small_project)] == [one, two]
    release(small_project, store, one)
    assert [x.design_id for x in read_locks(small_project)] == [two]
    with pytest.raises(InputError, match=f"is not locked.*nearest: {two}"):
        release(small_project, store, two[:-1] + "g")
    release(small_project, store, two)
    assert read_locks(small_project) == []
    assert not decided_path(small_project).exists()
    assert [r.kind for r in store.history()] == ["lock", "lock", "release", "release"]


LOCKING = """
import sys, time
from pathlib import Path
from explorer.inputs.study import load
from explorer.errors import ExplorerError, InputError
from explorer.decision.lock import keep, prepare
from explorer.store.results import Store
from explorer.store.keys import path_of
project, design, go = load(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
with Store.open(path_of(project)) as store:
    decided = prepare(project, store, design)
    print("ready", flush=True)
    while not go.exists():
        time.sleep(0.001)
    try:
        keep(project, store, decided)
    except InputError as error:
        sys.exit(f"refused: {error}")
"""


def locked_at_once(study: Path, ids: list[str]) -> list[str]:
    """Processes that have all prepared their lock, then keep it; what each said at the end, aside
    from that it waited for another one.
    """
    go = study.parent / "go"
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", LOCKING, str(study), name, str(go)],
            text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )
        for name in ids
    ]  # fmt: skip
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    go.touch()
    said = [process.communicate()[1].splitlines() for process in processes]
    return ["\n".join(line for line in one if "waiting for it" not in line) for one in said]


def test_locks_at_once_lose_none(small_project: Project, store: Store) -> None:
    ids = sound_ids(small_project, store)[:8]
    assert locked_at_once(small_project.path, ids) == [""] * 8
    assert sorted(one.design_id for one in read_locks(small_project)) == sorted(ids)
    assert all(run.ended for run in store.history())


def test_one_design_locked_at_once_is_one_entry(small_project: Project, store: Store) -> None:
    name = sound_ids(small_project, store)[0]
    said = sorted(locked_at_once(small_project.path, [name] * 4))
    assert said[0] == ""
    assert all("is locked already, release it first" in words for words in said[1:])
    assert [one.design_id for one in read_locks(small_project)] == [name]
    assert [run.kind for run in store.history()] == ["lock"]


def test_a_lock_that_the_history_cannot_close_is_none(
    small_project: Project, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader in the midst of a query keeps the store from being written."""
    one, two = sound_ids(small_project, store)[:2]
    path = lock(small_project, store, one, today=TODAY)
    before = read_locks(small_project)
    monkeypatch.setattr(waiting, "WAIT_S", 0.2)
    reader = sqlite3.connect(store.path)
    reading = reader.execute("SELECT * FROM run, price, vocabulary")
    reading.fetchone()
    sheet = path.with_name("sheet.html")
    with pytest.raises(ExplorerError, match="another run has been writing"):
        keep(
            small_project,
            store,
            prepare(small_project, store, two),
            lambda: [write_atomic(sheet, "")],
        )
    reading.close()
    reader.close()
    assert read_locks(small_project) == before
    assert not sheet.exists()
    lock(small_project, store, two, today=TODAY)
    assert len(read_locks(small_project)) == 2


def test_lock_then_evaluate_gives_the_same_numbers(small_project: Project) -> None:
    """Also for settings with more digits than a page shows."""
    chosen = designs(small_project, 200)
    chosen.settings["cadence_rpm"][:] += np.linspace(0, 1e-6, 200)
    done = evaluate(small_project, chosen)
    with Store.open(store_path(small_project)) as store:
        store.append(small_project, done, "sample")
        name = sound_ids(small_project, store)[0]
        lock(small_project, store, name, today=TODAY)
    (found,) = read_locks(small_project)
    rows = {
        link: [part.id for part in small_project.catalogue.parts[link]].index(
            found.design["parts"][link]
        )
        for link in LINKS
    }
    again = evaluate(
        small_project,
        Designs(
            {link: np.array([row]) for link, row in rows.items()},
            {name: np.array([float(found.design["settings"][name])]) for name in SETTINGS},
        ),
    )
    record = design_record(small_project, again, 0, found.result["cost"])
    assert record["design_id"] == found.design_id
    # The same operations on the same numbers; sums over an array may be ordered differently when
    # it is shorter, which moves the last digits.
    for key in ("delivered_energy_J", "mass_kg", "crank_effort_percent", "time_to_first_charge_s"):
        assert record[key] == pytest.approx(found.record[key], rel=1e-12)
    assert record["margins"] == pytest.approx(found.margins, rel=1e-9, abs=1e-9)
    assert record["ledger_J"] == pytest.approx(found.record["ledger_J"], rel=1e-9, abs=1e-9)
    assert record["regime"] == found.record["regime"]


def test_what_has_changed_since_is_told(small_study: Path, monkeypatch) -> None:
    project = load(small_study)
    with Store.open(store_path(project)) as store:
        store.append(project, results(project, designs(project, 60)), "sweep")
        name = sound_ids(project, store)[0]
        lock(project, store, name, today=TODAY)
    (before,) = read_locks(project)

    prices = small_study.parent / "parts" / "prices.csv"
    replace_in(prices, {f"{before.parts['cell']},": f"{before.parts['cell']},1"})
    assert read_locks(load(small_study))[0].stale == ()  # prices are no physics

    table = small_study.parent / "parts" / "cells.csv"
    head, *rows = table.read_text().splitlines()
    mass = head.split(",").index("mass_kg")
    assert '"' not in "".join(head)
    import csv

    cells = list(csv.reader([head, *rows]))
    for row in cells[1:]:
        row[mass] = str(float(row[mass]) * 2)
    with table.open("w", newline="") as stream:
        csv.writer(stream).writerows(cells)
    replace_in(small_study, {"minutes = 10": "minutes = 11"})
    monkeypatch.setattr(lock_module, "MODEL_VERSION", "0.test")
    (after,) = read_locks(load(small_study))
    assert after.stale == (
        f"it was computed by model version {MODEL_VERSION}, now it is 0.test",
        "session, operators, packs or resistor tolerance of the study have changed",
        f"cell {before.parts['cell']} has changed in its table",
    )
    assert after.record == before.record  # told, not touched


def test_a_name_that_stored_designs_share_is_noted_when_one_is_locked(
    small_project: Project, store: Store
) -> None:
    """The design beside it in the order of ids, made up here, has the same name."""
    one = sound_ids(small_project, store)[0]
    stored, _ = store.load(small_project)
    assert list(_namesakes(stored, one)) == []
    number = int(one, 16)
    beside = (number - 1, number + 1)
    numbers = stored.numbers.copy()
    numbers[-1] = next(n for n in beside if name_of(f"{n:012x}") == name_of(one))
    (noted,) = _namesakes(replace(stored, numbers=numbers), one)
    assert noted == f"{name_of(one)} is the name of 2 designs: call this one by its id, {one}"


def test_a_name_that_two_stored_designs_share_is_never_locked_but_by_an_id(
    small_project: Project, store: Store
) -> None:
    """Both are listed, and nothing is chosen silently; the id is still found."""
    one = sound_ids(small_project, store)[0]
    stored, _ = store.load(small_project)
    number = int(one, 16)
    other = next(n for n in (number - 1, number + 1) if name_of(f"{n:012x}") == name_of(one))
    numbers = stored.numbers.copy()
    numbers[-1] = other
    shared = replace(stored, numbers=numbers)
    for typed in (name_of(one), name_of(one).replace("-", "").lower()):
        with pytest.raises(InputError, match="is the name of 2 designs, give the id") as refused:
            prepare(small_project, store, typed, stored=shared)
        assert {one, f"{other:012x}"} <= set(str(refused.value).replace(",", " ").split())
    assert prepare(small_project, store, one, stored=shared).design_id == one
    assert prepare(small_project, store, name_of(one), stored=stored).design_id == one


def test_what_cannot_be_locked(small_project: Project, store: Store) -> None:
    stored, _ = store.load(small_project)
    ids = design_ids(small_project.catalogue, stored.designs, range(len(stored)))
    broken = ids[int(np.flatnonzero(~stored.keeps_physics)[0])]
    with pytest.raises(InputError, match=r"every rule of physics, it breaks .*turnable_N_m"):
        lock(small_project, store, broken)
    good = sound_ids(small_project, store)[0]
    with pytest.raises(InputError, match=f"no design that the store holds today.*{good}"):
        lock(small_project, store, good[:-1] + ("0" if good[-1] != "0" else "1"))
    with pytest.raises(InputError, match="printable"):
        lock(small_project, store, good, "bell \a")
    with pytest.raises(InputError, match="printable"):
        lock(small_project, store, good, "x" * 501)
    assert not decided_path(small_project).exists()
    assert store.history() == []


@pytest.mark.parametrize(
    ("old", "new", "where", "rule"),
    [
        ("format = 1", "format = 2", "format", "must have format = 1"),
        ("format = 1", "format = 1\nlokced = 3", "lokced", "unknown key (nearest: locked)"),
        ("note =", "nte =", "locked 1.nte", ""),
        ("cadence_rpm = ", "cadence_rpm = -", "locked 1.settings.cadence_rpm", "greater than 0"),
        ("cadence_rpm = ", "cadence_rpm = 0 #", "locked 1.settings.cadence_rpm", "greater than 0"),
        ("cadence_rpm = ", "cadence = ", "locked 1.settings.cadence_rpm", "must be filled in"),
        ("cadence_rpm = ", "cadence_rpm = 1", "locked 1.design_id", "the id of these parts"),
        ("\nquantity = 1\n", "\nquantity = 0\n", "locked 1.bill.0.quantity", "at least 1"),
        ("build_quantity = 1\n", "build_quantity = 0\n", "build_quantity", "at least 1"),
        ("mass_kg = ", "mass_kg = nan #", "mass_kg", "finite"),
        ("[locked.settings]", "[locked.settings", "", "is not TOML"),
        ("date = 2026-11-25", 'date = "soon"', "locked 1.date", "date"),
    ],
)
def test_a_hand_edited_file_is_checked(
    small_project: Project, store: Store, old: str, new: str, where: str, rule: str
) -> None:
    path = lock(small_project, store, sound_ids(small_project, store)[0], today=TODAY)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_locks(small_project)
    lines = [str(fault) for fault in caught.value.faults]
    assert any(where in line and rule in line for line in lines), lines
    assert all(re.match(rf"{re.escape(str(path))}: line \d+[:,]", line) for line in lines), lines
    assert all("\n" not in line for line in lines)


@pytest.mark.parametrize(
    ("old", "new", "key", "on"),
    [
        ("note =", "nte =", "locked 2.nte", "nte ="),
        ("\nquantity = ", "\nquantity = -", "locked 2.bill.0.quantity", "quantity = -"),
        ("cadence_rpm = ", "cadence_rpm = -", "locked 2.settings.cadence_rpm", "cadence_rpm = -"),
        ("cadence_rpm = ", "# ", "locked 2.settings.cadence_rpm", "[locked.settings]"),
        ("regime = ", "regime = 5 #", "locked 2.result.regime", "regime = 5"),
        ("date = 2026-11-25", 'date = "soon"', "locked 2.date", 'date = "soon"'),
        ("mass_kg = ", "mass_kg = ,", "", "mass_kg = ,"),
        ("mass_kg = ", "mass_kg = 1\nmass_kg = ", "", "mass_kg = "),
    ],
)
def test_a_fault_of_the_decisions_names_its_line(
    small_project: Project, store: Store, old: str, new: str, key: str, on: str
) -> None:
    """Of the second of two locks, whose lines look like those of the first."""
    one, two = sound_ids(small_project, store)[:2]
    lock(small_project, store, one, today=TODAY)
    path = lock(small_project, store, two, today=TODAY)
    text = path.read_text()
    at = text.rindex("[[locked]]")
    assert old in text[at:]
    path.write_text(text[:at] + text[at:].replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_locks(small_project)
    (line,) = (str(fault) for fault in caught.value.faults if key in str(fault))
    number = int(re.search(r": line (\d+)[:,]", line)[1])
    assert path.read_text().splitlines()[number - 1].startswith(on), line
    assert number > text[:at].count("\n")


def test_a_design_locked_twice_by_hand(small_project: Project, store: Store) -> None:
    path = lock(small_project, store, sound_ids(small_project, store)[0], today=TODAY)
    text = path.read_text()
    path.write_text(text + text[text.index("[[locked]]") :])
    with pytest.raises(InputError, match="must be locked once"):
        read_locks(small_project)


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"\xff\xfe\x00", 1),
        (b"format = 1\nnote = '\x80'", 2),
        (b"locked = 5\nformat = 1", 1),
        (b"format = 1\n[locked]\nnote = 'x'", 2),
        (b"\nformat = '1'", 2),
        (b"# \nformat = true", 2),
        (b"# \n\nformat = [1]", 3),
        (b"locked = []", 1),
        (b"{}", 1),
        (b"format = 1\n<<<<<<< ours\n", 2),
        (b"format = 1\n[[locked]]\nnote = 'open", 3),
        (b"format = 1\nlocked = ['x']", 2),
        (b"format = 1\n[[locked]]\nparts = ['x']", 3),
    ],
)
def test_a_foreign_file_of_decisions(small_project: Project, content: bytes, line: int) -> None:
    path = decided_path(small_project)
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_locks(small_project)
    assert caught.value.exit_status == 2
    assert any(str(f).startswith(f"{path}: line {line}") for f in caught.value.faults)


def test_a_file_of_decisions_nested_too_deeply(small_project: Project) -> None:
    decided_path(small_project).write_bytes(b"a = " + b"[" * 5000)
    with pytest.raises(InputError, match="is nested too deeply"):
        read_locks(small_project)


def test_the_file_reads_like_prose(small_project: Project, store: Store) -> None:
    """Plain TOML whose order a person can follow: who, when, why, then numbers."""
    path = lock(small_project, store, sound_ids(small_project, store)[0], "why", today=TODAY)
    text = path.read_text()
    assert text.startswith("# ")
    assert tomllib.loads(text)["locked"][0]["date"] == TODAY
    places = [text.index(word) for word in ("design_id", "date =", "note =", "[locked.parts]")]
    assert places == sorted(places)
