"""What builds of a design came to, and whether that is enough to pick it; builds nothing itself."""

from __future__ import annotations

from typing import NamedTuple

DRAWS, HAZARD_DRAWS = 200, 1000
"""Builds of a contender that are looked at by all rules, and of the best by hazards in closed form.
"""
KEEPS_RULES = 0.9
"""Share of builds in which a pick must keep the rules that are no hazards."""
SCREENED, FIRST_KEEPS = 0.05, 0.8
"""Most of the first builds in which a contender may break a hazard rule, and least in which it must
keep the others, to be looked at further.
"""


class Odds(NamedTuple):
    """What builds of a design came to: of `draws` looked at by all rules, how many broke a hazard
    rule that asks for a solved chain, and how many kept the rules that are no hazards; of
    `hazard_draws`, how many broke a hazard rule in closed form.
    """

    draws: int = 0
    solved_hazards: int = 0
    kept: int = 0
    hazard_draws: int = 0
    hazards: int = 0

    def and_(self, other: Odds) -> Odds:
        """Those of both, drawn apart."""
        return Odds(*(a + b for a, b in zip(self, other, strict=True)))

    @property
    def hazard_chance(self) -> float:
        """Share of builds that break a hazard rule: the sum of both kinds, so rather too high."""
        if not self.draws:
            return float("nan")
        return min(self.solved_hazards / self.draws + self.hazards / self.hazard_draws, 1.0)

    @property
    def keeps_rules_share(self) -> float:
        """Share of builds that keep the other rules."""
        return self.kept / self.draws if self.draws else float("nan")

    def holds(self, hazard_chance: float) -> bool:
        """Whether a design may be picked: enough builds, few enough of them broken."""
        return (
            self.draws >= DRAWS
            and self.hazard_draws >= HAZARD_DRAWS
            and self.hazard_chance <= hazard_chance
            and self.keeps_rules_share >= KEEPS_RULES
        )

    def promising(self) -> bool:
        """Whether further builds are worth it."""
        return self.hazard_chance <= SCREENED and self.keeps_rules_share >= FIRST_KEEPS
