"""What a rule costs, held against exact searches with better parts in the tables."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from explorer import front
from explorer.decision import rule_costs
from explorer.inputs.study import Project, load
from explorer.model import costing
from explorer.model.evaluation import Evaluation
from explorer.model.objectives import points_of
from explorer.model.rules import RULES
from explorer.search.sweep import Sweep
from explorer.search.workers import run_blocks
from explorer.units import Array


def swept(project: Project) -> tuple[Evaluation, Array]:
    """All that an exact search keeps, front only, and its points."""
    sweep = Sweep.of(project)
    kept = [r.kept for r in run_blocks(sweep, np.arange(len(sweep))) if r.kept is not None]
    every = Evaluation.concatenate(kept)
    found = every.take(np.flatnonzero(every.feasible))
    points = points_of(project, found, costing.costs(project, found.designs))
    on_front = np.flatnonzero(front.non_dominated(points))
    return found.take(on_front), points[on_front]


def even(study: Path) -> Project:
    """The study with a hand that is even: an uneven one's switches keep to its strokes, which the
    leakage of a higher rating moves by a little.
    """
    return changed(study, "operators.csv", "unevenness", lambda _: 0.0)


def raised(study: Path, table: str, column: str, by: float) -> Project:
    """The study with every part of a table rated higher."""
    return changed(study, table, column, lambda value: value + by)


def changed(study: Path, table: str, column: str, to: Callable[[float], float]) -> Project:
    path = study.parent / "parts" / table
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row[column] = str(to(float(row[column])))
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return load(study)


def best_within(points: Array, budget: Array) -> float:
    """Most energy at no more than a budget of cost, mass and effort, 0 where nothing fits it."""
    return float(-points[(points[:, 1:] <= budget + 1e-9).all(axis=1), 0].min(initial=0.0))


def test_what_an_ampere_buys_is_there_once_the_lead_bears_it(small_study: Path) -> None:
    changed(small_study, "leads.csv", "current_limit_A", lambda _: 1.9)  # just too thin for many
    project = even(small_study)
    found, points = swept(project)
    told = rule_costs.rule_costs(project, found.designs, {})
    assert told is not None
    (ampere,) = [rule for rule in told["rules"] if rule["margin"] == "lead_current_A"]
    assert (ampere["step"], told["front"]) == (1.0, len(points))
    _, reached = swept(raised(small_study, "leads.csv", "current_limit_A", 1.0))
    gains = np.array([best_within(reached, row[1:]) + row[0] for row in points])
    # The exact search sees more than what is one choice away, so it gains no less.
    assert gains.max() >= ampere["most_J"] * (1 - 1e-9) > 0
    assert (gains > front.EQUAL_WITHIN * -points[:, 0]).sum() >= ampere["lifted"] > 0


def test_a_rule_that_costs_nothing_buys_nothing(small_study: Path) -> None:
    project = even(small_study)
    found, points = swept(project)
    told = rule_costs.rule_costs(project, found.designs, {})
    assert told is not None
    assert "lead_current_A" in told["free"]
    _, reached = swept(raised(small_study, "leads.csv", "current_limit_A", 10.0))
    gains = np.array([best_within(reached, row[1:]) + row[0] for row in points])
    assert (gains <= front.EQUAL_WITHIN * -points[:, 0]).all()


def test_surplus_by_hand() -> None:
    """Two designs of a front; one rule-breaker fits the budget of the second alone."""
    points = np.array([[-100.0, 10, 1, 20], [-300.0, 30, 2, 40]])
    near = np.array([[-350.0, 20, 2, 40], [-900.0, 31, 2, 40], [-90.0, 5, 1, 20]])
    assert rule_costs._surplus(points, near, None).tolist() == [0.0, 50.0]
    # With cost waived the dear one counts as well.
    assert rule_costs._surplus(points, near, "cost").tolist() == [0.0, 600.0]


def test_a_picked_design_is_looked_around_twice_as_far(small_project: Project) -> None:
    found, _ = swept(small_project)
    once = rule_costs.rule_costs(small_project, found.designs, {})
    twice = rule_costs.rule_costs(small_project, found.designs, {"picked": 3})
    assert once is not None
    assert twice is not None
    assert twice["tried"] > once["tried"]


def test_every_rule_is_told_once(small_project: Project) -> None:
    found, _ = swept(small_project)
    told = rule_costs.rule_costs(small_project, found.designs, {"picked": 0})
    assert told is not None
    names = [rule["margin"] for rule in told["rules"]] + told["free"]
    assert len(names) == len(set(names))
    assert set(names) <= {name for name, rule in RULES.items() if rule.loosened_by}


def test_no_front_no_costs(small_project: Project) -> None:
    found, _ = swept(small_project)
    assert rule_costs.rule_costs(small_project, found.designs.take(np.arange(0)), {}) is None


@pytest.mark.parametrize("name", sorted(rule_costs.FINE_STEPS))
def test_fine_steps_are_of_rules(name: str) -> None:
    assert RULES[name].unit == "V"
