"""Made-up choices between designs whose uncertain numbers can be measured one by one.

A choice knows its own law, so that regret after a measurement is found without the advice that is
tried: the design is chosen by means over fresh draws with the measured numbers at their true
values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from explorer.measuring.worth_of_knowing import Drawn, worth_of_knowing
from explorer.units import Array

CONTENDERS, NUMBERS = 5, 8
DRAWS, INNER = 600, 400
BUILDS_PER_HAND = 4


@dataclass(frozen=True)
class Choice:
    """Designs whose builds give `base + slopes z`, and a tenth of it where a number is beyond a
    design's cliff. The first numbers are the hand's: they move all designs nearly alike.
    """

    base_J: Array
    slopes_J: Array
    cliff_number: Array
    cliff: Array

    @classmethod
    def made_up(cls, rng: np.random.Generator) -> Choice:
        """A choice at random."""
        shared = np.where(np.arange(NUMBERS) < 3, rng.uniform(100, 400, NUMBERS), 0.0)
        own = rng.normal(0, 120, (CONTENDERS, NUMBERS)) * (rng.random((CONTENDERS, NUMBERS)) < 0.25)
        return cls(
            5000 + rng.uniform(0, 150, CONTENDERS),
            shared * rng.uniform(0.95, 1.05, (CONTENDERS, NUMBERS)) + own,
            rng.integers(3, NUMBERS, CONTENDERS),
            rng.uniform(1.0, 3.0, CONTENDERS),
        )

    def outcomes_J(self, numbers: Array) -> Array:
        """What designs give (contenders, n) at some numbers (n, numbers)."""
        plain = self.base_J[:, None] + self.slopes_J @ numbers.T
        beyond = self.cliff[:, None] < numbers[:, self.cliff_number].T
        return np.where(beyond, plain / 10, plain)

    def drawn(self, known: Mapping[int, float], rng: np.random.Generator, count: int) -> Array:
        """Numbers (count, numbers), the measured ones as they are."""
        numbers = rng.normal(size=(count, NUMBERS))
        for column, value in known.items():
            numbers[:, column] = value
        return numbers

    def advice(self, known: Mapping[int, float], rng: np.random.Generator) -> list[int]:
        """Numbers by the worth of knowing them, most first."""
        numbers = self.drawn(known, rng, DRAWS)
        outcome = self.outcomes_J(numbers)
        rest = [k for k in range(NUMBERS) if k not in known]
        room = np.ones((CONTENDERS, 0, DRAWS))
        drawn = Drawn(
            outcome, room, room, np.zeros(CONTENDERS), numbers,
            np.arange(DRAWS) // BUILDS_PER_HAND, 0.01,
        )  # fmt: skip
        found = worth_of_knowing(drawn, {str(k): [k] for k in rest}).worth
        return sorted(rest, key=lambda k: -sum(found[str(k)].interval_J))

    def by_variance(self, known: Mapping[int, float], rng: np.random.Generator) -> list[int]:
        """Numbers by how much of the variance of today's best design they explain, most first."""
        numbers = self.drawn(known, rng, DRAWS)
        outcome = self.outcomes_J(numbers)
        best = outcome[int(outcome.mean(axis=1).argmax())]
        rest = [k for k in range(NUMBERS) if k not in known]
        return sorted(rest, key=lambda k: -abs(float(np.corrcoef(numbers[:, k], best)[0, 1])))

    def regret_J(self, truth: Array, known: Mapping[int, float], rng: np.random.Generator) -> float:
        """What the design that is chosen by what is known gives less than the best one."""
        expected = self.outcomes_J(self.drawn(known, rng, INNER)).mean(axis=1)
        true_J = self.outcomes_J(truth[None, :])[:, 0]
        return float(true_J.max() - true_J[int(expected.argmax())])


WAYS = ("advice", "random", "variance")


def regrets(seed: int, truths: int = 40) -> dict[str, tuple[float, float]]:
    """Mean regret of one made-up choice after one and after two measurements, by way of choosing
    what to measure; every way meets the same truths.
    """
    choice = Choice.made_up(np.random.default_rng([seed, 0]))
    first = {
        "advice": choice.advice({}, np.random.default_rng([seed, 1]))[0],
        "variance": choice.by_variance({}, np.random.default_rng([seed, 1]))[0],
    }
    found: dict[str, list[tuple[float, float]]] = {way: [] for way in WAYS}
    for number in range(truths):
        rng = np.random.default_rng([seed, 2, number])
        truth = rng.normal(size=NUMBERS)
        order = rng.permutation(NUMBERS).tolist()
        for way in WAYS:
            mine = np.random.default_rng([seed, 3, number])
            one = order[0] if way == "random" else first[way]
            known = {one: float(truth[one])}
            after_one = choice.regret_J(truth, known, mine)
            if way == "random":
                two = order[1]
            elif way == "advice":
                two = choice.advice(known, np.random.default_rng([seed, 4, number]))[0]
            else:
                two = choice.by_variance(known, np.random.default_rng([seed, 4, number]))[0]
            known[two] = float(truth[two])
            found[way].append((after_one, choice.regret_J(truth, known, mine)))
    return {way: tuple(np.mean(some, axis=0).tolist()) for way, some in found.items()}  # type: ignore[misc]


def paired(differences: Array) -> tuple[float, float, float]:
    """Mean of paired differences (n,) and its 95 % interval (Student's t)."""
    from scipy.stats import t

    mean, n = float(differences.mean()), len(differences)
    reach = float(t.ppf(0.975, n - 1) * differences.std(ddof=1) / np.sqrt(n))
    return mean, mean - reach, mean + reach
