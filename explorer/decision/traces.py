"""The bus over a session, thinned to what a page can show."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.model import session
from explorer.model.space import Rows
from explorer.units import Array

TRACE_POINTS = 240
CLOSE_S = 30.0
"""Length of the end of a session that is kept at a scale of its own."""
MOST_UNROLLED = 200_000
"""Points of a trace whose cycles stand for many, before it is thinned for a page."""


def for_page(trace: session.Trace) -> dict[str, Any]:
    """A trace for a page: `time_s`, `bus_V`, `pack_W` of the whole session, and `close`, the same
    for its last `CLOSE_S`.
    """
    return {**thinned(unrolled(trace)), "close": thinned(last_seconds(trace))}


def unrolled(trace: session.Trace) -> session.Trace:
    """A trace that repeats the cycles that stand for many. Stretched over the time they count for,
    fast bursts would look slow.
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
    # Among so many cycles a page shows no single one: their height is enough.
    keep = _outline(sample.bus_V, max(MOST_UNROLLED // count, 2))
    time_s = (length * np.arange(count)[:, None] + middles[keep]).ravel()
    within = time_s < span
    tiled = _part(sample, np.tile(keep, count)[within])
    return tiled._replace(time_s=begin + time_s[within], seconds=tiled.lived_s)


def last_seconds(trace: session.Trace) -> session.Trace:
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


def thinned(trace: session.Trace) -> dict[str, list[float]]:
    """A trace with few enough points for a page: of each stretch the least and the greatest bus
    voltage, so that fast bursts keep their height.
    """
    keep = _outline(trace.bus_V, TRACE_POINTS)
    return {
        "time_s": [round(float(v), 2) for v in trace.time_s[keep]],
        "bus_V": [round(float(v), 3) for v in trace.bus_V[keep]],
        "pack_W": [round(float(v), 3) for v in trace.pack_W[keep]],
    }
