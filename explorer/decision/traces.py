"""The bus over a session, thinned to what a page can show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from explorer.model.space import Rows
from explorer.units import Array

if TYPE_CHECKING:
    from explorer.model.stepped import Course

TRACE_POINTS = 240
CLOSE_S = 30.0
"""Length of the end of a session that is kept at a scale of its own."""


def for_page(course: Course) -> dict[str, Any]:
    """A course for a page: `time_s`, `bus_V`, `pack_W` of the whole session, and `close`, the same
    for its last `CLOSE_S`.
    """
    late = course.time_s >= course.time_s[-1] - CLOSE_S
    end = course._replace(
        time_s=course.time_s[late], bus_V=course.bus_V[late], pack_W=course.pack_W[late]
    )
    return {**thinned(course), "close": thinned(end)}


def thinned(course: Course) -> dict[str, list[float]]:
    """A course with few enough points for a page: of each stretch the least and the greatest bus
    voltage, so that fast bursts keep their height.
    """
    keep = _outline(course.bus_V, TRACE_POINTS)
    return {
        "time_s": [round(float(v), 2) for v in course.time_s[keep]],
        "bus_V": [round(float(v), 3) for v in course.bus_V[keep]],
        "pack_W": [round(float(v), 3) for v in course.pack_W[keep]],
    }


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
