"""The front of promises: which designs are drawn, that it is the true one, what stays open."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from explorer.commands.front_view import FrontView
from explorer.commands.launch import launch_study
from explorer.commands.lock import lock_design
from explorer.commands.rerun import rerun_study
from explorer.front import non_dominated
from explorer.inputs.sections import Search
from explorer.inputs.study import Project, load
from explorer.model import costing, promise
from explorer.model.odds import BUILDS_PER_HAND, Odds, interval
from explorer.search.dominance import beaten
from explorer.search.progress import unwatched
from explorer.search.racing import Race
from explorer.store.keys import ids_of, path_of
from explorer.store.promises import odds_of
from explorer.store.results import Store
from explorer.store.standing import OF_ENERGY, within_cost
from tests.conftest import DEMO, HERE

SECTION = "\n[promise]\ndraws = 60\n"


def copied(folder: Path, section: str) -> Path:
    """A copy of the small study with one more section."""
    home = folder / "small"
    shutil.copytree(HERE / "data" / "small", home)
    study = home / "small.toml"
    study.write_text(study.read_text() + section)
    return study


def changed_price(table: str, part: str, price: str) -> str:
    """A price table in which a part has another price."""
    rows = [row.split(",") for row in table.splitlines()]
    place = rows[0].index("price")
    for row in rows:
        if row[0] == part:
            row[place] = price
    return "\n".join(",".join(row) for row in rows) + "\n"


@pytest.fixture(scope="module")
def promised(tmp_path_factory: pytest.TempPathFactory) -> tuple[Project, dict[str, Any]]:
    """The small study by promises, launched."""
    study = copied(tmp_path_factory.mktemp("promised"), SECTION)
    return load(study), launch_study(study, page=False, workers=1)


def test_the_front_is_that_of_all_designs_drawn_alike(promised: tuple[Project, dict]) -> None:
    """Brute force: every design that keeps its limits, all with the same builds."""
    project, found = promised
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        rows = np.flatnonzero(stored.keeps_limits)
        cost = costing.costs(project, stored.designs)
        odds = promise.odds(project, stored.designs.take(rows), range(project.study.promise.draws))
        points = stored.nominal(cost)[rows]
        terms = project.study.promise
        energy_J = np.array([one.promised_energy_J(terms) for one in odds])
        in_time = np.array([one.in_time >= terms.at_least * one.draws for one in odds])
        points[:, OF_ENERGY] = -energy_J
        stands = in_time & (energy_J >= (project.study.limits.delivered_energy_J or 0.0))
        stands &= cost[rows] <= (project.study.limits.cost or np.inf)
        brute = np.flatnonzero(stands)[non_dominated(points[stands])]
        expected = set(ids_of(stored.numbers[rows[brute]]))
        view = FrontView.at_todays_prices(project, store)
        mine = set(ids_of(stored.numbers[view.rows]))
    assert len(expected) > 20
    assert mine == expected
    assert found["front_size"] == len(mine)
    assert found["unsettled"] == []
    assert found["objectives"][0] == "promised_energy_J"


def test_the_energy_of_the_front_is_promised(promised: tuple[Project, dict]) -> None:
    project, found = promised
    with Store.open(path_of(project)) as store:
        view = FrontView.at_todays_prices(project, store)
        promised_J = -view.points[:, OF_ENERGY]
        assert (promised_J < view.stored.delivered_energy_J[view.rows]).all()
        assert view.stored.stepped[view.rows].all()
    shown = {one["design_id"]: one for one in found["front"]}
    for name, energy_J in zip(ids_of(view.stored.numbers[view.rows]), promised_J, strict=True):
        if name in shown:  # the front is thinned to what a person can tell apart
            assert shown[name]["promised_energy_J"] == pytest.approx(energy_J, abs=0.1)


def test_what_no_time_was_left_for_is_unsettled(tmp_path: Path) -> None:
    """Nothing is drawn in a microsecond: no design stands, all are open, the reason is given."""
    study = copied(tmp_path, "\n[promise]\nminutes = 1e-8\n")
    found = launch_study(study, page=True, workers=1)
    assert found["front"] == []
    assert len(found["unsettled"]) > 20
    assert set(found["picks"].values()) == {None}
    assert found["why_none"].startswith("No builds of the designs")
    assert found["report"] is None


def test_a_locked_design_that_was_screened_out_is_drawn_from_the_first_build(
    promised: tuple[Project, dict],
) -> None:
    """What only hazard rules in closed form were asked of is no build."""
    project, _ = promised
    with Store.open(path_of(project)) as store:
        view = FrontView.at_todays_prices(project, store)
        race = Race(project, store, view.stored, view.cost)
        row = int(view.rows[0])
        number = view.stored.numbers[[row]]
        (before,) = odds_of(project, store, number)
        out = Odds(20, 2)
        race._keep({row: out})
        assert race.screened[row]
        assert not race.open[row]
        assert out.results(project.study.promise)["keeps_rules_share"] is None
        race.settled[row] = False
        race.run(0.0, unwatched, 1, [row])
        terms = project.study.promise
        (after,) = odds_of(project, store, number)
        assert after.draws == race.draws[row] == terms.draws
        assert after.promised_energy_J(terms) == before.promised_energy_J(terms)


def test_a_rerun_draws_what_new_prices_bring_up(promised: tuple[Project, dict]) -> None:
    """A cell that costs nothing now: designs stand that were never drawn; a quick rerun names them
    and picks none, a whole one draws them.
    """
    project, _ = promised
    prices = project.path.parent / "parts" / "prices.csv"
    before = prices.read_text()
    prices.write_text(changed_price(before, "cell_25f", "0.01"))
    quick = rerun_study(project.path, quick=True, page=False)
    assert quick["physics_evaluations"] == 0
    whole = rerun_study(project.path, page=False)
    assert whole["unsettled"] == []
    assert (whole["physics_evaluations"] > 0) == bool(quick["unsettled"])
    known = {one["design_id"] for one in quick["front"]}
    assert not known & set(quick["unsettled"])


def test_a_lock_keeps_its_promise_of_that_day_beside_todays(promised: tuple[Project, dict]) -> None:
    project, found = promised
    name = found["front"][0]["design_id"]
    record = next(one for one in found["front"] if one["design_id"] == name)
    lock_design(project.path, name, page=False)
    (kept,) = rerun_study(project.path, quick=True, page=False)["locked"]
    assert kept["promise"]["promised_energy_J"]["when_locked"] == record["promised_energy_J"]
    assert kept["promise"]["promised_energy_J"]["today"] == record["promised_energy_J"]
    assert kept["promise"]["draws"]["when_locked"] == record["draws"]


NARROW = {
    "crank": ["crank_mid"],
    "gearing": ["belt_2", "chain_3"],
    "generator": ["hub_small", "stepper_long"],
    "lead": ["lead_plain"],
    "rectifier": ["schottky_3a", "silicon_3a", "active_20"],
    "cell": ["cell_25f", "cell_50f", "cell_100f"],
    "converter": ["buckboost_wide", "buckboost_sync"],
}
"""A part of the demo's parts, with some thousand feasible designs."""


@pytest.fixture(scope="module")
def narrow(tmp_path_factory: pytest.TempPathFactory) -> tuple[Project, dict[str, Any]]:
    """The demo with fewer parts, launched with time enough."""
    home = tmp_path_factory.mktemp("narrow") / "studies"
    shutil.copytree(DEMO.parent, home, ignore=shutil.ignore_patterns("*.sqlite*"))
    study = home / DEMO.name
    text = study.read_text()
    for link, names in NARROW.items():
        text = re.sub(rf'(?m)^{link} = (\[[^\]]*\]|"all")', f"{link} = {json.dumps(names)}", text)
    study.write_text(text.replace("draws = 200\nminutes = 2", "draws = 200\nminutes = 60"))
    return load(study), launch_study(study, page=False)


@pytest.mark.slow
def test_the_front_of_some_thousand_designs_is_the_true_one(narrow: tuple[Project, dict]) -> None:
    """All builds of all designs: whoever is missed is within two percent of one that was not, and
    hardly anybody is. Builds are the same for all, so that nothing else may differ.
    """
    project, found = narrow
    assert found["unsettled"] == []
    terms = project.study.promise
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs)
        rows = np.flatnonzero(stored.keeps_limits & within_cost(project, cost))
        odds = promise.shared_odds(project, stored.designs.take(rows), range(terms.draws), 2)
        points = stored.nominal(cost)[rows]
        points[:, OF_ENERGY] = [-one.promised_energy_J(terms) for one in odds]
        stands = np.array([one.in_time >= terms.at_least * one.draws for one in odds])
        stands &= -points[:, OF_ENERGY] >= (project.study.limits.delivered_energy_J or 0.0)
        front = rows[stands][non_dominated(points[stands])]
        mine = FrontView.at_todays_prices(project, store).rows
        drawn = sum(one.draws > 0 for one in odds_of(project, store, stored.numbers[rows]))
    assert len(rows) > 1000
    assert drawn < len(rows)
    missed = np.setdiff1d(front, mine)
    assert len(missed) <= 0.01 * len(front)
    mine_points = points[np.isin(rows, mine)]
    nearly = points[np.isin(rows, missed)]
    nearly[:, OF_ENERGY] *= 0.98
    assert beaten(nearly, mine_points).all()
    assert np.setdiff1d(mine, front).size <= len(missed)


@pytest.mark.slow
def test_few_builds_promise_what_many_do(narrow: tuple[Project, dict]) -> None:
    """Forty designs of a front, each in 20,000 fresh builds: the promise of many lies
    between the order statistics that bound the quantile of few in 95 % (binomial), where hands are
    drawn for eight builds together, so that those bounds are those of fewer builds.
    """
    project, _ = narrow
    terms = project.study.promise
    with Store.open(path_of(project)) as store:
        view = FrontView.at_todays_prices(project, store)
        rows = view.rows[np.linspace(0, len(view.rows) - 1, 40).astype(int)]
        few = odds_of(project, store, view.stored.numbers[rows])
        designs = view.stored.designs.take(rows)
    fresh = replace(project, study=replace(project.study, search=fresh_seed(project)))
    many = promise.shared_odds(fresh, designs, range(100 * terms.draws), 2)
    hands = terms.draws // BUILDS_PER_HAND
    reach = 1.96 * np.sqrt(terms.at_least * (1 - terms.at_least) / hands)
    held = []
    for some, all_ in zip(few, many, strict=True):
        energies = np.array(some.energies_J[: terms.draws])
        low, high = np.quantile(energies, np.clip([0.1 - reach, 0.1 + reach], 0, 1))
        truth = float(np.quantile(all_.energies_J, 1 - terms.at_least))
        held.append(low * 0.999 <= truth <= high * 1.001)
    assert np.mean(held) >= 0.9


@pytest.mark.slow
def test_picks_hold_in_fresh_builds(narrow: tuple[Project, dict]) -> None:
    """With another seed: no pick has more hazards than the study allows, at 95 %."""
    project, found = narrow
    names = sorted({name for name in found["picks"].values() if name})
    assert names
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        rows = np.array([stored.find(name) for name in names], np.int64)
    fresh = replace(project, study=replace(project.study, search=fresh_seed(project)))
    for one in promise.shared_odds(fresh, stored.designs.take(rows), range(20_000), 2):
        assert interval(one.hazards, one.draws)[0] <= project.study.build.hazard_chance


def fresh_seed(project: Project) -> Search:
    """The study's search with another seed: other builds."""
    return project.study.search.model_copy(update={"seed": project.study.search.seed + 1})
