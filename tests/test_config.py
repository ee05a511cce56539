"""A study file becomes a frozen study; hashes tell what its stored designs still answer."""

from __future__ import annotations

import pickle
import shutil
from datetime import date
from math import prod
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pydantic import ValidationError

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project, load

TODAY = date(2026, 11, 25)


def change(study: Path, old: str, new: str) -> None:
    text = study.read_text()
    assert old in text
    study.write_text(text.replace(old, new, 1))


def test_defaults_of_a_short_study(small_project: Project) -> None:
    study = small_project.study
    assert (study.tables, study.bench) == ("parts", "bench")
    assert study.session.overspeed == 1.25
    assert study.session.over_cases == "mean"
    assert study.limits.mass_kg is None
    assert study.limits.cost == 150
    assert study.prices.build_quantity == 1
    assert study.search.method == "auto"
    assert study.search.sampler == "nsga2"


def test_all_is_every_row_in_the_order_of_the_table(small_project: Project) -> None:
    assert tuple(small_project.study.choices) == tuple(LINKS)
    assert small_project.study.choices["cell"] == ("cell_5f", "cell_25f", "cell_100f")
    assert tuple(small_project.study.settings) == SETTINGS


def test_the_small_study_has_a_few_thousand_combinations(small_project: Project) -> None:
    assert 2_000 <= combinations(small_project) <= 10_000


def test_the_demo_is_large_and_can_still_be_swept(demo_project: Project) -> None:
    """At least ten million; above a billion an exact sweep would take too long for a demo."""
    assert 10**7 <= combinations(demo_project) <= 10**9
    assert demo_project.study.settings["cadence_rpm"].continuous


def combinations(project: Project) -> int:
    study = project.study
    return prod(len(setting.values) for setting in study.settings.values()) * prod(
        len(ids) for ids in study.choices.values()
    )


def test_a_project_is_frozen_and_travels_between_processes(small_project: Project) -> None:
    again = pickle.loads(pickle.dumps(small_project))
    assert again == small_project
    with pytest.raises(AttributeError):
        small_project.study_hash = "x"  # type: ignore[misc]
    with pytest.raises(ValidationError):
        small_project.study.session.minutes = 3.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("cadence_rpm = [50, 65]", "cadence_rpm = [50, 60, 65]"),
        ("cost = 150", "cost = 90"),
        ("seed = 7", "seed = 8"),
        ('currency = "EUR"', 'currency = "EUR"\nold_after_days = 900'),
        ("[settings]", '[choices]\ncrank = ["crank_mid"]\n[settings]'),
        ("What is the best", "Which is the best"),
    ],
)
def test_ranges_limits_and_search_leave_stored_designs_valid(
    small_study: Path, old: str, new: str
) -> None:
    before = load(small_study, today=TODAY)
    change(small_study, old, new)
    after = load(small_study, today=TODAY)
    assert after.scenario_hash == before.scenario_hash
    assert after.study_hash != before.study_hash


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("small.toml", "minutes = 10", "minutes = 11"),
        ("small.toml", '"telemetry_pack"', '"regulating_pack"'),
        ("small.toml", '["adult_one_arm"]', '["adult_one_arm", "child_one_arm"]'),
        ("small.toml", "minutes = 10", "minutes = 10\noverspeed = 1.3"),
        ("parts/operators.csv", ",45,3600,", ",46,3600,"),
        ("parts/packs.csv", "steady,2,", "steady,1.9,"),
    ],
)
def test_whoever_cranks_and_whatever_is_charged_is_another_scenario(
    small_study: Path, file: str, old: str, new: str
) -> None:
    before = load(small_study, today=TODAY).scenario_hash
    change(small_study.parent / file, old, new)
    assert load(small_study, today=TODAY).scenario_hash != before


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("small.toml", "# A study small enough", "# Another comment\n# A study small enough"),
        ("small.toml", "minutes = 10", "minutes    =    10 # ten"),
        ("parts/operators.csv", "Child with one arm", "A child"),
    ],
)
def test_comments_spacing_and_names_are_no_change(
    small_study: Path, file: str, old: str, new: str
) -> None:
    before = load(small_study, today=TODAY)
    change(small_study.parent / file, old, new)
    after = load(small_study, today=TODAY)
    assert after.study_hash == before.study_hash
    assert after.scenario_hash == before.scenario_hash


def test_a_study_may_stand_anywhere(
    small_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = shutil.copytree(small_study.parent, tmp_path / "other place")
    monkeypatch.chdir(elsewhere)
    assert load("small.toml", today=TODAY).study == load(small_study, today=TODAY).study


def test_ways_to_write_a_setting() -> None:
    def values(given: object) -> tuple[float, ...]:
        return Setting.model_validate(given).values

    assert values([7, 5, 5.0]) == (5.0, 7.0)
    assert values(6) == (6.0,)
    assert values({"low": 3, "high": 6, "step": 1}) == (3.0, 4.0, 5.0, 6.0)
    assert values({"low": 3, "high": 6, "step": 2}) == (3.0, 5.0)
    assert values({"low": 0.1, "high": 0.3, "step": 0.1}) == (0.1, 0.2, 0.3)
    assert values({"low": 40, "high": 80, "sweep_points": 5}) == (40.0, 50.0, 60.0, 70.0, 80.0)
    assert values({"low": 40, "high": 80, "sweep_points": 1}) == (60.0,)
    assert values({"low": 40, "high": 40, "sweep_points": 5}) == (40.0,)


@given(
    low=st.floats(0.001, 1e3),
    width=st.floats(0, 1e3),
    step=st.floats(1e-3, 1e3),
    points=st.integers(1, 50),
)
def test_a_setting_stays_in_its_range(low: float, width: float, step: float, points: int) -> None:
    assume(width / step < 9_000)
    grid = Setting.model_validate({"low": low, "high": low + width, "step": step})
    even = Setting.model_validate({"low": low, "high": low + width, "sweep_points": points})
    for setting in (grid, even):
        values = setting.values
        # A millionth of a step is the grid's allowance for decimal steps in binary.
        assert low - 1e-9 <= values[0]
        assert values[-1] <= low + width + 1e-6 * step + 1e-9
        assert list(values) == sorted(values)
    assert grid.high - grid.values[-1] < step * (1 + 1e-6)
    assert len(even.values) in (1, points)
    assert even.continuous
    assert not grid.continuous
