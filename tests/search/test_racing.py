"""The front of promises: which designs are drawn, that it is the true one, what stays open."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from explorer.commands.front_view import FrontView
from explorer.commands.launch import launch_study
from explorer.commands.rerun import rerun_study
from explorer.errors import InputError
from explorer.front import non_dominated
from explorer.inputs.study import Project, load
from explorer.model import costing, promise
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store
from explorer.store.standing import OF_ENERGY
from tests.conftest import HERE

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
    """Nothing is drawn in a microsecond: no design stands, and the reason is given."""
    study = copied(tmp_path, "\n[promise]\nminutes = 1e-8\n")
    with pytest.raises(InputError, match="no design"):
        launch_study(study, page=False, workers=1)


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
