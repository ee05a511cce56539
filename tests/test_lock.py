"""Locks: a decision in plain TOML, told apart from what has changed since, never recomputed."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from invented import designs, replace_in, results

import explorer.lock as lock_module
from explorer import MODEL_VERSION
from explorer.config import Project, load
from explorer.errors import InputError
from explorer.evaluate import design_record, evaluate
from explorer.lock import lock, path_of, read_locks, release
from explorer.parts import LINKS, SETTINGS
from explorer.space import Designs, design_ids
from explorer.store import Store
from explorer.store import path_of as store_path

TODAY = date(2026, 11, 25)


@pytest.fixture
def store(small_project: Project):
    with Store.open(store_path(small_project)) as opened:
        opened.append(small_project, results(small_project, designs(small_project, 60)), "sweep")
        yield opened


def sound_ids(project: Project, store: Store) -> list[str]:
    stored, _ = store.load(project)
    ids = design_ids(project.catalogue, stored.designs, range(len(stored)))
    return [name for name, sound in zip(ids, stored.sound, strict=True) if sound]


def test_a_lock_holds_everything_of_that_day(small_project: Project, store: Store) -> None:
    chosen = sound_ids(small_project, store)[3]
    path = lock(small_project, store, chosen, "for the\n north dyke", today=TODAY)
    assert path == small_project.path.parent / "small.lock.toml"
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
    assert not path_of(small_project).exists()
    assert [r.kind for r in store.history()] == ["lock", "lock", "release", "release"]


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


def test_what_cannot_be_locked(small_project: Project, store: Store) -> None:
    stored, _ = store.load(small_project)
    ids = design_ids(small_project.catalogue, stored.designs, range(len(stored)))
    broken = ids[int(np.flatnonzero(~stored.sound)[0])]
    with pytest.raises(InputError, match=r"every rule of physics, it breaks .*turnable_N_m"):
        lock(small_project, store, broken)
    good = sound_ids(small_project, store)[0]
    with pytest.raises(InputError, match=f"no design that the store holds today.*{good}"):
        lock(small_project, store, good[:-1] + ("0" if good[-1] != "0" else "1"))
    with pytest.raises(InputError, match="printable"):
        lock(small_project, store, good, "bell \a")
    with pytest.raises(InputError, match="printable"):
        lock(small_project, store, good, "x" * 501)
    assert not path_of(small_project).exists()
    assert store.history() == []


@pytest.mark.parametrize(
    ("old", "new", "where", "rule"),
    [
        ("format = 1", "format = 2", "format", "must have format = 1"),
        ("format = 1", "format = 1\nlokced = 3", "lokced", "unknown key (nearest: locked)"),
        ("note =", "nte =", "locked 1.nte", ""),
        ("cadence_rpm = ", "cadence_rpm = -", "locked 1.settings.cadence_rpm", "greater than 0"),
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
    assert all(line.startswith(str(path)) and "\n" not in line for line in lines)


def test_a_design_locked_twice_by_hand(small_project: Project, store: Store) -> None:
    path = lock(small_project, store, sound_ids(small_project, store)[0], today=TODAY)
    text = path.read_text()
    path.write_text(text + text[text.index("[[locked]]") :])
    with pytest.raises(InputError, match="must be locked once"):
        read_locks(small_project)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"[" * 5000, b"locked = 5\nformat = 1"])
def test_a_foreign_lock_file(small_project: Project, content: bytes) -> None:
    path_of(small_project).write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_locks(small_project)
    assert len(caught.value.faults) == 1


def test_the_file_reads_like_prose(small_project: Project, store: Store) -> None:
    """Plain TOML whose order a person can follow: who, when, why, then numbers."""
    path = lock(small_project, store, sound_ids(small_project, store)[0], "why", today=TODAY)
    text = path.read_text()
    assert text.startswith("# ")
    assert tomllib.loads(text)["locked"][0]["date"] == TODAY
    places = [text.index(word) for word in ("design_id", "date =", "note =", "[locked.parts]")]
    assert places == sorted(places)
