"""The worth of knowing an uncertain number before choosing: by how much the choice then gains.

Builds are drawn once for all contenders. Who knows some of their uncertain numbers expects of each
contender what a regression on these says, and chooses by that; the gain is what the builds then
give over today's choice. The regression is cross-fitted: no build helps to predict itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.odds import KEEPS_RULES, MOST_BELOW_HALF, NORMAL_95
from explorer.units import Array

CROSS_FOLDS = 5
HINGES = (0.2, 0.4, 0.6, 0.8)
"""Shares of the draws at which a fitted line may bend, where one number is known."""
FEW_HINGES = (0.5,)
"""And where several are."""
JUMPS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
"""Shares at which a second fit may jump: a chain that changes its regime gives a tenth at once."""
LEAST_BUILDS = 20
"""Draws below which nothing is said."""
RIDGE = 1e-8
"""Of the mean square of a column: keeps columns apart that say the same."""
SURE_SDS = 2.0
"""A fit counts where it predicts held-out builds better than their mean does by so many standard
errors: else it is chance."""
RESIDUALS = 250
"""Builds whose distance from what is expected stands for that of all."""
BUILD_NONE = -1
"""In the place of a contender: build none of them."""


@dataclass(frozen=True)
class Drawn:
    """Contenders in the same builds.

    `energy_J` (contenders, n): what a build delivers, whatever it breaks. `hazard_room` and
    `rule_room` (contenders, rules, n): distance to each hazard rule and to each other one, below 0
    where it is broken, on any scale; rules that no build comes near may be left out. `offset_J`
    (contenders,): what else speaks for or against a contender, in joules; to build nothing is worth
    0. `numbers` (n, numbers): what is uncertain. `hands` (n,): builds with the same number were
    drawn with the same hand, and are not independent. `hazard_chance`: the most that a design that
    is chosen may have; `at_least`: the share of builds that give a promised energy.
    """

    energy_J: Array
    hazard_room: Array
    rule_room: Array
    offset_J: Array
    numbers: Array
    hands: NDArray[np.int64]
    hazard_chance: float
    at_least: float = 0.9

    def __post_init__(self) -> None:
        contenders, n = self.energy_J.shape
        shapes = {
            "hazard_room": (contenders, *self.hazard_room.shape[1:-1], n),
            "rule_room": (contenders, *self.rule_room.shape[1:-1], n),
            "offset_J": (contenders,), "hands": (n,),
        }  # fmt: skip
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} must be {shape}, got {getattr(self, name).shape}")
        if self.numbers.ndim != 2 or len(self.numbers) != n:
            raise ValueError(f"numbers must have {n} rows, got {self.numbers.shape}")
        if len(set(self.hands.tolist())) < CROSS_FOLDS or n < LEAST_BUILDS:
            raise ValueError(f"needs {LEAST_BUILDS} builds by {CROSS_FOLDS} hands, got {n}")

    @property
    def value_J(self) -> Array:
        """What each contender is worth in each build, (contenders, n): its energy, none where a
        hazard rule is broken, and what else speaks for it.
        """
        outcome_J = np.where(np.any(self.hazard_room < 0, axis=1), 0.0, self.energy_J)
        return np.asarray(outcome_J + self.offset_J[:, None])


class KnowledgeGain(NamedTuple):
    """What knowing some numbers is worth: mean gain and its 95 % interval, J; the share of results
    after which another choice is better, and of those after which today's choice may not be made.
    """

    worth_J: float
    interval_J: tuple[float, float]
    changes_share: float
    falls_share: float


@dataclass(frozen=True)
class Knowing:
    """Today's choice (a contender, or `BUILD_NONE`), what knowing everything would be worth, and
    what each group of numbers is.
    """

    today: int
    perfect_J: float
    worth: Mapping[str, KnowledgeGain]


def worth_of_knowing(drawn: Drawn, groups: Mapping[str, Sequence[int]]) -> Knowing:
    """What it is worth to know each of some groups of columns of `numbers`.

    A contender may be chosen where, by what is known, it breaks a hazard rule in at most
    `hazard_chance` of builds, keeps the other rules in `KEEPS_RULES` of them, and gives less than
    half of what `at_least` of them give in at most `MOST_BELOW_HALF`; the best on average of these
    is.
    So a result may forbid today's choice, too: this alone may cost energy, and worth is then 0.
    What knowing everything gains is an upper limit of any worth, and caps it.
    """
    known = _Known(drawn, None)
    today = int(_choices(drawn, known)[0])
    now_J = _value_of(drawn, np.full(len(drawn.hands), today))
    best_J = np.maximum(drawn.value_J.max(axis=0), 0.0)
    perfect_J = float(np.mean(best_J - now_J))
    found = {
        name: _worth(drawn, _Known(drawn, list(columns), today), today, perfect_J)
        for name, columns in groups.items()
    }
    return Knowing(today, perfect_J, {name: _with_less(name, groups, found) for name in groups})


def _with_less(
    name: str, groups: Mapping[str, Sequence[int]], found: Mapping[str, KnowledgeGain]
) -> KnowledgeGain:
    """The worth of a group, or of some of its numbers where that was found to be more: who knows
    all of them may leave out what a regression makes nothing of.
    """
    some = [one for one, columns in groups.items() if set(columns) <= set(groups[name])]
    best = max(some, key=lambda one: (found[one].worth_J, one == name))
    return found[best]._replace(falls_share=max(found[one].falls_share for one in some))


def _worth(drawn: Drawn, known: _Known, today: int, perfect_J: float) -> KnowledgeGain:
    chosen = _choices(drawn, known)
    gained_J = _value_of(drawn, chosen) - _value_of(drawn, np.full(len(chosen), today))
    mean, sd = _mean_of_hands(gained_J, drawn.hands)
    low, high = mean - NORMAL_95 * sd, mean + NORMAL_95 * sd
    falls = 0.0 if today == BUILD_NONE else float(np.mean(~_allowed(drawn, known, today)))
    return KnowledgeGain(
        float(np.clip(mean, 0.0, max(perfect_J, 0.0))),
        (min(low, perfect_J), min(high, max(perfect_J, 0.0))),
        float(np.mean(chosen != today)),
        falls,
    )


class _Known:
    """What is expected of contenders by some columns of the numbers, or by nothing (None)."""

    def __init__(self, drawn: Drawn, columns: list[int] | None, today: int = BUILD_NONE) -> None:
        bases = () if columns is None else _bases(drawn.numbers[:, columns])
        now_J = 0.0 if today == BUILD_NONE else drawn.energy_J[today]
        # Contenders share what is drawn: their differences are far better known than each of them.
        over_today = drawn.energy_J - now_J
        none_J = np.broadcast_to(-np.asarray(now_J), (1, len(drawn.hands)))
        n = len(drawn.hands)
        rooms = [room.reshape(-1, n) for room in (drawn.hazard_room, drawn.rule_room)]
        found = _expected(
            np.vstack([drawn.energy_J, over_today, none_J, *rooms]), bases, drawn.hands
        )
        several = iter(found)
        count = len(drawn.energy_J)

        def broken(room: Array) -> list[Array]:
            return [
                share_broken([next(several) for _ in range(room.shape[1])], n) for _ in range(count)
            ]

        self.energy = [next(several) for _ in range(count)]
        self.over_today = [next(several).mean for _ in range(count)]
        self.nothing = next(several).mean
        self.hazard = broken(drawn.hazard_room)
        self.broken = broken(drawn.rule_room)


class Expected(NamedTuple):
    """What is expected of each build by what is known (n,), and how far single ones are from it."""

    mean: Array
    residuals: Array

    def quantile(self, share: float) -> Array:
        """What all but a share of builds like each reach, (n,)."""
        return np.asarray(self.mean + np.quantile(self.residuals, share))


def share_broken(rules: Sequence[Expected], n: int) -> Array:
    """Share of builds like each (n,) that break any of some rules, their rooms being expected.

    How far single builds are from what is expected goes together in all rules. Builds may scatter
    more in one place than in another, so the shares are scaled until their mean is what was seen:
    a rule that no build breaks is safe whatever is known.
    """
    if not rules:
        return np.zeros(n)
    means = np.stack([one.mean for one in rules])
    residuals = np.stack([one.residuals for one in rules])
    seen = float(np.mean(np.any(means + residuals < 0, axis=0)))
    if seen in (0.0, 1.0) or not np.ptp(means, axis=1).any():
        return np.full(n, seen)
    some = residuals[:, :: max(n // RESIDUALS, 1)]
    below = np.zeros((n, some.shape[1]), dtype=bool)
    for mean, residual in zip(means, some, strict=True):
        below |= mean[:, None] < -residual[None, :]
    shares = below.mean(axis=1)
    return np.asarray(np.minimum(shares * seen / max(float(shares.mean()), 1e-12), 1.0))


def _constant(values: Array) -> Expected:
    mean = np.full(len(values), values.mean())
    return Expected(mean, values - mean)


def _allowed(drawn: Drawn, known: _Known, row: int) -> NDArray[np.bool_]:
    """Where a contender may be chosen, (n,): what `Odds.holds` asks, of what is expected."""
    hazard, energy = known.hazard[row], known.energy[row]
    over_half = energy.mean - energy.quantile(1 - drawn.at_least) / 2
    halved = share_broken([Expected(over_half, energy.residuals)], len(hazard))
    return np.asarray(
        (hazard <= drawn.hazard_chance)
        & (known.broken[row] <= 1 - KEEPS_RULES)
        & (halved + hazard <= MOST_BELOW_HALF)
    )


def _choices(drawn: Drawn, known: _Known) -> NDArray[np.int64]:
    """The contender that is chosen in each build, (n,), or `BUILD_NONE`."""
    best = np.broadcast_to(np.asarray(known.nothing, dtype=float), drawn.hands.shape).copy()
    chosen = np.full(len(drawn.hands), BUILD_NONE, dtype=np.int64)
    for row, offset_J in enumerate(drawn.offset_J.tolist()):
        lost_J = known.hazard[row] * known.energy[row].mean
        value_J = known.over_today[row] - lost_J + offset_J
        better = _allowed(drawn, known, row) & (value_J > best)
        best[better], chosen[better] = value_J[better], row
    return chosen


def _value_of(drawn: Drawn, chosen: NDArray[np.int64]) -> Array:
    """What the chosen contenders are worth in each build, (n,)."""
    values = np.vstack([drawn.value_J, np.zeros(len(chosen))])  # the last row is BUILD_NONE
    return np.asarray(values[chosen, np.arange(len(chosen))])


def _folds(hands: NDArray[np.int64]) -> NDArray[np.int64]:
    """A fold for each build, the same for all builds of a hand, (n,)."""
    _, number = np.unique(hands, return_inverse=True)
    return np.asarray(number.reshape(-1) % CROSS_FOLDS)


def _bases(numbers: Array) -> tuple[Array, ...]:
    """Columns of two regressions on some numbers (n, k): lines that bend and products of pairs; and
    these with steps.
    """
    sd = numbers.std(axis=0)
    scaled = (numbers - numbers.mean(axis=0)) / np.where(sd > 0, sd, 1.0)
    alone = numbers.shape[1] == 1
    bent = [np.ones(len(numbers)), *scaled.T]
    for column in scaled.T:
        bends = np.quantile(column, HINGES if alone else FEW_HINGES)
        bent += [np.maximum(column - at, 0.0) for at in bends]
    bent += [scaled[:, i] * scaled[:, j] for i, j in combinations(range(numbers.shape[1]), 2)]
    jumps = [column > at for column in scaled.T for at in np.quantile(column, JUMPS)]
    return np.column_stack(bent), np.column_stack([*bent, *jumps])


def _expected(rows: Array, bases: Sequence[Array], hands: NDArray[np.int64]) -> list[Expected]:
    """What a regression expects of each value of some rows (m, n), by the one of some bases (n, b)
    that predicts a row best, each value by a fit to the other folds; a row's mean where none
    predicts better than it.
    """
    folds = _folds(hands)
    plain = _cross_fitted(rows, np.ones((rows.shape[1], 1)), folds)
    fits = [_cross_fitted(rows, basis, folds) for basis in bases]
    found = []
    for k, values in enumerate(rows):
        if not fits or np.ptp(values) == 0:
            found.append(_constant(values))
            continue
        fitted = min((fit[k] for fit in fits), key=lambda one: float(np.sum((values - one) ** 2)))
        gain, sd = _mean_of_hands((values - plain[k]) ** 2 - (values - fitted) ** 2, hands)
        better = gain > SURE_SDS * sd
        found.append(Expected(fitted, values - fitted) if better else _constant(values))
    return found


def _cross_fitted(rows: Array, basis: Array, folds: NDArray[np.int64]) -> Array:
    """Each value of rows (m, n) by least squares of those of the other folds, within their range.

    By sums over each fold, not by the linear algebra library's products of matrices: for such
    small ones its threads wait for each other twenty times as long as they compute, on a busy
    machine.
    """
    held = [folds == fold for fold in range(CROSS_FOLDS)]
    squares = np.stack([np.einsum("nb,nc->bc", basis[one], basis[one]) for one in held])
    products = np.stack([np.einsum("nb,mn->bm", basis[one], rows[:, one]) for one in held])
    ridge = RIDGE * len(basis) * np.eye(basis.shape[1])
    weights = np.linalg.solve(
        squares.sum(axis=0) - squares + ridge, products.sum(axis=0) - products
    )
    fitted = np.empty_like(rows)
    for one, weight in zip(held, weights, strict=True):
        others = rows[:, ~one]
        low, high = others.min(axis=1, keepdims=True), others.max(axis=1, keepdims=True)
        fitted[:, one] = np.clip(np.einsum("nb,bm->mn", basis[one], weight), low, high)
    return fitted


def _mean_of_hands(values: Array, hands: NDArray[np.int64]) -> tuple[float, float]:
    """Mean over builds and its standard error, builds of one hand counting as one drawing."""
    _, number, count = np.unique(hands, return_inverse=True, return_counts=True)
    mean = float(values.mean())
    sums = np.bincount(number.reshape(-1), values - mean)
    groups = len(count)
    return mean, float(np.sqrt(groups / (groups - 1) * np.sum(sums**2)) / len(values))
