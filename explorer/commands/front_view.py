"""A study's stored designs with their costs and the rows of its front, ready to be shown."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from explorer import MODEL_VERSION, front
from explorer.commands.history import last_launch
from explorer.decision import lock
from explorer.decision.picks import WISHES, Picker
from explorer.decision.price_changes import (
    SMALL,
    build_then,
    owned_then,
    price_changes,
    term_changes,
    terms,
)
from explorer.decision.repricing import Previous
from explorer.decision.slips import compared_runs
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.prices import Prices
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.names import namesakes
from explorer.model.odds import promise_results
from explorer.model.record import design_records
from explorer.model.space import Rows
from explorer.search.progress import Step, Watch
from explorer.search.racing import Race
from explorer.search.settle import contenders, step_contenders
from explorer.store.history import Run
from explorer.store.keys import ids_of, search_key
from explorer.store.results import Store
from explorer.store.standing import front_rows
from explorer.store.stored import Stored
from explorer.units import Array

MEASURE_NEXT = "measure_next"
"""Name of what is kept of the advice on measuring."""
ADVICE_DRAWS, ADVICE_KEPT = 400, 3
"""Builds behind the page's advice, fewer than `measure next` draws, and measurements kept of it."""


@dataclass(frozen=True)
class FrontView:
    """Stored designs, their costs (n,) and the rows of the front.

    With a what-if of the project the view shows what would be, not what is.
    """

    project: Project
    store: Store
    stored: Stored
    cost: Array
    rows: Rows

    @property
    def owned(self) -> tuple[str, ...]:
        """Parts that count as free in a what-if."""
        return tuple(self.project.what_if)

    @classmethod
    def at_todays_prices(cls, project: Project, store: Store) -> FrontView:
        """Everything that is stored, at today's prices."""
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs)
        return cls(project, store, stored, cost, front_rows(project, stored, cost))

    @classmethod
    def of_the_past(cls, project: Project, store: Store, run: Run) -> FrontView:
        """The front that a run kept, at the prices of that day, of designs that hold today."""
        assert run.result is not None
        project = _priced_as_in(project, store.prices_of(run.result["prices"]), run.result)
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs)
        rows = np.flatnonzero(np.isin(stored.numbers, store.front_of(run.result["front"])[0]))
        return cls(project, store, stored, cost, rows)

    @property
    def points(self) -> Array:
        """Objectives of the front."""
        return self.picker.points

    @cached_property
    def picker(self) -> Picker:
        """Picks from the front."""
        from explorer.model.bounds import goal_units

        units = goal_units(self.project)
        return Picker(self.project, self.store, self.stored, self.cost, self.rows, units)

    @cached_property
    def last(self) -> dict[str, Any]:
        """Result of the last launch."""
        return last_launch(self.store)

    @cached_property
    def picked(self) -> dict[str, int]:
        """Row of the design that answers each wish."""
        return self.picker.picked()

    @cached_property
    def vote_shares(self) -> dict[str, float]:
        """Id of each picked design that any weighting of the goals likes best -> its share of all
        of them.
        """
        shares = self.picker.vote_shares()
        rows = dict.fromkeys(row for row in self.picked.values() if row in shares)
        names = ids_of(self.stored.numbers[np.array(list(rows), dtype=np.int64)])
        return {name: shares[row] for name, row in zip(names, rows, strict=True)}

    @cached_property
    def read(self) -> Rows:
        """Rows of the front thinned to what a person can tell apart, the picks among them."""
        wished = np.array(list(self.picked.values()), dtype=np.int64)
        return np.union1d(self.rows[front.reading_front(self.points)], wished)

    def records(self, rows: Rows) -> list[dict[str, Any]]:
        """Results of some stored designs, each by its session: one that was not stepped yet is."""
        evaluation = self.store.evaluation(self.project, self.stored, rows)
        if not self.stored.stepped[rows].all():
            from explorer.model.stepped import sessions_of

            evaluation = sessions_of(self.project, evaluation.designs)
        records = design_records(self.project, evaluation, self.cost[rows])
        odds = self.picker.odds(self.stored.numbers[rows])
        return [
            {
                **record,
                **promise_results(
                    one,
                    self.project.study.promise,
                    self.project.builds_differ,
                    record["delivered_energy_J"],
                ),
            }
            for record, one in zip(records, odds, strict=True)
        ]

    @cached_property
    def unsettled(self) -> Rows:
        """Rows of designs that may belong to the front, but were not stepped through time, or not
        drawn often enough to state a promise.
        """
        if not self.project.study.by_promise:
            return contenders(self.project, self.stored, self.cost)
        standing = self.rows[~self.stored.stepped[self.rows]]
        return np.union1d(standing, self._race.open_rows())

    @property
    def _race(self) -> Race:
        return Race(self.project, self.store, self.stored, self.cost)

    def settled(self, watch: Watch, workers: int, seconds: float = 0.0) -> tuple[FrontView, int]:
        """The view once every design that could stand on its front was stepped, and how many
        sessions and builds that took. Locked designs are stepped, too.

        Where the study goes by promises, builds are drawn for so many `seconds`; those of locked
        designs in any case. Without time, the front of nominal values is settled alone.
        """
        view, count, wanted = self, 0, self._locked_rows()
        while True:
            new = step_contenders(
                view.project, view.store, view.stored, view.cost, watch, workers, wanted
            )
            view = view.again() if new else view
            if self.project.study.by_promise and seconds > 0:
                before = time.monotonic()
                builds = view._race.run(seconds, watch, workers, view._locked_rows())
                seconds -= time.monotonic() - before
                view, new = (view.again() if builds else view), new + builds
            count += new
            wanted = view.rows[~view.stored.stepped[view.rows]].tolist()
            if not wanted:
                return view, count

    def _locked_rows(self) -> list[int]:
        return self.locked_rows(lock.read_locks(self.project, self.store))

    def again(self) -> FrontView:
        """The view of what is stored by now."""
        return FrontView.at_todays_prices(self.project, self.store)

    @cached_property
    def results(self) -> dict[str, Any]:
        """The front for scripts: `front` (thinned), `front_size`, `front_thinned`, `picks`,
        `why_none`, `unsettled`.
        """
        picks = {wish: ids_of(self.stored.numbers[[row]])[0] for wish, row in self.picked.items()}
        return {
            "front": self.records(self.read) if len(self.rows) else [],
            "front_size": len(self.rows),
            "front_thinned": bool(len(self.rows)) and len(self.read) < len(self.rows),
            "picks": dict.fromkeys(WISHES) | picks,
            "vote_shares": self.vote_shares,
            "why_none": "" if picks else self.picker.why_none(),
            "unsettled": ids_of(self.stored.numbers[self.unsettled]),
        }

    def locked_rows(self, locks: Sequence[lock.Lock]) -> list[int]:
        """Rows of those locked designs that are stored."""
        rows = (self.stored.find(one.design_id) for one in locks)
        return [row for row in rows if row is not None]

    @property
    def namesakes(self) -> tuple[str, ...]:
        """A line for each name that a design of the front or a locked one shares with another
        stored design: it is refused where somebody types it.
        """
        wanted = np.union1d(self.rows, np.array(self._locked_rows(), dtype=np.int64))
        shared = namesakes(self.stored.numbers[wanted], self.stored.numbers)
        return tuple(
            f"{name} is the name of {len(ids)} designs: call each by its id, {', '.join(ids)}"
            for name, ids in shared.items()
        )

    @cached_property
    def looked_at(self) -> str:
        """Name under which the store keeps what `look_closer` finds."""
        numbers = self.stored.numbers[self.rows].tolist()
        prices = self.project.catalogue.prices.content_hash  # they decide who is picked
        locked = self._locked_rows()
        kits = self.project.study.prices.build_quantity
        asked = [prices, kits, numbers, self.stored.numbers[locked].tolist()]
        small = {k: v for k, v in terms(self.project).items() if k.startswith(SMALL)}
        mine = sorted({**self.project.owned, **small}.items())
        asked += [mine] if mine else []
        return f"looked_at:{content_hash([MODEL_VERSION, search_key(self.project), asked])}"

    def look_closer(self, watch: Watch, workers: int) -> dict[str, Any]:
        """What is worth computing once for a front (`closer_look.look_closer`), and `rejections`;
        the same front is not looked at twice, and what a launch that was cut short had is kept.
        """
        from explorer.decision import closer_look
        from explorer.search import probes

        found = self.store.search_progress(self.looked_at)
        if not found:
            found = {"rejections": probes.rejections(self.project)}
            self.store.save_progress(self.looked_at, found)
        if len(self.rows):
            locked = self._locked_rows()
            for name, looked in closer_look.look_closer(
                self.picker, locked, watch, workers, frozenset(found)
            ):
                found = {**found, name: looked}
                self.store.save_progress(self.looked_at, found)
        return found

    def advise(self, watch: Watch, workers: int) -> None:
        """Find out what to measure before the recommended design is chosen, and keep it beside what
        `look_closer` found: once for a front.
        """
        from explorer.measuring.what_to_measure import what_to_measure

        found = self.store.search_progress(self.looked_at)
        if MEASURE_NEXT in found or not self.picked or not self.project.builds_differ:
            return
        watch(Step(MEASURE_NEXT, 0, 1, 0))
        advice = what_to_measure(self.picker, draws=ADVICE_DRAWS, workers=workers)
        if advice is not None:
            advice = {**advice, "worth": advice["worth"][:ADVICE_KEPT]}
        self.store.save_progress(self.looked_at, {**found, MEASURE_NEXT: advice})
        watch(Step(MEASURE_NEXT, 1, 1, 0))

    def before(self) -> Previous | None:
        """The last kept state that is not today's in prices, terms or front; no slip or what-if."""
        now = self.stored.numbers[self.rows]
        for run in compared_runs(self.store):
            assert run.result is not None
            numbers, points = self.store.front_of(run.result["front"])
            then = self.store.prices_of(run.result["prices"])
            kept = run.result.get("terms", {})
            same = np.array_equal(np.sort(numbers), np.sort(now))
            if self.owned or not same or self._moved_from(then, kept):
                points = self.stored.completed(numbers, points)
                return Previous(run.ended or run.begun, then, numbers, points, kept)
        return None

    @property
    def moved_since_launch(self) -> bool:
        """Whether costs are not those that the last launch saw."""
        if "prices" not in self.last:
            return False
        then = self.store.prices_of(self.last["prices"])
        return bool(self.owned) or self._moved_from(then, self.last.get("terms", {}))

    def _moved_from(self, prices: Prices, kept: Mapping[str, float | None]) -> bool:
        """Whether prices, or what the study says about them, are not these."""
        return any(price_changes(prices, self.project.catalogue.prices)) or any(
            term_changes(kept, terms(self.project))
        )


def _priced_as_in(project: Project, then: Prices, kept: Mapping[str, Any]) -> Project:
    """A project with the prices, the number of kits and what was owned of a run of the past."""
    now, today = project.catalogue.prices, project.study.prices
    # A part that had no price then was on no front; today's keeps the arithmetic whole.
    breaks, rates = {**now.breaks, **then.breaks}, {**now.rates, **then.rates}
    kits = kept.get("terms", {}).get("build_quantity", today.build_quantity)
    prices = today.model_copy(update={"currency": then.currency, "build_quantity": kits})
    terms_then = kept.get("terms", {})
    owned, build = owned_then(terms_then), build_then(project, terms_then)
    return replace(
        project,
        study=replace(project.study, prices=prices, owned=owned, build=build),
        what_if={},
        catalogue=replace(project.catalogue, prices=replace(then, breaks=breaks, rates=rates)),
    )
