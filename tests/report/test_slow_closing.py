"""What slows the switch of a window: by hand, on the sheet, and not where it closes at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from explorer.inputs.study import Project
from explorer.report.sheet.facts import facts
from explorer.report.sheet.sheet import build_sheet
from explorer.report.sheet.slow_closing import (
    GATE_OHM,
    HOLD_OHM,
    PLATEAU_V,
    gate_parts,
    shown_farad,
)
from tests.report.test_build import FEW, made
from tests.report.test_sheet import decided


def test_a_capacitor_by_hand() -> None:
    """9 V over 5 ms: (9 - 2.5)/10 kohm - 2.5/100 kohm = 0.625 mA; 0.625 mA x 5 ms/9 V = 347 nF,
    of E6 330 nF, which 9 V/(0.625 mA/330 nF) = 4.75 ms charge."""
    found = gate_parts(9.0, 0.005)
    assert found is not None
    assert found.capacitance_F == pytest.approx(330e-9)
    assert found.rises_s == pytest.approx(4.752e-3, rel=1e-3)
    assert shown_farad(found.capacitance_F) == "330 nF"


@pytest.mark.parametrize("bus_V", [5.0, 9.0, 14.0])
@pytest.mark.parametrize("soft_start_s", [0.001, 0.005, 0.02])
def test_the_drain_rises_in_that_time(bus_V: float, soft_start_s: float) -> None:
    """The gate's node integrated, with a switch whose channel carries 20 A for each volt beyond the
    plateau: its drain follows the gate's current through the capacitor alone."""
    parts = gate_parts(bus_V, soft_start_s)
    assert parts is not None
    load_F, gate_F, slope_A_V = 200e-6, 2e-9, 20.0
    between_F = parts.capacitance_F

    def moves(_: float, state: np.ndarray) -> list[float]:
        gate_V, drain_V = state
        drive_V = bus_V - gate_V  # source to gate
        on = max(drive_V - PLATEAU_V, 0.0) * slope_A_V
        channel_A = on * min(max(bus_V - drain_V, 0.0) / 0.05, 1.0)
        into_A = drive_V / HOLD_OHM - gate_V / GATE_OHM
        # Currents into both nodes; the capacitor between them couples their slopes.
        matrix = np.array([[gate_F + between_F, -between_F], [-between_F, load_F + between_F]])
        return list(np.linalg.solve(matrix, [into_A, channel_A]))

    ends = (0.0, 6 * soft_start_s)
    found = solve_ivp(moves, ends, [bus_V, 0.0], method="LSODA", rtol=1e-6, max_step=ends[1] / 2000)
    time_s, drain = found.t, found.y[1]
    low, high = (float(np.interp(share * bus_V, drain, time_s)) for share in (0.1, 0.9))
    assert (high - low) / 0.8 == pytest.approx(parts.rises_s, rel=0.05)
    assert 0.6 < parts.rises_s / soft_start_s < 1.5  # E6


def test_what_cannot_or_need_not_be_slowed() -> None:
    assert gate_parts(9.0, 0.0) is None
    assert gate_parts(2.0, 0.005) is None


def test_the_sheet_says_how_the_window_closes(small_project: Project) -> None:
    window = small_project.catalogue.parts["window"]
    (plain,) = [one for one in window if one.id == "window_plain"]
    slow = plain.model_copy(update={"soft_start_s": 0.005})
    quick = plain.model_copy(update={"soft_start_s": 0.0})
    for part, said in ((slow, True), (quick, False)):
        parts = dict(small_project.catalogue.parts)
        parts["window"] = tuple(part if one.id == part.id else one for one in window)
        catalogue = replace(small_project.catalogue, parts=parts)
        project = replace(small_project, catalogue=catalogue)
        chosen = decided(project, window="window_plain")
        sheet = build_sheet(project, chosen, facts(project, chosen, draws=FEW))
        assert any(name == "soft start" for name, _ in sheet.set_to) == said
        bought = [one for one in sheet.small if "gate to drain" in one.why]
        assert len(bought) == said
        (gate,) = [one.why for one in sheet.joints if "gate of Q" in one.points]
        assert ("slowed as drawn" in gate) == said
        assert "100 kΩ to the source: open without supply" in gate
        # The drawing names what the list of small parts has.
        drawing = sheet.circuit.gate
        assert (drawing is not None) == said
        assert not said or drawing is None or drawing.capacitor in bought[0].what
        assert not said or drawing is None or drawing.resistor in bought[0].value


def test_a_switch_that_limits_by_itself_is_set_as_its_data_sheet_says(
    demo_project: Project,
) -> None:
    sheet = made(demo_project, window="window_limit_5a")
    words = dict(sheet.set_to)["soft start"]
    assert "data sheet" in words
    assert not any("gate to drain" in one.why for one in sheet.small)
