"""Facts of the trade that the chain must come out at: common practice, no source.

The parts are a fixture of this test, classes with typical values, made up for it.
"""

from __future__ import annotations

import numpy as np
import pytest
from chains import pick, with_pack
from scipy.optimize import brentq

from explorer.averaged import CYCLING, STEADY
from explorer.config import Project
from explorer.evaluate import evaluate
from explorer.physics import bank, bridge
from explorer.units import RAD_S_PER_RPM, THERMAL_VOLTAGE_25C

# A small hub motor, per phase: 0.6 V s/rad line to line, 0.44 ohm and 0.84 mH between terminals.
HUB = {"emf": 0.6 / np.sqrt(3), "ohm": 0.22, "henry": 0.42e-3, "pairs": 15}
# The typical small Schottky model of the reference values.
SCHOTTKY = {
    "diode_saturation_A": 31.7e-6,
    "diode_emission_V": 1.373 * THERMAL_VOLTAGE_25C,
    "diode_resistance_ohm": 0.051,
}
BRISKLY_RPM = (166.0, 174.0)
"""A wheel flicked round by hand: not quite three turns a second."""
METER_OHM = 10e3
"""A cheap meter across an otherwise open bridge."""


def dc_on_a_meter(rpm: float) -> float:
    """Where the bridge's mean current is what the meter takes."""

    def spare(bus_V: float) -> float:
        speed = rpm * RAD_S_PER_RPM
        state = bridge.steady_state(
            emf_peak_V=HUB["emf"] * speed,
            electrical_rad_s=HUB["pairs"] * speed,
            resistance_ohm=HUB["ohm"],
            inductance_H=HUB["henry"],
            bus_V=bus_V,
            **SCHOTTKY,
        )
        return float(state.bus_current_A) - bus_V / METER_OHM

    return float(brentq(spare, 0.5, 20.0))


@pytest.mark.parametrize("rpm", BRISKLY_RPM)
def test_small_hub_turned_by_hand(rpm: float) -> None:
    """Three sines of 5 to 7 V amplitude, and 10 to 11 V DC peaks behind a Schottky bridge.

    Common practice, no source.
    """
    amplitude = HUB["emf"] * rpm * RAD_S_PER_RPM
    assert 5 < amplitude < 7
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    sines = amplitude * np.sin(angle - 2 * np.pi / 3 * np.arange(3)[:, None])
    np.testing.assert_allclose(sines.sum(axis=0), 0, atol=1e-12)  # 120 degrees apart
    peaks = sines.max(axis=0) - sines.min(axis=0)
    dc_V = dc_on_a_meter(rpm)
    # A meter's milliampere flows in short pulses of some ten, at 0.1 to 0.2 V a diode.
    assert 0.2 < peaks.max() - dc_V < 0.45
    assert 10 < dc_V < 11


def test_motor_and_generator_are_symmetric() -> None:
    """On 10 V DC a motor turns at a speed at which, turned, it gives about 10 V.

    Common practice, no source. A treadmill motor runs free at no more than its drag current.
    """
    emf, ohm, drag_N_m, viscous = 0.32, 0.7, 0.16, 0.0004
    speed = brentq(lambda w: emf * (10 - emf * w) / ohm - drag_N_m - viscous * w, 0.0, 100.0)
    given = bridge.blocking_diode_steady_state(
        emf_peak_V=emf * speed,
        electrical_rad_s=speed,
        resistance_ohm=ohm,
        inductance_H=0.003,
        bus_V=0.99 * emf * speed,
        diode_saturation_A=0.0,
        diode_emission_V=0.0,
        diode_resistance_ohm=0.0,
    )
    assert float(given.bus_current_A) > 0  # it drives a current into 99 % of that voltage
    # "About": what the drag current drops in the winding, here 4 %.
    assert emf * speed == pytest.approx(10, rel=0.06)


def test_five_cells_suit_such_a_bus() -> None:
    """Five 5 F cells in series are 1 F and bear the 10 to 11 V. Common practice, no source."""
    five = bank.combine(
        5, 1, capacitance_F=5.0, esr_ohm=0.17, voltage_V=2.7, derating=0.95, leakage_A=15e-6,
        balancing_ohm=18e3,
    )  # fmt: skip
    assert float(five.capacitance_F) == pytest.approx(1.0)
    assert float(five.voltage_limit_V) > max(dc_on_a_meter(rpm) for rpm in BRISKLY_RPM)
    four = bank.combine(
        4, 1, capacitance_F=5.0, esr_ohm=0.17, voltage_V=2.7, derating=0.95, leakage_A=15e-6,
        balancing_ohm=18e3,
    )  # fmt: skip
    assert float(four.voltage_limit_V) < 10.5


def test_a_cell_against_an_electrolytic_of_like_size() -> None:
    """A 5 F cell stores about 58 times as much. Common practice, no source.

    Of like size, some 10 by 20 mm, is 1000 uF 25 V (from memory).
    """
    ratio = bank.stored_energy(5.0, 2.7) / bank.stored_energy(1e-3, 25.0)
    assert float(ratio) == pytest.approx(58, abs=1)


DIRECT = {
    "gearing": "no_gearing", "cell": "cell_5f", "converter": "buckboost_12v",
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

    Common practice, no source. It asks for 1 A and waits 8 s.
    """
    project = with_pack(small_project, kind="retrying", current_A=1.0, retry_s=8.0)
    found = evaluate(project, pick(project, DIRECT))
    assert found.regime[0] == CYCLING
    assert found.readings["pack_power_W"][0] == pytest.approx(0.5, abs=0.15)
    # A larger bank cures it: the same pack, more between two waits.
    larger = evaluate(project, pick(project, DIRECT | {"cell": "cell_100f"}))
    assert larger.delivered_energy_J[0] > 2 * found.delivered_energy_J[0]
