"""The sweep against plain evaluation of every combination: the same front, every member."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from explorer import front
from explorer.inputs.links import FRONT_LINKS, LINKS
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project
from explorer.model import costing, evaluate, objectives
from explorer.model.doubt import effort_doubt, energy_doubt, may_keep
from explorer.model.evaluation import Evaluation
from explorer.model.kernels.curve import AT_CURRENT, AT_EFFORT
from explorer.model.objectives import Objective
from explorer.model.space import Designs, Space
from explorer.search.dominance import unbeaten_at_any_price, unbeaten_in_groups
from explorer.search.pairing import FrontHalves
from explorer.search.sweep import Sweep
from explorer.search.workers import run_blocks


def narrowed(project: Project, choices: dict, values: dict, **limits: float | None) -> Project:
    """A project that may choose less: parts by link, values by setting, and other limits."""
    study = project.study
    return replace(
        project,
        study=replace(
            study,
            choices={**study.choices, **choices},
            settings={
                **study.settings,
                **{k: Setting.model_validate(v) for k, v in values.items()},
            },
            limits=study.limits.model_copy(update=limits),
        ),
    )


def small_catalogues(rng: random.Random, project: Project) -> Project:
    """One to three parts a link and one to three values a setting, at most some 600 designs."""
    wide = rng.sample(list(LINKS), rng.randint(2, 4))
    choices = {}
    for link in LINKS:
        ids = project.study.choices[link]
        size = min(3, len(ids)) if link in wide else 1
        choices[link] = tuple(rng.sample(list(ids), size))
    values = {
        "cells_series": rng.choice([[3], [4, 5], [5, 6]]),
        "cells_parallel": rng.choice([[1], [1, 2]]),
        "cadence_rpm": rng.choice([[60], [45, 60, 75]]),
        "undervoltage_off_V": rng.choice([[3.6], [3.6, 5.2]]),
        "undervoltage_band_V": rng.choice([[1.2], [0.8, 2.0]]),
        "overvoltage_off_V": rng.choice([[11.0], [9.5, 13.0]]),
    }
    session = project.study.session.model_copy(
        update={
            "operators": rng.choice([("adult_one_arm",), ("adult_one_arm", "adult_two_arms")]),
            "packs": rng.choice(
                [("telemetry_pack",), ("retrying_pack",), ("telemetry_pack_1a", "regulating_pack")]
            ),
            "over_cases": rng.choice(["mean", "worst"]),
        }
    )
    project = replace(project, study=replace(project.study, session=session))
    limits = {
        "mass_kg": rng.choice([None, 4.0]),
        "delivered_energy_J": rng.choice([None, 500.0]),
        "first_charge_s": rng.choice([None, 120.0]),
        "cost": None,
    }
    return narrowed(project, choices, values, **limits)


def everything(project: Project) -> Evaluation:
    space = Space.of(project)
    return evaluate.evaluate(project, space.at(np.arange(space.size)))


def front_points(project: Project, found: Evaluation) -> np.ndarray:
    """The front's distinct points to ten digits: a session shared by twins is solved between other
    brackets than their own, and differs in the last bits.
    """
    good = found.take(np.flatnonzero(found.feasible))
    points = objectives.points_of(project, good, costing.costs(project, good.designs)).round(9)
    return np.unique(points[front.non_dominated(points)], axis=0)


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(seed=st.integers(0, 2**32 - 1))
def test_same_front_as_every_combination_evaluated(demo_project: Project, seed: int) -> None:
    project = small_catalogues(random.Random(seed), demo_project)
    sweep = Sweep.of(project)
    results = list(run_blocks(sweep, np.arange(len(sweep))))
    every = everything(project)
    assert sum(r.considered for r in results) == len(every) == sweep.size
    assert sum(r.feasible for r in results) == every.feasible.sum()
    kept = [r.kept for r in results if r.kept is not None]
    if not kept:
        assert not every.feasible.any()
        return
    found = Evaluation.concatenate(kept)
    assert may_keep(found.margins).all()
    np.testing.assert_allclose(
        front_points(project, found), front_points(project, every), rtol=1e-9, atol=1e-9
    )
    # Every kept design's numbers are those of its own evaluation.
    alone = evaluate.evaluate(project, found.designs)
    np.testing.assert_allclose(found.delivered_energy_J, alone.delivered_energy_J, rtol=1e-9)
    for name, margin in alone.margins.items():
        np.testing.assert_allclose(found.margins[name], margin, rtol=1e-6, atol=1e-6, err_msg=name)


def test_front_at_other_prices_is_among_the_kept(small_project: Project) -> None:
    """Whatever prices come, the exact front's points are kept: no physics is needed again."""
    sweep = Sweep.of(small_project)
    kept = Evaluation.concatenate(
        [r.kept for r in run_blocks(sweep, np.arange(len(sweep))) if r.kept is not None]
    )
    kept, every = (
        found.take(np.flatnonzero(found.feasible)) for found in (kept, everything(small_project))
    )
    generator = np.random.default_rng(3)
    for _ in range(5):
        price = {
            link: generator.uniform(0.0, 40.0, len(small_project.catalogue.parts[link]))
            for link in LINKS
        }

        def points(found: Evaluation, price=price) -> np.ndarray:
            taken = costing.quantities(small_project.catalogue, found.designs)
            cost = sum(taken[k] * price[k][found.designs.parts[k]] for k in LINKS)
            all_points = objectives.points_of(small_project, found, cost).round(9)
            return np.unique(all_points[front.non_dominated(all_points)], axis=0)

        np.testing.assert_array_equal(points(kept), points(every))


def noise_dB(project: Project, designs: Designs) -> np.ndarray:
    """Made up: louder the faster the generator turns, and quieter the wider the window's band."""
    ratio = designs.chosen(project.catalogue, "gearing", "ratio")
    speed = ratio * designs.settings["cadence_rpm"]
    return 20.0 + speed / 20.0 - designs.settings["undervoltage_band_V"]


NOISE = Objective("noise_dB", "Noise", "dB", False, "quietest", 3, noise_dB)


@pytest.fixture(params=[4, 5])
def objectives_in_force(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    """The study's four objectives, or a made-up fifth beside them."""
    if request.param == 5:
        monkeypatch.setattr(objectives, "OBJECTIVES", (*objectives.OBJECTIVES, NOISE))
    return int(request.param)


def wider(project: Project) -> Project:
    """More settings within a bill of materials, so that several designs of each are unbeaten."""
    return narrowed(
        project, {}, {"cadence_rpm": [45.0, 50.0, 65.0], "undervoltage_band_V": [1.2, 1.8, 2.4]}
    )


def test_unbeaten_at_any_price_keeps_no_loser_and_drops_no_winner(
    small_project: Project, objectives_in_force: int
) -> None:
    """By brute force: of a bill of materials all that nothing else of it beats in any objective,
    even if a session finds them as much better than the filter as it may; of equals one.
    """
    project = wider(small_project)
    every = everything(project)
    every = every.take(np.flatnonzero(every.feasible))
    rows = set(unbeaten_at_any_price(project, every).tolist())
    quantities = costing.quantities(project.catalogue, every.designs)
    bill = np.stack(
        [every.designs.parts[link] for link in LINKS] + [quantities[link] for link in LINKS], axis=1
    )
    doubt, effort = energy_doubt(project, every), every.crank_effort_percent

    def values(energy_J: np.ndarray, effort_percent: np.ndarray) -> np.ndarray:
        columns = [-energy_J, effort_percent, every.mass_kg]
        if objectives_in_force == 5:
            columns.append(noise_dB(project, every.designs))
        return np.stack(columns, axis=1)

    points = values(every.delivered_energy_J, effort)
    best = values(every.delivered_energy_J * (1 + doubt), effort * (1 - effort_doubt(project)))
    dropped = 0
    for row in range(len(every)):
        same = np.flatnonzero((bill == bill[row]).all(axis=1))
        beaten = (points[same] <= best[row]).all(axis=1).any()
        equal = same[(points[same] == points[row]).all(axis=1)]
        assert len(rows & set(equal.tolist())) == (0 if beaten else 1)
        dropped += beaten
    assert dropped > 20
    assert 0 < len(rows) < len(every)


def test_a_made_up_objective_loses_no_design_of_the_front(
    small_project: Project, objectives_in_force: int
) -> None:
    """The front of all five objectives, at today's prices, by evaluation of every combination."""
    project = wider(small_project)
    sweep = Sweep.of(project)
    found = Evaluation.concatenate(
        [r.kept for r in run_blocks(sweep, np.arange(len(sweep))) if r.kept is not None]
    )

    def points(some: Evaluation) -> np.ndarray:
        good = some.take(np.flatnonzero(some.feasible))
        cost = costing.costs(project, good.designs)
        values = objectives.points_of(project, good, cost).round(9)
        return np.unique(values[front.non_dominated(values)], axis=0)

    exact = points(everything(project))
    np.testing.assert_allclose(points(found), exact, rtol=1e-9, atol=1e-9)
    assert exact.shape[1] == objectives_in_force


def test_groups_of_any_number_of_objectives_against_a_plain_loop() -> None:
    generator = np.random.default_rng(11)
    for columns in (1, 2, 3, 4):
        points = generator.integers(0, 5, (300, columns)).astype(float)
        group = generator.integers(0, 12, 300)
        expected = [
            row
            for row in range(300)
            if not any(
                group[other] == group[row]
                and (points[other] <= points[row]).all()
                and ((points[other] < points[row]).any() or other < row)
                for other in range(300)
            )
        ]
        assert unbeaten_in_groups(points, group).tolist() == expected
    assert unbeaten_in_groups(np.empty((0, 3)), np.empty(0, np.int64)).tolist() == []


def test_breaks_of_prices_drop_nobody_from_the_front(small_project: Project) -> None:
    """A price falls with the number bought: five cells cost as much as six, whose break they take.
    All that stands at such prices was kept, since no search is done again when prices change.
    """
    project = small_project
    (name,) = {part.id for part in project.catalogue.parts["cell"] if part.capacitance_F == 25.0}
    first = project.catalogue.prices.breaks[name][0].model_copy(update={"amount": 4.0})
    many = first.model_copy(update={"from_quantity": 6, "amount": 3.0})
    prices = replace(
        project.catalogue.prices,
        breaks={**project.catalogue.prices.breaks, name: (first, many)},
    )
    project = replace(project, catalogue=replace(project.catalogue, prices=prices))
    every = everything(project)
    every = every.take(np.flatnonzero(every.feasible))
    kept = every.take(unbeaten_at_any_price(project, every))
    np.testing.assert_array_equal(front_points(project, kept), front_points(project, every))


def test_no_front_half_is_worse_at_every_voltage_than_one_of_the_same_parts(
    demo_project: Project,
) -> None:
    """Why a sweep drops no half for another's sake: prices may change, so only the cadence may
    differ, and neither the faster nor the slower one gives as much everywhere for as little effort.
    """
    project = narrowed(demo_project, {}, {"cadence_rpm": [40.0, 55.0, 80.0]})
    sweep = Sweep.of(project)
    pairs = 0
    for number in range(1, len(sweep), max(len(sweep) // 6, 1)):
        rows = np.arange(number * sweep.halves_per_block, (number + 1) * sweep.halves_per_block)
        fronts = FrontHalves.of(project, sweep.fronts.at(rows[rows < sweep.fronts.size]))
        if not len(fronts.designs):
            continue
        (curve,) = fronts.curves.values()
        volts = np.linspace(0.0, curve.volts.max(), 300)

        def read(column: int, curve=curve, volts=volts) -> np.ndarray:
            lines = zip(curve.volts, curve.columns[:, :, column], strict=True)
            return np.stack([np.interp(volts, at, line) for at, line in lines])

        current, effort = read(AT_CURRENT), read(AT_EFFORT)
        code = np.stack([fronts.designs.parts[link] for link in FRONT_LINKS], axis=1)
        for one in range(len(code)):
            for other in np.flatnonzero((code == code[one]).all(axis=1)):
                if other != one:
                    pairs += 1
                    no_less = (current[other] >= current[one] - 1e-9).all()
                    no_harder = (effort[other] <= effort[one] + 1e-9).all()
                    assert not (no_less and no_harder)
    assert pairs > 100


@pytest.mark.slow
def test_processes_give_the_same(small_project: Project) -> None:
    sweep = Sweep.of(small_project)
    alone = {r.number: r for r in run_blocks(sweep, np.arange(len(sweep)))}
    for result in run_blocks(sweep, np.arange(len(sweep)), workers=2):
        mine = alone[result.number]
        assert (result.considered, result.feasible) == (mine.considered, mine.feasible)
        if mine.kept is not None:
            assert result.kept is not None
            np.testing.assert_array_equal(
                result.kept.delivered_energy_J, mine.kept.delivered_energy_J
            )
