"""Dominance, hypervolume, the reading front and the picks, against plain twins and published sets.

Sources: ZDT1-3: Zitzler, Deb & Thiele, Evolutionary Computation 8(2), 2000. DTLZ2: Deb, Thiele,
Laumanns & Zitzler, CEC 2002. Their fronts are curves and spheres with a closed-form volume; pymoo
(another library than the one called) is the independent judge of single values.
"""

from __future__ import annotations

from itertools import product
from math import gamma, pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from explorer import front
from explorer.decision import picks

# Small integers make ties and duplicates common, which is where filters differ.
TIED = arrays(
    np.float64,
    st.tuples(st.integers(1, 25), st.integers(1, 4)),
    elements=st.integers(-3, 3).map(float),
)
LOOSE = arrays(
    np.float64,
    st.tuples(st.integers(1, 25), st.just(4)),
    elements=st.floats(-1e6, 1e6, allow_nan=False),
)


def dominates(a: np.ndarray, b: np.ndarray) -> bool:
    return bool((a <= b).all() and (a < b).any())


@given(TIED)
def test_non_dominated_is_the_plain_double_loop(points: np.ndarray) -> None:
    points.flags.writeable = False
    slow = [not any(dominates(a, b) for a in points) for b in points]
    assert front.non_dominated(points).tolist() == slow


def test_equal_points_stay_together() -> None:
    assert front.non_dominated([[1, 2], [1, 2], [2, 1], [2, 2]]).tolist() == [1, 1, 1, 0]


@given(TIED)
def test_of_equal_points_the_first_alone_can_be_asked_for(points: np.ndarray) -> None:
    every, seen = front.non_dominated(points), set()
    expected = [
        keeps and not (tuple(point) in seen or seen.add(tuple(point)))
        for keeps, point in zip(every.tolist(), points, strict=True)
    ]
    assert front.non_dominated(points, equals=False).tolist() == expected


def test_infinities_are_ordinary_worst_values() -> None:
    assert front.non_dominated([[0, np.inf], [0, 5], [-np.inf, 9]]).tolist() == [0, 1, 1]


@given(TIED)
def test_hypervolume_is_the_count_of_unit_cells(points: np.ndarray) -> None:
    """Between integer coordinates the dominated volume is a count of unit cells."""
    reference = np.full(points.shape[1], 3.0)
    cells = np.array(list(product(range(-3, 3), repeat=points.shape[1])), dtype=float)
    covered = (points[:, None, :] <= cells).all(axis=2).any(axis=0)
    assert front.hypervolume(points, reference) == pytest.approx(covered.sum(), abs=1e-9)


@given(LOOSE)
def test_hypervolume_agrees_with_pymoo(points: np.ndarray) -> None:
    from pymoo.indicators.hv import HV

    reference = np.full(4, 1e6)
    # 1e-9 of the box that all points lie in: both sum products of doubles in another order.
    assert front.hypervolume(points, reference) == pytest.approx(
        float(HV(ref_point=reference)(points)), rel=1e-9, abs=1e-9 * 2e6**4
    )


def test_points_outside_the_reference_add_nothing() -> None:
    assert front.hypervolume([[2.0, 0.0], [1.0, 1.0]], [1.0, 1.0]) == 0.0


def zdt(number: int, count: int) -> list[np.ndarray]:
    """Points on each connected piece of the true front; ZDT3's ends from its dominance rule."""
    if number == 1:
        x = np.linspace(0, 1, count)
        return [np.column_stack([x, 1 - np.sqrt(x)])]
    if number == 2:
        x = np.linspace(0, 1, count)
        return [np.column_stack([x, 1 - x**2])]
    x = np.linspace(0, 1, 20 * count)
    points = np.column_stack([x, 1 - np.sqrt(x) - x * np.sin(10 * pi * x)])
    rows = np.flatnonzero(points[:, 1] <= np.minimum.accumulate(points[:, 1]))
    return [points[piece] for piece in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)]


@pytest.mark.parametrize(("number", "volume"), [(1, 0.876667), (2, 0.543333), (3, 1.331763)])
def test_hypervolume_of_zdt(number: int, volume: float) -> None:
    """A finite front leaves out at most the rectangles between neighbours on each piece."""
    pieces = zdt(number, 3000)
    missing = sum(float(np.abs(np.prod(np.diff(piece, axis=0), axis=1)).sum()) for piece in pieces)
    got = front.hypervolume(np.vstack(pieces), [1.1, 1.1])
    # The published value has six decimals; ZDT3's piece ends are found to one step in x.
    slack = 5e-7 + (1 / 60_000 if number == 3 else 0)
    assert volume - missing - slack <= got <= volume + slack
    assert missing < 2e-3


@pytest.mark.parametrize(
    ("objectives", "steps", "published"), [(3, 100, 0.807401), (4, 16, 1.155675)]
)
def test_hypervolume_of_dtlz2(objectives: int, steps: int, published: float) -> None:
    """Angles on a grid: every point of the sphere has a neighbour within h, so the finite front
    covers at least the sphere's volume seen from a reference that is nearer by h.
    """
    exact = 1.1**objectives - pi ** (objectives / 2) / (gamma(objectives / 2 + 1) * 2**objectives)
    assert exact == pytest.approx(published, abs=5e-7)  # six decimals are published
    angles = np.array(list(product(np.linspace(0, pi / 2, steps + 1), repeat=objectives - 1)))
    points = np.ones((len(angles), objectives))
    for k in range(objectives - 1):
        points[:, k] *= np.cos(angles[:, k])
        points[:, k + 1 :] *= np.sin(angles[:, k])[:, None]
    h = pi / 4 / steps * np.sqrt(objectives - 1)  # half a step in each angle, none longer than 1
    got = front.hypervolume(points, np.full(objectives, 1.1))
    assert exact - (1.1**objectives - (1.1 - h) ** objectives) <= got <= exact


@given(LOOSE | TIED)
def test_reading_front_leaves_out_only_what_it_can_answer_for(points: np.ndarray) -> None:
    points.flags.writeable = False
    kept = front.reading_front(points)
    assert (np.diff(kept) > 0).all()
    assert set(front.extremes(points)) <= set(kept)
    allowed = points + 0.005 * np.abs(points) * (1 + 1e-9)  # rounding of the logarithms
    assert all((points[kept] <= row).all(axis=1).any() for row in allowed)
    assert np.array_equal(kept, front.reading_front(points))


def test_reading_front_takes_close_energies_as_equal() -> None:
    """0.2 % more energy for twice the price is no choice a person would see."""
    points = np.array([[-1002.0, 40, 2, 50], [-1001.0, 20, 2, 50], [-1000.0, 10, 1, 40]])
    kept = front.reading_front(points)
    # The most energetic stays as an extreme, the middle one goes.
    assert kept.tolist() == [0, 2]


def test_reading_front_meets_its_limit() -> None:
    rng = np.random.default_rng(7)
    sphere = np.abs(rng.normal(size=(20_000, 4)))
    sphere /= np.linalg.norm(sphere, axis=1)[:, None]
    kept = front.reading_front(sphere, limit=500)
    assert 86 < len(kept) <= 500
    # What it answers for gets coarser, but by factors of two from the same grid and no further:
    # the coarsest box is a power of 1.005, and some kept point is nowhere worse by more than it.
    worse = np.array(
        [(sphere[kept] / row).max(axis=1).min() for row in sphere[:: len(sphere) // 200]]
    )
    assert worse.max() < 2


UNITS = np.ones(4)


@given(LOOSE)
def test_picks_are_extremes_and_never_dominated(points: np.ndarray) -> None:
    points.flags.writeable = False
    picked = picks.picks(points, UNITS)
    assert tuple(picked) == picks.WISHES
    mask = front.non_dominated(points)
    for k, name in enumerate(picks.WISHES[:4]):
        assert points[picked[name], k] == points[:, k].min()
        assert mask[picked[name]]


@given(TIED)
def test_the_recommended_point_is_the_best_for_some_weighting(points: np.ndarray) -> None:
    units = np.ones(points.shape[1])
    index = front.recommended(points, units)
    enough = points[points[:, 0] <= 0.5 * points[:, 0].min()]
    if not len(enough):
        return
    tastes = front.tastes(front.TASTES, points.shape[1])
    best, mine = (enough @ tastes.T).min(axis=0), points[index] @ tastes.T
    assert (mine <= best + 1e-9).any()


KNEE = np.array(
    [[-600.0, 10, 1, 10], [-5000.0, 20, 1.5, 20], [-5500.0, 60, 4, 60], [-5600.0, 100, 5, 90]]
)
"""A made-up front: the second point gives nearly all of the energy for little of the rest."""


def test_the_recommended_point_is_the_knee() -> None:
    assert front.recommended(KNEE, np.array([600.0, 12, 0.5, 10])) == 1


@pytest.mark.parametrize("far", [[-300.0, 9, 1, 9], [-5601.0, 4000, 90, 99], [-1.0, 1, 0.9, 1]])
def test_a_far_off_point_does_not_change_what_is_recommended(far: list[float]) -> None:
    """Axes scaled by the ends of the front would flip here; fixed units do not."""
    units = np.array([600.0, 12, 0.5, 10])
    assert front.recommended(np.vstack([KNEE, far]), units) == 1


def test_a_point_of_little_energy_is_not_recommended() -> None:
    """However cheap and light: it must give half of the most."""
    points = np.array([[-2000.0, 1, 0.1, 1], [-4100.0, 100, 5, 90]])
    assert front.votes(points, [600.0, 12, 0.5, 10]).argmax() == 0
    assert front.recommended(points, [600.0, 12, 0.5, 10]) == 1


def test_near_twins_count_once() -> None:
    """A third of all weightings like the knee; cut into five near-twins it would lose to a point
    that nobody asked for, had each its own votes only. Together they have what one would have."""
    units = np.array([600.0, 12, 0.5, 10])
    alone = front.vote_shares(KNEE, units)
    twins = KNEE[1] + np.array([[-8.0, 0.2, 0, 0], [8, -0.2, 0, 0], [-4, 0, 0.004, -0.1]])
    points = np.vstack([KNEE, twins])
    shares = front.vote_shares(points, units)
    family = [1, *range(len(KNEE), len(points))]
    assert np.count_nonzero(shares[family]) == 1
    assert shares[family].sum() == pytest.approx(alone[1], abs=0.03)
    assert front.recommended(points, units) in family
    assert shares.sum() == pytest.approx(1)


def test_votes_are_all_given_and_units_are_checked() -> None:
    assert front.votes(KNEE, [600.0, 12, 0.5, 10]).sum() == front.TASTES
    with pytest.raises(ValueError, match="units"):
        front.votes(KNEE, [600.0, 12, 0.5, 0])
    with pytest.raises(ValueError, match="infinities"):
        front.votes([[np.inf, 1, 1, 1]], [600.0, 12, 0.5, 10])


def test_nothing_in_nothing_out() -> None:
    empty = np.zeros((0, 4))
    assert front.non_dominated(empty).shape == (0,)
    assert front.hypervolume(empty, np.ones(4)) == 0.0
    assert front.reading_front(empty).shape == (0,)
    with pytest.raises(ValueError, match="no points"):
        picks.picks(empty, UNITS)


@pytest.mark.parametrize(
    "call",
    [
        lambda p: front.non_dominated(p),
        lambda p: front.hypervolume(p, np.ones(4)),
        lambda p: front.reading_front(p),
        lambda p: picks.picks(p, UNITS),
    ],
)
def test_nan_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match="NaN"):
        call(np.array([[0.0, 1.0, np.nan, 2.0]]))


def test_shapes_and_options_are_checked() -> None:
    with pytest.raises(ValueError, match="shape"):
        front.non_dominated([1.0, 2.0])
    with pytest.raises(ValueError, match="reference"):
        front.hypervolume([[0.0, 1.0]], [1.0])
    with pytest.raises(ValueError, match="NaN"):
        front.hypervolume([[0.0, 1.0]], [1.0, np.nan])
    with pytest.raises(ValueError, match="infinities"):
        front.reading_front([[0.0, np.inf]])
    with pytest.raises(ValueError, match="limit"):
        front.reading_front([[0.0, 1.0]], limit=3)
    with pytest.raises(ValueError, match="equal_within"):
        front.reading_front([[0.0, 1.0]], equal_within=0)
    with pytest.raises(ValueError, match="4 objectives"):
        picks.picks([[0.0, 1.0]], UNITS)


@pytest.mark.slow
def test_a_million_points_within_seconds() -> None:
    """The rerun at new prices filters its whole store; 5 s leaves room for a busy machine."""
    from time import perf_counter

    points = np.random.default_rng(3).random((1_000_000, 4))
    start = perf_counter()
    mask = front.non_dominated(points)
    assert perf_counter() - start < 5
    assert 0 < mask.sum() < 10_000
