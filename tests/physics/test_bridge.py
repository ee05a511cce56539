"""The bridge against values worked out apart from it, limits that textbooks give, and laws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from explorer.physics.bridge import (
    blocking_diode_steady_state,
    steady_state,
    two_phase_steady_state,
)


def state(emf, speed, ohm, henry, bus, saturation=0.0, emission=0.0, valve_ohm=0.0):
    return steady_state(
        emf_peak_V=emf,
        electrical_rad_s=speed,
        resistance_ohm=ohm,
        inductance_H=henry,
        bus_V=bus,
        diode_saturation_A=saturation,
        diode_emission_V=emission,
        diode_resistance_ohm=valve_ohm,
    )


# Time stepping of the same circuit, done for this project; no published table has them.
@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ((6, 100, 0.2, 4e-4, 7.0, 2e-6, 0.02714, 0.03), (4.5915, 3.7222, 45.339)),
        ((6, 100, 0.2, 4e-4, 9.0, 2e-6, 0.02714, 0.03), (0.6513, 0.6495, 6.613)),
        ((10, 400, 0.3, 5e-4, 14.0, 2e-6, 0.02714, 0.03), (2.2357, 1.8262, 36.287)),
    ],
)
def test_exponential_diodes(case, expected) -> None:
    # The map's aim above one percent of the short-circuit current is half a percent.
    np.testing.assert_allclose(state(*case), expected, rtol=0.005)


@pytest.mark.parametrize(
    ("ohm", "henry", "over_peak", "expected"),
    [
        *((1.0, 1.0, x, i) for x, i in ((0.4, 0.537), (0.8, 0.366), (1.2, 0.177))),
        *((1.0, 0.0, x, i) for x, i in ((1.0, 0.342), (1.4, 0.128), (1.6, 0.033))),
    ],
)
def test_ideal_valves(ohm, henry, over_peak, expected) -> None:
    # Time stepping to 0.2 %, printed to three digits: half a digit of the smallest is 1.5 %.
    found = float(state(1.0, 1.0, ohm, henry, over_peak).bus_current_A)
    assert found == pytest.approx(expected, rel=0.005, abs=0.0006)


@pytest.mark.parametrize("over_peak", [0.2, 0.6, 1.0, 1.2])
def test_pure_reactance_in_continuous_conduction(over_peak) -> None:
    """I = (3/(pi X)) sqrt(Vs^2 - (2 pi V/9)^2), exact for R = 0 up to V = 1.2926 Vs (derived)."""
    exact = 3 / np.pi * np.sqrt(1 - (2 * np.pi * over_peak / 9) ** 2)
    found = float(state(1.0, 1.0, 0.0, 1.0, over_peak).bus_current_A)
    # The map's aim above one percent of the short-circuit current.
    assert found == pytest.approx(exact, rel=0.005)


@pytest.mark.parametrize("henry", [0.0, 1e-3, 1e-1])
def test_short_circuit_has_the_mean_of_six_pulses(henry) -> None:
    """Mean 3/pi = 0.95493 of the peak: Mohan, Undeland & Robbins, Power Electronics."""
    found = state(10.0, 300.0, 0.5, henry, 0.0)
    peak = 10.0 / np.hypot(0.5, 300.0 * henry)
    assert float(found.bus_current_A) == pytest.approx(0.95493 * peak, rel=0.001)
    assert float(found.phase_rms_A) == pytest.approx(peak / np.sqrt(2), rel=0.001)


@pytest.mark.parametrize("over_peak", [1.3, 1.4, 1.5, 1.6])
def test_overlap_takes_its_share_of_the_voltage(over_peak) -> None:
    """V = 1.35 V_LL - (3/pi) X I up to an overlap of 60 degrees: Mohan, Undeland & Robbins.

    The textbook's direct current is flat, that into a stiff bus is not: from 1.3 peaks, where the
    overlap is 60 degrees, up to no load that is worth 3 % of the voltage at most.
    """
    amps = float(state(1.0, 1.0, 0.0, 1.0, over_peak).bus_current_A)
    line_rms = np.sqrt(3) / np.sqrt(2)
    assert 1 - 2 * amps / (np.sqrt(2) * line_rms) >= 0.5  # cosine of the overlap
    assert 1.35047 * line_rms - 3 / np.pi * amps == pytest.approx(over_peak, rel=0.03)


@pytest.mark.parametrize(("ohm", "henry"), [(0.0, 1.0), (1.0, 1.0), (0.2, 1.0)])
def test_fundamental_approximation_of_a_constant_voltage_bus(ohm, henry) -> None:
    """Caliskan, Perreault, Jahns & Kassakian, IEEE Trans. Circuits Syst. I, 2003 (from memory).

    Only the fundamental of the phase voltage, a square wave of V/2, counts there. What that leaves
    out grows with the bus voltage: up to half the phase peak it stays below 3 %.
    """
    for over_peak in (0.0, 0.1, 0.25, 0.5):
        wave = 2 / np.pi * over_peak
        square = ohm**2 + henry**2
        one = (-ohm * wave + np.sqrt(square - (henry * wave) ** 2)) / square
        found = float(state(1.0, 1.0, ohm, henry, over_peak).bus_current_A)
        assert found == pytest.approx(3 / np.pi * one, rel=0.001 + 0.06 * over_peak)


def test_no_load_voltage_is_the_line_peak() -> None:
    """Mohan, Undeland & Robbins: a six-pulse bridge charges a capacitor to the line peak."""
    line_peak = np.sqrt(3) * 10.0
    below, above = state(10.0, 300.0, 0.2, 1e-4, np.array([0.97, 1.03]) * line_peak).bus_current_A
    assert below > 0
    assert above == pytest.approx(0.0, abs=1e-3)


def test_nothing_turns_nothing_flows() -> None:
    found = state(0.0, 0.0, 0.2, 1e-4, np.array([0.0, 5.0]), 2e-6, 0.027, 0.03)
    np.testing.assert_array_equal(found.bus_current_A, 0.0)


def test_power_balances_with_a_loss_in_the_bridge() -> None:
    rng = np.random.default_rng(4)
    emf, bus = rng.uniform(2, 30, 2000), rng.uniform(0, 30, 2000)
    ohm, speed = rng.uniform(0.05, 3, 2000), rng.uniform(20, 2000, 2000)
    found = state(emf, speed, ohm, 3e-4, bus, 2e-6, 0.027, 0.03)
    heat = 3 * found.phase_rms_A**2 * ohm
    rest = found.electromagnetic_power_W - bus * found.bus_current_A - heat
    # In the tail beyond the knee, nanowatts, the table's error exceeds the loss.
    conducts = found.bus_current_A > 1e-4 * emf / np.hypot(ohm, speed * 3e-4)
    assert conducts.mean() > 0.3
    assert np.all(rest[conducts] >= 0)
    assert np.all(found.bus_current_A >= 0)


def test_twice_the_turns() -> None:
    """Twice the EMF, four times R and L, twice the diode voltages, half the currents' scale."""
    one = state(6.0, 200.0, 0.3, 4e-4, 8.0, 2e-6, 0.027, 0.03)
    two = state(12.0, 200.0, 1.2, 16e-4, 16.0, 1e-6, 0.054, 0.12)
    np.testing.assert_allclose(two.bus_current_A, one.bus_current_A / 2, rtol=1e-9)
    np.testing.assert_allclose(two.electromagnetic_power_W, one.electromagnetic_power_W, rtol=1e-9)


def test_a_blocking_diode_against_root_finding() -> None:
    """Closed form through Lambert W: Banwell & Jayakumar, Electronics Letters, 2000."""
    emf, bus, ohm, saturation, emission, valve = 12.0, 7.0, 0.8, 3.2e-5, 0.0353, 0.05
    found = blocking_diode_steady_state(
        emf_peak_V=emf,
        electrical_rad_s=0.0,
        resistance_ohm=ohm,
        inductance_H=0.0,
        bus_V=bus,
        diode_saturation_A=saturation,
        diode_emission_V=emission,
        diode_resistance_ohm=valve,
    )

    def excess(amps: float) -> float:
        return emf - bus - (ohm + valve) * amps - emission * np.log1p(amps / saturation)

    assert float(found.bus_current_A) == pytest.approx(brentq(excess, 0, 10), rel=1e-9)


def test_two_single_phase_bridges_at_no_load_and_short_circuit() -> None:
    def two(bus: float):
        return two_phase_steady_state(
            emf_peak_V=10.0,
            electrical_rad_s=100.0,
            resistance_ohm=1.0,
            inductance_H=0.0,
            bus_V=bus,
            diode_saturation_A=0.0,
            diode_emission_V=0.0,
            diode_resistance_ohm=0.0,
        )

    # The mean of a rectified sine is 2/pi of its peak (textbook), from two windings.
    assert float(two(0.0).bus_current_A) == pytest.approx(2 * 10.0 * 2 / np.pi, rel=0.005)
    assert float(two(10.3).bus_current_A) == pytest.approx(0.0, abs=1e-3)
