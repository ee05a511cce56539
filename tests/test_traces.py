"""Courses of the bus for a page: thinned, unrolled, and close up."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.decision.traces import CLOSE_S, TRACE_POINTS, last_seconds, thinned, unrolled
from explorer.inputs.study import Project
from explorer.model.session import Trace, simulate
from explorer.model.space import Space


def course(time_s: np.ndarray, bus_V: np.ndarray) -> Trace:
    """A course of a bus, stepped as it was, that gives nothing to a pack."""
    zero = np.zeros_like(time_s)
    steps = np.diff(time_s, append=time_s[-1])
    return Trace(time_s, bus_V, zero, zero, zero.astype(bool), steps, steps)


def test_a_thinned_trace_keeps_the_height_of_fast_bursts() -> None:
    """A switch at every hundredth step would vanish among evenly spaced points."""
    time_s = np.arange(50_000) * 0.01
    bus_V = np.where(np.arange(50_000) % 100 == 7, 9.0, 5.0)
    kept = thinned(course(time_s, bus_V))
    assert len(kept["time_s"]) <= TRACE_POINTS + 2
    assert kept["time_s"] == sorted(kept["time_s"])
    # Every stretch of a few hundred steps holds a burst.
    assert np.mean(np.array(kept["bus_V"]) == 9.0) > 0.4
    assert min(kept["bus_V"]) == 5.0


def test_a_short_trace_is_kept_whole_at_its_ends() -> None:
    time_s = np.array([0.0, 1.0, 2.0])
    kept = thinned(course(time_s, time_s + 1))
    assert kept["time_s"] == [0.0, 1.0, 2.0]


def test_a_sample_of_cycles_is_shown_as_often_as_it_stands_for() -> None:
    """Half a second off, half on, stepped for 2 s that stand for 100 s: a hundred bursts, not two
    of fifty seconds.
    """
    lived = np.concatenate([np.full(4, 0.5), np.full(4, 0.5), np.full(4, 0.5)])
    seconds = lived * np.repeat([1.0, 50.0, 1.0], 4)
    power = np.tile([0.0, 8.0], 6)
    end = np.cumsum(seconds)
    trace = Trace(end - seconds / 2, power / 2, power, power, power > 0, seconds, lived)
    whole = unrolled(trace)
    assert whole.seconds.sum() == pytest.approx(104.0)
    assert (whole.pack_W * whole.seconds).sum() == pytest.approx((power * seconds).sum())
    assert np.diff(whole.time_s) == pytest.approx(np.full(207, 0.5))
    assert np.array_equal(whole.pack_W, np.tile([0.0, 8.0], 104))
    # The end alone was stepped as it was, and is what is looked at closely.
    assert last_seconds(trace).time_s == pytest.approx([102.25, 102.75, 103.25, 103.75])
    assert last_seconds(whole).time_s[0] > 104.0 - CLOSE_S - 0.5


def test_no_course_shows_bursts_slower_than_they_are(demo_project: Project) -> None:
    """Whole sessions of two designs that switch about once a second."""
    drawn = Space.of(demo_project).draw(400, np.random.default_rng(5)).take(np.array([125, 209]))
    done = simulate(demo_project, drawn, "adult_one_arm", "telemetry_pack", traces=[0, 1])
    for row, trace in done.traces.items():
        assert trace.seconds.max() > 1.5 * trace.lived_s.max()  # some cycles stand for many
        whole = unrolled(trace)
        joules = (whole.pack_W * whole.seconds).sum()
        assert joules == pytest.approx(done.delivered_energy_J[row], rel=2e-3)
        assert (np.diff(whole.time_s) > 0).all()

        def gaps(course: Trace) -> np.ndarray:
            starts = (course.pack_W[1:] > 0) & (course.pack_W[:-1] == 0)
            return np.diff(course.time_s[1:][starts])

        # A hand's stroke takes a second and a half at the slowest; drawn out, gaps were longer.
        assert gaps(whole).max() < 3.0 < gaps(trace).max()
