"""Designs as arrays: numbering, drawing, and names made of content."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model.space import Designs, Space, describe, design_id, design_ids, plain_setting
from tests.helpers.chains import SOUND, pick


def rows_of(designs: Designs) -> list[tuple[float, ...]]:
    columns = [designs.parts[k] for k in LINKS] + [designs.settings[k] for k in SETTINGS]
    return [tuple(float(v) for v in row) for row in np.stack(columns, axis=1)]


def test_every_combination_once(small_project: Project) -> None:
    """Against the product of the standard library, in the same order."""
    space = Space.of(small_project)
    choices = [space.choices[link].tolist() for link in LINKS]
    values = [space.settings[name].values for name in SETTINGS]
    expected = [tuple(map(float, row)) for row in itertools.product(*choices, *values)]
    assert space.size == len(expected)
    assert rows_of(space.at(np.arange(space.size))) == expected


def test_numbers_are_those_of_at_and_none_for_what_is_no_combination(
    demo_project: Project,
) -> None:
    """Values count to the digits that a design keeps; another part is none, nor a value between."""
    everything = Space.of(demo_project)
    some = np.random.default_rng(2).integers(0, everything.size, 500)
    designs = everything.at(some)
    np.testing.assert_array_equal(everything.numbers(designs), some)
    cadence = designs.settings["cadence_rpm"]
    close, between = cadence * (1 + 1e-9), cadence + np.where(np.arange(500) % 2, 0.5, 0.0)
    near = Designs(designs.parts, {**designs.settings, "cadence_rpm": close})
    np.testing.assert_array_equal(everything.numbers(near), some)
    off = Designs(designs.parts, {**designs.settings, "cadence_rpm": between})
    np.testing.assert_array_equal(everything.numbers(off), np.where(np.arange(500) % 2, -1, some))
    cells = {"cell": np.delete(everything.choices["cell"], 1)}
    fewer = Space({**everything.choices, **cells}, everything.settings)
    gone = designs.parts["cell"] == everything.choices["cell"][1]
    assert gone.any()
    np.testing.assert_array_equal(fewer.numbers(designs) < 0, gone)


def test_demo_has_ten_million_combinations(demo_project: Project) -> None:
    space = Space.of(demo_project)
    assert space.size >= 10_000_000
    last = space.at(np.array([0, space.size - 1]))
    for name in SETTINGS:
        assert last.settings[name].tolist() == [
            space.settings[name].values[0],
            space.settings[name].values[-1],
        ]
    assert space.continuous, "the demo has a continuous setting, so that it is sampled too"


def test_draws_stay_inside_and_repeat(demo_project: Project) -> None:
    space = Space.of(demo_project)
    one, two = (space.draw(500, np.random.default_rng(7)) for _ in range(2))
    assert rows_of(one) == rows_of(two)
    for link in LINKS:
        assert set(one.parts[link].tolist()) <= set(space.choices[link].tolist())
    for name in SETTINGS:
        setting, drawn = space.settings[name], one.settings[name]
        assert np.all((drawn >= setting.low) & (drawn <= setting.high))
        if name in space.continuous:
            assert len(np.unique(drawn)) == 500
        else:
            assert set(drawn.tolist()) <= set(setting.values)


def test_names_come_from_content_alone(small_project: Project, demo_project: Project) -> None:
    """The same chain has the same name in another study, though its rows stand elsewhere."""
    ids = [
        design_ids(project.catalogue, pick(project), [0])[0]
        for project in (small_project, demo_project)
    ]
    assert ids[0] == ids[1]
    parts, values = describe(small_project.catalogue, pick(small_project), 0)
    assert parts == {link: SOUND[link] for link in LINKS}
    assert values == {name: SOUND[name] for name in SETTINGS}
    assert design_id(parts, values) == ids[0]
    assert len(ids[0]) == 12
    assert int(ids[0], 16) >= 0


def test_other_designs_have_other_names(small_project: Project) -> None:
    space = Space.of(small_project)
    ids = design_ids(small_project.catalogue, space.at(np.arange(space.size)), range(space.size))
    assert len(set(ids)) == space.size


@given(value=st.floats(1.0, 1e4))
def test_settings_are_written_to_six_digits(value: float) -> None:
    """Written, read and written again they stay: a name does not change on its way through TOML."""
    shown = plain_setting("cadence_rpm", value)
    assert plain_setting("cadence_rpm", shown) == shown
    # Half a unit of the sixth digit, of the smallest number that has it.
    assert shown == pytest.approx(value, rel=5.001e-6)
    assert plain_setting("cells_series", 5.0) == 5
    assert isinstance(plain_setting("cells_series", 5.0), int)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.integers(0, 19), min_size=1, max_size=30), cut=st.integers(0, 30))
def test_take_and_concatenate(small_project: Project, rows: list[int], cut: int) -> None:
    designs = Space.of(small_project).draw(20, np.random.default_rng(8))
    taken = designs.take(np.array(rows))
    assert rows_of(taken) == [rows_of(designs)[row] for row in rows]
    index = np.arange(len(rows))
    halves = [taken.take(index < cut), taken.take(index >= cut)]
    assert rows_of(Designs.concatenate(halves)) == rows_of(taken)
    assert len(taken) == len(rows)
