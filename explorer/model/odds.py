"""What builds of a design came to: how often they break rules, what most give at least."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from math import isnan, nan, sqrt
from types import MappingProxyType
from typing import Any, NamedTuple

from explorer.inputs.sections import Promise

KEEPS_RULES = 0.9
"""Share of builds in which a pick must keep the rules that are no hazards."""
MOST_BELOW_HALF = 0.02
"""Most of a pick's builds that may give less than half of its promise."""
SCREENS = 20
"""Builds in which designs are looked at by hazard rules in closed form before any other."""
SCREENED, FIRST_KEEPS = 0.05, 0.8
"""Most of the first builds in which a contender may break a hazard rule, and least in which it must
keep the others, to be looked at further.
"""
BUILDS_PER_HAND = 8
"""Builds that are turned by the same hand, and so are no builds of their own in an interval."""
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


def quantile(values: Sequence[float], share: float) -> float:
    """The linear quantile of some values, as NumPy has it by default, ten times as fast for a few.

    >>> quantile([4.0, 1.0, 2.0], 0.25)
    1.5
    """
    ordered = sorted(values)
    place = (len(ordered) - 1) * share
    low = int(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (place - low)


def _share_reach(energies: Sequence[float], limit: float, share: float) -> float:
    """How far the share of builds at or under a limit may be off, with 95 % confidence: from what
    it is hand by hand, but no less than of independent builds. Student's t of hands - 1 is taken
    as 1.96 + 2.4/(hands - 1), within 0.01 from ten hands on.
    """
    count = len(energies)
    hands = [
        sum(one <= limit for one in energies[start : start + BUILDS_PER_HAND]) / BUILDS_PER_HAND
        for start in range(0, count - BUILDS_PER_HAND + 1, BUILDS_PER_HAND)
    ]
    alone = sqrt(share * (1 - share) / count)
    if len(hands) < 2:
        return NORMAL_95 * alone
    mean, free = sum(hands) / len(hands), len(hands) - 1
    by_hand = sqrt(sum((one - mean) ** 2 for one in hands) / free / len(hands))
    return (NORMAL_95 + 2.4 / free) * max(alone, by_hand)


class Odds(NamedTuple):
    """What builds of a design came to: of `draws`, how many broke a hazard rule, and how many kept
    the rules that are no hazards; the energy of each in the order of the builds, 0 where a hazard
    rule was broken; how many gave their first charge in time; and in how many each rule was broken.

    What follows from them asks for `terms`: how many builds settle a design, and what share of
    them gives the promised energy. Designs are compared by the same builds: those beyond `terms`
    make hazards and worst cases surer, and leave the promise as it is.
    """

    draws: int = 0
    hazards: int = 0
    kept: int = 0
    energies_J: tuple[float, ...] = ()
    in_time: int = 0
    broken: Mapping[str, int] = MappingProxyType({})

    def and_(self, other: Odds) -> Odds:
        """Those of both, the other one's builds drawn later."""
        return Odds(
            self.draws + other.draws, self.hazards + other.hazards, self.kept + other.kept,
            (*self.energies_J, *other.energies_J), self.in_time + other.in_time,
            {
                name: self.broken.get(name, 0) + other.broken.get(name, 0)
                for name in (*self.broken, *other.broken)
            },
        )  # fmt: skip

    @property
    def breaks_most(self) -> tuple[str, float] | None:
        """The rule that most builds break, and their share; None where none is broken."""
        if not self.broken:
            return None
        name = max(self.broken, key=lambda one: (self.broken[one], one))
        return name, self.broken[name] / self.draws

    @property
    def hazard_chance(self) -> float:
        """Share of builds that break a hazard rule."""
        return self.hazards / self.draws if self.draws else nan

    @property
    def hazard_chance_most(self) -> float:
        """Upper end of what that chance may be, with 95 % confidence."""
        return interval(self.hazards, self.draws)[1]

    @property
    def keeps_rules_share(self) -> float:
        """Share of builds that keep the other rules."""
        return self.kept / self.draws if self.draws else nan

    @property
    def screened_out(self) -> bool:
        """Whether only hazard rules in closed form were asked, and too many builds broke one."""
        return self.draws > 0 and not self.energies_J

    def settled(self, terms: Promise) -> bool:
        """Whether enough builds were drawn to state a promise."""
        return self.draws >= terms.draws

    def promised_energy_J(self, terms: Promise) -> float:
        """What `terms.at_least` of the builds give at least; NaN until enough were drawn."""
        return self.quantile_J(terms) if self.settled(terms) else nan

    def quantile_J(self, terms: Promise) -> float:
        """The same from however few builds; NaN without any."""
        first = self.energies_J[: terms.draws]
        return quantile(first, 1 - terms.at_least) if first else nan

    def promised_between_J(self, terms: Promise) -> tuple[float, float]:
        """Between which energies the promise of all builds that could be drawn lies, with some
        95 % confidence: quantiles at the share that could as well be the one of such builds
        (Woodruff, J. Am. Stat. Assoc. 47, 1952), by hands, each of which turned several. The stated
        promise, of the first builds alone, lies within. NaN until enough were drawn.
        """
        if not self.settled(terms):
            return nan, nan
        share, energies = 1 - terms.at_least, self.energies_J
        reach = _share_reach(energies, quantile(energies, share), share)
        ends = (min(max(share + way * reach, 0.0), 1.0) for way in (-1, 1))
        low, high = (quantile(energies, end) for end in ends)
        stated_J = self.promised_energy_J(terms)
        return min(low, stated_J), max(high, stated_J)

    def worst_tenth_J(self, terms: Promise) -> float:
        """Mean of the worst tenth of builds; NaN until enough were drawn."""
        if not self.settled(terms):
            return nan
        worst = sorted(self.energies_J)[: max(round(self.draws / 10), 1)]
        return sum(worst) / len(worst)

    def below_half_share(self, terms: Promise) -> float:
        """Share of builds that give less than half of the promise; NaN until enough were drawn."""
        if not self.settled(terms):
            return nan
        half = self.promised_energy_J(terms) / 2
        return bisect_left(sorted(self.energies_J), half) / self.draws

    def results(self, terms: Promise) -> dict[str, Any]:
        """What a design's result says of its builds; None where too few were drawn."""

        def known(value: float) -> float | None:
            return None if isnan(value) else value

        hazards, kept = interval(self.hazards, self.draws), interval(self.kept, self.draws)
        low_J, high_J = self.promised_between_J(terms)
        drawn, most = self.draws > 0, self.breaks_most
        ruled = drawn and not self.screened_out
        return {
            "promised_energy_J": known(self.promised_energy_J(terms)),
            "promised_energy_J_low": known(low_J),
            "promised_energy_J_high": known(high_J),
            "worst_tenth_J": known(self.worst_tenth_J(terms)),
            "below_half_share": known(self.below_half_share(terms)),
            "hazard_chance": known(self.hazard_chance),
            "hazard_chance_low": hazards[0] if drawn else None,
            "hazard_chance_high": hazards[1] if drawn else None,
            "keeps_rules_share": self.keeps_rules_share if ruled else None,
            "keeps_rules_share_low": kept[0] if ruled else None,
            "keeps_rules_share_high": kept[1] if ruled else None,
            "draws": self.draws,
            "at_least": terms.at_least,
            "breaks_most": most[0] if most else None,
            "breaks_most_share": most[1] if most else None,
        }

    def holds(self, hazard_chance: float, terms: Promise) -> bool:
        """Whether a design may be picked: enough builds, surely few enough that break a hazard
        rule, most of them within the other rules, and hardly any that gives half of the promise.
        """
        return (
            self.settled(terms)
            and self.hazard_chance_most <= hazard_chance
            and self.keeps_rules_share >= KEEPS_RULES
            and self.below_half_share(terms) <= MOST_BELOW_HALF
        )

    def promising(self) -> bool:
        """Whether further builds are worth it."""
        return self.hazard_chance <= SCREENED and self.keeps_rules_share >= FIRST_KEEPS


def promise_results(one: Odds, terms: Promise, differ: bool, energy_J: float) -> dict[str, Any]:
    """What a design's result says of its builds. Where builds do not `differ` none is drawn, and
    each gives what the tables say.
    """
    if differ:
        return one.results(terms)
    promised = ("promised_energy_J", "promised_energy_J_low", "promised_energy_J_high")
    alike = dict.fromkeys((*promised, "worst_tenth_J"), energy_J)
    return {**Odds().results(terms), **alike, "below_half_share": 0.0}
