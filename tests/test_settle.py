"""Sessions decide the front: which designs are stepped, that they stand, and what is missed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from explorer import front
from explorer.commands.front_view import FrontView
from explorer.commands.launch import launch_study
from explorer.commands.rerun import rerun_study
from explorer.commands.review import review_studies
from explorer.inputs.study import Project, load
from explorer.model import costing
from explorer.model.doubt import LEAST_DOUBT
from explorer.model.evaluation import Evaluation
from explorer.model.space import Space, design_ids
from explorer.model.stepped import sessions_of
from explorer.search import settle
from explorer.search.progress import unwatched
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store
from explorer.store.standing import front_rows
from tests.helpers.invented import designs, results


def test_what_is_beaten_is_nowhere_better(rng: np.random.Generator) -> None:
    """Against a plain loop."""
    points, others = rng.integers(0, 4, (700, 3)) * 1.0, rng.integers(0, 4, (9, 3)) * 1.0
    plain = [any((other <= one).all() for other in others) for one in points]
    assert settle.beaten(points, others).tolist() == plain
    assert not settle.beaten(points, others[:0]).any()


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(4)


def by_sessions(project: Project, found: Evaluation, by: Any) -> Evaluation:
    """Results with other energies, as sessions that differ from the filter would give."""
    energy = found.delivered_energy_J * by
    return replace(found, delivered_energy_J=energy)


def test_the_front_is_that_of_sessions_of_all(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sessions that are up to 3 % off, each its own way, of designs with made-up results: the front
    is what one gets by stepping everything, though only some designs are."""
    chosen = designs(small_project, 400)
    quick = results(small_project, chosen)
    off = dict(
        zip(
            design_ids(small_project.catalogue, chosen, range(400)),
            np.random.default_rng(9).uniform(1 - LEAST_DOUBT, 1 + LEAST_DOUBT, 400),
            strict=True,
        )
    )

    def stepped(project: Project, some: Any) -> Evaluation:
        ids = design_ids(project.catalogue, some, range(len(some)))
        rows = [place[name] for name in ids]
        return by_sessions(project, quick.take(np.array(rows)), np.array([off[n] for n in ids]))

    place = {name: row for row, name in enumerate(off)}
    monkeypatch.setattr("explorer.model.stepped.sessions_of", stepped)
    cost = costing.costs(small_project, chosen)
    with Store.open(path_of(small_project)) as store:
        store.append(small_project, quick, "sweep")
        stored, _ = store.load(small_project)
        prices = costing.costs(small_project, stored.designs)
        count = settle.step_contenders(small_project, store, stored, prices, unwatched, 1)
        after, reuse = store.load(small_project)
        assert (len(after), reuse.stored) == (400, 400)
        assert int(after.stepped.sum()) == count
        assert 0 < count < 300
        prices = costing.costs(small_project, after.designs)
        mine = front_rows(small_project, after, prices)
        assert after.stepped[mine].all()
        assert not len(settle.contenders(small_project, after, prices))
        mine_ids = set(ids_of(after.numbers[mine]))
        # And stepping everything else changes nothing.
        left = np.flatnonzero(~after.stepped)
        store.append(small_project, stepped(small_project, after.designs.take(left)), "session")
        whole, _ = store.load(small_project)
        prices = costing.costs(small_project, whole.designs)
        assert set(ids_of(whole.numbers[front_rows(small_project, whole, prices)])) == mine_ids
    assert len(cost) == 400


def test_a_launch_shows_sessions_and_says_what_it_missed(small_study: Path) -> None:
    answer = launch_study(small_study, workers=2)
    project = load(small_study)
    records = answer["front"]
    assert answer["designs_stepped"] >= answer["front_size"] > 0
    assert answer["audit"]["missed"] <= 0.05 * answer["audit"]["stepped"]
    assert answer["unsettled"] == []
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        assert view.stored.stepped[view.rows].all()
        again = sessions_of(project, view.stored.designs.take(view.read))
    energies = {r["design_id"]: r["delivered_energy_J"] for r in records}
    names = ids_of(view.stored.numbers[view.read])
    for name, energy in zip(names, again.delivered_energy_J, strict=True):
        assert energies[name] == pytest.approx(float(energy), rel=1e-9)
    # A second launch, a review and a rerun at the same prices step nothing more.
    assert launch_study(small_study, workers=1)["designs_stepped"] == answer["designs_stepped"]
    assert review_studies(small_study)["picks"] == answer["picks"]
    assert rerun_study(small_study)["physics_evaluations"] == 0


def test_the_whole_small_space_by_sessions_has_that_front(small_study: Path) -> None:
    """Every combination stepped through time, none left to the filter."""
    answer = launch_study(small_study, page=False)
    project = load(small_study)
    space = Space.of(project)
    every = sessions_of(project, space.at(np.arange(space.size)))
    cost = costing.costs(project, every.designs)
    good = np.flatnonzero(every.feasible & (cost <= project.study.limits.cost))
    points = np.stack(
        [
            -every.delivered_energy_J[good],
            cost[good],
            every.mass_kg[good],
            every.crank_effort_percent[good],
        ],
        axis=1,
    )
    exact = points[front.non_dominated(points)].round(6)
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
    found = {tuple(p) for p in view.points.round(6)}
    missed = [p for p in {tuple(p) for p in exact} if p not in found]
    assert len(missed) <= 0.02 * len(exact)
    assert answer["front_size"] >= 0.95 * len(exact)


def test_new_prices_step_only_what_they_bring_up(small_study: Path) -> None:
    launch_study(small_study, page=False)
    prices = small_study.parent / "parts" / "prices.csv"
    lines = prices.read_text().splitlines()
    head, rest = lines[0], lines[1:]
    dearer = [
        ",".join([*line.split(",")[:1], str(float(line.split(",")[1]) * (1.15 if k % 3 else 0.8)),
                  *line.split(",")[2:]])
        for k, line in enumerate(rest)
    ]  # fmt: skip
    prices.write_text("\n".join([head, *dearer]) + "\n")
    quick = rerun_study(small_study, quick=True, page=False)
    assert quick["physics_evaluations"] == 0
    done = rerun_study(small_study, page=False)
    assert done["physics_evaluations"] >= len(quick["unsettled"])
    assert done["unsettled"] == []
    assert rerun_study(small_study, page=False)["physics_evaluations"] == 0
