"""measure next on real chains: what it names, its words, and that measuring it settles things."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from explorer.commands.front_view import MEASURE_NEXT, FrontView
from explorer.commands.launch import launch_study
from explorer.commands.measure_next import next_measurement
from explorer.commands.measured_words import next_named
from explorer.commands.review import review_studies
from explorer.errors import InputError
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.spreads import SpreadRow
from explorer.inputs.study import Project, load
from explorer.measuring.bench_effort import EFFORTS
from explorer.measuring.what_to_measure import contest
from explorer.model import promise
from explorer.model.common_draws import common_draws, uncertain_numbers
from explorer.model.odds import KEEPS_RULES, MOST_BELOW_HALF
from explorer.model.space import Space
from explorer.store.keys import path_of
from explorer.store.results import Store
from tests.conftest import DEMO

FEW_PARTS = {
    "crank": ["crank_short"], "gearing": ["no_gearing", "chain_3"],
    "generator": ["hub_mid", "stepper_long"], "lead": ["lead_plain"],
    "rectifier": ["schottky_3a", "active_20"], "cell": ["cell_10f", "cell_25f"],
    "clamp": ["no_clamp", "cell_clamp_large"], "window": ["window_fine"],
    "converter": ["buckboost_wide", "buckboost_sync"], "pack_lead": ["usb_lead_short"],
}  # fmt: skip
"""What the crew has at hand in the README's example."""
CLAMP = "cell_clamp_large"


@pytest.fixture(scope="module")
def launched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The flood gauge with few parts, launched with its page; tests only read it."""
    home = tmp_path_factory.mktemp("gauge") / "studies"
    shutil.copytree(DEMO.parent, home, ignore=shutil.ignore_patterns("*.sqlite", "reports"))
    study = home / DEMO.name
    text = study.read_text()
    before, after = text.split("[choices]")
    after = after[after.index("[settings]") :]
    chosen = "\n".join(f"{link} = {names}" for link, names in FEW_PARTS.items())
    grid = "cadence_rpm = { low = 40, high = 80, sweep_points = 3 }"
    assert grid in after
    after = after.replace(grid, "cadence_rpm = [50, 60, 70, 80]")
    study.write_text(f"{before}[choices]\n{chosen}\n\n{after}")
    return study, launch_study(study, workers=1)


@pytest.fixture(scope="module")
def named(launched: tuple[Path, dict[str, Any]]) -> dict[str, Any]:
    return next_measurement(launched[0], draws=400, workers=1)


def measured(project: Project, factor: float) -> Project:
    """The project once the clamp's threshold was measured within 0.2 %: so many times its class."""
    (row,) = (k for k, part in enumerate(project.catalogue.parts["clamp"]) if part.id == CLAMP)
    clamps = list(project.catalogue.parts["clamp"])
    volts = clamps[row].threshold_V * factor  # type: ignore[attr-defined]
    clamps[row] = clamps[row].model_copy(update={"threshold_V": volts})
    own = SpreadRow(
        link="clamp", part=CLAMP, column="threshold_V", low=0.998, high=1.002, shape="lognormal",
        varies="batch", source="measured on a bench supply", dated=date(2026, 11, 28),
    )  # fmt: skip
    parts = {**project.catalogue.parts, "clamp": tuple(clamps)}
    spreads = {**project.catalogue.spreads, ("clamp", CLAMP): (own,)}
    return replace(project, catalogue=replace(project.catalogue, parts=parts, spreads=spreads))


@pytest.mark.slow
def test_what_is_named_settles_a_promise_that_fails(
    launched: tuple[Path, dict[str, Any]], named: dict[str, Any]
) -> None:
    """With what is known of the classes no design may be recommended. The one thing that is named,
    ten minutes on a bench supply, makes a design sound, or lets all of them fall.
    """
    study, answer = launched
    assert answer["picks"]["recommended"] is None
    assert named["chosen_today"] is None
    assert not named["measure_nothing"]
    best = named["worth"][0]
    assert (best["link"], best["part"], best["columns"]) == ("clamp", CLAMP, ["threshold_V"])
    assert best["interval_J"][0] > 0
    assert best["minutes"] <= 15
    project = load(study)
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        rows = [view.stored.find(one["design_id"]) for one in named["contenders"]]
        designs = view.stored.designs.take(np.array(rows))

    def hold(project: Project) -> list[bool]:
        return [
            one.holds(project.study.build.hazard_chance, project.study.promise)
            for one in promise.odds(project, designs, range(400))
        ]

    assert not any(hold(project))
    assert any(hold(measured(project, 0.982)))
    assert not any(hold(measured(project, 1.01)))


def test_answer_and_words(named: dict[str, Any]) -> None:
    quantities = {(one["link"], one["part"], *one["columns"]) for one in named["worth"]}
    assert len(quantities) == len(named["worth"]) > 20
    for one in named["worth"]:
        assert 0 <= one["worth_J"] <= named["perfect_J"]
        assert one["interval_J"][0] <= one["interval_J"][1]
        assert one["minutes"] > 0
        assert one["worth_money"] is None
    worths = [one["worth_J"] for one in named["worth"]]
    assert worths == sorted(worths, reverse=True)
    assert any(one["note"] == "generator" and len(one["columns"]) > 3 for one in named["worth"])
    assert 1 < len(named["contenders"]) <= 8
    lines = next_named(named)
    assert "today none of them may be chosen" in lines[0]
    first = next(line for line in lines if "threshold of the clamp" in line)
    assert CLAMP in first


def test_the_page_says_nothing_without_a_design(launched: tuple[Path, dict[str, Any]]) -> None:
    """Advice is kept for a recommended design only; there is none here."""
    project = load(launched[0])
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        assert MEASURE_NEXT not in store.search_progress(view.looked_at)


@pytest.mark.slow
def test_a_launch_keeps_its_advice_for_the_page(small_study: Path) -> None:
    text = small_study.read_text().replace("evaluations = 2000", "evaluations = 200")
    small_study.write_text(text + 'method = "sample"\n')
    answer = launch_study(small_study, workers=1)
    project = load(small_study)
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        kept = store.search_progress(view.looked_at)[MEASURE_NEXT]
    assert kept["design_id"] == answer["picks"]["recommended"]
    page = Path(review_studies(small_study)["report"]).read_text()
    assert "Measure first:" in page
    words = "nothing. No single" if kept["measure_nothing"] else kept["worth"][0]["quantity"]
    assert words in page


def test_wrong_questions(small_study: Path, launched: tuple[Path, dict[str, Any]]) -> None:
    with pytest.raises(InputError):
        next_measurement(small_study)
    with pytest.raises(InputError, match="no design that the store holds"):
        next_measurement(launched[0], "0123456789ab")


def test_every_number_that_builds_differ_in_has_its_effort(demo_project: Project) -> None:
    designs = Space.of(demo_project).draw(200, np.random.default_rng(1))
    for one in uncertain_numbers(demo_project, designs):
        assert (one.where, one.fields[0]) in EFFORTS, one
    assert {where for where, _ in EFFORTS} <= {*LINKS, "operator", "settings"}
    assert {field for where, field in EFFORTS if where == "settings"} <= set(SETTINGS)


def test_common_draws_are_those_of_promises(small_project: Project) -> None:
    """The same builds come to the same energies and broken rules, shared among processes or not."""
    designs = Space.of(small_project).draw(5, np.random.default_rng(4))
    seen = common_draws(small_project, designs, range(24))
    for k, one in enumerate(promise.odds(small_project, designs, range(24))):
        broken = np.any(seen.hazard_room[k] < 0, axis=0)
        assert one.hazards == broken.sum()
        assert one.kept == np.all(seen.rule_room[k] >= 0, axis=0).sum()
        assert one.energies_J == tuple(np.where(broken, 0.0, seen.energy_J[k]))
    shared = common_draws(small_project, designs, range(24), workers=2)
    np.testing.assert_array_equal(shared.energy_J, seen.energy_J)
    np.testing.assert_array_equal(shared.numbers, seen.numbers)
    emf = [one.fields == ("emf_phase_V_s",) for one in seen.uncertain]
    assert 0.95 <= seen.numbers[:, emf].min() < 1 < seen.numbers[:, emf].max() <= 1.05


@pytest.mark.slow
def test_worth_of_a_clamp_by_two_levels_of_real_builds(
    launched: tuple[Path, dict[str, Any]], named: dict[str, Any]
) -> None:
    """Brute force: the threshold at values over its class, for each all other numbers drawn anew,
    and the best contender that holds among them. Today's choice is none, so all of it is gain.
    """
    project = load(launched[0])
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        asked = contest(view.picker, None)
        assert asked is not None
        designs = view.stored.designs.take(asked.rows)
    values = []
    for factor in 0.98 + 0.04 * (np.arange(16) + 0.5) / 16:
        exact = measured(project, float(factor))
        seen = common_draws(exact, designs, range(4000, 4120))
        values.append(max(0.0, *_values(seen.energy_J, seen, asked.offset_J)))
    (clamp,) = (one for one in named["worth"] if one["part"] == CLAMP)
    low, high = clamp["interval_J"]
    sd = (
        np.std(values, ddof=1) / 4 / 4
    )  # of a stratified mean of 16: well below that of a random one
    assert low - 2 * sd <= np.mean(values) <= high + 2 * sd


def _values(energy_J: Any, seen: Any, offset_J: Any) -> list[float]:
    """What contenders are worth on average where they hold by the plain shares of these builds."""
    found = []
    broken = [np.any(room < 0, axis=1) for room in (seen.hazard_room, seen.rule_room)]
    for energy, hazard, rule, offset in zip(energy_J, *broken, offset_J, strict=True):
        outcome = np.where(hazard, 0.0, energy)
        half = np.quantile(outcome, 0.1) / 2
        holds = (
            hazard.mean() <= 0.01
            and rule.mean() <= 1 - KEEPS_RULES
            and (outcome < half).mean() <= MOST_BELOW_HALF
        )
        found.append(float(outcome.mean() + offset) if holds else 0.0)
    return found
