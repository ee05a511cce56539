"""Work outside what was measured of a converter or of diodes is named, and by how much."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import pytest

from explorer.inputs.catalogue import Reach
from explorer.inputs.machine_kinds import MACHINE_KINDS
from explorer.inputs.study import Project
from explorer.report.measured_reach import (
    beyond_currents,
    beyond_measured,
    beyond_points,
    valve_peak_A,
)
from tests.helpers import bridge_twin
from tests.helpers.chains import with_part

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


PARTS = {"generator": "hub_small", "rectifier": "schottky_3a", "converter": "unmeasured"}


def with_measured_diode(project: Project, amps: float) -> Project:
    return with_part(project, "rectifier", "schottky_3a", measured_to_A=amps)


def test_diodes_beyond_their_highest_reading_are_named(small_project: Project) -> None:
    """By hand: 2 A rms of a sine are 2.83 A at the crest, 1.83 A above 1 A."""
    some = with_measured_diode(small_project, 1.0)
    words = beyond_currents(some, PARTS, 2.0)
    assert "measured up to 1 A" in words
    assert "up to 2.83 A through each, 1.8 A above" in words
    assert beyond_currents(with_measured_diode(small_project, 2.83), PARTS, 2.0) == ""
    assert beyond_currents(some, PARTS, 0.7) == ""
    assert beyond_currents(small_project, PARTS, 2000.0) == ""  # of a class: not measured


def test_the_current_is_the_largest_of_the_session(small_project: Project) -> None:
    """A result holds it as what is left of the generator's limit."""
    (hub,) = (g for g in small_project.catalogue.parts["generator"] if g.id == "hub_small")
    margins = {"generator_current_A": hub.bears_A - 2.0}  # type: ignore[attr-defined]
    record = {"parts": PARTS, "settings": SETTINGS, "margins": margins}
    assert beyond_measured(with_measured_diode(small_project, 2.8), record) == beyond_currents(
        with_measured_diode(small_project, 2.8), PARTS, 2.0
    )
    assert "2.83 A" in beyond_measured(with_measured_diode(small_project, 2.8), record)


@pytest.mark.parametrize(("name", "phases"), [("three_phase", 3), ("two_phase", 2)])
def test_the_crest_on_an_empty_bank_is_that_of_a_sine(
    small_project: Project, name: str, phases: int
) -> None:
    """Against the switching-level twin, with and without inductance."""
    hub = small_project.catalogue.parts["generator"][0].model_copy(update={"kind": name})
    for henry in (0.0, 1e-3):
        truth = bridge_twin.solve(
            10.0, 300.0, 0.5, henry, 0.0, 3e-5, 0.035, 0.03, phases=phases
        )  # fmt: skip
        found = valve_peak_A(hub, truth.phase_rms_A)  # type: ignore[arg-type]
        assert found == pytest.approx(truth.crest_A, rel=0.04)
    direct = hub.model_copy(update={"kind": "brushed_dc"})
    assert valve_peak_A(direct, 2.0) == 2.0  # type: ignore[arg-type]
    assert MACHINE_KINDS["brushed_dc"].direct
    assert valve_peak_A(hub, 2.0) == pytest.approx(2 * sqrt(2))  # type: ignore[arg-type]
