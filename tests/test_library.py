"""The package as a library: its public names, data frames, tables for spreadsheets, the README."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import explorer
from explorer.commands.lock import lock_design
from explorer.commands.table import write_table
from explorer.errors import InputError
from explorer.report import table

pd = pytest.importorskip("pandas")
HERE = Path(__file__).parent
ROOT = HERE.parent
README = ROOT / "README.md"


@pytest.fixture(scope="module")
def launched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict]:
    """The small study, launched without a page; read it only."""
    home = tmp_path_factory.mktemp("library") / "small"
    shutil.copytree(HERE / "data" / "small", home)
    return home / "small.toml", explorer.launch(home / "small.toml", workers=1, page=False)


@pytest.fixture
def own(launched: tuple[Path, dict], tmp_path: Path) -> Path:
    """A launched study that may be changed."""
    shutil.copytree(launched[0].parent, tmp_path / "small")
    return tmp_path / "small" / "small.toml"


def test_the_public_names_are_those_of_the_contract() -> None:
    assert sorted(explorer.__all__) == sorted(
        ["InputError", "Project", "__version__", "evaluate", "front_table", "launch", "load",
         "rerun"]
    )  # fmt: skip
    for name in explorer.__all__:
        assert getattr(explorer, name) is not None
        assert name in dir(explorer)
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = explorer.no_such_name


def test_importing_the_package_imports_nothing_else() -> None:
    code = (
        "import sys; before = set(sys.modules); import explorer; "
        "new = set(sys.modules) - before; "
        "print(sorted(m for m in new if not m.startswith(('typing', '_typing', 'collections'))))"
    )
    command = [sys.executable, "-c", code]
    found = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    assert found.stdout.strip() == "['explorer']"


def test_a_launch_without_a_page_writes_none(launched: tuple[Path, dict]) -> None:
    study, answer = launched
    assert answer["report"] is None
    assert answer["front_size"] >= len(answer["front"]) > 0
    assert not list(study.parent.rglob("*.html"))
    assert not (study.parent / "reports").exists()


def test_a_rerun_and_a_lock_without_a_page_write_none(own: Path) -> None:
    again = explorer.rerun(own, page=False)
    assert (again["report"], again["physics_evaluations"]) == (None, 0)
    name = again["picks"]["least_cost"]
    locked = lock_design(own, name, page=False)
    assert (locked["sheet"], locked["bill"]) == (None, None)
    assert locked["locked"]["design_id"] == name
    assert explorer.rerun(own, page=False)["locked"][0]["status"] == "kept"
    assert not list(own.parent.rglob("*.html"))


def test_quick_is_physics_free_and_says_what_it_excludes(own: Path) -> None:
    assert explorer.rerun(own, quick=True, page=False)["physics_evaluations"] == 0
    with pytest.raises(InputError, match="excludes --search"):
        explorer.rerun(own, quick=True, search=True, page=False)


def test_owned_parts_are_names_or_counts(own: Path) -> None:
    part = explorer.load(own).study.choices["generator"][0]
    by_name = explorer.rerun(own, owned=[part], page=False)
    by_mapping = explorer.rerun(own, owned={part: None}, page=False)
    assert by_mapping["owned"] == by_name["owned"] == [part]
    assert by_mapping["front"] == by_name["front"]
    one = explorer.rerun(own, owned={part: 1}, page=False)
    assert one["owned_pieces"] == {part: 1}
    costs = [sorted(design["cost"] for design in answer["front"]) for answer in (one, by_name)]
    assert costs[0] == costs[1]  # a chain has one generator
    none = explorer.rerun(own, owned={part: 0}, page=False)
    assert min(design["cost"] for design in none["front"]) >= min(costs[0])
    for wrong in (-1, 1.5, True, "2"):
        with pytest.raises(InputError, match="must be a whole number of pieces from 0 to"):
            explorer.rerun(own, owned={part: wrong}, page=False)


def test_the_front_is_a_frame_of_what_json_says(launched: tuple[Path, dict]) -> None:
    study, answer = launched
    whole, thinned = explorer.front_table(study), explorer.front_table(study, thinned=True)
    assert (len(whole), len(thinned)) == (answer["front_size"], len(answer["front"]))
    assert whole.index.name == "design_id"
    assert whole.index.is_unique
    assert set(thinned.index) <= set(whole.index)
    assert whole["delivered_energy_J"].is_monotonic_decreasing
    for record in answer["front"]:
        row = thinned.loc[record["design_id"]]
        for key in ("delivered_energy_J", "cost", "mass_kg", "regime", "hazard_chance"):
            known = np.nan if record[key] is None else record[key]
            assert row[key] == (known if key == "regime" else pytest.approx(known, nan_ok=True))
        for group in ("parts", "settings", "margins", "ledger_J"):
            mine = {k: row[f"{group}.{k}"] for k in record[group]}
            assert mine == (record[group] if group == "parts" else pytest.approx(record[group]))
    assert whole["feasible"].dtype == bool
    assert not {"bill", "cases"} & set(whole.columns)


def test_a_value_that_is_none_is_nan_and_a_column_of_them_a_number() -> None:
    rows = [
        {"design_id": "0a", "first_s": None, "never_s": None, "averaged": None, "bill": [1]},
        {"design_id": "0b", "first_s": 2, "never_s": None, "averaged": {"energy_J": 3.0}},
    ]
    found = table.frame(rows)
    assert list(found.columns) == ["first_s", "never_s", "averaged.energy_J"]
    assert {str(dtype) for dtype in found.dtypes} == {"float64"}
    assert np.isnan(found.loc["0a", "first_s"])
    assert found.loc["0b", "averaged.energy_J"] == 3.0
    assert len(table.frame([])) == 0
    assert table.frame([]).index.name == "design_id"


def test_evaluate_gives_a_row_a_design(launched: tuple[Path, dict]) -> None:
    study, answer = launched
    project = explorer.load(study)
    chosen = [{k: r[k] for k in ("parts", "settings")} for r in answer["front"][:2]]
    found = explorer.evaluate(project, chosen)
    assert list(found.index) == [r["design_id"] for r in answer["front"][:2]]
    assert found["delivered_energy_J"].tolist() == pytest.approx(
        [r["delivered_energy_J"] for r in answer["front"][:2]], rel=1e-9
    )
    assert found["fidelity"].tolist() == ["session", "session"]
    fine = explorer.evaluate(project, chosen[:1], fidelity="waveform")
    assert abs(fine["waveform.difference_percent"].iloc[0]) < 1
    assert chosen[0]["parts"] == answer["front"][0]["parts"]  # nothing is changed in place


def test_a_wrong_design_is_named_by_its_place(launched: tuple[Path, dict]) -> None:
    study, answer = launched
    good = {k: answer["front"][0][k] for k in ("parts", "settings")}
    wrong = {**good, "parts": {**good["parts"], "crank": "crank_mit"}}
    with pytest.raises(InputError, match=r"design 2: parts.crank: is not in its table"):
        explorer.evaluate(explorer.load(study), [good, wrong])
    with pytest.raises(InputError, match="--fidelity"):
        explorer.evaluate(explorer.load(study), [good], fidelity="exact")


def test_a_csv_holds_the_frame_to_the_last_digit(
    launched: tuple[Path, dict], tmp_path: Path
) -> None:
    study, answer = launched
    told = write_table(study, tmp_path / "new" / "front.csv", whole=True)
    assert told["designs"] == answer["front_size"]
    assert told["thinned"] is False
    with (tmp_path / "new" / "front.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    whole = explorer.front_table(study)
    assert [row["design_id"] for row in rows] == list(whole.index)
    assert list(rows[0])[1:] == list(whole.columns) == told["columns"]
    for column in ("cost", "margins.cell_voltage_V", "settings.cadence_rpm"):
        written = [float(row[column]) if row[column] else np.nan for row in rows]
        np.testing.assert_array_equal(written, whole[column].to_numpy(dtype=float))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx"])
def test_a_text_that_a_spreadsheet_would_run_is_made_harmless(tmp_path: Path, text: str) -> None:
    frame = table.frame([{"design_id": text, "note": text, "cost": -1.5, text: "x"}])
    table.save(frame, tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as stream:
        header, row = list(csv.reader(stream))
    assert row[:3] == [f"'{text}", f"'{text}", "-1.5"]  # a number is no formula
    assert header[3] == f"'{text}"
    assert frame["note"].tolist() == [text]  # the frame itself is left alone


def test_a_wrong_ending_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"must end in .csv or .parquet, got .xlsx"):
        write_table(tmp_path / "nowhere.toml", tmp_path / "x.xlsx")


def test_a_table_of_the_study_is_not_replaced(small_study: Path, tmp_path: Path) -> None:
    """Whether it is named as it is or by way of a link."""
    prices = small_study.parent / "parts" / "prices.csv"
    content = prices.read_bytes()
    (tmp_path / "mine.csv").symlink_to(prices)
    for file in (prices, tmp_path / "mine.csv"):
        with pytest.raises(InputError, match="the study is read from this one"):
            write_table(small_study, file)
    assert prices.read_bytes() == content


def test_a_limit_that_leaves_nothing_is_named(own: Path, tmp_path: Path) -> None:
    """The one on cost by a launch, which launched again would say no other; and a table of no valid
    design is refused like a rerun."""
    text = own.read_text()
    own.write_text(re.sub(r"(?m)^cost = .*$", "cost = 1", text))
    found = explorer.launch(own, workers=1, page=False)
    assert found["front"] == []
    assert "cost more than limits.cost = 1 EUR, the cheapest" in found["why_none"]
    own.write_text(text.replace("first_charge_s = 300", "first_charge_s = 0.001"))
    own.with_name("small.store.sqlite").unlink()
    with pytest.raises(InputError, match="no design of the study keeps every rule"):
        explorer.launch(own, workers=1, page=False)
    with pytest.raises(InputError, match="holds no design that is valid today, launch first"):
        write_table(own, tmp_path / "front.csv")


def test_parquet_holds_the_frame_as_it_is(launched: tuple[Path, dict], tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    study, _ = launched
    file = tmp_path / "front.parquet"
    write_table(study, file, whole=True)
    pd.testing.assert_frame_equal(pd.read_parquet(file), explorer.front_table(study))


def test_parquet_without_its_library_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"pip install 'genchain\[parquet\]'"):
        write_table(tmp_path / "nowhere.toml", tmp_path / "x.parquet")


def test_the_command_writes_the_table(own: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "explorer", "table", str(own), str(tmp_path / "t.csv")]
    done = subprocess.run(
        [*command, "--json"], capture_output=True, text=True, check=True, cwd=ROOT
    )
    answer = json.loads(done.stdout)
    assert answer["thinned"] is True
    assert len((tmp_path / "t.csv").read_text().splitlines()) == answer["designs"] + 1
    wrong = subprocess.run(
        [*command[:-1], str(tmp_path / "t.xls")], capture_output=True, text=True, cwd=ROOT
    )
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert "must end in .csv or .parquet" in wrong.stderr


def test_the_worked_example_of_the_readme_runs(
    own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As it stands, but for the study's name and a search that has ended already."""
    section = README.read_text().split("## As a library")[1].split("\n## ")[0]
    code = "\n".join(line[4:] for line in re.findall(r"^(?:    .*|)$", section, re.MULTILINE))
    assert "explorer.launch(" in code
    (tmp_path / "studies").mkdir()
    for entry in own.parent.iterdir():
        shutil.move(str(entry), tmp_path / "studies" / entry.name)
    text = code.replace("flood_gauge", "small")
    monkeypatch.chdir(tmp_path)
    found: dict = {}
    exec(compile(text, "README.md", "exec"), found)
    assert found["best"]["delivered_energy_J"] == found["front"]["delivered_energy_J"].max()
    assert len(found["mine"]) == 1
    assert (tmp_path / "light.csv").exists()


TYPED = """
from collections.abc import Mapping
from pathlib import Path

import explorer

def use(path: Path) -> tuple[str, int]:
    project: explorer.Project = explorer.load(path)
    designs: list[Mapping[str, object]] = []
    explorer.evaluate(project, designs, fidelity="session")
    explorer.front_table(str(path), thinned=True)
    answer = explorer.launch(path, workers=1, page=False)
    try:
        again = explorer.rerun(path, owned={"x": None}, search=False, quick=True, page=False)
    except explorer.InputError as error:
        return str(error.faults[0].file), len(answer)
    return explorer.__version__, len(again)
"""


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ("", ""),
        ("explorer.launch(1)", 'incompatible type "int"'),
        ("explorer.launch('x', pages=1)", "Unexpected keyword argument"),
        ("explorer.Desk", "has no attribute"),
        ("explorer.load('x').study.name + 1", "Unsupported operand types"),
    ],
)
def test_public_names_are_typed_for_those_who_import_them(
    tmp_path: Path, wrong: str, message: str
) -> None:
    """mypy strict on a script outside: what is right passes, what is wrong is found."""
    pytest.importorskip("mypy")
    script = tmp_path / "script.py"
    script.write_text(TYPED + wrong + "\n")
    command = [sys.executable, "-m", "mypy", "--strict", "--follow-imports", "silent",
               "--config-file", "/dev/null", "--cache-dir", str(ROOT / ".mypy_cache" / "outside"),
               str(script)]  # fmt: skip
    done = subprocess.run(
        command, capture_output=True, text=True, cwd=tmp_path, env={"MYPYPATH": str(ROOT)}
    )
    assert (done.returncode == 0) == (not wrong), done.stdout + done.stderr
    assert message in done.stdout


def test_a_shell_completes_commands_and_options() -> None:
    """As bash asks: the words so far, and which of them is being typed."""
    env = {"PYTHONPATH": str(ROOT), "_GENCHAIN_COMPLETE": "complete_bash"}

    def completed(words: str, place: int) -> set[str]:
        asked = env | {"COMP_WORDS": words, "COMP_CWORD": str(place)}
        command = [sys.executable, "-m", "explorer"]
        done = subprocess.run(command, capture_output=True, text=True, env=asked, cwd=ROOT)
        assert done.stderr == ""
        return set(done.stdout.split())

    assert completed("genchain l", 1) == {"launch", "lock"}
    assert "--no-page" in completed("genchain rerun --", 2)
