"""A store outlives releases: what an old block lacks has a default, a new layout is no riddle."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import explorer.store.results as store_module
from explorer.decision.decided_file import read_entries, write_entries
from explorer.decision.decisions import decided_path
from explorer.decision.lock import lock, read_locks
from explorer.errors import ExplorerError, InputError
from explorer.inputs.back_parts import Cell
from explorer.inputs.catalogue import physics_of
from explorer.inputs.links import LINKS, Link
from explorer.inputs.records import SETTING_ROWS, Part
from explorer.inputs.study import Project, load
from explorer.model import costing, objectives
from explorer.model.objectives import Objective
from explorer.model.space import Designs, describe, design_ids
from explorer.store.keys import design_numbers, ids_of, path_of
from explorer.store.layout import Layout, UnknownLayoutError
from explorer.store.results import Store
from explorer.store.schema import SCHEMA_VERSION
from explorer.store.standing import front_rows
from explorer.store.stored import Stored
from tests.helpers.invented import designs, results
from tests.helpers.stores import checksums_anew

HERE = Path(__file__).parent / "data" / "first_store"


LATER = ("delta",)
"""Settings that the first release did not have: designs have their defaults."""


@pytest.fixture
def first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Project, dict[str, Any]]:
    """The study of the store that the first release wrote, beside a copy of it, and what it holds.

    The model has moved on since; what the store says of its designs has not.
    """
    home = tmp_path / "first"
    shutil.copytree(HERE, home)
    expected = json.loads((HERE / "first.expected.json").read_text())
    monkeypatch.setattr(store_module, "MODEL_VERSION", expected["model"])
    return load(home / "first.toml"), expected


def compared(project: Project, store: Store, expected: dict[str, Any]) -> Stored:
    """Check what a store of the first release holds against what it held then."""
    stored, reuse = store.load(project)
    assert (reuse.stored, reuse.reasons) == (expected["stored"], ())
    cost = costing.costs(project, stored.designs)
    found = store.evaluation(project, stored)
    assert set(ids_of(stored.numbers)) == set(expected["designs"])
    for row, name in enumerate(ids_of(stored.numbers)):
        parts, settings = describe(project.catalogue, stored.designs, row)
        assert {
            "parts": parts,
            "settings": {name: settings[name] for name in settings if name not in LATER},
            "delivered_energy_J": stored.delivered_energy_J[row],
            "mass_kg": stored.mass_kg[row],
            "crank_effort_percent": stored.crank_effort_percent[row],
            "cost": cost[row],
            "regime": stored.regime[row],
            "feasible": stored.feasible[row],
            "chatter_V": found.margins["chatter_V"][row],
            "delivered_J": found.ledger_J["delivered"][row],
            "regulating_J": found.cases[1].delivered_energy_J[row],
        } == expected["designs"][name]
    assert ids_of(stored.numbers[front_rows(project, stored, cost)]) == expected["front"]
    kept, points = store.front_of(expected["kept_front"])
    assert ids_of(kept) == expected["front"]
    np.testing.assert_array_equal(
        points, stored.objectives(cost)[front_rows(project, stored, cost)]
    )
    assert store.prices_of(expected["prices"]).currency == "EUR"
    return stored


def test_a_store_of_the_first_release_is_read(first: tuple[Project, dict[str, Any]]) -> None:
    project, expected = first
    before = path_of(project).read_bytes()
    with Store.open(path_of(project), read_only=True) as store:
        compared(project, store, expected)
    assert path_of(project).read_bytes() == before


def test_it_grows_in_place_and_keeps_what_it_held(first: tuple[Project, dict[str, Any]]) -> None:
    project, expected = first
    with Store.open(path_of(project)) as store:
        stored = compared(project, store, expected)
        old = store.evaluation(project, stored)
        store.append(project, old, "sweep")  # today's layout, the same designs
        again, reuse = store.load(project)
        assert (reuse.stored, len(again)) == (expected["stored"] + len(old), len(old))
        name = store.keep_front(stored.numbers[:2], stored.objectives(stored.mass_kg)[:2])
        assert store.front_of(name)[1].shape == (2, len(objectives.OBJECTIVES))
        assert store.front_of(expected["kept_front"])[1].shape[0] == len(expected["front"])
    with sqlite3.connect(path_of(project)) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    raw.close()


# ---- an eleventh link


class Flywheel(Part):
    """A made-up link: it only weighs something."""


WHEELS = tuple(
    Flywheel(id=name, name=name, source="invented", dated="2026-11-03", mass_kg=mass_kg)
    for name, mass_kg in (("heavy_wheel", 2.0), ("no_wheel", 0.0))
)
FLYWHEEL = Link("flywheel", Flywheel, front=True)
WITH_DEFAULT = replace(FLYWHEEL, default=WHEELS[1])


def with_flywheel(
    project: Project, monkeypatch: pytest.MonkeyPatch, link: Link = FLYWHEEL
) -> Project:
    """The project as a release with one more link would load it."""
    monkeypatch.setitem(LINKS, "flywheel", link)
    rows = WHEELS
    catalogue = replace(
        project.catalogue,
        parts={**project.catalogue.parts, "flywheel": rows},
        row_hashes={
            **project.catalogue.row_hashes,
            "flywheel": {row.id: f"hash of {row.id}" for row in rows},
        },
    )
    choices = {**project.study.choices, "flywheel": tuple(row.id for row in rows)}
    return replace(project, catalogue=catalogue, study=replace(project.study, choices=choices))


def test_designs_from_before_a_link_have_the_row_that_stands_for_it(
    first: tuple[Project, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    project, expected = first
    later = with_flywheel(project, monkeypatch)
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(later)
        assert not len(stored)
        assert reuse.reasons == (
            (
                "stored before there was the link flywheel, and nothing in its place is known",
                expected["stored"],
            ),
        )
        monkeypatch.setitem(LINKS, "flywheel", WITH_DEFAULT)
        stored, reuse = store.load(later)
        assert (len(stored), reuse.reasons) == (len(expected["designs"]), ())
        # They keep their ids, which locks and fronts of the past know them by.
        assert set(ids_of(stored.numbers)) == set(expected["designs"])
        numbers = design_numbers(later.catalogue, stored.designs)
        names = design_ids(later.catalogue, stored.designs, range(len(stored)))
        assert names == ids_of(numbers)
        np.testing.assert_array_equal(stored.numbers, numbers)
        assert (stored.designs.parts["flywheel"] == 1).all()
        energies = sorted(one["delivered_energy_J"] for one in expected["designs"].values())
        assert sorted(stored.delivered_energy_J.tolist()) == energies
        # Stored again with the new link, each counts once.
        store.append(later, store.evaluation(later, stored), "sweep")
        assert len(store.load(later)[0]) == len(stored)
        heavy = replace(
            stored.designs,
            parts={**stored.designs.parts, "flywheel": np.zeros(len(stored), np.int64)},
        )
        store.append(later, replace(store.evaluation(later, stored), designs=heavy), "sweep")
        both, _ = store.load(later)
        assert len(both) == 2 * len(stored)
        assert both.mass_kg.max() == pytest.approx(stored.mass_kg.max() + 2.0)


def test_a_lock_from_before_a_link_is_read_with_the_row_that_stands_for_it(
    first: tuple[Project, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    project, _ = first
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        chosen = ids_of(stored.numbers[stored.feasible][:1])[0]
        lock(project, store, chosen)
        (before,) = read_locks(project)
        later = with_flywheel(project, monkeypatch)
        with pytest.raises(InputError, match=r"parts.flywheel: must be filled in"):
            read_locks(later)
        monkeypatch.setitem(LINKS, "flywheel", WITH_DEFAULT)
        (found,) = read_locks(later)
        assert found.parts == {**before.parts, "flywheel": "no_wheel"}
        assert (found.result, found.margins) == (before.result, before.margins)
        assert found.stale == before.stale
        # It keeps its id, under which the store still has it.
        assert found.design_id == before.design_id == chosen
        later_stored, _ = store.load(later)
        assert later_stored.find(found.design_id) is not None
        # Written again, as beside another decision, it is read as before.
        write_entries(decided_path(later), read_entries(decided_path(later)) or [])
        (again,) = read_locks(later)
        assert replace(again, hash=found.hash) == found


def test_a_default_that_the_study_may_not_choose_is_named(
    first: tuple[Project, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    later = with_flywheel(first[0], monkeypatch, WITH_DEFAULT)
    choices = {**later.study.choices, "flywheel": ("heavy_wheel",)}
    later = replace(later, study=replace(later.study, choices=choices))
    with Store.open(path_of(later), read_only=True) as store:
        stored, reuse = store.load(later)
    assert not len(stored)
    (words,) = reuse.reasons
    assert words == ("flywheel no_wheel is not among the study's choices", first[1]["stored"])


def test_designs_with_a_link_that_this_release_lacks_are_set_aside(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    chosen = designs(small_project, 30)
    with Store.open(path_of(small_project)) as store:
        with monkeypatch.context() as later:
            project = with_flywheel(small_project, later)
            parts = {**chosen.parts, "flywheel": np.ones(30, dtype=np.int64)}
            store.append(project, results(project, Designs(parts, chosen.settings)), "sweep")
            assert len(store.load(project)[0]) == 30
        stored, reuse = store.load(small_project)
        assert not len(stored)
        words = "stored with the link flywheel, which this release does not have"
        assert reuse.reasons == ((words, 30),)
        store.append(small_project, results(small_project, chosen), "sweep")
        stored, reuse = store.load(small_project)
    assert (len(stored), reuse.reasons) == (30, ((words, 30),))


def test_designs_from_before_a_setting_have_the_value_that_stands_for_it(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = results(small_project, designs(small_project, 30))
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done, "sweep")

    def without_the_last_two(description: dict[str, Any]) -> None:
        names = dict((name, of) for name, _, of in description["columns"])["settings"]
        assert names[-2:] == ["overvoltage_off_V", "delta"]
        place = [name for name, *_ in description["columns"]].index("settings")
        description["columns"][place : place + 1] = [
            ["settings", "<f8", names[:-2]],
            ["something", "<f8", None],
            ["another", "<f8", None],
        ]

    redescribed(path_of(small_project), without_the_last_two)
    with Store.open(path_of(small_project)) as store:
        words = "stored before there was the setting overvoltage_off_V, and nothing in its place is"
        assert store.load(small_project)[1].reasons == ((f"{words} known", 30),)
        row = SETTING_ROWS["overvoltage_off_V"]
        monkeypatch.setitem(SETTING_ROWS, "overvoltage_off_V", replace(row, default=9.0))
        words = "overvoltage_off_V is outside the study's settings"
        assert store.load(small_project)[1].reasons == ((words, 30),)
        monkeypatch.setitem(SETTING_ROWS, "overvoltage_off_V", replace(row, default=10.5))
        stored, reuse = store.load(small_project)
    assert (len(stored), reuse.reasons) == (30, ())
    np.testing.assert_array_equal(
        stored.numbers, design_numbers(small_project.catalogue, done.designs)
    )


# ---- an optional column


class AgedCell(Cell):
    """A cell as a later release may describe it."""

    age_years: float = 0.0


def test_a_row_from_before_an_optional_column_keeps_its_physics(small_project: Project) -> None:
    cell = small_project.catalogue.parts["cell"][0]
    same = AgedCell(**cell.model_dump())
    assert physics_of(same) == physics_of(cell)
    assert physics_of(AgedCell(**cell.model_dump(), age_years=3.0)) == {
        **physics_of(cell),
        "age_years": 3.0,
    }
    assert "piece_spread" in physics_of(cell)  # as the first stores have it


# ---- a fifth objective


def quiet(project: Project, chosen: Designs) -> np.ndarray:
    """Made-up noise: of the generator's speed."""
    ratio = chosen.chosen(project.catalogue, "gearing", "ratio")
    return 40.0 + 0.1 * ratio * chosen.settings["cadence_rpm"]


NOISE = Objective("noise_dB", "Noise", "dB", False, "quietest", 3, quiet)


def test_an_objective_that_parts_decide_is_had_of_designs_stored_before(
    first: tuple[Project, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    project, expected = first
    monkeypatch.setattr(objectives, "OBJECTIVES", (*objectives.OBJECTIVES, NOISE))
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs)
        points = stored.objectives(cost)
        np.testing.assert_array_equal(points[:, 4], quiet(project, stored.designs))
        # A front from before it says that its noise is unknown, and nothing else.
        numbers, kept = store.front_of(expected["kept_front"])
        assert np.isnan(kept[:, 4]).all()
        assert np.isfinite(kept[:, :4]).all()
        # What is known of a design today stands in for it; of one that is gone, nothing does.
        gone = numbers[0]
        completed = stored.take(stored.numbers != gone).completed(numbers, kept)
        np.testing.assert_array_equal(completed[:, :4], kept[:, :4])
        assert np.isnan(completed[0, 4])
        level = dict(zip(stored.numbers.tolist(), quiet(project, stored.designs), strict=True))
        assert completed[1:, 4].tolist() == [level[number] for number in numbers[1:].tolist()]
        rows = front_rows(project, stored, cost)
        name = store.keep_front(stored.numbers[rows], points[rows])
        np.testing.assert_array_equal(store.front_of(name)[1], points[rows])
    assert len(rows) > len(expected["front"])


def test_a_column_that_this_release_does_not_know_is_passed_over(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A later release has a fifth objective that a session decides; a sixth one came later yet."""
    done = results(small_project, designs(small_project, 30))
    hum = Objective("hum_dB", "Hum", "dB", False, "calmest", 3)
    with Store.open(path_of(small_project)) as store:
        with monkeypatch.context() as later:
            later.setattr(objectives, "OBJECTIVES", (*objectives.OBJECTIVES, hum))
            object.__setattr__(done, "hum_dB", np.arange(30.0))
            store.append(small_project, done, "sweep")
            np.testing.assert_array_equal(
                store.load(small_project)[0].values["hum_dB"], np.arange(30.0)
            )
        stored, reuse = store.load(small_project)
        assert (len(stored), reuse.reasons) == (30, ())
        np.testing.assert_array_equal(stored.delivered_energy_J, done.delivered_energy_J)
        again = store.evaluation(small_project, stored)
        np.testing.assert_array_equal(again.margins["chatter_V"], done.margins["chatter_V"])
        # Who needs a value that nobody computed gets none.
        other = replace(hum, key="hiss_dB")
        monkeypatch.setattr(objectives, "OBJECTIVES", (*objectives.OBJECTIVES, other))
        stored, reuse = store.load(small_project)
    assert (len(stored), reuse.reasons) == (0, (("stored without hiss_dB", 30),))


# ---- layouts


def redescribed(path: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """Change the description of a store's only layout."""
    with sqlite3.connect(path) as raw:
        ((text,),) = raw.execute("SELECT columns FROM context").fetchall()
        description = json.loads(text)
        change(description)
        raw.execute("UPDATE context SET columns = ?", (json.dumps(description),))
    raw.close()
    checksums_anew(path, "context")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"layout": 7}, "stored in layout 7, which this release does not know"),
        ({"columns": None}, "stored in a layout whose description cannot be read"),
        ({"columns": [["parts", "<u3", []]]}, "stored in a layout with the unknown type '<u3'"),
        (
            {"columns": [["regime", "<i1", None], ["regime", "<i1", None]]},
            "stored in a layout that names a column twice",
        ),
        ({"columns": [["regime", "<i1", None]]}, "stored without parts"),
    ],
)
def test_an_unknown_layout_is_refused_by_name(
    small_project: Project, change: dict[str, Any], words: str
) -> None:
    done = results(small_project, designs(small_project, 25))
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done, "sweep")
    redescribed(path_of(small_project), lambda description: description.update(change))
    with Store.open(path_of(small_project)) as store:
        stored, reuse = store.load(small_project)
        assert (reuse.stored, len(stored), reuse.reasons) == (25, 0, ((words, 25),))
        assert reuse.lines[1] == f"25 not: {words}"
        # What is stored beside it is read all the same.
        store.append(small_project, done, "sweep")
        assert len(store.load(small_project)[0]) == 25


def test_what_a_later_release_keeps_beside_is_passed_over(small_project: Project) -> None:
    """Keys of a description, columns of a block, tables of the file: checksums, leases, draws."""
    done = results(small_project, designs(small_project, 25))
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done, "sweep")
    redescribed(path_of(small_project), lambda description: description.update(draws={"of": 200}))
    with sqlite3.connect(path_of(small_project)) as raw:
        for statement in (
            "ALTER TABLE block ADD COLUMN checksum TEXT",
            "ALTER TABLE front ADD COLUMN decided TEXT",
            "ALTER TABLE run ADD COLUMN lease TEXT",
            "CREATE TABLE draw (block INTEGER, results BLOB)",
        ):
            raw.execute(statement)
    raw.close()
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done.take(np.arange(5)), "sample", progress=("s", {"n": 1}))
        stored, reuse = store.load(small_project)
        assert (reuse.stored, len(stored), reuse.reasons) == (30, 25, ())
        points = stored.objectives(stored.mass_kg)
        np.testing.assert_array_equal(
            store.front_of(store.keep_front(stored.numbers, points))[1], points
        )
        store.finish(store.begin("launch", {}), {})
        store.remember_prices(small_project.catalogue.prices)
        assert len(store.history()) == 1


def test_bytes_that_do_not_fit_their_layout_are_one_line(small_project: Project) -> None:
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, results(small_project, designs(small_project, 25)), "sweep")

    def shortened(description: dict[str, Any]) -> None:
        description["columns"][-1] = ["may_keep", "<i4", None]

    redescribed(path_of(small_project), shortened)
    with (
        Store.open(path_of(small_project)) as store,
        pytest.raises(ExplorerError, match="block 1: is damaged") as caught,
    ):
        store.load(small_project)
    assert "\n" not in str(caught.value)


def test_a_layout_comes_back_from_its_description() -> None:
    one = Layout.read('["margins:chatter_V", "case:somebody:some_pack:regime"]')
    assert one.results == (("margins", "chatter_V"), ("cases", "regime", "somebody", "some_pack"))
    assert Layout.read(one.text) == one
    with pytest.raises(UnknownLayoutError, match="cannot be read"):
        Layout.read("no description")
