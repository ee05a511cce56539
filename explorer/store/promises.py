"""What builds of designs came to, kept in the store from the first draw on, and their promises."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.csv_tables import content_hash
from explorer.inputs.study import Project
from explorer.model.odds import Odds
from explorer.model.space import Rows
from explorer.store.builds import Draws
from explorer.store.history import History
from explorer.store.keys import Numbers, search_key
from explorer.units import Array


class Promises(NamedTuple):
    """Of designs (n,): the promised energy, NaN where too few builds were drawn, and whether enough
    of the builds give their first charge in time.
    """

    energy_J: Array
    in_time: NDArray[np.bool_]

    def take(self, rows: NDArray[np.intp] | NDArray[np.int64] | NDArray[np.bool_]) -> Promises:
        """Those of some designs."""
        return Promises(self.energy_J[rows], self.in_time[rows])

    def and_(self, others: Promises) -> Promises:
        """These, then those of other designs."""
        return Promises(
            np.concatenate([self.energy_J, others.energy_J]),
            np.concatenate([self.in_time, others.in_time]),
        )

    def within_limits(self, project: Project) -> NDArray[np.bool_]:
        """Where a promise is settled and keeps the study's limits on energy and first charge."""
        least_J = project.study.limits.delivered_energy_J or 0.0
        return np.asarray(self.in_time & (self.energy_J >= least_J))


def builds_key(project: Project) -> str:
    """Name of a study's builds: the same as long as its search and its parts' spreads are."""
    spreads = project.catalogue.spreads
    # Builds from before the terms of a measured loss were drawn as one are others.
    rows = ["terms of a loss as one", *sorted(map(str, spreads.values()))]
    measured = f":{content_hash(rows)}" if spreads else ""
    return f"builds:{search_key(project)}{measured}"


def draws_of(project: Project, store: History) -> Draws:
    """What builds came to, of every design of which any were drawn."""
    key = builds_key(project)
    early, drawn = _early_draws(store, key), store.draws(key)
    return Draws.together([early, drawn]) if len(early) else drawn


def _early_draws(store: History, key: str) -> Draws:
    """What builds came to in a store from before these had a table of their own."""
    drawn = store.search_progress(key)
    return Draws.of({int(name, 16): Odds(*one) for name, one in drawn.items()})


def odds_of(project: Project, store: History, numbers: Numbers) -> list[Odds]:
    """What builds of some designs came to, as far as they were ever drawn."""
    drawn = draws_of(project, store)
    places = rows_among(numbers, drawn.numbers)
    known = iter(drawn.take(places[places >= 0]).odds())
    return [next(known) if place >= 0 else Odds() for place in places.tolist()]


def rows_among(wanted: Numbers, numbers: Numbers) -> Rows:
    """Where designs stand among some numbers; -1 for those that are not there."""
    if not len(numbers):
        return np.full(len(wanted), -1)
    order = np.argsort(numbers, kind="stable")
    at = order[np.clip(np.searchsorted(numbers[order], wanted), 0, len(numbers) - 1)]
    return np.where(numbers[at] == wanted, at, -1)


def keep_odds(project: Project, store: History, found: Mapping[int, Odds]) -> None:
    """Keep what builds of some designs, by number, have come to by now."""
    if not found:
        return
    key = builds_key(project)
    with store.alone():
        early = _early_draws(store, key)
        if len(early):
            store.keep_draws(key, early)
            store.save_progress(key, {})
        store.keep_draws(key, Draws.of(found))


def promises_of(project: Project, store: History, numbers: Numbers) -> Promises:
    """What stored designs promise; without computing anything."""
    energy_J, in_time = np.full(len(numbers), np.nan), np.zeros(len(numbers), dtype=bool)
    terms, drawn = project.study.promise, draws_of(project, store)
    rows = rows_among(drawn.numbers, numbers)
    here = (rows >= 0) & (drawn.draws >= terms.draws)
    rows, drawn = rows[here], drawn.take(np.flatnonzero(here))
    promised = drawn.quantiles_J(terms.draws, 1 - terms.at_least)
    energy_J[rows] = [round(one, 1) for one in promised.tolist()]
    in_time[rows] = drawn.in_time >= terms.at_least * drawn.draws
    return Promises(energy_J, in_time)
