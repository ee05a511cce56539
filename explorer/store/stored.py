"""Stored designs as later work reads them, and why others cannot be used today."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model import objectives
from explorer.model.space import Designs, Rows
from explorer.store.keys import Numbers
from explorer.store.promises import Promises
from explorer.units import Array


@dataclass(frozen=True)
class Stored:
    """What repricing needs of `n` stored designs, (n,) arrays.

    `values` holds every objective but the cost, by key. `keeps_physics` is True where every rule of
    physics is kept; `keeps_limits` where the study's limits but the one on cost are kept as well,
    at nominal values. `promises` are what builds of them come to where the study goes by it: then
    `feasible` asks for a settled promise within the limits too. `stepped` is True
    where the results are those of a session, False where they are the search's filter's: then
    `energy_doubt` is how far the energy may be off, as a share, and `may_stand` says where a
    session may keep every rule and limit but the one on cost. `places` says where in the store a
    design stands, for `Store.evaluation`.
    """

    designs: Designs
    values: Mapping[str, Array]
    time_to_first_charge_s: Array
    regime: NDArray[np.int8]
    keeps_physics: NDArray[np.bool_]
    keeps_limits: NDArray[np.bool_]
    feasible: NDArray[np.bool_]
    may_stand: NDArray[np.bool_]
    energy_doubt: Array
    stepped: NDArray[np.bool_]
    numbers: Numbers
    places: Rows
    promises: Promises | None = None

    def __len__(self) -> int:
        return len(self.numbers)

    @property
    def delivered_energy_J(self) -> Array:
        """Energy delivered, over the study's cases."""
        return self.values["delivered_energy_J"]

    @property
    def mass_kg(self) -> Array:
        """Mass of all parts."""
        return self.values["mass_kg"]

    @property
    def crank_effort_percent(self) -> Array:
        """Effort at the crank, over the study's cases."""
        return self.values["crank_effort_percent"]

    def objectives(self, cost: Array) -> Array:
        """The objectives in their order, all minimised: (n, objectives). The energy is what builds
        promise where the study goes by it and enough were drawn.
        """
        points = self.nominal(cost)
        if self.promises is not None:
            energy = objectives.KEYS.index(objectives.ENERGY)
            promised = -self.promises.energy_J
            points[:, energy] = np.where(np.isnan(promised), points[:, energy], promised)
        return points

    def nominal(self, cost: Array) -> Array:
        """The objectives at nominal values, all minimised: (n, objectives)."""
        return objectives.points({**self.values, objectives.COST: cost})

    @property
    def settled(self) -> NDArray[np.bool_]:
        """Where enough builds were drawn for a promise; everywhere if the study asks for none."""
        if self.promises is None:
            return np.ones(len(self), dtype=bool)
        return ~np.isnan(self.promises.energy_J)

    def completed(self, numbers: Numbers, points: Array) -> Array:
        """Objectives (n, objectives) of designs of the past. What nobody knew of them then, NaN, is
        taken from the same design here; it stays NaN where there is none.
        """
        place = {number: row for row, number in enumerate(self.numbers.tolist())}
        found = np.array(points)
        at = [(row, place[one]) for row, one in enumerate(numbers.tolist()) if one in place]
        if at:
            rows, own = np.array(at).T
            # The cost of that day is never missing.
            today = self.objectives(np.zeros(len(self)))[own]
            found[rows] = np.where(np.isnan(found[rows]), today, found[rows])
        return found

    def take(self, rows: Rows | NDArray[np.bool_]) -> Stored:
        """The designs at some rows, or where a mask holds."""
        return Stored(
            designs=self.designs.take(rows),
            values={key: value[rows] for key, value in self.values.items()},
            time_to_first_charge_s=self.time_to_first_charge_s[rows],
            regime=self.regime[rows],
            keeps_physics=self.keeps_physics[rows],
            keeps_limits=self.keeps_limits[rows],
            feasible=self.feasible[rows],
            may_stand=self.may_stand[rows],
            energy_doubt=self.energy_doubt[rows],
            stepped=self.stepped[rows],
            numbers=self.numbers[rows],
            places=self.places[rows],
            promises=self.promises.take(rows) if self.promises else None,
        )

    def and_(self, others: Stored) -> Stored:
        """These designs, then others of the same study; one that is in both is there twice."""

        def both(name: str) -> Any:
            return np.concatenate([getattr(self, name), getattr(others, name)])

        names = (one.name for one in fields(self))
        plain = (name for name in names if isinstance(getattr(self, name), np.ndarray))
        mine, theirs = self.promises, others.promises
        return Stored(
            designs=Designs.concatenate([self.designs, others.designs]),
            values={k: np.concatenate([v, others.values[k]]) for k, v in self.values.items()},
            promises=None if mine is None or theirs is None else mine.and_(theirs),
            **{name: both(name) for name in plain},
        )

    def find(self, design_id: str) -> int | None:
        """Row of a design, None when it is not here or the id is no id."""
        try:
            rows = np.flatnonzero(self.numbers == np.uint64(int(design_id, 16)))
        except (ValueError, OverflowError):
            return None
        return int(rows[0]) if rows.size else None


NotReused = tuple[str, int]
"""Why some stored designs cannot be used, and how many."""


class Reuse(NamedTuple):
    """How many stored designs hold today, and why the others do not.

    A design with several reasons is counted under each of them.
    """

    stored: int
    reusable: int
    reasons: tuple[NotReused, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """The same for a person to read, one line a reason."""
        if not self.stored:
            return ("the store holds no designs yet",)
        head = f"{self.reusable:,} of {self.stored:,} stored designs can be reused"
        return (head, *(f"{count:,} not: {words}" for words, count in self.reasons))


def added_up(reasons: Iterable[NotReused]) -> tuple[NotReused, ...]:
    """Each reason once with all its designs, those that concern none left out.

    >>> added_up([("old", 2), ("gone", 0), ("old", 1)])
    (('old', 3),)
    """
    counts: dict[str, int] = {}
    for words, count in reasons:
        if count:
            counts[words] = counts.get(words, 0) + count
    return tuple(counts.items())
