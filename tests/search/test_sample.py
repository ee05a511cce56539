"""The sampled search: reaches the exact front of a small space, repeats itself, wastes nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from explorer import front
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project
from explorer.model import costing, evaluate, objectives, space
from explorer.model.evaluation import Evaluation
from explorer.search.archive import Archive
from explorer.search.coordinates import Coordinates
from explorer.search.sample import sample


def with_search(project: Project, **options: object) -> Project:
    search = project.study.search.model_copy(update=options)
    return replace(project, study=replace(project.study, search=search))


def found_by(project: Project) -> Evaluation:
    return Evaluation.concatenate([b.found for b in sample(project, space.Space.of(project), None)])


def points_of(project: Project, found: Evaluation) -> np.ndarray:
    good = found.take(np.flatnonzero(found.feasible))
    points = objectives.points_of(project, good, costing.costs(project, good.designs))
    return np.unique(points[front.non_dominated(points)], axis=0)


def test_never_evaluates_a_design_twice_and_keeps_to_the_budget(small_project: Project) -> None:
    project = with_search(small_project, evaluations=700, batch=100)
    found = found_by(project)
    ids = space.design_ids(project.catalogue, found.designs, range(len(found)))
    assert len(found) == 700
    assert len(set(ids)) == 700


def test_the_same_seed_gives_the_same_search(small_project: Project) -> None:
    project = with_search(small_project, evaluations=400, batch=100)
    first, second = found_by(project), found_by(project)
    np.testing.assert_array_equal(first.delivered_energy_J, second.delivered_energy_J)
    other = found_by(with_search(project, seed=project.study.search.seed + 1))
    assert not np.array_equal(first.delivered_energy_J, other.delivered_energy_J)


@pytest.mark.parametrize("sampler", ["nsga2", "nsga3", "tpe", "random"])
def test_every_named_sampler_works(small_project: Project, sampler: str) -> None:
    project = with_search(small_project, evaluations=120, batch=60, sampler=sampler)
    assert len(found_by(project)) == 120


@pytest.mark.slow
def test_reaches_the_exact_front_of_a_small_space(small_project: Project) -> None:
    """Half the space's evaluations reach the whole front, by enumeration of all of it."""
    everything = space.Space.of(small_project)
    project = with_search(small_project, evaluations=everything.size // 2, batch=250)
    exact = points_of(
        project, evaluate.evaluate(project, everything.at(np.arange(everything.size)))
    )
    reached = points_of(project, found_by(project))
    reference = np.array([0.0, *(1.1 * exact.max(axis=0)[1:])])
    whole = front.hypervolume(exact, reference)
    # The aim for spaces whose exact front is known: 99.8 % of its hypervolume, 76 % of its members.
    assert front.hypervolume(reached, reference) >= 0.998 * whole
    members = set(map(tuple, exact.tolist()))
    assert len(members & set(map(tuple, reached.tolist()))) >= 0.76 * len(members)


def test_screening_leaves_out_nothing_feasible(demo_project: Project) -> None:
    """What is not worth an evaluation is infeasible, by evaluating it all the same."""
    everything = space.Space.of(demo_project)
    coordinates = Coordinates(everything)
    rows = coordinates.rows(everything.draw(3000, np.random.default_rng(4)))
    passed = Archive(demo_project, everything).passes_screen(rows)
    found = evaluate.evaluate(demo_project, coordinates.designs(rows))
    cost = costing.costs(demo_project, found.designs)
    feasible = found.feasible & (cost <= demo_project.study.limits.cost)
    assert feasible.any()
    assert not (feasible & ~passed).any()
    assert passed.sum() < len(rows) / 2


def test_coordinates_name_the_same_design_both_ways(demo_project: Project) -> None:
    coordinates = Coordinates(space.Space.of(demo_project))
    designs = space.Space.of(demo_project).at(np.arange(0, 10**6, 99_991))
    rows = coordinates.rows(designs)
    again = coordinates.designs(rows)
    ids = [space.design_ids(demo_project.catalogue, d, range(len(d))) for d in (designs, again)]
    assert ids[0] == ids[1]


def test_a_continuous_setting_is_moved_between_its_sweep_points(small_project: Project) -> None:
    cadence = Setting.model_validate({"low": 40.0, "high": 80.0, "sweep_points": 3})
    study = replace(
        small_project.study, settings={**small_project.study.settings, "cadence_rpm": cadence}
    )
    project = with_search(replace(small_project, study=study), evaluations=300, batch=100)
    cadences = found_by(project).designs.settings["cadence_rpm"]
    assert np.unique(cadences).size > 10
    assert cadences.min() >= 40.0
    assert cadences.max() <= 80.0


def test_what_was_swept_is_not_evaluated_again(small_project: Project) -> None:
    """Between the points of a swept grid only; every continuous value off the grid at once."""
    cadence = Setting.model_validate({"low": 40.0, "high": 80.0, "sweep_points": 3})
    study = replace(
        small_project.study, settings={**small_project.study.settings, "cadence_rpm": cadence}
    )
    project = with_search(replace(small_project, study=study), evaluations=300, batch=100)
    everything = space.Space.of(project)
    known = evaluate.evaluate(project, everything.at(np.arange(0, everything.size, 7)))

    def on_grid(designs: space.Designs) -> np.ndarray:
        return everything.numbers(designs) >= 0

    batches = sample(project, everything, known, covered=on_grid)
    found = Evaluation.concatenate([batch.found for batch in batches])
    assert len(found) == 300
    assert not np.isin(found.designs.settings["cadence_rpm"], cadence.values).any()
