"""A gear ratio as sprockets, pulleys or gears that one can buy: teeth, length, pull and axle load.

Nothing here reads what a gearing is called: a ratio is worked out in each of the three ways, and
who builds takes the one that they have. A ready-made box of the ratio needs none of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, cos, log, pi, sin
from typing import NamedTuple

from explorer.physics.drives import (
    LEAST_GEAR_TEETH,
    PRESSURE_ANGLE,
    belt_centre,
    belt_length,
    chain_centre,
    chain_links,
    pull_N,
)

CHAIN_PITCH_M = 0.0127
"""Half an inch: cycle chains and 08B (ISO 9633, ISO 606)."""
BELT_PITCH_M = 0.005
"""Toothed belts of 5 mm pitch (ISO 17396 and ISO 13050 have it)."""
MODULE_M = 0.0015
"""Small spur gears that can be printed or bought (a module of ISO 54)."""
PULLEYS = (12, 14, 15, 16, 18, 20, 22, 24, 25, 28, 30, 32, 36, 40, 44, 48, 60, 72, 80, 90)
"""Teeth of pulleys that are usual in shops (common practice, no source)."""
NEAR = 0.01
"""A ratio as near as this is as good as exact."""


class StageKind(NamedTuple):
    """A kind of stage: teeth that can be had of the small and the large wheel, the small wheel one
    would take (`best`), the most that one stage steps up, and the axle's load over the pull.
    """

    name: str
    small: tuple[int, ...]
    large: tuple[int, ...]
    best: int
    most: float
    load: float


KINDS = (
    # Sprockets under 17 teeth run roughly; a chain's slack side hangs loose (common practice).
    StageKind("roller chain, 12.7 mm", tuple(range(11, 24)), tuple(range(11, 54)), 17, 4.0, 1.0),
    # A toothed belt is stretched by about half of what it pulls (common practice).
    StageKind("toothed belt, 5 mm", PULLEYS[1:12], PULLEYS, 18, 4.0, 1.5),
    # The tooth's force leans by the pressure angle.
    StageKind(
        "spur gears, module 1.5 mm", tuple(range(LEAST_GEAR_TEETH, 31)), tuple(range(17, 121)),
        LEAST_GEAR_TEETH, 6.0, 1 / cos(PRESSURE_ANGLE),
    ),
)  # fmt: skip
CHAIN, BELT, GEARS = KINDS


class Stages(NamedTuple):
    """A ratio in one kind of stage: how many stages alike, teeth of one, the ratio they reach, axle
    distance, closed length in `pieces` (links or teeth; 0 of gears), pitch diameters, and the pull
    of the slow and the fast end at a torque of the crank, with the load that it puts on an axle.
    """

    kind: StageKind
    stages: int
    small: int
    large: int
    ratio: float
    centre_m: float
    pieces: int
    small_m: float
    large_m: float
    pull_N: float
    slow_load_N: float
    fast_load_N: float


def ways(ratio: float, crank_N_m: float) -> Iterator[Stages]:
    """A ratio in every kind of stage, strong enough for a torque at the crank; none for 1:1."""
    if abs(ratio - 1) < NEAR:
        return
    for kind in KINDS:
        yield _stages(kind, ratio, crank_N_m)


def _stages(kind: StageKind, ratio: float, crank_N_m: float) -> Stages:
    up = max(ratio, 1 / ratio)
    count = max(ceil(log(up) / log(kind.most) - 1e-9), 1)
    small, large = teeth_for(kind, up ** (1 / count))
    reached = (large / small) ** count
    centre, pieces, small_m, large_m = _laid_out(kind, small, large)
    slow = large_m if ratio > 1 else small_m
    pull = pull_N(crank_N_m, slow)
    # The last stage's pull: the crank's torque over what the stages before it step up.
    before = reached ** ((count - 1) / count)
    last = pull_N(crank_N_m / (before if ratio > 1 else 1 / before), slow)
    return Stages(
        kind, count, small, large, reached if ratio > 1 else 1 / reached, centre, pieces,
        small_m, large_m, pull, kind.load * pull, kind.load * last,
    )  # fmt: skip


def teeth_for(kind: StageKind, ratio: float) -> tuple[int, int]:
    """Teeth of the small and the large wheel for a ratio from 1 on: near enough, with a small wheel
    nearest to the best one.

    >>> teeth_for(CHAIN, 3.0)
    (17, 51)
    """
    pairs = [(s, g) for s in kind.small for g in kind.large if g >= s]

    def order(pair: tuple[int, int]) -> tuple[float, int, float]:
        small, large = pair
        off = abs(large / small / ratio - 1)
        return max(off - NEAR, 0.0), abs(small - kind.best), off

    return min(pairs, key=order)


def _laid_out(kind: StageKind, small: int, large: int) -> tuple[float, int, float, float]:
    """Axle distance, links or teeth of the loop, pitch diameters: wheels half a small wheel apart,
    then the next loop that there is, an even number of a chain's links.
    """
    if kind is CHAIN:
        # The links are chords of the pitch circle.
        small_m, large_m = (CHAIN_PITCH_M / sin(pi / z) for z in (small, large))
        wish = (large_m + small_m) / CHAIN_PITCH_M
        links = 2 * ceil(chain_links(wish, small, large) / 2)
        return chain_centre(links, small, large) * CHAIN_PITCH_M, links, small_m, large_m
    if kind is BELT:
        small_m, large_m = (z * BELT_PITCH_M / pi for z in (small, large))
        length = belt_length(large_m + small_m, small_m, large_m)
        teeth = ceil(length / BELT_PITCH_M - 1e-9)
        return belt_centre(teeth * BELT_PITCH_M, small_m, large_m), teeth, small_m, large_m
    small_m, large_m = (z * MODULE_M for z in (small, large))
    return (small_m + large_m) / 2, 0, small_m, large_m
