"""Which designs stand on the front of promises: builds are drawn of those that still may.

A promise is bounded by the nominal energy before any draw. After some builds it is compared with
what the settled designs gave in the same builds: parts and hands are then alike, and what is left
out lies well below a design that is nowhere worse. Of 1,270 members of a front of 5,600 designs
that were all drawn in full, four were left out that way (0.3 %).
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from explorer.front import non_dominated
from explorer.inputs.study import Project
from explorer.model.odds import SCREENED, SCREENS, Odds
from explorer.model.space import Rows
from explorer.search.dominance import beaten
from explorer.search.progress import Step, Watch
from explorer.store.builds import Draws
from explorer.store.promises import builds_key, draws_of, keep_odds, odds_of, rows_among
from explorer.store.results import Store
from explorer.store.standing import OF_ENERGY, within_cost
from explorer.store.stored import Stored
from explorer.units import Array

TRIED = 16
"""Builds of a design before it is known whether all are needed."""
TRIED_ROOM = 0.1
"""How far a promise may lie above what the first builds make of it, beside others in the same."""
ROUND = 600
"""Designs drawn in a round, so that the tables of a build serve many."""
NOMINAL_ROOM = 0.01
"""How far a promise may lie above the nominal energy, which the filter may have a little low."""


def _best(rows: Rows, points: Array) -> list[int]:
    """`ROUND` rows or more, those first whose points (n, objectives), minimised, stand best."""
    chosen: list[Rows] = []
    while len(rows) and sum(map(len, chosen)) < ROUND:
        first = non_dominated(points)
        chosen.append(rows[first])
        rows, points = rows[~first], points[~first]
    return np.concatenate(chosen).tolist() if chosen else []


class Race:
    """Stored designs at some costs (n,), what they may promise (n,), J, and which are settled."""

    def __init__(self, project: Project, store: Store, stored: Stored, cost: Array) -> None:
        self.project, self.store, self.stored = project, store, stored
        self.terms = project.study.promise
        self.draws = np.zeros(len(stored), np.int64)
        """How many builds of each design were drawn."""
        self.screened = np.zeros(len(stored), dtype=bool)
        """Which were only screened, and broke a hazard rule too often."""
        self.builds = 0
        """Builds drawn by now, all designs together."""
        self.points = stored.nominal(cost)
        """Objectives (n, objectives), minimised; the energy is what may be promised, or is."""
        self.first = np.array(self.points)
        """The same, the energy as the first builds have it."""
        doubt = np.where(stored.stepped, 0.0, stored.energy_doubt)
        self.points[:, OF_ENERGY] *= 1 + NOMINAL_ROOM + doubt
        self.settled = np.zeros(len(stored), dtype=bool)
        self.stands = np.zeros(len(stored), dtype=bool)
        self.open = (stored.keeps_limits | stored.may_stand) & within_cost(project, cost)
        self._take(draws_of(project, store))

    def _take(self, found: Draws) -> None:
        """Know what builds of some designs have come to."""
        least_J, terms = self.project.study.limits.delivered_energy_J or 0.0, self.terms
        places = rows_among(found.numbers, self.stored.numbers)
        found, rows = found.take(np.flatnonzero(places >= 0)), places[places >= 0]
        share = 1 - terms.at_least
        first_J = found.quantiles_J(TRIED, share)
        promised_J = found.quantiles_J(terms.draws, share)
        screened = (found.draws > 0) & (found.energies == 0)
        settled = ~screened & (found.draws >= terms.draws)
        in_time = found.in_time >= terms.at_least * found.draws
        stands = in_time & (promised_J >= least_J) & self.stored.keeps_limits[rows]
        self.draws[rows], self.screened[rows] = found.draws, screened
        self.open[rows[screened | (~settled & (first_J == 0))]] = False
        self.first[rows[~screened], OF_ENERGY] = -first_J[~screened]
        self.settled[rows[settled]] = True
        self.points[rows[settled], OF_ENERGY] = -promised_J[settled]
        self.stands[rows[settled]] = stands[settled]
        self.open &= ~self.settled & (-self.points[:, OF_ENERGY] >= least_J)

    def open_rows(self) -> Rows:
        """Rows of unsettled designs that may stand on the front of promises."""
        rows, stand = np.flatnonzero(self.open), np.flatnonzero(self.stands)
        anchors = stand[non_dominated(self.points[stand])]
        self.open[rows] = ~beaten(self.points[rows], self.points[anchors])
        begun = np.flatnonzero(self.open & (self.draws > 0))
        hoped = self.first[begun]
        hoped[:, OF_ENERGY] *= 1 + TRIED_ROOM
        self.open[begun] = ~beaten(hoped, self.first[anchors])
        return np.flatnonzero(self.open)

    def next_round(self) -> tuple[list[int], int]:
        """Rows to draw next, and until how many builds: those that were begun, so that others can
        be measured by them; then those that stand best if they promise all they may.
        """
        rows = self.open_rows()
        new = self.draws[rows] == 0
        if new.all():
            return _best(rows, self.points[rows]), TRIED
        begun = rows[~new]
        return _best(begun, self.first[begun]), self.terms.draws

    def run(self, seconds: float, watch: Watch, workers: int, wanted: Sequence[int] = ()) -> int:
        """Draw builds until nothing open may stand on the front, or for so many seconds; and of the
        `wanted` rows in any case. Returns how many builds were drawn.
        """
        ends = time.monotonic() + seconds
        self._draw([row for row in wanted if not self.settled[row]], watch, workers)
        key = f"round:{builds_key(self.project)}"
        while time.monotonic() < ends:
            # A round that was cut short ends first, so that the same designs are drawn as if not.
            rows, draws = self._begun(self.store.search_progress(key))
            if not rows:
                rows, draws = self.next_round()
                if not rows:
                    break
                numbers = self.stored.numbers[np.array(rows, np.int64)].tolist()
                self.store.save_progress(key, {"designs": numbers, "draws": draws})
            new = [row for row in rows if not self.draws[row]]
            failed = self._failed(new)
            self._draw([row for row in rows if row not in failed], watch, workers, draws)
        return self.builds

    def _begun(self, kept: Mapping[str, Any]) -> tuple[list[int], int]:
        """What is left of a round, and until how many builds."""
        draws = int(kept.get("draws", 0))
        rows = np.flatnonzero(
            np.isin(self.stored.numbers, np.array(kept.get("designs", []), np.uint64))
        )
        left = rows[(self.draws[rows] < draws) & ~self.screened[rows]]
        return left.tolist(), draws

    def _failed(self, rows: list[int]) -> set[int]:
        """Those of some rows that break a hazard rule in too many of the first builds."""
        if not rows:
            return set()
        from explorer.model.promise import broken_shares

        designs = self.stored.designs.take(np.array(rows, np.int64))
        broken = broken_shares(self.project, designs, range(SCREENS))
        failed = {
            row: Odds(SCREENS, round(float(share) * SCREENS))
            for row, share in zip(rows, broken, strict=True)
            if share > SCREENED
        }
        self._keep(failed)
        return set(failed)

    def _draw(
        self, rows: Sequence[int], watch: Watch, workers: int, draws: int | None = None
    ) -> None:
        """Draw builds of some rows until each has so many, or enough to be settled; those that were
        only screened from the first on.
        """
        from explorer.model.promise import shared_odds

        draws = draws or self.terms.draws
        numbers = self.stored.numbers[np.array(rows, np.int64)]
        known = dict(zip(rows, odds_of(self.project, self.store, numbers), strict=True))
        known = {row: Odds() if one.screened_out else one for row, one in known.items()}
        had = {row: one.draws for row, one in known.items()}
        for before in sorted(set(had.values())):
            some = [row for row in rows if had[row] == before and before < draws]
            if not some:
                continue
            watch(Step("draw", self.builds, self.builds + len(some) * (draws - before), 0))
            designs = self.stored.designs.take(np.array(some, np.int64))
            new = shared_odds(self.project, designs, range(before, draws), workers)
            self.builds += len(some) * (draws - before)
            earlier = (known[row] for row in some)
            both = [old.and_(one) for old, one in zip(earlier, new, strict=True)]
            self._keep(dict(zip(some, both, strict=True)))

    def _keep(self, found: Mapping[int, Odds]) -> None:
        if not found:
            return
        numbers = self.stored.numbers[np.array(list(found), np.int64)].tolist()
        by_number = dict(zip(numbers, found.values(), strict=True))
        keep_odds(self.project, self.store, by_number)
        self._take(Draws.of(by_number))
