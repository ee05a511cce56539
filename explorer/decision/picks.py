"""Which design answers each plain wish, of those whose builds keep their promises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from explorer import front
from explorer.inputs.sections import Promise
from explorer.inputs.study import Project
from explorer.model.names import name_of
from explorer.model.objectives import COST, ENERGY, KEYS, OBJECTIVES
from explorer.model.odds import KEEPS_RULES, MOST_BELOW_HALF, Odds
from explorer.model.rules import rule
from explorer.model.space import Rows
from explorer.store.keys import Numbers, ids_of
from explorer.store.promises import keep_odds, odds_of
from explorer.store.results import Store
from explorer.store.standing import affordable, buyable
from explorer.store.stored import Stored
from explorer.units import Array

RECOMMENDED = "recommended"
WISHES = (*(one.wish for one in OBJECTIVES), RECOMMENDED)
"""The picks by name: the extreme of each objective, then the recommended one."""
RUNNERS_UP = 12
"""Designs next in votes that are looked at as closely as the picks, and half as many in cost."""


def picks(points: ArrayLike, units: ArrayLike) -> dict[str, int]:
    """Index of the design that answers each wish, keys as in `WISHES`.

    `points` (n, objectives) as `objectives.points` gives them, `units` (objectives,) as for
    `front.votes`. See `front.extremes` and `front.recommended` for ties and errors; one design may
    answer several wishes. ValueError for another number of objectives.
    """
    points = np.asarray(points, dtype=float)
    if points.ndim != 2 or points.shape[1] != len(OBJECTIVES):
        raise ValueError(f"picks need {len(OBJECTIVES)} objectives, got points {points.shape}")
    best = front.extremes(points).tolist()
    return dict(zip(WISHES, [*best, front.recommended(points, units)], strict=True))


@dataclass(frozen=True)
class Picker:
    """Picks from a front: `rows` of stored designs with their `cost` (n,). `units` (objectives,)
    says how much of each objective counts alike, see `front.votes`.
    """

    project: Project
    store: Store
    stored: Stored
    cost: Array
    rows: Rows
    units: Array

    @property
    def points(self) -> Array:
        """Objectives of the front."""
        return self._points(self.rows)

    def _points(self, rows: Rows) -> Array:
        return self.stored.objectives(self.cost)[rows]

    def odds(self, numbers: Numbers) -> list[Odds]:
        """What builds of some designs came to, as far as any launch has drawn them."""
        return odds_of(self.project, self.store, numbers)

    def hold(self, numbers: Numbers) -> NDArray[np.bool_]:
        """Which designs keep their promises in their builds, so that they may be picked, (n,)."""
        if not self.project.builds_differ:
            return np.ones(len(numbers), dtype=bool)
        limit = self.project.study.build.hazard_chance
        terms = self.project.study.promise
        return np.array([one.holds(limit, terms) for one in self.odds(numbers)], dtype=bool)

    def draw_builds(self, workers: int) -> int:
        """Draw builds of the front's contenders, as far as no launch has, and keep them; how
        many.
        """
        from explorer.model import promise

        if not self.project.builds_differ:
            return 0
        numbers = self.stored.numbers[self.rows]
        known = self.odds(numbers)
        designs = self.stored.designs.take(self.rows)
        ranks = promise.ranks(self.points, self.units)

        def keep(found: Sequence[Odds]) -> None:
            drawn = {
                number: now
                for number, now, before in zip(numbers.tolist(), found, known, strict=True)
                if now != before
            }
            keep_odds(self.project, self.store, drawn)

        found = promise.settle(self.project, designs, ranks, known, workers, keep)
        return sum(one.draws for one in found) - sum(one.draws for one in known)

    def holding(self) -> Rows:
        """Rows of the front's designs that keep their promises in their builds."""
        return self.rows[self.hold(self.stored.numbers[self.rows])]

    def picked(self) -> dict[str, int]:
        """Row of the design that answers each wish, of those that hold in their builds; empty where
        there is none.
        """
        rows = self.holding()
        if not len(rows):
            return {}
        points = self._promised_points(rows)
        return {wish: int(rows[k]) for wish, k in picks(points, self.units).items()}

    def vote_shares(self) -> dict[int, float]:
        """Row of each design that may be picked -> its share of the votes, near-twins counted once;
        those without any are left out.
        """
        rows = self.holding()
        if not len(rows):
            return {}
        shares = front.vote_shares(self._promised_points(rows), self.units)
        return {int(rows[k]): float(shares[k]) for k in np.flatnonzero(shares)}

    def _promised_points(self, rows: Rows) -> Array:
        """Objectives of designs whose builds were drawn, with the energy that these promise."""
        points = np.array(self._points(rows))
        if not self.project.builds_differ:
            return points
        known, terms = self.odds(self.stored.numbers[rows]), self.project.study.promise
        points[:, KEYS.index(ENERGY)] = [-one.promised_energy_J(terms) for one in known]
        return points

    def runners_up(self) -> list[int]:
        """Rows of the designs that a change of prices is likely to pick: the recommended one and
        the cheapest alone depend on prices.
        """
        rows = self.holding()
        if not len(rows):
            return []
        points = self._promised_points(rows)
        liked = np.argsort(-front.votes(points, self.units), kind="stable")
        cheap = np.argsort(points[:, KEYS.index(COST)], kind="stable")
        return [int(rows[k]) for k in (*liked[:RUNNERS_UP], *cheap[: RUNNERS_UP // 2])]

    def _too_dear(self) -> str:
        """That the limit on cost alone leaves no design, in words; empty where one is left."""
        kept = self.cost[buyable(self.stored, self.cost)]
        if not kept.size or affordable(self.project, self.stored, self.cost).any():
            return ""
        currency = self.project.catalogue.prices.currency
        return (
            "No design can be recommended: all that keep the other rules cost more than "
            f"limits.cost = {self.project.study.limits.cost:g} {currency}, the cheapest "
            f"{kept.min():,.2f} {currency}."
        )

    def why_none(self) -> str:
        """Why no design of the front may be picked; empty where one may."""
        if len(self.holding()):
            return ""
        stored = self.stored
        if too_dear := self._too_dear():
            return too_dear
        rows = self.rows if len(self.rows) else np.flatnonzero(stored.keeps_limits)
        if not len(rows):
            return ""
        of_front = "of the front" if len(self.rows) else "that keep every rule as their tables say"
        limit = self.project.study.build.hazard_chance
        known = zip(ids_of(stored.numbers[rows]), self.odds(stored.numbers[rows]), strict=True)
        drawn = [(name, one) for name, one in known if one.energies_J]
        if not drawn:
            return (
                f"No builds of the designs {of_front} were drawn yet, so none is recommended: "
                "launch the study again."
            )
        terms = self.project.study.promise
        nearest, best = min(
            drawn,
            key=lambda item: (
                len(_missed(item[1], limit, terms)), item[1].hazard_chance, -item[1].kept,
            ),
        )  # fmt: skip
        return (
            f"No design can be recommended. Builds were drawn of {len(drawn):,} "
            f"{'design' if len(drawn) == 1 else 'designs'} {of_front}, and none is sure to keep "
            f"its promises. {name_of(nearest)} comes nearest: "
            f"{'; '.join(_missed(best, limit, terms))}. {_what_breaks(best)}"
        ).strip()


def _missed(one: Odds, limit: float, terms: Promise) -> list[str]:
    """What a design lacks to be picked, in words."""
    found = []
    allowed = f"the study allows {100 * limit:.3g} %"
    if one.hazard_chance > limit:
        found.append(
            f"{one.hazard_chance:.1%} of builds break a rule that protects somebody ({allowed})"
        )
    elif one.hazard_chance_most > limit or not one.settled(terms):
        found.append(
            f"{one.hazards:,} of {one.draws:,} builds break a rule that protects somebody, too few "
            f"builds to be sure ({allowed}); a launch draws more"
        )
    if one.keeps_rules_share < KEEPS_RULES:
        found.append(
            f"{one.keeps_rules_share:.0%} of builds keep the other rules (needed {KEEPS_RULES:.0%})"
        )
    if one.below_half_share(terms) > MOST_BELOW_HALF:
        found.append(
            f"{one.below_half_share(terms):.0%} of builds give less than half of its promise (at "
            f"most {MOST_BELOW_HALF:.0%})"
        )
    return found


def _what_breaks(one: Odds) -> str:
    """The rule that most builds break, and what would mend it."""
    if not one.breaks_most:
        return ""
    name, share = one.breaks_most
    known = rule(name)
    by = f"{known.loosened_by.format('some')}, or " if known.loosened_by else ""
    return (
        f"Most often, in {share:.0%} of builds, {known.broken}: {by}a measured part in place of "
        "its class would help."
    )
