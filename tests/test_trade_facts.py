"""Facts of the trade, with no published source: common practice. The machine is a test fixture."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model.evaluate import evaluate
from explorer.model.regimes import CYCLING, STEADY
from explorer.model.simulate import Care
from explorer.physics import bank, bridge, generator
from tests.helpers.chains import pick, with_pack, with_person

# A small hub motor of common practice: invented values of its class, not a row of the demo.
EMF_PHASE_V_S = 0.35
BRISK_RAD_S = 18.0
PHASE_OHM, PHASE_HENRY, POLE_PAIRS = 0.12, 2e-4, 15
SCHOTTKY = {
    "diode_saturation_A": 4e-5, "diode_emission_V": 0.035, "diode_resistance_ohm": 0.05,
}  # fmt: skip


def bus_current(bus_V: float, shaft_rad_s: float = BRISK_RAD_S) -> float:
    found = bridge.steady_state(
        emf_peak_V=float(generator.peak_emf(EMF_PHASE_V_S, shaft_rad_s)),
        electrical_rad_s=shaft_rad_s * POLE_PAIRS,
        resistance_ohm=PHASE_OHM,
        inductance_H=PHASE_HENRY,
        bus_V=bus_V,
        **SCHOTTKY,
    )
    return float(found.bus_current_A)


def test_a_hub_motor_turned_briskly_gives_sines_of_5_to_7_V() -> None:
    """Common practice, no source: three sines of 5 to 7 V amplitude, 120 degrees apart."""
    assert 5.0 <= float(generator.peak_emf(EMF_PHASE_V_S, BRISK_RAD_S)) <= 7.0


def test_through_a_schottky_bridge_it_peaks_at_10_to_11_V() -> None:
    """Common practice, no source: DC peaks of 10 to 11 V, where a meter's milliampere flows."""
    volts = np.linspace(8.0, 12.0, 401)
    highest = max(v for v in volts if bus_current(float(v)) > 1e-3)
    assert 10.0 <= highest <= 11.0


def test_a_motor_gives_about_the_volts_it_turns_on() -> None:
    """Common practice, no source: what turns at some speed on 10 V gives about 10 V at it."""
    speed = 10.0 / (np.sqrt(3) * EMF_PHASE_V_S)
    idle = [v for v in np.linspace(8, 11, 301) if bus_current(float(v), float(speed)) > 1e-3]
    # About: two Schottky drops below at a milliampere.
    assert max(idle) == pytest.approx(10.0, rel=0.06)


def test_five_cells_of_5_F_suit_such_a_bus() -> None:
    """Common practice, no source: five in series are 1 F and bear the bus of 10 to 11 V."""
    five = bank.combine(
        5, 1, capacitance_F=5.0, esr_ohm=0.17, voltage_V=2.7, derating=1.0, leakage_A=15e-6,
        balancing_ohm=0.0,
    )  # fmt: skip
    assert float(five.capacitance_F) == pytest.approx(1.0)
    assert float(five.voltage_limit_V) > 11.0


def test_a_cell_stores_58_times_what_an_electrolytic_of_like_size_does() -> None:
    """Common practice, no source: a 5 F cell at 2.7 V against 1 mF at 25 V, of like size."""
    ratio = bank.stored_energy(5.0, 2.7) / bank.stored_energy(1e-3, 25.0)
    assert float(ratio) == pytest.approx(58, rel=0.02)


DIRECT = {
    "gearing": "no_gearing", "cell": "cell_5f", "converter": "buckboost_middle",
    "cadence_rpm": 80, "undervoltage_off_V": 3.0, "undervoltage_band_V": 1.2,
}  # fmt: skip
"""The small hub cranked on its own axle, five 5 F cells, a window from 3.0 to 4.2 V."""


def test_a_steady_pack_gets_over_two_watts(small_project: Project) -> None:
    """2 to 2.7 W reach a pack that takes a steady 500 mA. Common practice, no source."""
    project = with_pack(small_project, kind="steady", current_A=0.5, retry_s=0.0)
    found = evaluate(project, pick(project, DIRECT))
    assert found.regime[0] == STEADY
    assert 2.0 < found.readings["pack_power_W"][0] < 2.7
    # Nor does it tire anybody: well below what the arm can hold.
    assert found.crank_effort_percent[0] < 50


def test_a_pack_that_hunts_gets_a_fraction(small_project: Project) -> None:
    """About 0.5 W reach a pack that asks too much, falls out and waits, from the same crank.

    Common practice, no source. It asks for 1 A and waits 8 s. The hand is even: a stroke makes it
    fall out sooner on so small a bank, as the rule on the stroke's ripple says.
    """
    hunting = with_pack(small_project, kind="retrying", current_A=1.0, retry_s=8.0)
    project = with_person(hunting, unevenness=0.0)
    found = evaluate(project, pick(project, DIRECT))
    assert found.regime[0] == CYCLING
    assert found.readings["pack_power_W"][0] == pytest.approx(0.5, abs=0.15)
    # The session stepped through time gives as much: the model's own 1 %.
    slow = evaluate(project, pick(project, DIRECT), Care.SESSION)
    assert found.delivered_energy_J == pytest.approx(slow.delivered_energy_J, rel=0.01)
    strokes = evaluate(hunting, pick(hunting, DIRECT), Care.SESSION)
    assert strokes.margins["stroke_ripple_V"][0] < 0
    assert strokes.delivered_energy_J[0] < found.delivered_energy_J[0]
    # A larger bank cures it: the same pack, more between two waits.
    larger = evaluate(project, pick(project, DIRECT | {"cell": "cell_100f"}))
    assert larger.delivered_energy_J[0] > 2 * found.delivered_energy_J[0]
