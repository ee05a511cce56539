"""The session fidelity confirms or refutes what the averaged search found, within a time budget."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.decision.picks import Picker, refuted
from explorer.decision.rule_costs import rule_costs
from explorer.decision.traces import for_page
from explorer.inputs.study import Project
from explorer.model import session
from explorer.model.cases import together
from explorer.model.evaluate import evaluate, number
from explorer.model.regimes import REGIMES
from explorer.model.space import Designs, Rows, Space, evenly
from explorer.search.progress import Step, Watch
from explorer.stopping import starting_workers
from explorer.store.keys import ids_of
from explorer.units import Array

CADENCES_RPM = np.linspace(30.0, 90.0, 13)
MOST_TRACES = 50
BATCH = 25
"""Designs stepped through their session at a time, between two looks at the clock."""
CONFIRMED, CONFIRM_BUDGET_S = 40, 8.0
"""Designs of the front, beside the picks, that the session fidelity confirms, and its time."""
SAMPLED_SHARE, MOST_SAMPLED_S, MOST_SAMPLED = 0.05, 60.0, 500
"""The share of the study's time limit in which sampled designs are confirmed, the most seconds of
it, and the most designs.
"""
MOST_SECOND_CHOICES = 5
"""How often picks that sessions refute give way to others before they are left as they are."""


def coarse_to_fine(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Some rows in an order of which every beginning is an even sample of all.

    The places are those of the van der Corput sequence, each the first time that it comes.

    >>> coarse_to_fine(np.arange(8)).tolist()
    [0, 4, 2, 6, 1, 5, 3, 7]
    """
    if not len(rows):
        return rows
    digits = max(int(len(rows) - 1).bit_length(), 1)
    number = np.arange(2**digits)
    mirrored = np.zeros_like(number)
    for bit in range(digits):
        mirrored |= (number >> bit & 1) << (digits - 1 - bit)
    place = mirrored * len(rows) // 2**digits
    order = place[np.sort(np.unique(place, return_index=True)[1])]
    return np.asarray(rows[order])


def agreement(found: int, session_J: Array, averaged_J: Array) -> dict[str, Any]:
    """How far sessions agree with the averaged model, (n,) each; n of `found` were stepped."""
    away = np.asarray(session_J) / np.maximum(averaged_J, 1e-9) - 1
    return {
        "found": found,
        "judged": len(away),
        "upheld": int((~refuted(session_J, averaged_J)).sum()),
        "median_apart_percent": float(100 * np.median(np.abs(away))) if len(away) else None,
        "most_lost_percent": float(max(-100 * away.min(), 0.0)) if len(away) else None,
    }


def agreement_sentence(judged: Mapping[str, Any] | None) -> str:
    """`agreement` for a person to read; empty where nothing was found."""
    if not judged or not judged["found"]:
        return ""
    if not judged["judged"]:
        return f"Of {judged['found']:,} sampled designs on the front none was stepped through time."
    return (
        f"Of {judged['found']:,} sampled designs on the front {judged['judged']:,} were stepped "
        f"through time: {judged['upheld']:,} hold, the median is "
        f"{judged['median_apart_percent']:.2g} % apart, the worst "
        f"delivers {judged['most_lost_percent']:.2g} % less."
    )


def at_other_cadences(project: Project, designs: Designs, ids: Sequence[str]) -> dict[str, Any]:
    """Handle force and power into the pack of some designs over cadence, by design id.

    The power is None where the averaged model does not hold.
    """
    count = len(CADENCES_RPM)
    rows = np.repeat(np.arange(len(designs)), count)
    many = designs.take(rows)
    settings = {**many.settings, "cadence_rpm": np.tile(CADENCES_RPM, len(designs))}
    found = evaluate(project, Designs(many.parts, settings))
    shape = (len(designs), count)
    seconds = 60 * project.study.session.minutes
    force = found.readings["handle_force_N"].reshape(shape)
    power = np.where(found.in_range, found.delivered_energy_J / seconds, np.nan).reshape(shape)
    return {
        name: {
            "cadence_rpm": CADENCES_RPM.tolist(),
            "handle_force_N": force[k].tolist(),
            "pack_power_W": [number(watts) for watts in power[k]],
        }
        for k, name in enumerate(ids[: len(designs)])
    }


def confirm(
    project: Project,
    designs: Designs,
    ids: Sequence[str],
    budget_s: float,
    workers: int = 1,
    on_progress: Callable[[int], None] = lambda done: None,
    traced: bool = True,
) -> dict[str, dict[str, Any]]:
    """The time-stepped sessions of some designs, in their order, within a time budget.

    Several workers are processes, or the machines of `search.sweep.on_machines`. `on_progress` is
    called with the number of designs that are done. Without `traced` the bus over time is left out.

    By design id: `session_energy_J`, `regime`, and for the first ones the `trace` of the first case
    (`traces.for_page`). Several cases become one number as the study says.
    """
    begun = time.monotonic()
    results: dict[str, dict[str, Any]] = {}
    batches = [
        np.arange(start, min(start + BATCH, len(designs)))
        for start in range(0, len(designs), BATCH)
    ]
    with (
        warnings.catch_warnings(),
        closing(_in_order(project, designs, batches, workers, traced)) as sessions,
    ):
        # The budget breaks off on purpose, which joblib warns of.
        warnings.filterwarnings("ignore", message=".*tasks which were still being processed")
        for rows, (energy, found) in zip(batches, sessions, strict=False):
            for k, row in enumerate(rows.tolist()):
                entry = {"session_energy_J": float(energy[k]), "regime": REGIMES[found.regime[k]]}
                if k in found.traces and row < MOST_TRACES:
                    entry["trace"] = for_page(found.traces[k])
                results[ids[row]] = entry
            on_progress(len(results))
            if time.monotonic() - begun > budget_s:
                break
    return results


def _in_order(
    project: Project, designs: Designs, batches: Sequence[Rows], workers: int, traced: bool
) -> Generator[tuple[Array, Any], None, None]:
    """Sessions of each batch, one after the other or several at a time."""
    if workers == 1 or len(batches) < 2:
        yield from (
            _all_cases(project, designs.take(r), traced and not n) for n, r in enumerate(batches)
        )
        return
    from joblib import Parallel, delayed

    parallel = Parallel(n_jobs=workers, return_as="generator", pre_dispatch="n_jobs")
    with starting_workers():
        results = parallel(
            delayed(_all_cases)(project, designs.take(r), traced and not n)
            for n, r in enumerate(batches)
        )
    yield from results


def _all_cases(project: Project, designs: Designs, traced: bool) -> tuple[Array, Any]:
    plan = project.study.session
    cases = [(o, p) for o in plan.operators for p in plan.packs]
    results = [
        session.simulate(
            project, designs, *case, traces=range(len(designs)) if traced and not number else ()
        )
        for number, case in enumerate(cases)
    ]
    energies = [result.delivered_energy_J for result in results]
    return together(energies, plan.over_cases, more_is_better=True), results[0]


@dataclass
class _Sessions:
    """Sessions of stored designs, each stepped once; `found` grows by what is asked for."""

    picker: Picker
    watch: Watch
    workers: int
    total: int
    found: dict[str, dict[str, Any]] = field(default_factory=dict)

    def step(self, rows: Sequence[int], budget_s: float, traced: bool = True) -> None:
        """Step those of some rows that were not stepped yet, within a time budget."""
        stored, before = self.picker.stored, len(self.found)
        asked = np.array(list(dict.fromkeys(rows)), dtype=np.int64)
        ids = ids_of(stored.numbers[asked])
        new = [place for place, name in enumerate(ids) if name not in self.found]
        self.found |= confirm(
            self.picker.project,
            stored.designs.take(asked[new]),
            [ids[place] for place in new],
            budget_s,
            self.workers,
            lambda done: self.watch(Step("confirm", before + done, self.total, 0)),
            traced,
        )

    def energies(self, rows: Rows) -> tuple[Array, Array]:
        """Energies by session, NaN where it was not stepped, and averaged, J."""
        return self.picker.energies(rows, self.found)


def look_closer(
    picker: Picker, locked: Sequence[int], watch: Watch, workers: int, exact: bool
) -> dict[str, Any]:
    """What is computed once for a front that has designs, in minutes and not in microseconds.

    `locked` are rows of locked designs. `exact` says that all combinations were covered, so that
    only what lies between them was sampled. Draws builds, steps the sessions of picks, runners-up,
    locked designs and a sample of the front, and, with a budget of their own, of what was sampled.
    A pick that a session refutes gives way to the next best.

    Keys: `sessions` (`confirm`), `judged` (`agreement`), `cadences` (`at_other_cadences`),
    `rule_costs`.
    """
    watch(Step("draw", 0, 1, 0))
    picker.draw_builds(workers)
    watch(Step("draw", 1, 1, 0))
    project, stored = picker.project, picker.stored
    first = list(dict.fromkeys([*picker.picked({}).values(), *locked, *picker.runners_up()]))
    read = picker.rows[front.reading_front(picker.points)]
    others = evenly(read[~np.isin(read, first)], CONFIRMED)
    sampled = _sampled(picker, exact)
    sessions = _Sessions(picker, watch, workers, len({*first, *others.tolist()}))
    watch(Step("confirm", 0, sessions.total, 0))
    sessions.step([*first, *others.tolist()], CONFIRM_BUDGET_S)
    some = coarse_to_fine(sampled)[:MOST_SAMPLED]
    sessions.total = len(sessions.found) + len(some)
    budget_s = min(SAMPLED_SHARE * 60 * project.study.search.minutes, MOST_SAMPLED_S)
    sessions.step(some.tolist(), budget_s, traced=False)
    picked = _picks_that_hold(picker, sessions)
    watch(Step("confirm", sessions.total, sessions.total, 0))
    by_session, averaged = sessions.energies(sampled)
    known = ~np.isnan(by_session)
    close = np.array(list(dict.fromkeys([*picked.values(), *first])), dtype=np.int64)
    return {
        "sessions": sessions.found,
        "judged": agreement(len(sampled), by_session[known], averaged[known]),
        "cadences": at_other_cadences(
            project, stored.designs.take(close), ids_of(stored.numbers[close])
        ),
        "rule_costs": rule_costs(project, stored.designs.take(read), _places(picker, picked, read)),
    }


def _sampled(picker: Picker, exact: bool) -> Rows:
    """Rows of the front's designs that no sweep covered."""
    if not exact:
        return picker.rows
    numbers = Space.of(picker.project).numbers(picker.stored.designs.take(picker.rows))
    return picker.rows[numbers < 0]


def _picks_that_hold(picker: Picker, sessions: _Sessions) -> dict[str, int]:
    """The picks once those that sessions refute have given way; those of new ones are stepped."""
    for _ in range(MOST_SECOND_CHOICES):
        picked = picker.picked(sessions.found)
        sessions.step(list(picked.values()), CONFIRM_BUDGET_S)
        if picked == picker.picked(sessions.found):
            break
    return picker.picked(sessions.found)


def _places(picker: Picker, picked: Mapping[str, int], read: Rows) -> dict[str, int]:
    """Where the picks stand among the rows that are read, by design id."""
    places = {row: place for place, row in enumerate(read.tolist())}
    rows = [row for row in dict.fromkeys(picked.values()) if row in places]
    names = ids_of(picker.stored.numbers[np.array(rows, dtype=np.int64)])
    return {name: places[row] for name, row in zip(names, rows, strict=True)}


def with_session(
    records: Sequence[dict[str, Any]], sessions: Mapping[str, Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Records with the energy of their sessions, where these were stepped."""
    return [
        {**record, "session_energy_J": sessions[record["design_id"]]["session_energy_J"]}
        if record["design_id"] in sessions
        else dict(record)
        for record in records
    ]
