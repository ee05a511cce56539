"""What builds of a design came to: how often they break rules, what nine of ten give at least."""

from __future__ import annotations

from math import isnan, nan, sqrt
from typing import NamedTuple

import numpy as np

SETTLED_DRAWS = 200
"""Builds from which on a promise is said."""
AT_LEAST = 0.9
"""Share of builds that give the promised energy; and in which a pick must keep the rules that are
no hazards."""
MOST_BELOW_HALF = 0.02
"""Most of a pick's builds that may give less than half of its promise."""
SCREENED, FIRST_KEEPS = 0.05, 0.8
"""Most of the first builds in which a contender may break a hazard rule, and least in which it must
keep the others, to be looked at further.
"""
NORMAL_95 = 1.959964
"""Of the standard normal distribution, two-sided 95 %."""


def interval(count: int, of: int) -> tuple[float, float]:
    """Where a share lies with 95 % confidence, seen in `count` of some draws (Wilson, 1927).

    >>> tuple(round(end, 4) for end in interval(0, 1000))
    (0.0, 0.0038)
    """
    if not of:
        return 0.0, 1.0
    square, share = NORMAL_95**2, count / of
    middle = share + square / (2 * of)
    reach = NORMAL_95 * sqrt(share * (1 - share) / of + square / (4 * of * of))
    low, high = (middle - reach, middle + reach)
    return max(low / (1 + square / of), 0.0), min(high / (1 + square / of), 1.0)


class Odds(NamedTuple):
    """What builds of a design came to: of `draws`, how many broke a hazard rule, and how many kept
    the rules that are no hazards; the energy of each, ascending, 0 where a hazard rule was broken.
    """

    draws: int = 0
    hazards: int = 0
    kept: int = 0
    energies_J: tuple[float, ...] = ()

    def and_(self, other: Odds) -> Odds:
        """Those of both, drawn apart."""
        return Odds(
            self.draws + other.draws, self.hazards + other.hazards, self.kept + other.kept,
            tuple(sorted((*self.energies_J, *other.energies_J))),
        )  # fmt: skip

    @property
    def hazard_chance(self) -> float:
        """Share of builds that break a hazard rule."""
        return self.hazards / self.draws if self.draws else nan

    @property
    def keeps_rules_share(self) -> float:
        """Share of builds that keep the other rules."""
        return self.kept / self.draws if self.draws else nan

    @property
    def promised_energy_J(self) -> float:
        """What nine of ten builds give at least; NaN until enough were drawn."""
        if self.draws < SETTLED_DRAWS:
            return nan
        return float(np.quantile(self.energies_J, 1 - AT_LEAST))

    @property
    def worst_tenth_J(self) -> float:
        """Mean of the worst tenth of builds; NaN until enough were drawn."""
        if self.draws < SETTLED_DRAWS:
            return nan
        return float(np.mean(self.energies_J[: max(round(self.draws / 10), 1)]))

    @property
    def below_half_share(self) -> float:
        """Share of builds that give less than half of the promise; NaN until enough were drawn."""
        if self.draws < SETTLED_DRAWS:
            return nan
        half = self.promised_energy_J / 2
        return float(np.searchsorted(self.energies_J, half) / self.draws)

    def results(self) -> dict[str, float | None]:
        """What a design's result says of its builds; None where too few were drawn."""

        def known(value: float) -> float | None:
            return None if isnan(value) else value

        hazards, kept = interval(self.hazards, self.draws), interval(self.kept, self.draws)
        drawn = self.draws > 0
        return {
            "promised_energy_J": known(self.promised_energy_J),
            "worst_tenth_J": known(self.worst_tenth_J),
            "below_half_share": known(self.below_half_share),
            "hazard_chance": known(self.hazard_chance),
            "hazard_chance_low": hazards[0] if drawn else None,
            "hazard_chance_high": hazards[1] if drawn else None,
            "keeps_rules_share": known(self.keeps_rules_share),
            "keeps_rules_share_low": kept[0] if drawn else None,
            "keeps_rules_share_high": kept[1] if drawn else None,
            "draws": self.draws,
        }

    def holds(self, hazard_chance: float) -> bool:
        """Whether a design may be picked: enough builds, surely few enough that break a hazard
        rule, most of them within the other rules, and hardly any that gives half of the promise.
        """
        return (
            self.draws >= SETTLED_DRAWS
            and interval(self.hazards, self.draws)[1] <= hazard_chance
            and self.keeps_rules_share >= AT_LEAST
            and self.below_half_share <= MOST_BELOW_HALF
        )

    def promising(self) -> bool:
        """Whether further builds are worth it."""
        return self.hazard_chance <= SCREENED and self.keeps_rules_share >= FIRST_KEEPS
