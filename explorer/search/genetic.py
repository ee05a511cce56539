"""Designs crossed from the best known ones.

Of many crossings those are taken that the surrogate likes best, mostly of a subspace: among the
designs with two certain values, since another generator on another gearing may need another clamp
to be any good.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer.model.space import Rows
from explorer.search.archive import Archive
from explorer.search.neighbourhood import STEPS_PER_RANGE
from explorer.search.surrogate import Surrogate
from explorer.units import Array

EMPTY_GENERATIONS = 20
"""Generations without anything new after which crossing has nothing more to give."""
GENERATION, GROWTH = 50, 0.01
"""Designs evaluated before the surrogate learns from them: at least, and as a share of all before.
"""
POOL = 10
"""Candidates crossed for each design that is evaluated."""
BOLD = 0.8
"""Share of a generation that the surrogate likes best; the rest is drawn from the others."""
SUBSPACES = 0.7
"""Share of the generations, small ones, that look among the designs with two certain values."""


class Crossings:
    """Generations of crossings that the surrogate likes, of the whole space or of a subspace.

    Ends when crossing brings nothing new. `empty` generations before the next one did not, and
    `before` designs were known when the last one was proposed.
    """

    def __init__(
        self,
        archive: Archive,
        generator: np.random.Generator,
        empty: int = 0,
        before: int | None = None,
    ) -> None:
        self.archive, self.generator, self.empty, self.before = archive, generator, empty, before

    @property
    def state(self) -> dict[str, Any]:
        """Plain values from which the next generation can be made anew."""
        return {"empty": self.empty, "before": self.before}

    def propose(self) -> Array | None:
        """The next generation, None at the end."""
        archive, generator = self.archive, self.generator
        count_before = len(archive.rows)
        if self.before is not None:
            self.empty = 0 if count_before > self.before else self.empty + 1
        if self.empty >= EMPTY_GENERATIONS:
            return None
        self.before = count_before
        if generator.random() < SUBSPACES:
            fixed, count = subspace(archive, generator), GENERATION
        else:
            fixed, count = {}, max(GENERATION, int(GROWTH * archive.evaluations))
        inside = np.ones(count_before, dtype=bool)
        for place, value in fixed.items():
            inside &= archive.rows[:, place] == value
        members, parents = archive.front_and_parents(np.flatnonzero(inside))
        pool = _crossed(archive, parents, POOL * count, generator)
        for place, value in fixed.items():
            pool[:, place] = value
        pool = archive.fresh(pool)
        pool = pool[archive.passes_screen(pool)] if len(pool) else pool
        if count_before and len(pool) > count:
            order = Surrogate(archive, members, parents, generator).order(pool)
            bold = int(BOLD * count)
            others = generator.permutation(order[bold:])[: count - bold]
            pool = pool[np.concatenate([order[:bold], others])]
        return pool


def subspace(archive: Archive, generator: np.random.Generator) -> dict[int, int]:
    """A value each of two variables by their places, the less tried together the more often.

    Nothing where less than two variables have a choice of values.
    """
    counts = [archive.coordinates.count(name) for name in archive.coordinates.names]
    values = [(place, value) for place, n in enumerate(counts) if n > 1 for value in range(n)]
    places = np.array([place for place, _ in values])
    one, other = np.nonzero(places[:, None] < places)
    if not one.size:
        return {}
    has = np.array([archive.rows[:, place] == value for place, value in values], dtype=float)
    rare = 1.0 / (1.0 + (has @ has.T)[one, other])
    pair = int(generator.choice(len(one), p=rare / rare.sum()))
    return dict([values[one[pair]], values[other[pair]]])


def _crossed(archive: Archive, parents: Rows, count: int, generator: np.random.Generator) -> Array:
    """Designs from two parents each, one variable of them changed on the average."""
    coordinates = archive.coordinates
    if not len(parents):
        return coordinates.rows(coordinates.space.draw(count, generator))
    shape = (count, len(coordinates.names))
    one, other = (archive.rows[generator.choice(parents, count)] for _ in range(2))
    child: Array = np.where(generator.random(shape) < 0.5, one, other)
    free = [n for n, name in enumerate(coordinates.names) if coordinates.count(name) != 1]
    changed = generator.random(shape) < 1 / max(len(free), 1)
    for place in free:
        name, here = coordinates.names[place], np.flatnonzero(changed[:, place])
        size = coordinates.count(name)
        if size:
            other_value = child[here, place] + generator.integers(1, size, len(here))
            child[here, place] = other_value % size
        else:
            setting = coordinates.space.settings[name]
            step = (setting.high - setting.low) * generator.choice(STEPS_PER_RANGE, len(here))
            moved = child[here, place] + step * generator.normal(size=len(here))
            child[here, place] = moved.clip(setting.low, setting.high)
    return child
