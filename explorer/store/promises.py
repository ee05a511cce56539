"""What builds of designs came to, kept in the store from the first draw on, and their promises."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.csv_tables import content_hash
from explorer.inputs.study import Project
from explorer.model.odds import Odds
from explorer.store.history import History
from explorer.store.keys import Numbers, ids_of, search_key
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


def _summary_key(project: Project) -> str:
    terms = project.study.promise
    return f"promises:{terms.at_least}:{terms.draws}:{builds_key(project)}"


def odds_of(project: Project, store: History, numbers: Numbers) -> list[Odds]:
    """What builds of some designs came to, as far as they were ever drawn."""
    drawn = store.search_progress(builds_key(project))
    names = ids_of(numbers) if drawn else [""] * len(numbers)
    return [Odds(*drawn.get(name, ())) for name in names]


def drawn_odds(project: Project, store: History, numbers: Numbers) -> dict[int, Odds]:
    """The same by row, of those designs alone of which builds were drawn."""
    drawn = store.search_progress(builds_key(project))
    rows, every = _rows_of(list(drawn), numbers), list(drawn.values())
    return {row: Odds(*one) for row, one in zip(rows, every, strict=True) if row >= 0}


def _rows_of(names: list[str], numbers: Numbers) -> list[int]:
    """Where designs stand among some numbers; -1 for those that are not there."""
    wanted = np.array([int(name, 16) for name in names], np.uint64)
    if not len(numbers):
        return [-1] * len(names)
    order = np.argsort(numbers, kind="stable")
    at = order[np.clip(np.searchsorted(numbers[order], wanted), 0, len(numbers) - 1)]
    return [int(row) for row in np.where(numbers[at] == wanted, at, -1)]


def keep_odds(project: Project, store: History, found: Mapping[str, Odds]) -> None:
    """Keep what builds of some designs, by id, have come to by now."""
    if not found:
        return
    key, terms = builds_key(project), project.study.promise
    drawn = {**store.search_progress(key), **{name: _plain(one) for name, one in found.items()}}
    every = {name: Odds(*one) for name, one in drawn.items()}
    settled = {name: one for name, one in every.items() if one.settled(terms)}
    summary = {
        "designs": list(settled),
        "energy_J": [round(one.promised_energy_J(terms), 1) for one in settled.values()],
        "in_time": [one.in_time >= terms.at_least * one.draws for one in settled.values()],
    }
    store.save_states({key: drawn, _summary_key(project): summary})


def _plain(one: Odds) -> list[Any]:
    return [*one[:-1], dict(one.broken)]


def promises_of(project: Project, store: History, numbers: Numbers) -> Promises:
    """What stored designs promise; without computing anything."""
    energy_J, in_time = np.full(len(numbers), np.nan), np.zeros(len(numbers), dtype=bool)
    kept = store.search_progress(_summary_key(project))
    if kept:
        rows = np.array(_rows_of(kept["designs"], numbers), np.int64)
        here = rows >= 0
        energy_J[rows[here]] = np.array(kept["energy_J"], dtype=float)[here]
        in_time[rows[here]] = np.array(kept["in_time"], dtype=bool)[here]
    return Promises(energy_J, in_time)
