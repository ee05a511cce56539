"""Designs that differ from the front's in one variable or two."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.search.archive import Archive
from explorer.search.coordinates import Coordinates
from explorer.search.surrogate import Surrogate
from explorer.units import Array

MEMBERS_AT_A_TIME = 10
PROMISING = 0.1
"""Share of a member's pairwise substitutions that are tried before all others."""
ROUNDS = ((1, 1.0), (2, PROMISING), (2, 1.0))
"""How many variables are substituted, and the share of these substitutions that is tried."""
STEPS_PER_RANGE = (1 / 8, 1 / 32)
"""How far a continuous setting is moved when it is substituted, as shares of its range."""


class Substitutions:
    """All substitutions of one and two variables around the front, until nothing improves.

    Single ones first, then the pairs of each member that the surrogate likes best, then all pairs.
    `done` are the members, by their rows in the archive, that each of these had.
    """

    def __init__(
        self,
        archive: Archive,
        generator: np.random.Generator,
        done: Sequence[Sequence[int]] = ((), (), ()),
    ) -> None:
        self.archive, self.generator, self.done = archive, generator, [set(some) for some in done]

    @property
    def state(self) -> dict[str, Any]:
        """Plain values from which the next substitutions can be made anew."""
        return {"done": [sorted(some) for some in self.done]}

    def propose(self) -> Array | None:
        """The next substitutions, None at the end."""
        archive, generator = self.archive, self.generator
        members, parents = archive.front_and_parents(np.arange(len(archive.rows)))
        members = members if len(members) else parents
        left = [[m for m in members.tolist() if m not in tried] for tried in self.done]
        which = next((n for n, some in enumerate(left) if some), None)
        if which is None:
            return None
        (depth, share), some = ROUNDS[which], generator.permutation(left[which])[:MEMBERS_AT_A_TIME]
        self.done[which].update(some.tolist())
        near = [neighbours(archive.coordinates, archive.rows[m], depth) for m in some]
        wanted = int(share * sum(map(len, near)))
        rows = archive.fresh(np.concatenate(near))
        rows = rows[archive.passes_screen(rows)] if len(rows) else rows
        if len(rows) and len(archive.rows):
            rows = rows[Surrogate(archive, members, parents, generator).order(rows)][:wanted]
        return rows


def neighbours(coordinates: Coordinates, row: NDArray[Any], depth: int) -> Array:
    """All rows that differ from one in exactly `depth` variables."""
    options = [_substitutes(coordinates, name, v) for name, v in zip(coordinates.names, row,
               strict=True)]  # fmt: skip
    found = []
    for places in combinations(range(len(row)), depth):
        grids = np.meshgrid(*(options[place] for place in places), indexing="ij")
        block = np.tile(row, (grids[0].size, 1))
        for place, grid in zip(places, grids, strict=True):
            block[:, place] = grid.ravel()
        found.append(block)
    return np.concatenate(found)


def _substitutes(coordinates: Coordinates, name: str, value: float) -> Array:
    """Other values of a variable; of a continuous one its sweep points and steps to both sides."""
    count = coordinates.count(name)
    if count:
        return np.delete(np.arange(count, dtype=float), int(value))
    setting = coordinates.space.settings[name]
    width = setting.high - setting.low
    steps = [sign * share * width for share in STEPS_PER_RANGE for sign in (-1, 1)]
    near = np.clip([value + step for step in steps], setting.low, setting.high)
    others = np.unique(np.concatenate([near, setting.values]))
    return np.asarray(others[others != value])
