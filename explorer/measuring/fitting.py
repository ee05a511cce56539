"""Fits laws to readings: weighted least squares with what is known of meters and of the class.

Every reading has a standard uncertainty of its own, and shares the gain error of its instrument
with all readings taken with it, so that ten readings with one meter do not make it better (JCGM
100, 5.2: correlated input quantities). Gain errors and what a class is known for are fitted beside
the unknowns, each drawn to its expectation by its own standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2

from explorer.units import Array

UnknownValues = Mapping[str, float]

CONTRADICTION_CHANCE = 1e-4
"""Readings that agree so badly by chance only are taken to contradict each other."""
SLIP_FACTOR = 3.0
"""A reading so many times its expectation is a slip of the pen, no scatter."""
LEAST_TO_DROP_ONE = 4
"""With so many readings of a kind, one that all others contradict is left out."""
ROBUST_SCALE = 1.5
"""Standard uncertainties beyond which a reading counts less in the search for a wrong one."""


@dataclass(frozen=True)
class Unknown:
    """Something to be fitted. `start`: where the fit begins.

    `logarithmic`: fitted on a logarithmic scale, always above 0; its uncertainty is then relative.
    `expected_sd`: how far it may lie from `start`, on the same scale; None where nothing is known.
    """

    name: str
    start: float
    logarithmic: bool = True
    expected_sd: float | None = None


class Gain(NamedTuple):
    """A gain error that readings share: relative standard uncertainty `sd` of an instrument, and by
    how many times its error moves what is read."""

    instrument: str
    sd: float
    sensitivity: float = 1.0


class Observation(NamedTuple):
    """A reading. `where` names it in the notes, `what` the kind of reading that it is one of.

    `law` gives what the instruments would show, from the unknowns. `sd`: standard uncertainty of
    this reading alone, in its unit. `gains`: instruments whose gain error it shares with others.
    """

    where: str
    what: str
    value: float
    sd: float
    law: Callable[[UnknownValues], float]
    gains: tuple[Gain, ...] = ()


class ContradictionError(ValueError):
    """Two readings that cannot both be right; `where` of each, and what each came to."""

    def __init__(self, first: Observation, second: Observation, expected: float) -> None:
        self.first, self.second, self.expected = first, second, expected
        super().__init__(f"{first.where} and {second.where} contradict each other")


class UndeterminedError(ValueError):
    """Readings and expectations leave unknowns open, whose names it has."""


@dataclass(frozen=True)
class Fit:
    """What the readings came to.

    `values` by unknown. `sd`: standard uncertainty on the scale of each unknown, relative for
    logarithmic ones. `covariance` (n, n) on the same scales, in the order of `names`.
    `chi_square` with `degrees` of freedom. `residuals`: reading -> (reading - law)/uncertainty.
    `dropped`: readings that all others contradict. `scatter`: by how much the readings differ more
    than their instruments explain, at least 1; the uncertainties are that much larger.
    """

    names: tuple[str, ...]
    values: UnknownValues
    sd: UnknownValues
    covariance: Array
    chi_square: float
    degrees: int
    residuals: Mapping[str, float]
    dropped: tuple[str, ...] = ()
    scatter: float = 1.0

    def relative_sd(self, unknowns: Sequence[Unknown]) -> dict[str, float]:
        """Relative standard deviation of every unknown."""
        return {
            one.name: self.sd[one.name]
            if one.logarithmic
            else self.sd[one.name] / max(abs(self.values[one.name]), 1e-12)
            for one in unknowns
        }


class _Problem:
    """Unknowns and gains as one vector, and the residuals of readings and expectations."""

    def __init__(self, unknowns: Sequence[Unknown], readings: Sequence[Observation]) -> None:
        self.unknowns, self.readings = tuple(unknowns), tuple(readings)
        gains = {g.instrument: i for i, g in enumerate(_unique(readings))}
        self.gains = len(gains)
        self.effect = np.zeros((len(readings), len(gains)))
        for row, reading in enumerate(readings):
            for gain in (g for g in reading.gains if g.sd > 0):
                self.effect[row, gains[gain.instrument]] += gain.sd * gain.sensitivity
        self.start = np.array(
            [np.log(u.start) if u.logarithmic else u.start for u in unknowns] + [0.0] * self.gains
        )
        self.held = [i for i, u in enumerate(unknowns) if u.expected_sd is not None]
        self.held_sd = np.array([unknowns[i].expected_sd for i in self.held], dtype=float)

    def values(self, x: Array) -> dict[str, float]:
        return {
            one.name: float(np.exp(min(at, 300.0)) if one.logarithmic else at)
            for one, at in zip(self.unknowns, x, strict=False)
        }

    def of_readings(self, x: Array) -> Array:
        """(law - reading)/uncertainty, (readings,)."""
        values = self.values(x)
        high = 1 + self.effect @ x[len(self.unknowns) :]
        laws = np.array([reading.law(values) for reading in self.readings])
        read = np.array([reading.value for reading in self.readings])
        sd = np.array([reading.sd for reading in self.readings])
        return np.asarray((laws * high - read) / sd)

    def residuals(self, x: Array) -> Array:
        expected = (x - self.start)[self.held] / self.held_sd
        return np.concatenate([self.of_readings(x), expected, x[len(self.unknowns) :]])

    def weighed_anew(self, x: Array) -> _Problem:
        """The same with uncertainties in proportion to what the laws give, not to what was read: a
        reading that came out low would else count more than one that came out high.
        """
        values = self.values(x)
        readings = []
        for one in self.readings:
            share = one.law(values) / one.value if one.value else 1.0
            readings.append(one._replace(sd=one.sd * (share if 0.5 < share < 2 else 1.0)))
        return _Problem(self.unknowns, readings)

    def solve(self, loss: str = "linear", near: Array | None = None) -> tuple[Array, Array]:
        """The best vector, and the Jacobian of all residuals there; begun `near` a vector."""
        start = self.start if near is None else near
        found = least_squares(
            self.residuals, start, jac="2-point", x_scale="jac", loss=loss,
            f_scale=ROBUST_SCALE, xtol=1e-9, ftol=1e-9, gtol=1e-9, max_nfev=400,
        )  # fmt: skip
        return found.x, found.jac


def _unique(readings: Sequence[Observation]) -> list[Gain]:
    """Every gain error of some readings once."""
    found = {gain.instrument: gain for r in readings for gain in r.gains if gain.sd > 0}
    return list(found.values())


def fit(unknowns: Sequence[Unknown], readings: Sequence[Observation]) -> Fit:
    """Fit unknowns to readings.

    Raises ContradictionError for two readings that cannot both be right, UndeterminedError for
    unknowns that readings and expectations leave open.
    """
    problem = _Problem(unknowns, readings)
    x, jacobian = problem.solve()
    loose = undetermined(jacobian, [one.name for one in unknowns])
    if loose:
        raise UndeterminedError(f"leave {', '.join(loose)} undetermined")
    chi_square = float(np.sum(problem.residuals(x) ** 2))
    degrees = len(readings) + len(problem.held) - len(unknowns)
    chance = float(chi2.sf(chi_square, degrees)) if degrees > 0 else 1.0
    if chance < CONTRADICTION_CHANCE:
        kept = _without_the_worst(problem)
        if kept is not None:
            one = fit(unknowns, kept)
            gone = tuple(r.where for r in readings if r not in kept)
            return Fit(**{**vars(one), "dropped": (*one.dropped, *gone)})
    problem = problem.weighed_anew(x)
    x, jacobian = problem.solve(near=x)
    chi_square = float(np.sum(problem.residuals(x) ** 2))
    scatter = max(1.0, float(np.sqrt(chi_square / degrees))) if chance < 0.01 else 1.0
    try:
        inverse = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=float)
    except np.linalg.LinAlgError:
        names = ", ".join(one.name for one in unknowns)
        raise UndeterminedError(f"leave one of {names} undetermined") from None
    covariance: Array = inverse[: len(unknowns), : len(unknowns)]
    covariance = np.asarray(covariance * scatter**2, dtype=float)
    values = problem.values(x)
    return Fit(
        names=tuple(one.name for one in unknowns),
        values=values,
        sd=dict(zip(values, np.sqrt(np.diag(covariance)).tolist(), strict=True)),
        covariance=covariance,
        chi_square=chi_square,
        degrees=degrees,
        residuals={
            r.where: -float(e) for r, e in zip(readings, problem.of_readings(x), strict=True)
        },
        scatter=scatter,
    )


def undetermined(jacobian: Array, names: Sequence[str]) -> list[str]:
    """Names of the unknowns that a Jacobian (residuals, unknowns and gains) does not determine."""
    scale = np.linalg.norm(jacobian, axis=0)
    loose = [name for name, size in zip(names, scale, strict=False) if size < 1e-9]
    if loose:
        return loose
    _, singular, directions = np.linalg.svd(jacobian / scale, full_matrices=True)
    size = np.zeros(len(directions))
    size[: len(singular)] = singular
    flat = directions[size < 1e-7 * size.max()]
    return [name for i, name in enumerate(names) if np.any(np.abs(flat[:, i]) > 0.1)]


def _without_the_worst(problem: _Problem) -> tuple[Observation, ...] | None:
    """The readings without the one that all others of its kind contradict, None where the readings
    scatter as a whole; ContradictionError where two disagree and nothing says which is right.
    """
    readings = problem.readings
    x, _ = problem.solve("soft_l1")
    robust, plain = problem.of_readings(x), problem.of_readings(problem.solve()[0])
    worst = int(np.argmax(np.abs(robust)))
    one = readings[worst]
    expected = one.law(problem.values(x))
    alike = [r for r in readings if r.what == one.what]
    others = tuple(r for r in readings if r is not one)
    if not _agree(problem.unknowns, others):
        return None
    ratio = one.value / expected if expected else np.inf
    slip = not 1 / SLIP_FACTOR < ratio < SLIP_FACTOR
    if len(alike) >= LEAST_TO_DROP_ONE and not slip:
        return others
    # The reading that pulls hardest the other way, of the same kind where there is one.
    against = [
        i for i, r in enumerate(readings) if r is not one and (r.what == one.what or len(alike) < 2)
    ]
    opposite = min(against, key=lambda i: float(np.sign(plain[worst]) * plain[i]))
    raise ContradictionError(one, readings[opposite], expected)


def _agree(unknowns: Sequence[Unknown], readings: Sequence[Observation]) -> bool:
    """Whether readings can all be right, or are too few to say."""
    problem = _Problem(unknowns, readings)
    x, _ = problem.solve()
    degrees = len(readings) + len(problem.held) - len(unknowns)
    chi_square = float(np.sum(problem.residuals(x) ** 2))
    return degrees <= 0 or float(chi2.sf(chi_square, degrees)) > CONTRADICTION_CHANCE
