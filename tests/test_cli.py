"""The program as a person or a script meets it: words, JSON keys, exit statuses."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import numpy as np
import pytest

from explorer import MODEL_VERSION, __version__, cli
from explorer.commands.history import last_launch
from explorer.errors import DiskError
from explorer.model.names import name_of
from explorer.model.rules import RULES
from explorer.model.simulate import simulate
from explorer.store.results import Store
from tests.helpers.stores import checksums_anew, raw

HERE = Path(__file__).parent
RESULT_KEYS = {
    "design_id", "parts", "settings", "delivered_energy_J", "cost", "currency", "mass_kg",
    "crank_effort_percent", "regime", "feasible", "margins", "ledger_J", "time_to_first_charge_s",
    "bill", "cases",
}  # fmt: skip
LAUNCH_KEYS = {
    "study", "designs_considered", "designs_feasible", "exact", "front", "front_size",
    "front_thinned", "hypervolume", "seconds", "report",
}  # fmt: skip
RERUN_KEYS = {
    "price_changes",
    "changed",
    "terms_changed",
    "physics_evaluations",
    "entered",
    "left",
    "front",
    "locked",
}


class Outcome:
    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err

    @property
    def json(self) -> dict:
        """The one object that stands on standard output."""
        assert self.out.count("\n") == 1
        return json.loads(self.out)


@pytest.fixture
def genchain(monkeypatch, capsys):
    def run(*words: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["genchain", *map(str, words)])
        with pytest.raises(SystemExit) as stopped:
            cli.main()
        captured = capsys.readouterr()
        return Outcome(int(stopped.value.code or 0), captured.out, captured.err)

    return run


@pytest.fixture(scope="module")
def launched_once(tmp_path_factory) -> tuple[Path, dict]:
    """The small study launched, and its answer; to be copied, not changed."""
    home = tmp_path_factory.mktemp("launched") / "small"
    shutil.copytree(HERE / "data" / "small", home)
    command = [sys.executable, "-m", "explorer", "launch", str(home / "small.toml"), "--json"]
    told = subprocess.run(command, capture_output=True, text=True, check=True)
    return home, Outcome(0, told.stdout, told.stderr).json


@pytest.fixture
def launched(launched_once, tmp_path: Path) -> tuple[Path, dict]:
    """A launched study of one's own."""
    home, answer = launched_once
    shutil.copytree(home, tmp_path / "small")
    return tmp_path / "small" / "small.toml", answer


def set_price(study: Path, part: str, price: float) -> None:
    table = study.parent / "parts" / "prices.csv"
    lines = table.read_text().splitlines()
    changed = [
        ",".join([part, str(price), *line.split(",")[2:]]) if line.startswith(f"{part},") else line
        for line in lines
    ]
    assert changed != lines
    table.write_text("\n".join(changed) + "\n")


def costs(answer: dict) -> dict[str, float]:
    """Cost of each design of a front; sums of money, equal to what their order of adding leaves."""
    return {one["design_id"]: round(one["cost"], 9) for one in answer["front"]}


def test_launch_answers_with_the_agreed_keys(launched) -> None:
    _, answer = launched
    assert answer.keys() >= LAUNCH_KEYS
    assert answer["study"] == "small"
    assert answer["exact"] is True
    assert answer["front_size"] >= len(answer["front"]) > 0
    for record in answer["front"]:
        assert record.keys() >= RESULT_KEYS
        assert record["feasible"] is True
        assert all(margin >= 0 for margin in record["margins"].values())
        ledger = record["ledger_J"]
        rest = sum(value for name, value in ledger.items() if name != "crank_work")
        assert ledger["crank_work"] == pytest.approx(rest, rel=1e-9)
        assert ledger["delivered"] == pytest.approx(record["delivered_energy_J"])
        bill = sum(line["quantity"] * line["unit_price"] for line in record["bill"])
        assert record["cost"] == pytest.approx(bill)
    page = Path(answer["report"])
    assert page.parts[-3:] == ("reports", "small", "index.html")
    assert page.parent.parent.parent.is_dir()
    html = page.read_text(encoding="utf-8")
    assert html.lstrip().lower().startswith("<!doctype html>")
    assert "What each rule costs" in html
    costs = html.partition("What each rule costs")[2]
    bought = [rule.loosened_by.partition(" {}")[0] for rule in RULES.values() if rule.loosened_by]
    assert any(words in costs for words in bought)


def test_launch_page_and_evaluate_name_diodes_beyond_their_readings(
    genchain, launched, tmp_path: Path
) -> None:
    """All diodes measured up to 0.1 A: stored results stand, since no number hangs on it."""
    study, answer = launched
    record = answer["front"][0]
    diodes = study.parent / "parts" / "rectifiers.csv"
    head, *rows = diodes.read_text().splitlines()
    diodes.write_text("\n".join([f"{head},measured_to_A", *(f"{row},0.1" for row in rows)]))
    again = genchain("launch", study, "--json").json
    assert [one["design_id"] for one in again["front"]] == [
        one["design_id"] for one in answer["front"]
    ]
    words = "was measured up to 0.1 A. This chain drives up to"
    assert any(words in note for note in again["notes"])
    assert words in Path(again["report"]).read_text("utf-8")
    assert not any(words in note for note in answer["notes"])
    design = tmp_path / "mine.toml"
    lines = ["[parts]", *(f'{k} = "{v}"' for k, v in record["parts"].items())]
    lines += ["[settings]", *(f"{k} = {v!r}" for k, v in record["settings"].items())]
    design.write_text("\n".join(lines))
    assert words in genchain("evaluate", study, "--design", design).out


def test_feasible_is_a_boolean_wherever_a_result_stands(genchain, launched, tmp_path: Path) -> None:
    """Also where the limit on cost decides: to a script the text "False" is true."""
    study, answer = launched
    record = answer["front"][0]
    locked = genchain("lock", study, record["design_id"], "--json").json["locked"]
    told = [locked]
    for command in ("launch", "rerun", "review"):
        told += genchain(command, study, "--json").json["front"]
    assert {type(one["feasible"]) for one in told} == {bool}
    assert locked["bill"][0]["price_dated"] == "2026-11-10"
    design = tmp_path / "mine.toml"
    lines = ["[parts]", *(f'{k} = "{v}"' for k, v in record["parts"].items())]
    lines += ["[settings]", *(f"{k} = {v!r}" for k, v in record["settings"].items())]
    design.write_text("\n".join(lines))
    set_price(study, record["parts"]["generator"], 900.0)
    for fidelity in ("session", "waveform"):
        words = ("evaluate", study, "--design", design, "--fidelity", fidelity, "--json")
        assert genchain(*words).json["feasible"] is False


@pytest.mark.parametrize("value", [np.bool_(True), np.int64(3), Path("x"), float("nan")])
def test_json_refuses_what_it_has_no_word_for(
    genchain, small_study: Path, monkeypatch, value: object
) -> None:
    def answer(path: Path) -> dict:
        return {"study": "small", "combinations": 1, "plan": "", "notes": [], "odd": value}

    monkeypatch.setattr("explorer.commands.check.check_study", answer)
    told = genchain("check", small_study, "--json")
    assert (told.status, told.out) == (1, "")
    assert "JSON" in told.err


def test_every_front_says_whether_it_was_thinned(genchain, launched, monkeypatch) -> None:
    study, answer = launched
    size = answer["front_size"]
    assert answer["front_thinned"] is (len(answer["front"]) < size)
    monkeypatch.setattr("explorer.front.reading_front", lambda points: np.array([0]))
    for command in ("launch", "rerun", "review"):
        told = genchain(command, study, "--json").json
        assert (told["front_size"], told["front_thinned"]) == (size, True)
        assert 0 < len(told["front"]) < size
    for one in genchain("review", study, study, "--json").json["studies"]:
        assert (one["front_size"], one["front_thinned"]) == (size, True)
    monkeypatch.setattr("explorer.front.reading_front", lambda points: np.arange(len(points)))
    for command in ("launch", "rerun", "review"):
        told = genchain(command, study, "--json").json
        assert (told["front_size"], told["front_thinned"]) == (len(told["front"]), False)
    set_price(study, "crank_mid", 900.0)
    nothing = genchain("rerun", study, "--json").json
    assert (nothing["front"], nothing["front_size"]) == ([], 0)
    assert nothing["front_thinned"] is False


def test_the_version_is_said(genchain) -> None:
    told = genchain("--version")
    assert (told.status, told.err) == (0, "")
    assert told.out == f"genchain {__version__} (model {MODEL_VERSION})\n"


def test_a_finished_launch_is_not_computed_again(genchain, launched, monkeypatch) -> None:
    study, answer = launched
    solved = []

    def counting(project, designs, *rest):
        solved.append(designs)
        return simulate(project, designs, *rest)

    monkeypatch.setattr("explorer.model.simulate.simulate", counting)
    again = genchain("launch", study)
    assert again.status == 0
    assert len(solved) <= 1  # a single design tells which margins and readings a result has
    assert "stored designs can be reused" in again.out
    assert again.out.splitlines()[-1].startswith("report: ")
    assert genchain("launch", study, "--json").json["front"] == answer["front"]


def test_review_writes_the_same_front_without_computing(genchain, launched, monkeypatch) -> None:
    study, answer = launched
    monkeypatch.setattr("explorer.model.simulate.simulate", None)
    shown = genchain("review", study, "--json").json
    assert shown["front"] == answer["front"]


def test_a_price_change_a_rerun_and_the_verdict(genchain, launched, monkeypatch) -> None:
    study, answer = launched
    chosen = answer["picks"]["least_cost"]
    (record,) = [r for r in answer["front"] if r["design_id"] == chosen]
    assert genchain("lock", study, chosen, "--note", "for the crew", "--json").status == 0
    monkeypatch.setattr("explorer.model.simulate.simulate", None)  # a rerun computes no physics
    quiet = genchain("rerun", study, "--json", "--fail-if-beaten")
    assert quiet.status == 0
    assert quiet.json.keys() >= RERUN_KEYS
    assert quiet.json["price_changes"] == quiet.json["entered"] == quiet.json["left"] == []
    assert quiet.json["locked"][0]["status"] == "kept"
    tip = quiet.json["locked"][0]["tips"][0]
    assert f"if {tip['part']} " in genchain("rerun", study).out
    monkeypatch.undo()

    set_price(study, record["parts"]["generator"], 500.0)
    moved = genchain("rerun", study, "--json", "--fail-if-beaten")
    assert moved.status == cli.BEATEN
    assert moved.json["unsettled"] == []
    assert [c["part"] for c in moved.json["price_changes"]] == [record["parts"]["generator"]]
    verdict = moved.json["locked"][0]
    assert verdict["design_id"] == chosen
    assert verdict["status"] in ("beaten", "infeasible")

    set_price(study, record["parts"]["generator"], 0.0)
    back = genchain("rerun", study, "--json", "--fail-if-beaten")
    assert back.status == 0
    assert back.json["locked"][0]["status"] == "kept"


def without_part(study: Path, link: str, part: str, *, table: bool) -> None:
    """Take a part out of the study's choices, or out of its table and the prices."""
    if not table:
        rows = (study.parent / "parts" / f"{link}s.csv").read_text().splitlines()[1:]
        others = [row.split(",")[0] for row in rows if not row.startswith(f"{part},")]
        text = study.read_text()
        study.write_text(text.replace("[settings]", f"[choices]\n{link} = {others}\n[settings]"))
        return
    for name in (f"{link}s", "prices"):
        path = study.parent / "parts" / f"{name}.csv"
        lines = path.read_text().splitlines(keepends=True)
        path.write_text("".join(line for line in lines if not line.startswith(f"{part},")))


@pytest.mark.parametrize("table", [False, True])
def test_a_lock_whose_part_is_gone_is_sold_out(genchain, launched, table: bool) -> None:
    study, answer = launched
    record = answer["front"][0]
    assert genchain("lock", study, record["design_id"]).status == 0
    part = record["parts"]["cell"]
    without_part(study, "cell", part, table=table)
    told = genchain("rerun", study, "--json", "--fail-if-beaten")
    assert told.status == cli.BEATEN
    (verdict,) = told.json["locked"]
    assert verdict["status"] == "sold_out"
    place = "in its table" if table else "among the study's choices"
    assert verdict["reasons"][0] == f"cell {part} is no longer {place}"
    assert (verdict["cost"] is None) is table
    assert f"locked {name_of(record['design_id'])}: sold out" in told.err
    whats = [(one["what"], one["name"]) for one in told.json["changed"]]
    assert whats == [("table", f"cells.{part}") if table else ("setting", "choices.cell")]
    page = Path(told.json["report"]).read_text("utf-8")
    assert "no longer offered" in page
    assert genchain("check", study, "--json").json["locked"] == [record["design_id"]]


def test_a_rerun_names_limits_and_tables_that_changed(genchain, launched) -> None:
    study, answer = launched
    heaviest = max(answer["front"], key=lambda record: record["mass_kg"])
    assert genchain("lock", study, heaviest["design_id"]).status == 0
    assert genchain("rerun", study, "--json").json["changed"] == []
    limit = heaviest["mass_kg"] - 0.01
    text = study.read_text().replace("cost = 150", f"cost = 149.5\nmass_kg = {limit!r}")
    study.write_text(text)
    told = genchain("rerun", study, "--json")
    limits = [
        {"what": "limit", "name": "cost", "before": 150.0, "after": 149.5},
        {"what": "limit", "name": "mass_kg", "before": None, "after": limit},
    ]
    assert told.json["changed"] == limits
    assert f"changed since the last run: limit mass_kg: none -> {limit:g}" in told.err
    assert told.err.count("150") == 2  # by the run's own words, and since the lock
    (verdict,) = told.json["locked"]
    assert (verdict["status"], verdict["changed"]) == ("infeasible", limits)
    again = genchain("rerun", study, "--json").json
    assert again["changed"] == []
    assert again["locked"][0]["changed"] == limits  # still why it does not stand


def test_a_lock_that_comes_second_leaves_the_sheet_of_the_first(
    genchain, launched, monkeypatch
) -> None:
    """Both prepare the same design; the one that is refused takes nothing away."""
    from explorer.commands.lock import lock_design
    from explorer.report.sheet import sheet

    study, answer = launched
    name = answer["front"][0]["design_id"]
    build, first = sheet.build_sheet, []

    def overtaken(*given: object) -> object:
        if not first:
            first.append(True)
            first.append(lock_design(study, name))
        return build(*given)

    monkeypatch.setattr(sheet, "build_sheet", overtaken)
    told = genchain("lock", study, name, "--json")
    assert (told.status, told.out) == (2, "")
    assert "is locked already, release it first" in told.err
    assert Path(first[1]["sheet"]).is_file()
    assert Path(first[1]["bill"]).is_file()


@pytest.mark.slow
def test_new_picks_that_were_never_stepped_are_owned_up_to(
    genchain, small_study, monkeypatch
) -> None:
    """A rerun computes no physics, so it says what a pick lacks, and a launch adds just that."""
    monkeypatch.setattr("explorer.decision.picks.RUNNERS_UP", 0)
    study = small_study
    answer = genchain("launch", study, "--json").json
    with Store.open(study.parent / "small.store.sqlite", read_only=True) as store:
        looked_at = set(last_launch(store)["cadences"])
    assert looked_at >= set(answer["picks"].values())
    dear = {"rectifier": 3.0, "cell": 4.0, "window": 9.0, "converter": 17.0}
    moves = {r["parts"][link]: dear[link] for r in answer["front"] for link in dear}
    new = set()
    for part, price in moves.items():
        set_price(study, part, price)
        moved = genchain("rerun", study, "--json").json
        new = set(moved["picks"].values()) - looked_at - {None}
        page = Path(moved["report"]).read_text("utf-8")
        assert ("since the last launch: no curves" in page) == bool(new)
        if new:
            break
    assert new, "no price makes a pick that was not looked at"
    assert "genchain launch small.toml adds them" in page
    again = genchain("launch", study, "--json").json
    assert again["picks"] == moved["picks"]
    assert "since the last launch: no curves" not in Path(again["report"]).read_text("utf-8")


def test_owned_parts_are_free(genchain, launched) -> None:
    study, answer = launched
    record = answer["front"][0]
    generator = record["parts"]["generator"]
    price = next(line for line in record["bill"] if line["part"] == generator)["unit_price"]
    cheaper = genchain("rerun", study, "--owned", generator, "--json").json
    least = min(r["cost"] for r in answer["front"] if r["parts"]["generator"] == generator)
    now = min(r["cost"] for r in cheaper["front"] if r["parts"]["generator"] == generator)
    assert now == pytest.approx(least - price)
    assert genchain("lock", study, record["design_id"]).status == 0
    told = genchain("rerun", study, "--owned", generator).out
    assert f"; to stay costs {record['cost'] - price:.2f} " in told
    assert "to stay costs" not in genchain("rerun", study).out
    one = genchain("rerun", study, "--owned", f"{generator}:1", "--json").json
    assert costs(one) == costs(cheaper)
    assert one["owned_pieces"] == {generator: 1}
    assert (
        f"what if: 1 x {generator} counted"
        in genchain("rerun", study, "--owned", f"{generator}:1").out
    )
    wrong = genchain("rerun", study, "--owned", "hub_smal")
    assert wrong.status == 2
    assert "hub_small" in wrong.err
    for count in ("x", "", "-1", "1.5"):
        wrong = genchain("rerun", study, "--owned", f"{generator}:{count}")
        assert wrong.status == 2
        assert "must have a whole number of pieces after its colon" in wrong.err


def test_a_what_if_is_not_remembered(genchain, launched) -> None:
    """Owned parts change neither the main page nor what the next rerun compares with."""
    study, answer = launched
    generator = answer["front"][0]["parts"]["generator"]
    page = Path(answer["report"]).relative_to(Path(answer["report"]).parents[2])
    before = genchain("review", study, "--json").json
    main = Path(before["report"])
    assert main.parts[-3:] == page.parts
    text = main.read_text("utf-8")
    free = genchain("rerun", study, "--owned", generator, "--json").json
    assert Path(free["report"]).parts[-2:] == ("what_if", "index.html")
    assert "counted as free" in Path(free["report"]).read_text("utf-8")
    assert main.read_text("utf-8") == text
    after = genchain("rerun", study, "--json").json
    assert after["entered"] == after["left"] == after["price_changes"] == []
    assert costs(after) == costs(answer)


def browser_of(folder: Path, *lines: str) -> str:
    """A stand-in for a browser, as BROWSER names one: a program that is given an address."""
    program = folder / "browser"
    program.write_text("\n".join(["#!/bin/sh", *lines]) + "\n")
    program.chmod(0o755)
    return str(program)


def shown_by(study: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """`review --open` as a person runs it, in an environment of its own."""
    command = [sys.executable, "-m", "explorer", "review", str(study), "--open", "--json"]
    return subprocess.run(
        command, capture_output=True, text=True, env={"PYTHONPATH": str(HERE.parent), **environment}
    )


def test_review_opens_the_page_that_it_wrote(launched, tmp_path: Path) -> None:
    study, answer = launched
    page = tmp_path / Path(answer["report"]).relative_to(Path(answer["report"]).parents[3])
    page.write_text("an old page")
    seen = tmp_path / "seen"
    browser = browser_of(tmp_path, f'echo "$@" > "{seen}"', "echo chatter of a browser")
    told = shown_by(study, BROWSER=browser, PATH=os.environ["PATH"])
    assert (told.returncode, "chatter" in told.stderr) == (0, True)
    assert json.loads(told.stdout)["report"] == str(page)  # and nothing else there
    assert seen.read_text().split() == [page.as_uri()]
    assert "an old page" not in page.read_text("utf-8")


@pytest.mark.skipif(sys.platform == "darwin", reason="always has a browser to fall back on")
def test_review_says_when_no_browser_starts(launched, tmp_path: Path) -> None:
    study, _ = launched
    nothing = tmp_path / "no programs"
    nothing.mkdir()
    broken = browser_of(tmp_path, "exit 1")
    for environment in ({}, {"BROWSER": broken}, {"BROWSER": str(tmp_path / "missing")}):
        told = shown_by(study, PATH=str(nothing), **environment)
        page = json.loads(told.stdout)["report"]
        assert told.returncode == 1
        assert told.stderr.splitlines()[-1] == (
            f"{page}: is written, but no browser could be started to show it"
        )


def test_two_studies_side_by_side(genchain, launched, tmp_path: Path) -> None:
    study, answer = launched
    shutil.copytree(study.parent, tmp_path / "other")
    other = tmp_path / "other" / "small.toml"
    set_price(other, answer["front"][0]["parts"]["generator"], 1.0)
    both = genchain("review", study, other, "--json").json
    assert [one["study"] for one in both["studies"]] == ["small", "small"]
    assert both["studies"][0]["front"] == answer["front"]
    assert both["studies"][1]["front"] != answer["front"]
    text = Path(both["report"]).read_text("utf-8")
    assert "Goal by goal" in text
    assert "report: " in genchain("review", study, other).out


def test_one_study_at_two_dates(genchain, launched, monkeypatch) -> None:
    study, answer = launched
    record, path = answer["front"][0], study.parent / "small.store.sqlite"
    with raw(path) as store:
        store.execute("UPDATE outcome SET ended = '2026-10-05T08:15:00+00:00'")
    checksums_anew(path, "outcome")
    set_price(study, record["parts"]["generator"], 400.0)
    assert genchain("rerun", study).status == 0
    monkeypatch.setattr("explorer.model.simulate.simulate", None)  # no physics
    both = genchain("review", f"{study}@2026-10-05", study, "--json").json
    then, now = both["studies"]
    # The front of that day at the prices of that day.
    assert costs(then) == costs(answer)
    assert then["date"] == "2026-10-05"
    assert now["date"] is None
    assert now["front"] != then["front"]
    assert "small of 2026-10-05" in Path(both["report"]).read_text("utf-8")
    alone = genchain("review", f"{study}@2026-10-05T08:15", "--json").json
    assert Path(alone["report"]).parent.name == "small_2026-10-05T0815"


@pytest.mark.parametrize("day", ["2026-10-06", "yesterday", "", "2", "2" * 5000])
def test_a_wrong_date_names_the_right_ones(genchain, launched, day: str) -> None:
    study, _ = launched
    wrong = genchain("review", f"{study}@{day}", "--json")
    assert wrong.status == 2
    assert wrong.out == ""
    assert "must be a day or minute whose front is kept: 20" in wrong.err


def test_review_before_any_launch(genchain, small_study: Path) -> None:
    wrong = genchain("review", small_study)
    assert wrong.status == 2
    assert "launch first" in wrong.err
    assert not (small_study.parent / "small.store.sqlite").exists()


@pytest.mark.parametrize(
    "words", [["rerun", "STUDY"], ["lock", "STUDY", "0123456789ab"], ["lock", "STUDY", "0" * 12,
              "--release"]],
)  # fmt: skip
def test_what_needs_results_makes_no_store(genchain, small_study: Path, words: list[str]) -> None:
    before = sorted(small_study.parent.iterdir())
    wrong = genchain(*(small_study if word == "STUDY" else word for word in words))
    assert wrong.status == 2
    assert wrong.err.count("\n") == 1
    assert "launch first" in wrong.err or "is not locked" in wrong.err
    assert sorted(small_study.parent.iterdir()) == before


@pytest.mark.parametrize("command", ["check", "launch", "rerun"])
def test_a_wrong_file_of_decisions_is_named_before_anything_is_done(
    genchain, small_study: Path, command: str
) -> None:
    (small_study.parent / "small.decided.toml").write_text("hello")
    wrong = genchain(command, small_study)
    assert wrong.status == 2
    assert "small.decided.toml: line 1: is not TOML" in wrong.err
    assert wrong.err.count("\n") == 1
    assert not (small_study.parent / "small.store.sqlite").exists()


@pytest.mark.parametrize("fails", ["sheet", "decisions", "store"])
def test_a_lock_is_written_whole_or_not_at_all(genchain, launched, monkeypatch, fails: str) -> None:
    """No permission or a full disk is one line, status 2, nothing half-written."""
    study, answer = launched
    one, two = (record["design_id"] for record in answer["front"][:2])
    assert genchain("lock", study, one).status == 0
    kept = study.with_name("small.decided.toml").read_bytes()

    def refuse(*_: object, **__: object) -> None:
        raise DiskError("the disk is full")

    place = {
        "sheet": "explorer.report.sheet.sheet.write_together",
        "decisions": "explorer.decision.decided_file.write_atomic",
        "store": "explorer.store.results.Store.begin",
    }[fails]
    with monkeypatch.context() as full:
        full.setattr(place, refuse)
        wrong = genchain("lock", study, two, "--json")
    assert (wrong.status, wrong.out, wrong.err) == (2, "", "the disk is full\n")
    assert study.with_name("small.decided.toml").read_bytes() == kept
    assert not list(study.parent.rglob(f"build_{two}*"))
    page = Path(genchain("review", study, "--json").json["report"]).read_text("utf-8")
    assert f"lock {name_of(one)}" in page
    assert f"lock {name_of(two)}" not in page


def test_a_mistyped_or_shortened_design_is_offered_the_right_one(genchain, launched) -> None:
    study, answer = launched
    right = answer["picks"]["least_cost"]
    swapped = right[:3] + right[4] + right[3] + right[5:]
    other = "0" if right[-1] != "0" else "1"
    for wrong in (right[:-1] + other, right[:7], swapped):
        if wrong != right:
            assert f"(nearest: {right})" in genchain("lock", study, wrong).err
    assert "nearest" not in genchain("lock", study, "<b>../x</b>").err


def test_lock_then_evaluate_gives_the_same_numbers(genchain, launched, tmp_path: Path) -> None:
    """The parts and settings of a decision, pasted into a file of one's own."""
    study, answer = launched
    name = answer["picks"]["most_energy"]
    locked = genchain("lock", study, name, "--json").json["locked"]
    (entry,) = tomllib.loads(study.with_name("small.decided.toml").read_text())["locked"]
    design = tmp_path / "mine.toml"
    lines = ["[parts]", *(f'{k} = "{v}"' for k, v in entry["parts"].items())]
    lines += ["[settings]", *(f"{k} = {v!r}" for k, v in entry["settings"].items())]
    design.write_text("\n".join(lines))
    mine = genchain("evaluate", study, "--design", design, "--json").json
    assert mine["design_id"] == name
    for key in ("delivered_energy_J", "cost", "mass_kg", "crank_effort_percent", "regime"):
        assert mine[key] == locked[key] == entry["result"][key]
    # Among many designs sums may be ordered differently, which moves the last digits.
    assert mine["margins"] == pytest.approx(entry["margins"], rel=1e-9, abs=1e-9)
    assert mine["ledger_J"] == pytest.approx(entry["result"]["ledger_J"], rel=1e-9, abs=1e-9)


def test_a_rerun_tells_old_prices_breaks_and_what_ifs(genchain, launched) -> None:
    study, answer = launched
    part = answer["front"][0]["parts"]["crank"]
    set_price(study, part, 7.5)
    table = study.parent / "parts" / "prices.csv"
    table.write_text(
        table.read_text().replace("7.5,EUR,2026-11-10", "7.5,EUR,2019-11-10")
        + f"{part},5.00,EUR,2026-11-20,10\n"
    )
    told = genchain("rerun", study)
    assert re.search(rf"\({part}\): the price of 2019-11-10 is \d{{4}} days old", told.out)
    assert f"price of {part} from 10 pieces: none -> 5.00 EUR (new, dated 2026-11-20)" in told.out
    assert f"what if: {part} counted as free" in genchain("rerun", study, "--owned", part).out


def test_a_rerun_names_the_number_of_kits_as_the_cause(genchain, launched, tmp_path: Path) -> None:
    """Ten kits of eight diodes are bought at the price from 50 on, 0.19 instead of 0.28 EUR."""
    study, answer = launched
    record = next(r for r in answer["front"] if r["parts"]["rectifier"] == "schottky_3a")
    pieces = next(line["quantity"] for line in record["bill"] if line["link"] == "rectifier")
    assert pieces == 8
    assert genchain("lock", study, record["design_id"]).status == 0
    first = genchain("rerun", study, "--json")
    assert first.json["terms_changed"] == []
    time.sleep(1.1)  # runs are dated to the second
    text = study.read_text()
    study.write_text(text.replace("[prices]", "[prices]\nbuild_quantity = 10"))
    moved = genchain("rerun", study, "--json")
    assert moved.json["price_changes"] == []
    assert moved.json["terms_changed"] == [{"term": "build_quantity", "old": 1, "new": 10}]
    assert "build_quantity of the study: 1 -> 10 (price breaks count for all kits" in moved.err
    (locked,) = moved.json["locked"]
    assert locked["cost"] == pytest.approx(record["cost"] - 8 * (0.28 - 0.19))
    assert "its price on the day of the lock was for building 1, not 10" in locked["reasons"]
    page = Path(moved.json["report"]).read_text("utf-8")
    assert "no price has moved, but the study builds 10 kits instead of 1" in page
    assert "build_quantity from 1 to 10" in page  # in the history
    again = genchain("rerun", study, "--json").json
    assert again["terms_changed"] == []
    # The page of a past day counts the kits of that day.
    with Store.open(study.with_name("small.store.sqlite"), read_only=True) as store:
        before = next(run for run in store.history() if run.kind == "rerun").ended
    then = genchain("review", f"{study}@{before[:19]}", study, "--json")
    old, new = ({r["design_id"]: r["cost"] for r in side["front"]} for side in then.json["studies"])
    name = record["design_id"]
    assert old[name] - new[name] == pytest.approx(8 * (0.28 - 0.19))


def test_a_rerun_that_searches_says_what_it_computed(genchain, launched) -> None:
    study, answer = launched
    again = genchain("rerun", study, "--search", "--json").json
    assert again["physics_evaluations"] == 0  # the search had ended
    assert costs(again) == costs(answer)
    assert again["search"]["exact"] is True


def test_evaluate_gives_the_numbers_of_the_front(genchain, launched, tmp_path: Path) -> None:
    study, answer = launched
    record = answer["front"][0]
    design = tmp_path / "mine.toml"
    lines = ["[parts]", *(f'{k} = "{v}"' for k, v in record["parts"].items())]
    lines += ["[settings]", *(f"{k} = {v!r}" for k, v in record["settings"].items())]
    design.write_text("\n".join(lines))
    mine = genchain("evaluate", study, "--design", design, "--json").json
    assert mine.keys() >= RESULT_KEYS
    for key in ("design_id", "delivered_energy_J", "cost", "mass_kg", "crank_effort_percent"):
        assert mine[key] == record[key]
    assert "where the work at the crank goes" in genchain("evaluate", study, "--design", design).out


def test_every_fault_of_a_design_file_at_once(genchain, launched, tmp_path: Path) -> None:
    study, _ = launched
    design = tmp_path / "mine.toml"
    design.write_text('[parts]\ncrank = "crank_mit"\ngear = "x"\n[settings]\ncells_series = 2.5\n')
    wrong = genchain("evaluate", study, "--design", design, "--json")
    assert wrong.status == 2
    assert wrong.out == ""
    for words in (
        "parts.crank: is not in its table, got crank_mit (nearest: crank_mid)",
        "parts.gear: is unknown",
        "parts.generator: is missing",
        "settings.cells_series: must be a whole number, got 2.5",
        "settings.cadence_rpm: is missing",
    ):
        assert words in wrong.err
    assert all(line.startswith(str(design)) for line in wrong.err.splitlines())


def test_a_study_with_no_feasible_design_says_what_stands_in_the_way(
    genchain, small_study: Path
) -> None:
    text = small_study.read_text()
    small_study.write_text(text.replace("[limits]", "[limits]\nmass_kg = 0.2"))
    wrong = genchain("launch", small_study, "--workers", 1)
    assert wrong.status == 2
    assert "no design of the study keeps every rule" in wrong.err
    assert "limit_mass_kg" in wrong.err
    assert not (small_study.parent / "reports").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["launch", "nowhere.toml"], "nowhere.toml: is missing"),
        (["lunch", "x.toml"], "No such command 'lunch'"),
        (["lock", "nowhere.toml", "abc"], "nowhere.toml: is missing"),
        (["evaluate", "nowhere.toml"], "Missing option '--design'"),
    ],
)
def test_wrong_words_are_status_2(genchain, words, told: str) -> None:
    wrong = genchain(*words)
    assert wrong.status == 2
    assert told in wrong.err
    assert wrong.out == ""


def test_an_accident_is_one_line_and_status_1(genchain, small_study: Path, monkeypatch) -> None:
    def accident(path: Path) -> None:
        raise RuntimeError("something\nunforeseen")

    monkeypatch.setattr("explorer.commands.check.check_study", accident)
    told = genchain("check", small_study)
    assert told.status == 1
    assert told.err == "RuntimeError: something unforeseen (--debug shows where)\n"
    monkeypatch.setattr(sys, "argv", ["genchain", "check", str(small_study), "--debug"])
    with pytest.raises(RuntimeError, match="unforeseen"):
        cli.main()


def test_both_names_are_the_same_program() -> None:
    told = subprocess.run(
        [sys.executable, "-m", "explorer", "--help"], capture_output=True, text=True, check=True
    ).stdout
    for command in ("launch", "review", "lock", "rerun", "evaluate", "check"):
        assert command in told


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys, explorer.cli; "
        "print([m for m in ('numpy', 'scipy', 'optuna', 'pandas', 'matplotlib', 'bokeh', 'rich', "
        "'pydantic') if m in sys.modules])"
    )
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert told.strip() == "[]"


WITHOUT_COMPILER = """
import runpy, sys
sys.argv = ["genchain", *sys.argv[1:]]
status = 0
try:
    runpy.run_module("explorer", run_name="__main__")
except SystemExit as ended:
    status = ended.code or 0
print("ended with", status, "numba" in sys.modules, file=sys.stderr)
"""


@pytest.mark.parametrize("command", ["--help", "check", "review", "rerun --quick"])
def test_what_does_without_a_session_loads_no_compiler(
    launched: tuple[Path, dict], command: str
) -> None:
    """Loading it would take longer than the command itself."""
    name, *options = command.split()
    study = [] if name == "--help" else [str(launched[0])]
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_COMPILER, name, *study, *options],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stderr.strip().splitlines()[-1] == "ended with 0 False"


def said_with(study: Path, words: str) -> subprocess.CompletedProcess[str]:
    """The program in a shell that does something with its output, buffered as usual."""
    command = shlex.join([sys.executable, "-m", "explorer", "check", str(study)])
    shell_words = f"{command} {words}"
    env = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    return subprocess.run(
        ["bash", "-o", "pipefail", "-c", shell_words],
        cwd=HERE.parent, env=env, capture_output=True, text=True,
    )  # fmt: skip


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no full device")
def test_a_full_output_is_one_line(small_study: Path) -> None:
    done = said_with(small_study, ">/dev/full")
    assert done.returncode == 2
    assert done.stderr.startswith("standard output: cannot be written: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(("words", "status"), [(">&-", 0), ("2>&- >&-", 0), ("| true", 1)])
def test_an_output_that_is_closed_or_not_read_is_no_traceback(
    small_study: Path, words: str, status: int
) -> None:
    done = said_with(small_study, words)
    assert done.returncode in (status, 0)  # 0, where all was written before the reader was gone
    assert done.stderr == ""


def test_more_processes_than_any_machine_runs_are_refused(genchain, small_study: Path) -> None:
    """Before any is started; the number was too large for a C integer once."""
    wrong = genchain("launch", small_study, "--workers", 10**20)
    assert wrong.status == 2
    assert "1000" in wrong.err
