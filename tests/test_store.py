"""The store: what goes in comes out, only what holds today, whole or not at all."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import explorer.store.results as store_module
from explorer.errors import ExplorerError, InputError
from explorer.inputs.study import Project, load
from explorer.model.evaluation import Evaluation
from explorer.model.limits import limit_margins
from explorer.model.objectives import points_of
from explorer.model.space import Designs, design_ids
from explorer.store.gathered import PLACES
from explorer.store.keys import design_numbers, ids_of, path_of, search_key
from explorer.store.results import Store
from explorer.store.schema import SCHEMA_VERSION
from tests.helpers.invented import designs, replace_in, results

PARTS = Path("parts")


def same(one: Evaluation, other: Evaluation) -> None:
    """Every array of both, bit for bit."""
    for field in fields(Evaluation):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, Designs):
            for x, y in ((a.parts, b.parts), (a.settings, b.settings)):
                assert x.keys() == y.keys()
                for name in x:
                    np.testing.assert_array_equal(x[name], y[name])
        elif isinstance(a, dict):
            assert set(a) == set(b)
            for name in a:
                np.testing.assert_array_equal(a[name], b[name], err_msg=name)
        elif isinstance(a, tuple):
            assert [c.name for c in a] == [c.name for c in b]
            for x, y in zip(a, b, strict=True):
                for p, q in zip(x[1:], y[1:], strict=True):
                    np.testing.assert_array_equal(p, q)
        else:
            np.testing.assert_array_equal(a, b, err_msg=field.name)


def test_results_come_back_bit_for_bit(small_project: Project, monkeypatch) -> None:
    monkeypatch.setattr(store_module, "BLOCK_ROWS", 64)  # several blocks an append
    done = results(small_project, designs(small_project, 300))
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done.take(np.arange(200)), "sweep")
        store.append(small_project, done.take(np.arange(200, 300)), "sample")
    with Store.open(path_of(small_project), read_only=True) as store:
        stored, reuse = store.load(small_project)
        assert (reuse.stored, reuse.reusable, reuse.reasons) == (300, 300, ())
        same(store.evaluation(small_project, stored), done)
        some = np.array([7, 205, 64, 63])
        same(store.evaluation(small_project, stored, some), done.take(some))
    np.testing.assert_array_equal(stored.feasible, done.feasible)
    cost = np.arange(300.0)
    np.testing.assert_array_equal(stored.objectives(cost), points_of(small_project, done, cost))


def test_ids_are_those_of_the_space(small_project: Project) -> None:
    chosen = designs(small_project, 50)
    chosen.settings["cadence_rpm"][:] *= 1 + 1e-3 * np.arange(50)  # digits beyond the id's six
    ids = design_ids(small_project.catalogue, chosen, range(50))
    assert ids_of(design_numbers(small_project.catalogue, chosen)) == ids


def test_a_design_stored_twice_counts_once(small_project: Project) -> None:
    done = results(small_project, designs(small_project, 40))
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done, "sweep")
        store.append(small_project, done.take(np.arange(10, 30)), "sample")
        stored, reuse = store.load(small_project)
    assert (reuse.stored, reuse.reusable) == (60, 40)
    np.testing.assert_array_equal(stored.places, PLACES + np.arange(40))  # of the first block


def test_equal_ids_of_different_designs_both_stay(small_project: Project, monkeypatch) -> None:
    """Ids have 48 bits: by chance two designs may share one. Neither may vanish."""
    done = results(small_project, designs(small_project, 5))
    monkeypatch.setattr(
        store_module, "design_numbers", lambda _c, d: np.full(len(d), 9, dtype=np.uint64)
    )
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done, "sweep")
        assert len(store.load(small_project)[0]) == 5


def _stored(study: Path) -> tuple[Project, Evaluation]:
    project = load(study)
    done = results(project, designs(project, 400))
    with Store.open(path_of(project)) as store:
        store.append(project, done, "sweep")
    return project, done


def _uses(project: Project, done: Evaluation, link: str, part: str) -> np.ndarray:
    row = [p.id for p in project.catalogue.parts[link]].index(part)
    return done.designs.parts[link] == row


def test_other_prices_names_and_sources_leave_every_design_standing(small_study: Path) -> None:
    project, _ = _stored(small_study)
    prices = small_study.parent / PARTS / "prices.csv"
    part = project.study.choices["cell"][0]
    replace_in(prices, {f"{part},": f"{part},9"})
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        assert store.load(project)[1].reusable == 400


def test_a_changed_row_takes_its_designs_with_it_and_says_so(small_study: Path) -> None:
    project, done = _stored(small_study)
    cell = project.catalogue.parts["cell"][0]
    table = small_study.parent / PARTS / "cells.csv"
    lines = table.read_text().splitlines()
    column = lines[0].split(",").index("mass_kg")
    import csv

    rows = list(csv.reader(lines))
    rows[1][column] = "0.5"
    with table.open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    project = load(small_study)
    changed = _uses(project, done, "cell", cell.id)
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(project)
        same(store.evaluation(project, stored), done.take(~changed))
        assert reuse.reasons == ((f"cell {cell.id} has changed in its table", changed.sum()),)
        # Recomputed, the same designs are whole again, beside the old ones.
        store.append(project, done.take(changed), "sweep")
        assert store.load(project)[1].reusable == 400


def test_rows_moved_in_a_table_are_found_again(small_study: Path) -> None:
    project, done = _stored(small_study)
    table = small_study.parent / PARTS / "generators.csv"
    head, *rows = table.read_text().splitlines()
    table.write_text("\n".join([head, *reversed(rows)]) + "\n")
    moved = load(small_study)
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(moved)
    assert reuse.reusable == 400
    before = [project.catalogue.parts["generator"][k].id for k in done.designs.parts["generator"]]
    after = [moved.catalogue.parts["generator"][k].id for k in stored.designs.parts["generator"]]
    assert before == after


def test_parts_and_settings_the_study_no_longer_has_are_left_out(small_study: Path) -> None:
    project, done = _stored(small_study)
    dropped = project.study.choices["converter"][0]
    left = [f'"{name}"' for name in project.study.choices["converter"][1:]]
    replace_in(
        small_study,
        {
            "cadence_rpm = [50, 65]": "cadence_rpm = { low = 40, high = 55, sweep_points = 3 }",
            "[limits]": f"[choices]\nconverter = [{', '.join(left)}]\n[limits]",
        },
    )
    project = load(small_study)
    fast, with_dropped = done.designs.settings["cadence_rpm"] == 65, None
    with_dropped = _uses(project, done, "converter", dropped)
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(project)
    assert dict(reuse.reasons) == {
        f"converter {dropped} is not among the study's choices": with_dropped.sum(),
        "cadence_rpm is outside the study's settings": fast.sum(),
    }
    assert len(stored) == (~fast & ~with_dropped).sum()
    assert reuse.lines[0] == f"{len(stored):,} of 400 stored designs can be reused"


@pytest.mark.parametrize("what", ["scenario", "model"])
def test_results_of_another_scenario_or_model_are_never_mixed_in(
    small_study: Path, monkeypatch, what: str
) -> None:
    project, done = _stored(small_study)
    if what == "scenario":
        replace_in(small_study, {"minutes = 10": "minutes = 12"})
        project = load(small_study)
    else:
        monkeypatch.setattr(store_module, "MODEL_VERSION", "0.test")
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(project)
        assert (reuse.stored, reuse.reusable, len(stored)) == (400, 0, 0)
        assert len(reuse.reasons) == 1
        assert len(store.evaluation(project, stored)) == 0
        store.append(project, done.take(np.arange(5)), "sweep")
        assert len(store.load(project)[0]) == 5


def test_limits_of_today_decide_what_is_feasible(small_study: Path) -> None:
    _, done = _stored(small_study)
    replace_in(small_study, {"first_charge_s = 300": "first_charge_s = 100\nmass_kg = 5"})
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        margins = store.evaluation(project, stored).margins
    sound = (done.margins["turnable_N_m"] >= 0) & (done.margins["cell_voltage_V"] >= 0)
    kept = (done.time_to_first_charge_s <= 100) & (done.mass_kg <= 5)
    np.testing.assert_array_equal(stored.feasible, sound & kept)
    np.testing.assert_array_equal(margins["limit_mass_kg"], 5 - done.mass_kg)


def test_limit_margins_are_those_of_the_evaluation(small_study: Path) -> None:
    """One rule stands in two places (the model's and the store's): they must not drift apart."""
    from explorer.model.evaluate import evaluate

    limits = "first_charge_s = 300\nmass_kg = 4\ncrank_effort_percent = 70\ndelivered_energy_J = 99"
    replace_in(small_study, {"first_charge_s = 300": limits})
    project = load(small_study)
    done = evaluate(project, designs(project, 200))
    again = limit_margins(
        project.study,
        done.delivered_energy_J,
        done.mass_kg,
        done.crank_effort_percent,
        done.time_to_first_charge_s,
    )
    assert {n for n in done.margins if n.startswith("limit_")} == set(again) - {"first_charge_s"}
    for name, margin in again.items():
        np.testing.assert_array_equal(margin, done.margins[name], err_msg=name)


def test_the_search_key_counts_what_progress_depends_on(small_study: Path) -> None:
    first = load(small_study)
    prices = small_study.parent / PARTS / "prices.csv"
    part = first.study.choices["cell"][0]
    replace_in(prices, {f"{part},": f"{part},9"})
    replace_in(small_study, {"cost = 150": "cost = 120"})
    assert search_key(load(small_study)) == search_key(first)
    replace_in(small_study, {"first_charge_s = 300": "first_charge_s = 299"})
    assert search_key(load(small_study)) != search_key(first)


def test_history_prices_and_fronts_are_kept(small_project: Project) -> None:
    prices = small_project.catalogue.prices
    with Store.open(path_of(small_project)) as store:
        one = store.begin("launch", {"seed": 7})
        two = store.begin("rerun", {})
        name = store.remember_prices(prices, today=date(2026, 11, 25))
        assert store.remember_prices(prices, today=date(2026, 11, 26)) == name
        numbers, points = np.array([3, 2**48 - 1], dtype=np.uint64), np.arange(8.0).reshape(2, 4)
        front = store.keep_front(numbers, points)
        empty = store.keep_front(numbers[:0], points[:0])
        store.finish(two, {"prices": name, "front": front})
    with Store.open(path_of(small_project), read_only=True) as store:
        runs = store.history()
        assert [(r.id, r.kind, r.intent) for r in runs] == [
            (one, "launch", {"seed": 7}),
            (two, "rerun", {}),
        ]
        assert runs[0].ended is None
        assert runs[0].result is None
        assert runs[1].result == {"prices": name, "front": front}
        again = store.prices_of(name)
        assert (again.breaks, again.currency, dict(again.rates)) == (
            prices.breaks,
            prices.currency,
            dict(prices.rates),
        )
        np.testing.assert_array_equal(store.front_of(front)[0], numbers)
        np.testing.assert_array_equal(store.front_of(front)[1], points)
        assert store.front_of(empty)[1].shape == (0, 4)
        part = small_project.study.choices["cell"][0]
        assert [p.first_used for p in store.prices_used(part)] == ["2026-11-25"]
        with pytest.raises(ExplorerError, match="front records have vanished"):
            store.front_of("unknown")
        with pytest.raises(ExplorerError, match="holds no price list"):
            store.prices_of("unknown")


WRITER = """
import sys
import numpy as np
from explorer.inputs.study import load
from explorer.store.results import Store
from explorer.store.keys import path_of
from tests.helpers.invented import designs, results
project, step = load(sys.argv[1]), int(sys.argv[2])
done = results(project, designs(project, 1500))
with Store.open(path_of(project)) as store:
    print("ready", flush=True)
    start = store.search_progress("sweep").get("done", 0)
    while start < 1500:
        block = done.take(np.arange(start, start + step))
        start += step
        store.append(project, block, "sweep", progress=("sweep", {"done": start}))
"""


def _writer(study: Path, step: int) -> subprocess.Popen[str]:
    path = os.pathsep.join([str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(study), str(step)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
    )


@pytest.mark.slow
def test_killed_at_any_moment_it_goes_on_where_it_was(small_study: Path) -> None:
    """Kill -9 mid-write, many times: progress and results always tell the same, nothing torn."""
    project = load(small_study)
    done = results(project, designs(project, 1500))
    chance, seen = random.Random(5), set()
    for attempt in range(8):
        with _writer(small_study, 2) as process:
            assert process.stdout is not None
            process.stdout.readline()
            if attempt < 7:
                # Short, so that a quick machine has not written everything by then.
                time.sleep(chance.uniform(0, 0.05))
                process.send_signal(signal.SIGKILL)
        with Store.open(path_of(project)) as store:
            count = store.search_progress("sweep").get("done", 0)
            stored, reuse = store.load(project)
            assert (reuse.stored, reuse.reusable) == (count, count)
            if count:
                same(store.evaluation(project, stored), done.take(np.arange(count)))
        with sqlite3.connect(path_of(project)) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        raw.close()
        seen.add(count)
    assert count == 1500
    assert len(seen) > 3  # else no kill fell into the writing, and this proves nothing


@pytest.mark.slow
def test_two_writers_take_turns(small_study: Path) -> None:
    project = load(small_study)
    writers = [_writer(small_study, 50) for _ in range(2)]
    for process in writers:
        process.communicate(timeout=60)
        assert process.returncode == 0
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(project)
    assert len(stored) == 1500
    assert reuse.stored >= 1500


def test_a_reader_sees_whole_blocks_only(small_project: Project) -> None:
    done = results(small_project, designs(small_project, 60))
    with Store.open(path_of(small_project)) as writer:
        writer.append(small_project, done.take(np.arange(20)), "sweep")
        with Store.open(path_of(small_project), read_only=True) as reader:
            assert len(reader.load(small_project)[0]) == 20
            unwritable = ("sweep", {"done": object()})  # found out after the block is in
            with pytest.raises(TypeError):
                writer.append(small_project, done, "sweep", progress=unwritable)
            assert len(reader.load(small_project)[0]) == 20
            writer.append(small_project, done.take(np.arange(20, 60)), "sweep")
            assert len(reader.load(small_project)[0]) == 60
            with pytest.raises(ExplorerError, match="cannot be written"):
                reader.append(small_project, done, "sweep")


def test_a_full_disk_is_one_line_and_loses_nothing(small_project: Project) -> None:
    done = results(small_project, designs(small_project, 2000))
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, done.take(np.arange(100)), "sweep", progress=("s", {"n": 1}))
        pages = store._pragma("page_count")
        store._connection.execute(f"PRAGMA max_page_count = {pages + 5}")
        with pytest.raises(ExplorerError) as caught:
            store.append(small_project, done, "sweep", progress=("s", {"n": 2}))
        assert "\n" not in str(caught.value)
        assert "full" in str(caught.value)
        assert caught.value.exit_status == 2
        assert len(store.load(small_project)[0]) == 100
        assert store.search_progress("s") == {"n": 1}
        store._connection.execute(f"PRAGMA max_page_count = {10**6}")
        store.append(small_project, done.take(np.arange(100, 200)), "sweep")
        assert len(store.load(small_project)[0]) == 200


def _text(path: Path) -> None:
    path.write_text("part,price\n" * 500)


def _foreign(path: Path) -> None:
    with sqlite3.connect(path) as raw:
        raw.execute("CREATE TABLE recipes (name TEXT)")
    raw.close()


def _newer(path: Path) -> None:
    Store.open(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    raw.close()


@pytest.mark.parametrize("make", [_text, _foreign, _newer])
@pytest.mark.parametrize("read_only", [True, False])
def test_a_file_that_is_not_ours_is_refused_untouched(tmp_path: Path, make, read_only) -> None:
    path = tmp_path / "odd.store.sqlite"
    make(path)
    before = path.read_bytes()
    with pytest.raises(InputError) as caught:
        Store.open(path, read_only=read_only)
    assert len(caught.value.faults) == 1
    assert str(path) in str(caught.value)
    assert path.read_bytes() == before


def test_nothing_stored_yet(tmp_path: Path, small_project: Project) -> None:
    with pytest.raises(InputError, match="launch first"):
        Store.open(tmp_path / "none.store.sqlite", read_only=True)
    with pytest.raises(ExplorerError, match="cannot be opened"):
        Store.open(tmp_path / "no" / "folder.store.sqlite")
    with Store.open(tmp_path / "empty.store.sqlite") as store:
        stored, reuse = store.load(small_project)
        assert len(stored) == 0
        assert reuse.lines == ("the store holds no designs yet",)
        assert stored.find("0" * 12) is None
    (tmp_path / "nothing.store.sqlite").touch()  # never left by a kill: a store is made whole
    for read_only in (True, False):
        with pytest.raises(InputError, match="is empty"):
            Store.open(tmp_path / "nothing.store.sqlite", read_only=read_only)


def test_a_damaged_file_is_one_line(small_project: Project) -> None:
    done = results(small_project, designs(small_project, 2000))
    path = path_of(small_project)
    with Store.open(path) as store:
        store.append(small_project, done, "sweep")
    content = bytearray(path.read_bytes())
    content[4096 : len(content) - 4096] = bytes(len(content) - 8192)
    path.write_bytes(content)
    with pytest.raises(ExplorerError, match="damaged"), Store.open(path) as store:
        store.load(small_project)


def test_find_by_id(small_project: Project) -> None:
    chosen = designs(small_project, 20)
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, results(small_project, chosen), "sweep")
        stored, _ = store.load(small_project)
    (name,) = design_ids(small_project.catalogue, chosen, [13])
    assert stored.find(name) == 13
    assert stored.find("not an id") is None
    assert stored.find("f" * 40) is None
    assert replace(stored).take(np.array([13])).find(name) == 0
