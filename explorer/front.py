"""Which designs are worth a look: dominance, hypervolume, a front thin enough to read.

Arrays only; every objective is minimised. A point dominates another when it is nowhere worse and
somewhere better; of equal points none dominates the other, so all of them stay.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

TASTES = 20_000
"""How many different weightings of the goals vote."""
TWIN = 0.1
"""Share of a unit within which two points are near-twins in an objective (judgement)."""
LEAST_OF_THE_MOST = 0.5
"""Share of the most energy that a recommended design must give."""

EQUAL_WITHIN = 0.005
"""Relative difference below which a person reads two values as the same."""


def non_dominated(points: ArrayLike, *, equals: bool = True) -> NDArray[np.bool_]:
    """Mark the points that no other point dominates.

    `points` has shape (n, m), any units, all minimised; infinities are allowed, NaN is a
    ValueError. Equal points are kept together, or without `equals` only the first of them.
    Returns a mask of shape (n,).

    >>> non_dominated([[0, 1], [1, 0], [1, 1], [1, 0]]).tolist()
    [True, True, False, True]
    """
    points = _checked(points)
    if not len(points):
        return np.zeros(0, dtype=np.bool_)
    import moocore

    return np.asarray(moocore.is_nondominated(points, keep_weakly=equals), dtype=np.bool_)


def hypervolume(points: ArrayLike, reference: ArrayLike) -> float:
    """Volume that the points dominate, bounded by `reference`.

    `points` has shape (n, m), `reference` (m,), all minimised; the unit is the product of the
    objectives' units. A point that is not better than the reference everywhere adds nothing; no
    points give 0. NaN is a ValueError, as is a reference of another length.

    >>> hypervolume([[0, 1], [1, 0]], [2, 2])
    3.0
    """
    points = _checked(points)
    reference = np.asarray(reference, dtype=np.float64)
    if reference.shape != points.shape[1:]:
        raise ValueError(f"reference has shape {reference.shape}, points have {points.shape}")
    if np.isnan(reference).any():
        raise ValueError("reference holds NaN")
    if not len(points):
        return 0.0
    import moocore

    return float(moocore.hypervolume(points, ref=reference))


def extremes(points: ArrayLike) -> NDArray[np.intp]:
    """Index of the least point in each objective, shape (m,); equals yield to the next objective.

    Raises ValueError on NaN or when there are no points.
    """
    points = _checked(points)
    if not len(points):
        raise ValueError("no points to pick from")
    return np.array([_order(points, first=k)[0] for k in range(points.shape[1])], dtype=np.intp)


def tastes(count: int, objectives: int) -> NDArray[np.float64]:
    """Weightings of the objectives, each sum 1, even over all there are: (count, objectives).

    The same for every call, so that equal fronts get equal answers.
    """
    return np.random.default_rng(1).dirichlet(np.ones(objectives), count)


def votes(points: ArrayLike, units: ArrayLike) -> NDArray[np.intp]:
    """How many of `TASTES` weightings like each point best, (n,).

    `units` (m,) says how much of each objective counts alike; they are fixed by the caller, not
    scaled by the ends of the front, so that a far-off point changes no vote but those it wins.
    Equal points share no votes: the first one has them. Raises ValueError on NaN, infinities,
    without points, or where a unit is not above 0.
    """
    points, units = _checked(points), np.asarray(units, dtype=np.float64)
    if not len(points):
        raise ValueError("no points to pick from")
    if not np.isfinite(points).all():
        raise ValueError("points hold infinities, which cannot be weighed")
    if units.shape != points.shape[1:] or not (units > 0).all():
        raise ValueError(f"units must be {points.shape[1]} numbers above 0, got {units}")
    scaled, count = points / units, np.zeros(len(points), dtype=np.intp)
    for some in np.array_split(tastes(TASTES, points.shape[1]), 1 + len(points) * TASTES // 10**7):
        np.add.at(count, (scaled @ some.T).argmin(axis=0), 1)
    return count


def votes_of_twins(points: ArrayLike, units: ArrayLike) -> NDArray[np.intp]:
    """`votes` (n,), near-twins counted once: a point with more votes takes those of all within
    `TWIN` of a unit of it in every objective, and they have none. Ties yield to the order of the
    objectives; errors as for `votes`.
    """
    points, units = _checked(points), np.asarray(units, dtype=np.float64)
    count = votes(points, units)
    gathered, left = np.zeros_like(count), count > 0
    for index in _order(np.column_stack([-count, points])):
        if left[index]:
            near = left & (np.abs(points - points[index]) <= TWIN * units).all(axis=1)
            gathered[index], left[near] = count[near].sum(), False
    return gathered


def vote_shares(points: ArrayLike, units: ArrayLike) -> NDArray[np.float64]:
    """Share of all weightings of the goals that like each point best, (n,), near-twins once.
    Points that give less than half of the most energy (the first objective, negative) have none.
    Units and errors as for `votes`.
    """
    points = _checked(points)
    if not len(points):
        raise ValueError("no points to pick from")
    enough = np.flatnonzero(points[:, 0] <= LEAST_OF_THE_MOST * points[:, 0].min())
    enough = enough if len(enough) else np.arange(len(points))
    shares = np.zeros(len(points))
    shares[enough] = votes_of_twins(points[enough], units) / TASTES
    return shares


def recommended(points: ArrayLike, units: ArrayLike) -> int:
    """Index of the point with the largest of `vote_shares`; ties yield to the order of the
    objectives. Units and errors as for `votes`.
    """
    points = _checked(points)
    return int(_order(np.column_stack([-vote_shares(points, units), points]))[0])


def reading_front(
    points: ArrayLike, *, equal_within: float | Sequence[float] = EQUAL_WITHIN, limit: int = 2000
) -> NDArray[np.intp]:
    """Indices of a front thinned to what a person can tell apart, ascending.

    Points share a box when their values lie between the same two steps of a geometric scale of
    ratio 1 + `equal_within` (one number, or one an objective). A box that another box dominates is
    left out, and a box keeps its first point in the order of the objectives. So for every point
    left out, one is kept that is nowhere worse by more than `equal_within`. Where more than
    `limit` points remain, the logarithmic steps are doubled until they fit. The extremes always
    stay. Any unit, signs as they are; NaN and infinities are a ValueError,
    as is a `limit` too small to be reached surely (below 3**m + m).
    """
    points = _checked(points)
    count, objectives = points.shape
    if not np.isfinite(points).all():
        raise ValueError("points hold infinities, which no box can hold")
    if limit < 3**objectives + objectives:
        raise ValueError(f"limit must be at least {3**objectives + objectives}, got {limit}")
    step = np.broadcast_to(np.asarray(equal_within, dtype=np.float64), (objectives,))
    if not (step > 0).all():
        raise ValueError(f"equal_within must be above 0, got {equal_within}")
    if not count:
        return np.zeros(0, dtype=np.intp)
    import moocore

    always = extremes(points)
    order = _order(points)
    boxes = _boxes(points[order], np.log1p(step))
    while True:
        mask = np.asarray(moocore.is_nondominated(boxes, keep_weakly=False), dtype=np.bool_)
        order, boxes = order[mask], boxes[mask]
        kept = np.union1d(order, always)
        if len(kept) <= limit:
            return kept.astype(np.intp)
        # Boxes of a doubled step hold whole boxes of the finer one: what fell out stays out.
        boxes = np.sign(boxes) * np.ceil(np.abs(boxes) / 2)


def _boxes(points: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Box number in each objective: 0 for zero, counted from 1 away from the least magnitude."""
    size = np.abs(points)
    logs = np.log(size, out=np.full_like(size, np.nan), where=size > 0)
    least = np.fmin.reduce(logs, axis=0)
    boxes = np.sign(points) * (np.floor((logs - least) / step) + 1)
    return np.where(size > 0, boxes, 0.0)


def _order(points: NDArray[np.float64], first: int = 0) -> NDArray[np.intp]:
    """Rows sorted by column `first`, equals by the other columns in order, then by index."""
    columns = [points[:, first], *np.delete(points, first, axis=1).T]
    return np.lexsort(columns[::-1])


def _checked(points: ArrayLike) -> NDArray[np.float64]:
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] < 1:
        raise ValueError(f"points must have shape (n, m), got {points.shape}")
    if np.isnan(points).any():
        raise ValueError("points hold NaN")
    return points
