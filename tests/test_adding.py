"""Whoever adds rows at the places that DEVELOPERS.md names has added all there is to add.

A copy of the program gets a fifth objective (noise: a column of the gearings, louder with the
cadence), an eleventh link (a flywheel: mass, price, drag at the shaft), a fourth kind of pack and a
fourth kind of machine; all made up. They are followed through a small study from its tables to the
build sheet, and a store and a lock from before them are read.
"""

from __future__ import annotations

import csv
import html
import json
import re
import shutil
import tomllib
from collections.abc import Mapping
from math import log10, pi
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from explorer.decision.lock import lock
from explorer.decision.repricing import reprice_and_record
from explorer.inputs.study import load
from explorer.model import costing
from explorer.model.names import name_of
from explorer.search import run as search_run
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store
from explorer.store.standing import front_rows
from tests.helpers import grown
from tests.helpers.grown import Program

DATA = Path(__file__).parent / "data"
NOISE_DB = {"no_gearing": 40.0, "belt_4": 61.0, "belt_4_quiet": 52.0, "planetary_8": 72.0}
"""At 60 turns a minute, as `gearings.csv` has them."""
NEW_PRICES = {"disc": 0.5, "no_flywheel": 20.0, "scooter_dc": 60.0}
DEAR_DISC = {"disc": 9.0}

BRUTE_FORCE = """
import csv, json, sys
import numpy as np
from explorer.front import non_dominated
from explorer.inputs.links import LINKS
from explorer.inputs.study import load
from explorer.model import costing
from explorer.model.evaluate import evaluate
from explorer.model.space import Space, design_ids
from explorer.model.stepped import sessions_of
from explorer.search.progress import unwatched
from explorer.search.settle import step_contenders
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store
from explorer.store.standing import front_rows

project = load(sys.argv[1])
parts = project.catalogue.parts
space = Space.of(project)
quick = evaluate(project, space.at(np.arange(space.size)))
feasible = np.flatnonzero(quick.feasible)
every = sessions_of(project, quick.designs.take(feasible))
every = every.take(np.flatnonzero(every.feasible))
store = Store.open(path_of(project))
with open(project.path.parent / "parts" / "gearings.csv") as file:
    table = {row["id"]: float(row["noise_dB"]) for row in csv.DictReader(file)}
level = np.array([table[part.id] for part in parts["gearing"]])
generator = np.random.default_rng(8)
prices = [{k: generator.uniform(0, 8, len(parts[k])) for k in LINKS} for _ in range(5)]


def cost(designs, price):
    if price is None:
        return costing.costs(project, designs)
    taken = costing.quantities(project.catalogue, designs)
    return sum(taken[k] * price[k][designs.parts[k]] for k in LINKS)


def points(found, price):
    designs = found.designs
    noise = level[designs.parts["gearing"]] + 20 * np.log10(designs.settings["cadence_rpm"] / 60)
    taken = costing.quantities(project.catalogue, designs)
    mass = [np.array([part.mass_kg for part in parts[k]])[designs.parts[k]] for k in LINKS]
    mass = sum(taken[k] * of_link for k, of_link in zip(LINKS, mass))
    values = (-found.delivered_energy_J, cost(designs, price), mass, found.crank_effort_percent)
    return np.stack((*values, noise), axis=1)


def front(found, price):
    found = points(found, price)
    found = found[found[:, 1] <= project.study.limits.cost]
    return found[non_dominated(found)]


answer = {"missing": [], "beaten": [], "quiet": []}
SLACK = 1e-4
for price in (None, *prices):
    kept, _ = store.load(project)
    step_contenders(project, store, kept, cost(kept.designs, price), unwatched, 1)
    kept, _ = store.load(project)
    ours = kept.take(kept.stepped & kept.feasible)
    whole, ours = front(every, price), front(ours, price)
    slack = SLACK * np.abs(whole)
    reached = [(ours <= one + by).all(axis=1).any() for one, by in zip(whole, slack)]
    beaten = [
        ((whole <= one).all(axis=1) & (whole < one - slack).any(axis=1)).any() for one in ours
    ]
    answer["missing"].append(reached.count(False))
    answer["beaten"].append(beaten.count(True))
    answer["quiet"].append(int((~non_dominated(whole[:, :4])).sum()))
    if price is None:
        names = ids_of(kept.numbers[front_rows(project, kept, cost(kept.designs, None))])
answer |= {
    "combinations": space.size, "feasible": len(feasible), "stored": len(kept),
    "front": sorted(names),
}
print(json.dumps(answer))
"""
"""All that the search calls feasible, stepped, its noise read from the table; and its front beside
the store's at today's and at random prices: points of it that the store lacks, points of the
store's front that another design beats, and points that are on the front for their quietness alone.

Within 1e-4: designs that differ in their overvoltage threshold share a session in the search, whose
effort comes out up to 4e-5 from their own (measured; its integral is cut at other places).
"""


READ = """
import json, sys
from explorer.decision.lock import read_locks
from explorer.inputs.study import load
from explorer.store import results
from explorer.store.keys import ids_of, path_of
if len(sys.argv) > 2:
    results.MODEL_VERSION = sys.argv[2]
project = load(sys.argv[1])
with results.Store.open(path_of(project), read_only=True) as store:
    stored, reuse = store.load(project)
rows = sorted(set(stored.designs.parts["flywheel"].tolist()))
print(json.dumps({
    "ids": ids_of(stored.numbers),
    "reasons": reuse.reasons,
    "flywheels": [project.catalogue.parts["flywheel"][row].id for row in rows],
    "locked": [[one.design_id, one.parts["flywheel"], one.stale] for one in read_locks(project)],
}))
"""
"""What a study's store and locks are to the program that reads them."""


class Launched(NamedTuple):
    """A study of a grown program, launched; and what the commands answered."""

    program: Program
    study: Path
    answer: dict[str, Any]
    lines: str


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Program:
    """The program with every made-up row."""
    found = Program(tmp_path_factory.mktemp("program"))
    grown.add_all(found.package)
    return found


def append(table: Path, *rows: str) -> None:
    table.write_text(table.read_text("utf-8") + "".join(f"{row}\n" for row in rows), "utf-8")


def grow_study(home: Path) -> Path:
    """The small study with rows of the new kinds, the new column and the new table."""
    shutil.copytree(DATA / "small", home)
    parts = home / "parts"
    append(
        parts / "gearings.csv",
        "belt_4_quiet,Toothed belt 4:1 in a box,invented,2026-11-03,0.9,4,0.96,0.1,22",
    )
    first, *rows = (parts / "gearings.csv").read_text("utf-8").splitlines()
    rows = [f"{row},{NOISE_DB[row.split(',')[0]]}" for row in rows]
    (parts / "gearings.csv").write_text("\n".join([f"{first},noise_dB", *rows]) + "\n", "utf-8")
    (parts / "flywheels.csv").write_text(
        "id,name,source,dated,mass_kg,drag_torque_N_m\n"
        "no_flywheel,None,by definition,2026-11-03,0,0\n"
        "disc,Steel disc,invented,2026-11-03,1.5,0.02\n"
    )
    append(
        parts / "generators.csv",
        "scooter_dc,Scooter motor brushed,invented,2026-11-03,2.9,bridged_dc,,0.32,,0.95,,0.002,"
        "1,0.1,0.0004,12,4500,600",
    )
    append(
        parts / "packs.csv",
        "cautious_pack,Pack that waits,invented,2026-11-03,cautious,2,4.5,5.5,3,19.25",
    )
    # A spacer takes the place of the disc, and is dearer: else no flywheel would ever be chosen.
    prices = {"belt_4_quiet": 27, "no_flywheel": 4, "disc": 1.5, "scooter_dc": 16}
    append(
        parts / "prices.csv", *(f"{part},{price},EUR,2026-11-10," for part, price in prices.items())
    )
    study = home / "small.toml"
    text = study.read_text("utf-8")
    for key, before, after in (
        ("packs", '["telemetry_pack"]', '["cautious_pack"]'),
        ("overvoltage_off_V", "[10.5]", "[9.8, 10.5]"),
        ("cadence_rpm", "[50, 65]", "[50, 65, 75]"),
    ):
        assert f"{key} = {before}" in text
        text = text.replace(f"{key} = {before}", f"{key} = {after}")
    chosen = {
        "gearing": ["belt_4", "belt_4_quiet"], "generator": ["stepper_long", "scooter_dc"],
        "rectifier": ["schottky_3a", "active_8"], "lead": ["lead_plain"], "cell": ["cell_25f"],
    }  # fmt: skip
    choices = "".join(f"{link} = {json.dumps(parts)}\n" for link, parts in chosen.items())
    study.write_text(f"{text}\n[choices]\n{choices}", "utf-8")
    return study


def at_prices(study: Path, prices: Mapping[str, float]) -> None:
    """Change prices of a study."""
    table = study.parent / "parts" / "prices.csv"
    with table.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        rows = [row | {"price": prices.get(row["part"], row["price"])} for row in reader]
    with table.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, reader.fieldnames or ())
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="module")
def launched(program: Program, tmp_path_factory: pytest.TempPathFactory) -> Launched:
    """The grown study, launched; two workers, which have the rows as well."""
    study = grow_study(tmp_path_factory.mktemp("grown") / "study")
    answer = program.answer("launch", study, "--workers", "2")
    return Launched(program, study, answer, program.command("launch", study, "--no-page"))


@pytest.fixture
def own(launched: Launched, tmp_path: Path) -> Launched:
    """The launched study in a folder that a test may change."""
    home = tmp_path / "study"
    shutil.copytree(launched.study.parent, home)
    return launched._replace(study=home / launched.study.name)


def with_everything(front: list[dict[str, Any]]) -> dict[str, Any]:
    """A design of the front that has every made-up part."""
    wanted = {"gearing": "belt_4_quiet", "flywheel": "disc", "generator": "scooter_dc"}
    return next(one for one in front if wanted.items() <= one["parts"].items())


def noise_dB(record: Mapping[str, Any]) -> float:
    """Noise of a result, by hand."""
    faster = record["settings"]["cadence_rpm"] / 60
    return NOISE_DB[record["parts"]["gearing"]] + 20 * log10(faster)


def visible(page: Path) -> str:
    """The words of a page, without its scripts and styles."""
    text = re.sub(r"<(script|style)\b.*?</\1>", " ", page.read_text("utf-8"), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def test_only_the_places_that_the_developers_page_names_were_changed(program: Program) -> None:
    changed = {
        path.relative_to(program.package).as_posix()
        for path in program.package.rglob("*.py")
        if path.read_bytes()
        != (grown.ROOT / "explorer" / path.relative_to(program.package)).read_bytes()
    }
    assert changed == set(grown.PLACES)
    page = (grown.ROOT / "DEVELOPERS.md").read_text("utf-8")
    how_to_add = page.split("## How to add")[1].split("\n## ")[0]
    assert {place for place in grown.PLACES if f"`{place}`" not in how_to_add} == set()


def test_the_grown_program_keeps_the_rules_that_rows_have(program: Program) -> None:
    """Each kind's row against its circuit, names of kinds, order of links, pieces, imports."""
    tests = (
        "tests/test_kinds.py::test_a_machines_row_is_what_its_bridge_does",
        "tests/test_kinds.py::test_no_name_of_a_kind_is_compared_elsewhere",
        "tests/test_kinds.py::test_links_are_in_the_order_of_the_chain",
        "tests/test_kinds.py::test_rules_that_a_pack_cannot_break_are_rules",
        "tests/test_import_order.py",
    )
    assert "bridged_dc" in program.run(
        "-m", "pytest", "-n0", "-vv", "-p", "no:cacheprovider", *tests
    )


def test_front_and_store_against_brute_force(launched: Launched) -> None:
    """The front has what the whole space has, at today's prices and at others."""
    answer, lines = launched.answer, launched.lines
    found = launched.program.script(BRUTE_FORCE, launched.study)
    assert (answer["exact"], answer["designs_considered"]) == (True, found["combinations"])
    assert answer["designs_feasible"] == found["feasible"]
    assert answer["front_size"] == len(found["front"])
    assert found["missing"] == found["beaten"] == [0] * 6
    # There is something to lose: the store drops designs, and quietness alone keeps others.
    assert found["stored"] < found["feasible"]
    assert min(found["quiet"]) > 0
    assert {one["design_id"] for one in answer["front"]} <= set(found["front"])
    for one in answer["front"]:
        assert one["noise_dB"] == pytest.approx(noise_dB(one))
    quietest = answer["picks"]["quietest"]
    assert f"quietest: {name_of(quietest)}" in lines


def test_the_terminal_and_scripts_have_every_addition(launched: Launched) -> None:
    program, study = launched.program, launched.study
    lines = dict(line.split(": ", 1) for line in launched.lines.splitlines() if ": " in line)
    by_id = {one["design_id"]: one for one in launched.answer["front"]}
    for wish, name in launched.answer["picks"].items():
        words = lines[wish.replace("_", " ")]
        assert words.startswith(name_of(name))
        if name in by_id:
            assert f", {by_id[name]['noise_dB']:.2f} dB, " in words
    one = with_everything(launched.answer["front"])
    assert [line["quantity"] for line in one["bill"] if line["link"] == "flywheel"] == [1]
    assert [line["quantity"] for line in one["bill"] if line["link"] == "rectifier"] == [4]
    assert one["mass_kg"] == pytest.approx(sum(line["mass_kg"] for line in one["bill"]))
    assert one["cost"] == pytest.approx(
        sum(line["quantity"] * line["unit_price"] for line in one["bill"])
    )
    table = study.parent / "front.csv"
    program.command("table", study, table)
    with table.open(encoding="utf-8") as file:
        rows = {row["design_id"]: row for row in csv.DictReader(file)}
    table.unlink()
    assert set(rows) == {one["design_id"] for one in launched.answer["front"]}
    assert float(rows[one["design_id"]]["noise_dB"]) == pytest.approx(noise_dB(one))
    assert rows[one["design_id"]]["parts.flywheel"] == "disc"


def test_the_flywheels_drag_is_where_the_ledger_has_drag(own: Launched) -> None:
    """Work of 0.02 N m at the shaft, as fast as gears and hand turn it, for ten minutes."""
    chosen = with_everything(own.answer["front"])
    design = own.study.parent / "design.toml"

    def evaluated(flywheel: str) -> dict[str, Any]:
        parts = chosen["parts"] | {"flywheel": flywheel}
        design.write_text(
            "\n".join(
                f"[{section}]\n" + "\n".join(f"{k} = {json.dumps(v)}" for k, v in values.items())
                for section, values in (("parts", parts), ("settings", chosen["settings"]))
            )
        )
        return own.program.answer("evaluate", own.study, "--design", design)

    dragged, free = evaluated("disc"), evaluated("no_flywheel")
    shaft_rad_s = 4 * chosen["settings"]["cadence_rpm"] * 2 * pi / 60
    more_J = dragged["ledger_J"]["drag"] - free["ledger_J"]["drag"]
    # The hand is slower than the cadence while it starts and where the bank asks too much of it.
    assert 0.95 < more_J / (0.02 * shaft_rad_s * 600) <= 1.001
    assert dragged["mass_kg"] - free["mass_kg"] == pytest.approx(1.5)
    assert dragged["noise_dB"] == free["noise_dB"] == pytest.approx(noise_dB(dragged))
    for one in (dragged, free):
        work = one["ledger_J"]
        assert sum(v for k, v in work.items() if k != "crank_work") == pytest.approx(
            work["crank_work"], rel=1e-6
        )


def test_the_page_shows_every_addition(launched: Launched) -> None:
    words = visible(Path(launched.answer["report"]))
    assert "none of them is beaten on all five goals" in words
    assert "Quietest" in words
    assert re.search(r"has \d+ dB of noise", words)
    assert "flywheel: Steel disc" in words
    assert "Scooter motor brushed" in words
    assert "Pack that waits" in words


def test_a_rerun_at_other_prices_finds_what_brute_force_finds(own: Launched) -> None:
    at_prices(own.study, NEW_PRICES)
    answer = own.program.answer("rerun", own.study, "--no-page")
    changed = {one["part"] for one in answer["price_changes"]}
    assert changed == set(NEW_PRICES)
    assert answer["unsettled"] == []
    assert answer["entered"] or answer["left"]
    found = own.program.script(BRUTE_FORCE, own.study)
    assert answer["front_size"] == len(found["front"])
    assert found["missing"] == found["beaten"] == [0] * 6
    for one in answer["front"]:
        assert one["noise_dB"] == pytest.approx(noise_dB(one))


def test_a_design_with_every_addition_is_locked_and_built(own: Launched) -> None:
    chosen = with_everything(own.answer["front"])
    answer = own.program.answer("lock", own.study, chosen["design_id"])
    words = visible(Path(answer["sheet"]))
    assert f"noise {noise_dB(chosen):.0f} dB" in words
    assert "flywheel generator's shaft Steel disc" in words
    assert "Plain cable AWG20 1 m, 2 wires" in words
    with Path(answer["bill"]).open(encoding="utf-8") as file:
        bill = {row["part"]: row for row in csv.DictReader(file)}
    assert bill["disc"]["quantity"] == "1"
    entry = tomllib.loads(Path(answer["file"]).read_text("utf-8"))["locked"][0]
    assert entry["parts"] == chosen["parts"]
    assert entry["result"]["noise_dB"] == pytest.approx(noise_dB(chosen))

    # Without the disc the same design is lighter, easier and, at new prices, cheaper.
    at_prices(own.study, DEAR_DISC)
    answer = own.program.answer("rerun", own.study)
    (verdict,) = answer["locked"]
    assert (verdict["design_id"], verdict["status"]) == (chosen["design_id"], "beaten")
    words = visible(Path(answer["report"]))
    assert name_of(chosen["design_id"]) in words
    assert f"Beaten by {name_of(verdict['beaten_by'])}" in words


def test_a_new_study_is_asked_for_the_additions(program: Program, tmp_path: Path) -> None:
    program.run(
        "-c",
        "import sys; from explorer.commands.start import start; "
        "start('mine', home=__import__('pathlib').Path(sys.argv[1]))",
        str(tmp_path),
    )
    parts = tmp_path / "mine" / "parts"
    flywheels = (parts / "flywheels.csv").read_text("utf-8")
    assert flywheels.splitlines()[-1] == "id,name,source,dated,mass_kg,drag_torque_N_m"
    assert (parts / "gearings.csv").read_text("utf-8").splitlines()[-1].endswith(",noise_dB")
    assert "bridged_dc" in (parts / "generators.csv").read_text("utf-8")
    assert "cautious" in (parts / "packs.csv").read_text("utf-8")
    schema = json.loads(program.command("schema", "study"))
    assert "flywheel" in schema["properties"]["choices"]["properties"]


# ---- what was written before


def test_an_old_study_its_store_and_its_lock_are_read(program: Program, small_study: Path) -> None:
    """This program launches and locks; the grown one reads it all and goes on with it."""
    with small_study.open("a", encoding="utf-8") as file:
        file.write(
            '\n[choices]\nlead = ["lead_plain"]\nrectifier = ["silicon_3a"]\n'
            'cell = ["cell_100f"]\nwindow = ["window_plain"]\n'
        )
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        search_run.launch(project, store, workers=1)
        stored, _ = store.load(project)
        rows = front_rows(project, stored, costing.costs(project, stored.designs))
        front = set(ids_of(stored.numbers[rows]))
        chosen = min(front)
        lock(project, store, chosen)
        reprice_and_record(project, store, stored)
    other = small_study.parent.parent / "other"
    shutil.copytree(small_study.parent, other)
    answer = program.answer("rerun", small_study, "--no-page", "--quick")
    assert answer["physics_evaluations"] == 0
    assert answer["left"] == []
    assert {one["design_id"] for one in answer["locked"]} == {chosen}
    found = program.script(READ, small_study)
    assert sorted(found["ids"]) == sorted(ids_of(stored.numbers))
    assert found["flywheels"] == ["no_flywheel"]
    assert found["locked"] == [[chosen, "no_flywheel", []]]

    # The sweep is done again: what it dropped may be quiet. The page compares it with a front of
    # which no noise was known.
    answer = program.answer("launch", other / small_study.name)
    assert answer["exact"]
    quiet = program.script(READ, other / small_study.name)["ids"]
    assert set(quiet) >= set(found["ids"])
    assert {one["design_id"] for one in answer["front"]} <= set(quiet)
    words = visible(Path(answer["report"]))
    assert "Noise" in words
    assert "nan" not in words.lower().split()
    assert answer["picks"]["quietest"] in quiet


def test_the_store_of_the_first_release_is_read(program: Program, tmp_path: Path) -> None:
    home = tmp_path / "first"
    shutil.copytree(DATA / "first_store", home)
    expected = json.loads((home / "first.expected.json").read_text("utf-8"))
    found = program.script(READ, home / "first.toml", expected["model"])
    assert sorted(found["ids"]) == sorted(expected["designs"])
    assert (found["flywheels"], found["reasons"]) == (["no_flywheel"], [])
