"""Courses of the bus for a page: thinned, whole, and close up."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.decision.traces import CLOSE_S, TRACE_POINTS, for_page, thinned
from explorer.inputs.study import Project
from explorer.model import stepped
from explorer.model.simulate import simulate
from explorer.model.space import Space
from explorer.model.stepped import Course


def course(time_s: np.ndarray, bus_V: np.ndarray) -> Course:
    """A course of a bus that gives nothing to a pack."""
    return Course(time_s, bus_V, np.zeros_like(time_s))


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


def test_the_close_up_is_the_end(small_project: Project) -> None:
    time_s = np.arange(0, 600, 0.5)
    page = for_page(course(time_s, 5 + np.sin(time_s)))
    assert page["time_s"][0] == 0.0
    assert page["close"]["time_s"][0] == pytest.approx(time_s[-1] - CLOSE_S, abs=0.5)
    assert page["close"]["time_s"][-1] == page["time_s"][-1] == time_s[-1]


def test_a_course_is_the_session_that_it_belongs_to(demo_project: Project) -> None:
    """What it gives to the pack adds up to the session's energy, steps and bursts as they were."""
    drawn = Space.of(demo_project).draw(400, np.random.default_rng(5)).take(np.array([125, 209]))
    case = "adult_one_arm", "telemetry_pack"
    crew = demo_project.study.session.crew_of(case[0])
    done = simulate(demo_project, drawn, crew, case[1])[:, 0]
    assert (done["delivered_J"] > 100).all()
    for row in range(2):
        whole = stepped.course(demo_project, drawn.take(np.array([row])), *case)
        assert (np.diff(whole.time_s) > 0).all()
        assert whole.time_s[-1] == pytest.approx(600.0, abs=1e-6)
        joules = (whole.pack_W * np.diff(whole.time_s, prepend=0.0)).sum()
        assert joules == pytest.approx(done["delivered_J"][row], rel=5e-3)
