"""Which designs no other one beats whatever prices come."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import costing, objectives
from explorer.model.objectives import Results
from explorer.model.space import Rows
from explorer.units import Array


def unbeaten_at_any_price(project: Project, found: Results) -> Rows:
    """Rows of feasible designs that no other one beats whatever prices come, ascending.

    Prices can favour any bill of materials over any other one, since a price may fall with the
    number bought. So a design is beaten at any price by one of the same bill alone, parts and
    pieces, that is nowhere worse and somewhere better in the other objectives. Of equals the first
    stays.
    """
    designs = found.designs
    bill = costing.quantities(project.catalogue, designs)
    columns = [designs.parts[link] for link in LINKS] + [bill[link] for link in LINKS]
    group = np.unique(codes(columns), return_inverse=True)[1].reshape(-1)
    without_cost = [one.key != objectives.COST for one in objectives.OBJECTIVES]
    points = objectives.points_of(project, found, np.zeros(len(group)))[:, without_cost]
    return unbeaten_in_groups(points, group)


def unbeaten_in_groups(points: Array, group: Rows) -> Rows:
    """Rows of `points` (n, m), all minimised, that no other row of their group (n,) dominates,
    ascending. Of equal rows of a group the first stays.

    >>> unbeaten_in_groups(np.array([[1.0, 2.0], [1.0, 2.0], [0.0, 3.0], [9.0, 9.0]]),
    ...                    np.array([0, 0, 0, 1]))
    array([0, 2, 3])
    """
    order = np.lexsort((*points.T[::-1], group))
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    ranked = points[order]
    size = np.diff(np.append(starts, len(order)))
    varies = (ranked != np.repeat(ranked[starts], size, axis=0)).any(axis=0)
    varying = ranked[:, varies]
    if varying.shape[1] <= 2:
        # In the order of the one, what is unbeaten falls in the other.
        last = varying[:, -1] if varying.shape[1] == 2 else np.zeros(len(order))
        return np.sort(order[_falling(last, starts)])
    kept = [
        some[front.non_dominated(points[some]) & _first_of_equals(points[some])]
        for some in np.split(order, starts[1:])
    ]
    return np.sort(np.concatenate(kept)) if kept else order


def _first_of_equals(ranked: Array) -> NDArray[np.bool_]:
    """False for a row of ordered ones that equals the row before it."""
    return np.append(True, (ranked[1:] != ranked[:-1]).any(axis=1))[: len(ranked)]


def _falling(values: Array, starts: Rows) -> NDArray[np.bool_]:
    """Where a value is below all before it in its group; groups begin at `starts`."""
    if not len(values):
        return np.zeros(0, dtype=bool)
    rank = np.unique(values, return_inverse=True)[1].reshape(-1)
    number = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(values))))
    # Each later group is shifted below all earlier ones, so that one running minimum serves all.
    shifted = rank - number * (int(rank.max()) + 1)
    return np.append(True, shifted[1:] < np.minimum.accumulate(shifted)[:-1])


def codes(columns: Sequence[Rows]) -> Rows:
    """One number a row of several columns of small whole numbers, in the order of the columns."""
    code, most = np.zeros(len(columns[0]), dtype=np.int64), 1
    for column in columns:
        size = int(column.max(initial=0)) + 1
        if most * size > 2**62:
            code = np.unique(code, return_inverse=True)[1].reshape(-1)
            most = int(code.max(initial=0)) + 1
        code, most = code * size + column, most * size
    return code
