"""A converter outside the points that it was measured at is named, and by how much."""

from __future__ import annotations

from dataclasses import replace

from explorer.inputs.catalogue import Reach
from explorer.inputs.study import Project
from explorer.report.measured_reach import beyond_points

SETTINGS = {"undervoltage_off_V": 3.6, "overvoltage_off_V": 11.2}


def with_reach(project: Project, reach: Reach) -> Project:
    catalogue = replace(project.catalogue, converter_reach={"buckboost_wide": reach})
    return replace(project, catalogue=catalogue)


def test_what_no_point_covers_is_named(small_project: Project) -> None:
    """By hand: 3.6 V is 0.4 V below 4 V, the pack's 2 A are 0.5 A above 1.5 A."""
    parts = {"converter": "buckboost_wide"}
    some = with_reach(small_project, Reach(4.0, 12.0, 0.5, 1.5))
    words = beyond_points(some, parts, SETTINGS)
    assert "measured from 4 to 12 V" in words
    assert "3.6 V at its input, 0.4 V below" in words
    assert "2 A at its output, 0.5 A above" in words
    assert "11.2" not in words
    assert beyond_points(with_reach(small_project, Reach(3, 12, 0.1, 2)), parts, SETTINGS) == ""
    assert beyond_points(some, {"converter": "unmeasured"}, SETTINGS) == ""


def test_reach_is_that_of_the_bench_table(small_project: Project) -> None:
    reach = small_project.catalogue.converter_reach
    assert set(reach) == {part.id for part in small_project.catalogue.parts["converter"]}
    for one in reach.values():
        assert 0 < one.least_V < one.most_V
        assert 0 < one.least_A < one.most_A
