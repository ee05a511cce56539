"""Which designs no other one beats whatever prices come."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import costing, doubt, objectives
from explorer.model.evaluation import Evaluation
from explorer.model.rules import RULES
from explorer.model.space import Rows
from explorer.units import Array

POINTS_AT_ONCE = 256
"""Points compared with others at a time; bounds memory."""
FEW = 64
"""Points that others are compared with first."""
ALIKE_BEYOND = 1e9
"""Margins beyond this are alike."""


def worth_keeping(project: Project, found: Evaluation) -> Rows:
    """Rows of designs that a search keeps: those that no other one beats at any price; where the
    study goes by promises all, since one that is beaten at nominal values may promise more, but of
    equals one.
    """
    if project.study.by_promise:
        points = objectives.points_of(project, found, np.zeros(len(found)))
        return _safest_of_equals(found, _bills(project, found), points)
    return unbeaten_at_any_price(project, found)


def _bills(project: Project, found: Evaluation) -> Rows:
    """A number for the bill of materials of each design (n,), parts and pieces."""
    designs = found.designs
    bill = costing.quantities(project.catalogue, designs)
    columns = [designs.parts[link] for link in LINKS] + [bill[link] for link in LINKS]
    return np.unique(codes(columns), return_inverse=True)[1].reshape(-1)


def _safest_of_equals(found: Evaluation, bill: Rows, points: Array) -> Rows:
    """Rows, ascending, of designs of which those with the same bill and points stay once: the one
    that is farthest from a hazard, then the one that is farthest from any rule.
    """
    order = np.lexsort((-_room(found, of_hazards=False), -_room(found)))
    equal = np.column_stack([bill, points])[order]
    _, first = np.unique(equal, axis=0, return_index=True)
    return np.sort(order[first])


def unbeaten_at_any_price(project: Project, found: Evaluation) -> Rows:
    """Rows of designs of which none is sure to be beaten whatever prices come, ascending.

    Prices can favour any bill of materials over any other one, since a price may fall with the
    number bought. So a design is beaten at any price by one of the same bill alone, parts and
    pieces, that is nowhere worse and somewhere better in the other objectives. `found` is what the
    search's filter says: a design stays where it is within the filter's doubt of not being beaten.
    Of equals the one stays that is farthest from a hazard.
    """
    group = _bills(project, found)
    without_cost = [one.key != objectives.COST for one in objectives.OBJECTIVES]
    points = objectives.points_of(project, found, np.zeros(len(group)))
    best = doubt.credited(project, points, doubt.energy_doubt(project, found))[:, without_cost]
    points = points[:, without_cost]
    single = _safest_of_equals(found, group, points)
    sure = single[found.feasible[single]]
    anchors = sure[unbeaten_in_groups(points[sure], group[sure])]
    anchors = anchors[np.argsort(group[anchors], kind="stable")]
    single = single[np.argsort(group[single], kind="stable")]
    open_ = [
        rows[~beaten(best[rows], points[anchors[slice(*ends)]])]
        for rows, ends in _by_group(group[single], single, group[anchors])
    ]
    return np.sort(np.concatenate(open_)) if open_ else single


def _by_group(groups: Rows, rows: Rows, others: Rows) -> Iterator[tuple[Rows, tuple[int, int]]]:
    """Rows of each group, and where its members stand among `others`; both in order of groups."""
    starts = np.flatnonzero(np.diff(groups, prepend=-1))
    low = np.searchsorted(others, groups[starts], "left").tolist()
    high = np.searchsorted(others, groups[starts], "right").tolist()
    yield from zip(np.split(rows, starts[1:]), zip(low, high, strict=True), strict=True)


def _room(found: Evaluation, of_hazards: bool = True) -> Array:
    """How far designs (n,) are from the nearest hazard, or any rule, in units of what is near."""
    room = [
        np.clip(margin, -ALIKE_BEYOND, ALIKE_BEYOND) / RULES[name].near
        for name, margin in found.margins.items()
        if name in RULES and (RULES[name].hazard or not of_hazards)
    ]
    return np.asarray(np.min(room, axis=0)) if room else np.zeros(len(found))


def beaten(points: Array, others: Array) -> NDArray[np.bool_]:
    """Where one of `others` (m, k) is nowhere worse than a point (n, k), all minimised: (n,).

    >>> beaten(np.array([[1.0, 1.0], [0.0, 3.0]]), np.array([[1.0, 0.0]])).tolist()
    [True, False]
    """
    if len(others) > 4 * FEW:  # a few beat most
        found = beaten(points, others[:: len(others) // FEW])
        found[~found] = _beaten_by_any(points[~found], others)
        return found
    return _beaten_by_any(points, others)


def _beaten_by_any(points: Array, others: Array) -> NDArray[np.bool_]:
    found = np.zeros(len(points), dtype=bool)
    for start in range(0, len(points), POINTS_AT_ONCE):
        some = points[start : start + POINTS_AT_ONCE]
        worse = np.ones((len(some), len(others)), dtype=bool)
        for one, other in zip(some.T, others.T, strict=True):
            worse &= other <= one[:, None]
        found[start : start + len(some)] = worse.any(axis=1)
    return found


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
