"""The surrogate: close at what it knows, uncertain elsewhere; subspaces of two values."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model import evaluate, space
from explorer.search.archive import Archive
from explorer.search.genetic import subspace
from explorer.search.surrogate import Process, Surrogate


def archive_at_random(project: Project, count: int) -> Archive:
    everything = space.Space.of(project)
    archive = Archive(project, everything)
    rows = archive.coordinates.rows(everything.draw(count, np.random.default_rng(3)))
    rows = archive.fresh(rows)
    archive.add(rows, evaluate.evaluate(project, archive.coordinates.designs(rows)))
    return archive


def test_a_process_against_the_formulas_written_out() -> None:
    """Formulas 2.25 and 2.26 of Rasmussen and Williams (2006), with a plain inverse."""
    generator = np.random.default_rng(5)
    picks = generator.integers(0, 3, (12, 4))
    values = np.concatenate([np.eye(3)[column] for column in picks.T], axis=1)
    known = generator.normal(size=(12, 2))
    asked = np.concatenate([np.eye(3)[c] for c in generator.integers(0, 3, (6, 4)).T], axis=1)
    mean, unsure = Process(values, known).predict(asked)
    alike = np.exp((values @ values.T - 4) / 10) + 0.01 * np.eye(12)
    across = np.exp((asked @ values.T - 4) / 10)
    scaled = (known - known.mean(axis=0)) / known.std(axis=0)
    expected = known.mean(axis=0) + known.std(axis=0) * (across @ np.linalg.inv(alike) @ scaled)
    left = 1 - np.einsum("ij,jk,ik->i", across, np.linalg.inv(alike), across)
    assert mean == pytest.approx(expected, rel=1e-9)
    assert unsure == pytest.approx(np.sqrt(left)[:, None] * known.std(axis=0), rel=1e-6)


def test_a_surrogate_of_designs_that_keep_every_rule(small_project: Project) -> None:
    """As after a sweep, whose whole front does: no rule is left to fear, all are still ordered."""
    archive = archive_at_random(small_project, 700)
    kept = archive.violations == 0
    for name in ("rows", "points", "violations", "margins"):
        setattr(archive, name, getattr(archive, name)[kept])
    members, parents = archive.front_and_parents(np.arange(len(archive.rows)))
    order = Surrogate(archive, members, parents, np.random.default_rng(1)).order(archive.rows)
    assert sorted(order) == list(range(kept.sum()))
    # A member of the front is beaten by none of what is known, as far as the surrogate can say.
    placed = np.argsort(order)
    others = np.setdiff1d(np.arange(kept.sum()), members)
    assert np.median(placed[members]) < np.median(placed[others])


def test_the_surrogate_puts_feasible_designs_first(small_project: Project) -> None:
    """Of designs that it has not seen, it puts those first of which more keep all rules."""
    archive = archive_at_random(small_project, 700)
    everything = space.Space.of(small_project)
    drawn = archive.fresh(archive.coordinates.rows(everything.draw(600, np.random.default_rng(9))))
    members, parents = archive.front_and_parents(np.arange(len(archive.rows)))
    order = Surrogate(archive, members, parents, np.random.default_rng(1)).order(drawn)
    feasible = evaluate.evaluate(small_project, archive.coordinates.designs(drawn)).feasible
    first, last = feasible[order[:100]].mean(), feasible[order[-100:]].mean()
    assert 0 < feasible.mean() < 0.8
    assert first > max(2 * last, feasible.mean())


def test_subspaces_are_two_values_little_tried_together(small_project: Project) -> None:
    archive = archive_at_random(small_project, 300)
    names = archive.coordinates.names
    place = names.index("generator")
    never = archive.rows[:, place] != archive.coordinates.count("generator") - 1
    for name in ("rows", "points", "violations", "margins"):
        setattr(archive, name, getattr(archive, name)[never])
    generator = np.random.default_rng(2)
    subspaces = [subspace(archive, generator) for _ in range(400)]
    assert all(len(some) == 2 for some in subspaces)
    picked = Counter(some.get(place) for some in subspaces)
    counts = [picked[value] for value in range(archive.coordinates.count("generator"))]
    assert counts[-1] > 2 * max(counts[:-1])
