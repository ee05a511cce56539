"""What the search guesses: close at what it knows, humble elsewhere; islands of two values."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model import evaluate, space
from explorer.search import sample
from explorer.search.archive import Explored
from explorer.search.surrogate import Guess, Process


def explored_at_random(project: Project, count: int) -> Explored:
    everything = space.Space.of(project)
    explored = Explored(project, everything)
    rows = explored.coordinates.rows(everything.draw(count, np.random.default_rng(3)))
    rows = explored.fresh(rows)
    explored.add(rows, evaluate.evaluate(project, explored.coordinates.designs(rows)))
    return explored


def test_a_process_against_the_formulas_written_out() -> None:
    """Formulas 2.25 and 2.26 of Rasmussen and Williams (2006), with a plain inverse."""
    generator = np.random.default_rng(5)
    picks = generator.integers(0, 3, (12, 4))
    values = np.concatenate([np.eye(3)[column] for column in picks.T], axis=1)
    known = generator.normal(size=(12, 2))
    asked = np.concatenate([np.eye(3)[c] for c in generator.integers(0, 3, (6, 4)).T], axis=1)
    mean, unsure = Process(values, known).guess(asked)
    alike = np.exp((values @ values.T - 4) / 10) + 0.01 * np.eye(12)
    across = np.exp((asked @ values.T - 4) / 10)
    scaled = (known - known.mean(axis=0)) / known.std(axis=0)
    expected = known.mean(axis=0) + known.std(axis=0) * (across @ np.linalg.inv(alike) @ scaled)
    left = 1 - np.einsum("ij,jk,ik->i", across, np.linalg.inv(alike), across)
    assert mean == pytest.approx(expected, rel=1e-9)
    assert unsure == pytest.approx(np.sqrt(left)[:, None] * known.std(axis=0), rel=1e-6)


def test_a_guess_from_designs_that_keep_every_rule(small_project: Project) -> None:
    """As after a sweep, whose whole front does: no rule is left to fear, all are still ordered."""
    explored = explored_at_random(small_project, 700)
    sound = explored.violations == 0
    for name in ("rows", "points", "violations", "margins"):
        setattr(explored, name, getattr(explored, name)[sound])
    members, parents = sample._best(explored, np.arange(len(explored.rows)))
    order = Guess(explored, members, parents, np.random.default_rng(1)).order(explored.rows)
    assert sorted(order) == list(range(sound.sum()))
    # A member of the front is beaten by none of what is known, as far as the guess can tell.
    placed = np.argsort(order)
    others = np.setdiff1d(np.arange(sound.sum()), members)
    assert np.median(placed[members]) < np.median(placed[others])


def test_the_guess_tells_feasible_designs_from_others(small_project: Project) -> None:
    """Of designs that it has not seen, it puts those first of which more keep all rules."""
    explored = explored_at_random(small_project, 700)
    everything = space.Space.of(small_project)
    drawn = explored.fresh(
        explored.coordinates.rows(everything.draw(600, np.random.default_rng(9)))
    )
    members, parents = sample._best(explored, np.arange(len(explored.rows)))
    order = Guess(explored, members, parents, np.random.default_rng(1)).order(drawn)
    feasible = evaluate.evaluate(small_project, explored.coordinates.designs(drawn)).feasible
    first, last = feasible[order[:100]].mean(), feasible[order[-100:]].mean()
    assert 0 < feasible.mean() < 0.8
    assert first > max(2 * last, feasible.mean())


def test_islands_are_two_values_little_tried_together(small_project: Project) -> None:
    explored = explored_at_random(small_project, 300)
    names = explored.coordinates.names
    place = names.index("generator")
    never = explored.rows[:, place] != explored.coordinates.count("generator") - 1
    for name in ("rows", "points", "violations", "margins"):
        setattr(explored, name, getattr(explored, name)[never])
    generator = np.random.default_rng(2)
    islands = [sample._island(explored, generator) for _ in range(400)]
    assert all(len(island) == 2 for island in islands)
    picked = Counter(island.get(place) for island in islands)
    counts = [picked[value] for value in range(explored.coordinates.count("generator"))]
    assert counts[-1] > 2 * max(counts[:-1])
