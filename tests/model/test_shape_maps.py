"""Maps of shapes are solved once, said before, kept, and never read when damaged or outdated."""

from __future__ import annotations

import logging
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from explorer import user_cache
from explorer.inputs.study import Project
from explorer.model import shape_maps, soft_bus_map
from explorer.physics import bridge_map, soft_bus
from explorer.physics.bridge import STAR, WINDING
from explorer.physics.emf_shape import Shape
from tests.helpers.chains import with_part

KIND = STAR.shaped(Shape(h5=0.01, h7=-0.02))


class Solver:
    """In place of the real one, which takes a minute: it counts, and its tables are those of a
    small universal map, so that they can be read."""

    def __init__(self) -> None:
        self.calls = 0

    def __call__(self, kind: object) -> dict[str, np.ndarray]:
        self.calls += 1
        values = np.random.default_rng(1).normal(size=(3, 6, 5, 5))
        overlaps = np.zeros((*soft_bus_map.SHAPE_NODES, soft_bus.FACTORS), dtype=np.float32)
        return {**bridge_map.packed_table(values), shape_maps.OVERLAPS: overlaps}


def forget() -> None:
    shape_maps.table_of.cache_clear()
    shape_maps._parts_of.cache_clear()


@pytest.fixture
def solver(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Solver:
    one = Solver()
    monkeypatch.setattr(user_cache, "_candidates", lambda: [tmp_path])
    monkeypatch.setattr(shape_maps, "_solved", one)
    forget()
    yield one
    forget()


def again() -> np.ndarray:
    """The table as another process would get it."""
    forget()
    return shape_maps.table_of(KIND).current


def test_solved_once_said_and_kept(solver: Solver, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING):
        first = again()
    assert "+1 % fifth, -2 % seventh harmonic in a star: once, a minute or two" in caplog.text
    caplog.clear()
    assert np.array_equal(again(), first)
    assert solver.calls == 1
    assert not caplog.records


def damaged(file: Path, how: str) -> None:
    whole = file.read_bytes()
    middle = len(whole) // 2
    files = {
        "cut": whole[:middle],
        "empty": b"",
        "text": b"a page that some proxy sent",
        "turned": whole[:middle] + bytes([whole[middle] ^ 0xFF]) + whole[middle + 1 :],
    }
    file.write_bytes(files[how])


@pytest.mark.parametrize("how", ["cut", "empty", "text", "turned"])
def test_a_damaged_file_is_solved_again(solver: Solver, how: str) -> None:
    first, file = again(), shape_maps._cached(KIND)
    assert file is not None
    damaged(file, how)
    assert np.array_equal(again(), first)
    assert solver.calls == 2
    again()
    assert solver.calls == 2  # and kept whole again


def test_the_map_of_another_shape_is_not_taken(solver: Solver) -> None:
    again()
    mine, other = shape_maps._cached(KIND), shape_maps._cached(STAR.shaped(Shape(h5=0.02)))
    assert mine is not None
    assert other is not None
    assert mine != other
    shutil.copy(mine, other)
    shape_maps.table_of(STAR.shaped(Shape(h5=0.02)))
    assert solver.calls == 2


def test_the_map_of_other_sources_is_not_taken(
    solver: Solver, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    again()
    sources = tmp_path / "sources"
    for name in shape_maps.SOLVED_BY:
        (sources / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(shape_maps.PACKAGE_FOLDER / name, sources / name)
    monkeypatch.setattr(shape_maps, "PACKAGE_FOLDER", sources)
    again()
    assert solver.calls == 1
    file = sources / "physics" / "bridge_solver.py"
    file.write_text(file.read_text() + "SHOTS = 61\n")
    again()
    assert solver.calls == 2


def test_without_a_folder_it_is_solved_for_this_process(
    solver: Solver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(user_cache, "_candidates", lambda: [])
    shape_maps.table_of(KIND)
    shape_maps.table_of(KIND)
    assert solver.calls == 1


def test_shipped_ones_are_not_solved(solver: Solver) -> None:
    for kind in shape_maps.SHIPPED:
        shape_maps.table_of(kind)
    assert solver.calls == 0


def test_a_launch_solves_what_its_generators_ask_for(
    solver: Solver, small_project: Project
) -> None:
    """Star and triangle of a machine, windings of another; nothing for a sine."""
    assert shape_maps.unsolved(small_project) == []
    project = with_part(small_project, "generator", "hub_small", emf_h5=0.03, open_star=True)
    asked = project.study.settings["delta"].model_copy(update={"listed": (0.0, 1.0)})
    settings = {**project.study.settings, "delta": asked}
    both = replace(project, study=replace(project.study, settings=settings))
    assert shape_maps.unsolved(project) == [STAR.shaped(Shape(h5=0.03))]
    assert shape_maps.unsolved(both) == [
        STAR.shaped(Shape(h5=0.03)), STAR.shaped(Shape(h5=-0.03)),
    ]  # fmt: skip
    shape_maps.solve_wanted(both)
    assert solver.calls == 2
    assert shape_maps.unsolved(both) == []


def test_words_say_which() -> None:
    assert shape_maps.in_words(WINDING.shaped(Shape(h3=0.15))) == (
        "an EMF with +15 % third harmonic in separate windings"
    )
