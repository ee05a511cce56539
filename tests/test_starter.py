"""A new study from `start`: refused until its tables are filled, sound as soon as they are."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from explorer.commands.start import start
from explorer.errors import DiskError, InputError
from explorer.inputs.catalogue import MODELS, TABLE_NAMES, columns_of
from explorer.inputs.links import LINKS
from explorer.inputs.sections import SECTIONS
from explorer.inputs.starter import UNCOMMENT, bench_text, prices_text, study_text, table_text
from explorer.inputs.study import load
from explorer.model.evaluate import evaluate
from explorer.model.simulate import Care
from explorer.model.space import Space
from explorer.units import unit_of


def fill(folder: Path) -> None:
    """Put every example row below its header, without its #."""
    for table in [*folder.glob("parts/*.csv"), *folder.glob("bench/*.csv")]:
        text = table.read_text("utf-8")
        comments, examples = text.split(f"# {UNCOMMENT}\n")
        lines = examples.splitlines()
        rows = [line.removeprefix("# ") for line in lines if line.startswith("#")]
        header, *shipped = lines[len(rows) :]
        assert rows
        assert all(row.startswith(("my_", "generator,my_")) for row in rows)
        assert bool(shipped) == (table.name == "spreads.csv")
        filled = [header, *rows, *shipped]
        table.write_text(comments + "\n".join(filled) + "\n")


def test_a_new_study_wants_rows_and_nothing_else(tmp_path: Path) -> None:
    answer = start("my_study", home=tmp_path)
    assert answer["study"] == str(tmp_path / "my_study" / "my_study.toml")
    assert all(Path(file).is_file() for file in answer["files"])
    assert sorted(map(str, (tmp_path / "my_study").rglob("*.*"))) == sorted(answer["files"])
    with pytest.raises(InputError) as refused:
        load(answer["study"])
    assert {fault.rule for fault in refused.value.faults} == {"has no rows under its column names"}
    assert len(refused.value.faults) == len(TABLE_NAMES) + 2


def test_filled_with_its_examples_it_passes(tmp_path: Path) -> None:
    study = start("my_study", home=tmp_path)["study"]
    fill(tmp_path / "my_study")
    project = load(study)
    assert project.catalogue.notes == ()
    space = Space.of(project)
    assert space.size == 12
    # What it gives as an example is a chain that works, not just one that can be read.
    assert evaluate(project, space.at(np.arange(space.size)), Care.SESSION).feasible.any()
    assert project.study.choices == {link: (f"my_{link}",) for link in LINKS}


def test_every_commented_key_may_be_set_as_it_stands(tmp_path: Path) -> None:
    study = Path(start("my_study", home=tmp_path)["study"])
    fill(tmp_path / "my_study")
    text = study.read_text("utf-8")
    own, offers, rest = re.split(r"(# \[\[prices\.offers\]\]\n(?:# \w+ = .*\n)+)", text)
    lines = re.sub(r"^# (\w+ = )", r"\1", own + rest, flags=re.MULTILINE)
    study.write_text(lines)
    project = load(study)
    assert project.study.limits.cost == 120
    assert project.study.search.cluster is not None
    (tmp_path / "my_study" / "shop.csv").write_text(
        "Article,Unit price,Cur,From\nmy_crank,2,EUR,1\n"
    )
    section = lines.index("[search]")
    study.write_text(lines[:section] + re.sub("^# ", "", offers, flags=re.M) + lines[section:])
    prices = load(study).catalogue.prices
    assert prices.unit_price("my_crank") == 2
    assert prices.unit_price("my_cell") == 2.5


def test_every_key_and_column_stands_there_with_its_meaning() -> None:
    text = " ".join(study_text("any").replace("\n#", "").split())
    for model in SECTIONS.values():
        for name, info in model.model_fields.items():
            if name != "offers":
                assert info.description
                assert " ".join(info.description.split()) in text, name
                assert f"{name} = " in text
    for kind, model in MODELS.items():
        table = table_text(kind)
        header = table.splitlines()[-1].split(",")
        assert set(header) == set(columns_of(model).valid) - set(getattr(model, "ALSO_CALLED", {}))
        for column in header:
            unit = unit_of(column)
            assert f"# {column}{f' ({unit})' if unit else ''}: " in table, (kind, column)
    assert "# price: of one piece" in prices_text()
    assert bench_text().count("# my_converter,") == 6


@pytest.mark.parametrize("name", ["My_study", "", "../out", "a b", "1st", "a" * 49])
def test_a_name_that_no_study_may_have(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="must be lower-case letters"):
        start(name, home=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("precious")
    with pytest.raises(InputError, match="exists already"):
        start("mine", home=tmp_path)
    (tmp_path / "yours").write_text("a file")
    with pytest.raises(InputError, match="exists already"):
        start("yours", home=tmp_path)
    assert (tmp_path / "mine" / "notes.txt").read_text() == "precious"
    assert len(list(tmp_path.rglob("*"))) == 3


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written = Path.write_text

    def full(path: Path, *text: str, **how: str | None) -> int:
        if path.name == "windows.csv":
            raise OSError(28, "No space left on device")
        return written(path, *text, **how)

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(DiskError, match="No space left"):
        start("mine", home=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_both_commands_from_a_shell(tmp_path: Path) -> None:
    def genchain(*words: str) -> subprocess.CompletedProcess[str]:
        program = [sys.executable, "-m", "explorer", *words]
        return subprocess.run(program, cwd=tmp_path, capture_output=True, text=True, check=False)

    made = genchain("start", "mine", "--json")
    assert (made.returncode, made.stdout.count("\n")) == (0, 1)
    assert json.loads(made.stdout)["study"] == str(Path("mine") / "mine.toml")
    again = genchain("start", "mine")
    assert (again.returncode, again.stdout) == (2, "")
    assert again.stderr == "mine: exists already, and nothing is overwritten\n"
    printed = genchain("schema", "study")
    beside = (tmp_path / "mine" / "study.schema.json").read_text("utf-8")
    assert (printed.returncode, printed.stdout) == (0, beside)
    assert json.loads(genchain("schema", "design", "--json").stdout)["required"]
    assert json.loads(genchain("schema", "notes", "--json").stdout)["properties"]
    assert genchain("schema", "nots").returncode == 2
