"""The rules of the house: sizes, one home for a name, standard terms, plain English, the disk.

`python -m tests.helpers.house` prints what breaks them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.helpers import house
from tests.helpers.house import ROOT, Place


def named(places: list[Place]) -> set[str]:
    """Names of places."""
    return {str(place) for place in places}


def test_a_module_has_four_hundred_lines_at_most() -> None:
    assert named(house.long_modules()) == set()


def test_a_function_has_sixty_lines_at_most_and_a_class_three_hundred() -> None:
    assert named(house.long_blocks()) == set()


def test_a_public_name_has_one_home() -> None:
    """`main` is what runs, wherever a module does."""
    assert set(house.doubles()) <= {"main"}


def test_names_are_standard_terms() -> None:
    assert named(house.old_words()) == set()


@pytest.mark.parametrize("module", sorted(house.modules()))
def test_docstrings_comments_and_messages_are_plain_english(module: str) -> None:
    assert house.phrases(house.modules()[module]) == []


def test_templates_are_plain_english() -> None:
    folder = house.PACKAGE / "report" / "templates"
    found = {path.name: house.phrases(path) for path in folder.iterdir()}
    assert {name: rows for name, rows in found.items() if rows} == {}


def test_every_module_says_what_it_is_for() -> None:
    silent = [name for name in house.modules() if not house.first_line(name)]
    assert silent == []


def test_the_developers_page_lists_every_module_and_those_that_use_the_disk() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text()
    assert page == house.with_modules(page), "run .ci/modules"


def test_tests_leave_the_search_path_of_imports_alone() -> None:
    """pytest's `pythonpath` and `python -m` find everything."""
    edit = "sys." + "path"
    files = {
        str(path.relative_to(ROOT))
        for folder in ("tests", "explorer")
        for path in (ROOT / folder).rglob("*.py")
        if edit in path.read_text()
    }
    assert files == set()


# The checks themselves, on source that breaks each rule.


@pytest.fixture
def one_module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Puts a package of made-up modules in the place of the real one."""

    def put(**sources: str) -> None:
        for name, source in sources.items():
            (tmp_path / f"{name}.py").write_text(source)
        monkeypatch.setattr(house, "PACKAGE", tmp_path)
        house.modules.cache_clear()
        house.tree.cache_clear()

    yield put
    monkeypatch.undo()
    house.modules.cache_clear()
    house.tree.cache_clear()


def test_the_checks_see_what_is_too_long(one_module) -> None:
    long = "def long():\n" + "    pass\n" * 60
    fits = "def fits():\n" + "    pass\n" * 59
    large = "class Large:\n" + "    x = 1\n" * 300
    one_module(a="x = 1\n" * 401, b="x = 1\n" * 400, c=f"if True:\n    y = 1\n{long}{fits}{large}")
    assert [(p.module, p.lines) for p in house.long_modules()] == [("a", 401), ("c", 424)]
    assert [(str(p), p.lines) for p in house.long_blocks()] == [("c:long", 61), ("c:Large", 301)]


def test_the_checks_see_names(one_module) -> None:
    one_module(
        walk="def once(): ...\nLIMIT: int = 3\n",
        b="class Shelf:\n    def why(self): ...\nLIMIT, _PRIVATE = 1, 2\nHOPELESS = 1\n",
        c="def once(): ...\n_PRIVATE = 2\n",
    )
    assert house.doubles() == {"LIMIT": ["b", "walk"], "once": ["c", "walk"]}
    assert set(map(str, house.old_words())) == {
        "walk:walk", "b:Shelf", "b:Shelf.why", "b:HOPELESS"
    }  # fmt: skip


def test_a_compiled_law_has_its_home_in_physics(one_module) -> None:
    one_module(
        a="def drag(): ...\ndef loss(): ...\n",
        b="import a\ndrag = scalar(a.drag)\nloss = other(a.loss)\n",
    )
    assert house.doubles() == {"loss": ["a", "b"]}


def test_the_checks_see_phrases(one_module) -> None:
    one_module(
        a='"""It tells two designs apart: nothing is told."""\ntold = 1  # Nobody listens\n'
        'print(f"to tell {told} apart, {told} conspires")\n'
    )
    assert house.phrases(house.modules()["a"]) == [
        "1: told", "2: Nobody listens", "3: conspires"
    ]  # fmt: skip


def test_the_checks_see_the_disk(one_module) -> None:
    sources = {
        "a": "from pathlib import Path\nprint(Path('x').read_text())\n",
        "b": "import sqlite3\n",
        "c": "with open('x') as stream: ...\n",
        "d": "from pathlib import Path\nprint(Path('x').name, Store.open('y'))\n",
    }
    one_module(**sources)
    assert [house.uses_disk(name) for name in sources] == [True, True, True, False]
