"""What is told beside the front."""

from __future__ import annotations

import numpy as np

from explorer.insight import TRACE_POINTS, _thinned
from explorer.session import Trace


def test_a_thinned_trace_keeps_the_height_of_fast_bursts() -> None:
    """A switch at every hundredth step would vanish among evenly spaced points."""
    time_s = np.arange(50_000) * 0.01
    bus_V = np.where(np.arange(50_000) % 100 == 7, 9.0, 5.0)
    zero = np.zeros_like(time_s)
    kept = _thinned(Trace(time_s, bus_V, zero, zero, zero.astype(bool)))
    assert len(kept["time_s"]) <= TRACE_POINTS + 2
    assert kept["time_s"] == sorted(kept["time_s"])
    # Every stretch of a few hundred steps holds a burst.
    assert np.mean(np.array(kept["bus_V"]) == 9.0) > 0.4
    assert min(kept["bus_V"]) == 5.0


def test_a_short_trace_is_kept_whole_at_its_ends() -> None:
    time_s = np.array([0.0, 1.0, 2.0])
    kept = _thinned(Trace(time_s, time_s + 1, time_s, time_s, time_s > 1))
    assert kept["time_s"] == [0.0, 1.0, 2.0]
