"""README.md and DEVELOPERS.md name what exists."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from explorer import MODEL_VERSION, __version__
from tests.bench.run import BENCHES

ROOT = Path(__file__).parents[1]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
README = (ROOT / "README.md").read_text()

# TO COME: files that the developers' page names and that folders still to be split will bring.
FILES = frozenset({"model/rules.py"})


def section(title: str) -> str:
    """A part of DEVELOPERS.md by its heading, up to the next of its level."""
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", DEVELOPERS, re.M | re.S)
    assert found, title
    return found[1]


def rows(text: str) -> list[list[str]]:
    """Cells of a table's rows, its header left out."""
    lines = [line.strip().strip("|") for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.split(" | ")] for line in lines[2:]]


def test_files_that_the_page_names_exist() -> None:
    named = set(re.findall(r"`(?:explorer/)?((?:\w+/)+\w+\.(?:py|toml|csv|md))\b", DEVELOPERS))
    homes = (ROOT, ROOT / "explorer")
    missing = {name for name in named if not any((home / name).is_file() for home in homes)}
    assert len(named) > 20
    assert missing - FILES == set()


def test_tasks_each_have_one_file() -> None:
    tasks = rows(section("Twenty-five tasks, and where each begins"))
    assert len(tasks) == 25
    for task, file in tasks:
        assert re.fullmatch(r"`explorer/[\w/]+\.(?:py|csv)`", file), task
        assert (ROOT / file.strip("`")).is_file(), task
    assert len({task for task, _ in tasks}) == 25


def test_every_bench_has_its_figures() -> None:
    listed = {row[0].strip("`") for row in rows(section("Tests, checks, benchmarks"))}
    assert listed == set(BENCHES)


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    needed = {
        extra: [re.split(r"[\[>=<]", one)[0] for one in wanted]
        for extra, wanted in project["optional-dependencies"].items()
    } | {"": [re.split(r"[\[>=<]", one)[0] for one in project["dependencies"]]}
    said = {
        name
        for first, *_ in rows(section("Why each dependency"))
        for name in re.findall(r"[\w-]+", re.sub(r"\[.*?\]", "", first))
    }
    assert {one for wanted in needed.values() for one in wanted} - said == set()


def test_the_newest_version_is_the_package_s() -> None:
    versions = re.findall(
        r"^\*\*(\S+)\*\* \(model (\d+)\)", section("What changed, by version"), re.M
    )
    assert versions[0] == (__version__, MODEL_VERSION)


@pytest.mark.parametrize("status", [0, 1, 2, 3, 130, 143])
def test_every_exit_status_is_in_the_readme(status: int) -> None:
    assert f"\n| {status} | " in README


def test_the_two_commands_stand_for_windows_too() -> None:
    """The same words, with the programs where Windows keeps those of an environment."""
    commands = re.findall(r"^    (?:python3|py) -m venv .*$", README, re.M)
    assert len(commands) == 4
    for unix, windows in zip(commands[:2], commands[2:], strict=True):
        words = windows.replace("py -m", "python3 -m", 1).replace("Scripts", "bin")
        assert words.replace("\\", "/").replace('"', "'") == unix
