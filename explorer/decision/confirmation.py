"""What a page tells beyond the front: a slower fidelity's word, and other cadences."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import closing
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.study import Project
from explorer.model import session
from explorer.model.evaluate import evaluate, number
from explorer.model.regimes import REGIMES
from explorer.model.space import Designs, Rows
from explorer.stopping import starting_workers
from explorer.units import Array

CADENCES_RPM = np.linspace(30.0, 90.0, 13)
TRACE_POINTS = 240
MOST_TRACES = 50
CLOSE_S = 30.0
"""Length of the end of a session that is kept at a scale of its own."""
MOST_UNROLLED = 200_000
"""Points of a course whose cycles stand for many, before it is thinned for a page."""
BATCH = 25
"""Designs stepped through their session at a time, between two looks at the clock."""


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


def unheard(done: int) -> None:
    """Nobody listens."""


def confirm(
    project: Project,
    designs: Designs,
    ids: Sequence[str],
    budget_s: float,
    workers: int = 1,
    hear: Callable[[int], None] = unheard,
    traced: bool = True,
) -> dict[str, dict[str, Any]]:
    """What the time-stepped session says of some designs, in their order, within a time budget.

    Several workers are processes, or the machines of `search.sweep.on_machines`. `hear` is told how
    many are done. Not `traced`, the course of the bus is left out.

    By design id: `session_energy_J`, `regime`, and for the first ones the course of the bus of the
    first case (`time_s`, `bus_V`, `pack_W`). Several cases are put together as the study says.
    """
    begun, told = time.monotonic(), {}
    batches = [
        np.arange(start, min(start + BATCH, len(designs)))
        for start in range(0, len(designs), BATCH)
    ]
    with (
        warnings.catch_warnings(),
        closing(_in_order(project, designs, batches, workers, traced)) as sessions,
    ):
        # Breaking off is what the budget is for; joblib would have it that it is a mistake.
        warnings.filterwarnings("ignore", message=".*tasks which were still being processed")
        for rows, (energy, results) in zip(batches, sessions, strict=False):
            for k, row in enumerate(rows.tolist()):
                entry = {"session_energy_J": float(energy[k]), "regime": REGIMES[results.regime[k]]}
                if k in results.traces and row < MOST_TRACES:
                    whole = results.traces[k]
                    entry["trace"] = {**_thinned(unrolled(whole)), "close": _thinned(_close(whole))}
                told[ids[row]] = entry
            hear(len(told))
            if time.monotonic() - begun > budget_s:
                break
    return told


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
    energies = np.stack([result.delivered_energy_J for result in results])
    energy = energies.min(axis=0) if plan.over_cases == "worst" else energies.mean(axis=0)
    return energy, results[0]


def unrolled(trace: session.Trace) -> session.Trace:
    """A trace in which cycles that stand for many are there as often as they stand for: drawn out
    over the time they count for, they would look as slow bursts that nobody ever sees.
    """
    times = np.divide(trace.seconds, trace.lived_s, out=np.ones_like(trace.seconds),
                      where=trace.lived_s > 0)  # fmt: skip
    edges = np.flatnonzero(np.abs(np.diff(times)) > 1e-6 * times[1:]) + 1
    pieces = []
    for run in np.split(np.arange(len(times)), edges):
        piece = _part(trace, run)
        if run.size and times[run[0]] > 1 + 1e-6:
            piece = _repeated(piece)
        pieces.append(piece)
    joined: list[Any] = [np.concatenate(columns) for columns in zip(*pieces, strict=True)]
    return session.Trace(*joined)


def _part(trace: session.Trace, at: Rows | NDArray[np.bool_]) -> session.Trace:
    """The steps of a trace at some places."""
    columns: list[Any] = [column[at] for column in trace]
    return session.Trace(*columns)


def _repeated(sample: session.Trace) -> session.Trace:
    """Some cycles, one after the other until the time they count for is over."""
    begin, span = sample.time_s[0] - sample.seconds[0] / 2, float(sample.seconds.sum())
    length = float(sample.lived_s.sum())
    middles = np.cumsum(sample.lived_s) - sample.lived_s / 2
    count = int(np.ceil(span / length))
    # No page shows single cycles of so many: their height is enough.
    keep = _outline(sample.bus_V, max(MOST_UNROLLED // count, 2))
    time_s = (length * np.arange(count)[:, None] + middles[keep]).ravel()
    within = time_s < span
    tiled = _part(sample, np.tile(keep, count)[within])
    return tiled._replace(time_s=begin + time_s[within], seconds=tiled.lived_s)


def _close(trace: session.Trace) -> session.Trace:
    """The last `CLOSE_S` of a trace, where single bursts can be seen; less where only the end of
    the session was stepped as it was.
    """
    late = trace.time_s >= trace.time_s[-1] - CLOSE_S
    lapsed = np.flatnonzero(trace.seconds > (1 + 1e-6) * trace.lived_s)
    if lapsed.size:
        late[: lapsed[-1] + 1] = False
    return _part(trace, late)


def _outline(bus_V: Array, count: int) -> Rows:
    """Places of the first, the last, and the least and the greatest value of each stretch."""
    stretches = np.array_split(np.arange(len(bus_V)), max(count // 2, 1))
    ends = [
        int(stretch[pick(bus_V[stretch])])
        for stretch in stretches
        if stretch.size
        for pick in (np.argmin, np.argmax)
    ]
    return np.unique([0, *ends, len(bus_V) - 1])


def _thinned(trace: session.Trace) -> dict[str, list[float]]:
    """A trace with few enough points for a page: the least and the greatest bus voltage of each
    stretch, so that fast bursts keep their height.
    """
    keep = _outline(trace.bus_V, TRACE_POINTS)
    return {
        "time_s": [round(float(v), 2) for v in trace.time_s[keep]],
        "bus_V": [round(float(v), 3) for v in trace.bus_V[keep]],
        "pack_W": [round(float(v), 3) for v in trace.pack_W[keep]],
    }


def sample_of(rows: Rows, count: int) -> Rows:
    """An even thinning of some rows."""
    if len(rows) <= count:
        return rows
    return rows[np.linspace(0, len(rows) - 1, count).astype(np.intp)]


def with_session(
    records: Sequence[dict[str, Any]], told: Mapping[str, Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Records that also say what the session fidelity found, where it was asked."""
    return [
        {**record, "session_energy_J": told[record["design_id"]]["session_energy_J"]}
        if record["design_id"] in told
        else dict(record)
        for record in records
    ]
