"""Bank: capacitance, energy, ripple and clamp against standards and plain integration."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from explorer.physics import bank

CELL = {
    "capacitance_F": 5.0,
    "esr_ohm": 0.17,
    "voltage_V": 2.7,
    "derating": 0.95,
    "leakage_A": 15e-6,
    "balancing_ohm": 18e3,
}


def test_five_cells_of_5_F_make_1_F() -> None:
    """Capacitors in series: textbook. That 1 F suits such a bus: common practice, no source."""
    five = bank.combine(5, 1, **CELL)
    assert float(five.capacitance_F) == 1.0
    assert float(five.esr_ohm) == pytest.approx(0.85)
    assert float(five.voltage_limit_V) == pytest.approx(5 * 2.7 * 0.95)


def test_energy_of_a_100_F_cell() -> None:
    """100 F at 2.7 V = 364.5 J = 0.101 Wh (family data sheet; C V^2/2, textbook)."""
    energy = float(bank.stored_energy(100.0, 2.7))
    assert energy == pytest.approx(364.5, rel=1e-12)
    assert energy / 3600 == pytest.approx(0.101, abs=5e-4)  # three digits given
    assert float(bank.stored_energy(100.0, 1.35)) == pytest.approx(energy / 4)


def test_balancing_draws_ten_times_the_leakage() -> None:
    """10 F cell: 2.7 V / 300 uA = 9.0 kohm, ten times its 30 uA (reference table)."""
    one = bank.combine(
        1, 1, **{**CELL, "capacitance_F": 10.0, "leakage_A": 30e-6, "balancing_ohm": 9.0e3}
    )
    assert float(one.balancing_S * 2.7) == pytest.approx(300e-6, rel=1e-12)
    assert float(one.balancing_S / one.leakage_S) == pytest.approx(10, rel=1e-12)


@given(series=st.integers(1, 8), parallel=st.integers(1, 4), volts=st.floats(0.1, 2.7))
def test_a_bank_is_its_cells(series: int, parallel: int, volts: float) -> None:
    """Energy and drains of the bank are those of its cells, each at its share of the voltage."""
    cells = series * parallel
    whole = bank.combine(series, parallel, **CELL)
    stored = bank.stored_energy(whole.capacitance_F, series * volts)
    assert float(stored) == pytest.approx(cells * 2.5 * volts**2)
    drain = float((whole.leakage_S + whole.balancing_S) * (series * volts) ** 2)
    one = volts * 15e-6 * volts / 2.7 + volts**2 / 18e3
    assert drain == pytest.approx(cells * one)
    # The heat of the same bus current: every string carries its share.
    assert float(whole.esr_ohm) == pytest.approx(cells * 0.17 / parallel**2)


def test_no_balancing_is_no_drain() -> None:
    whole = bank.combine(np.array([3, 5]), 1, **{**CELL, "balancing_ohm": np.array([0.0, 18e3])})
    assert whole.balancing_S[0] == 0
    assert whole.balancing_S[1] > 0


def test_measured_as_iec_62391_1_measures() -> None:
    """IEC 62391-1: after U_R, discharge at constant current; C = I t / (U1 - U2), 80 to 40 %.

    ESR from the voltage drop extrapolated to the start of the discharge. A cell of the model,
    without its leakage, gives back its own values (1e-6: the integrator's tolerance).
    """
    cell = bank.combine(1, 1, **{**CELL, "derating": 1.0, "leakage_A": 0.0, "balancing_ohm": 0.0})
    amps, rated = 0.4, float(cell.voltage_limit_V)

    def terminal(inner: float) -> float:
        return inner - float(cell.esr_ohm) * amps

    def reaches(share: float) -> object:
        def event(_: float, inner: np.ndarray) -> float:
            return terminal(inner[0]) - share * rated

        return event

    run = solve_ivp(
        lambda _, inner: [-amps / float(cell.capacitance_F)],
        (0, 100),
        [rated],
        events=[reaches(0.8), reaches(0.4)],
        rtol=1e-10,
    )
    first, second = (moments[0] for moments in run.t_events)
    assert amps * (second - first) / (0.4 * rated) == pytest.approx(5.0, rel=1e-6)
    slope = 0.4 * rated / (second - first)
    assert (rated - (0.8 * rated + slope * first)) / amps == pytest.approx(0.17, rel=1e-6)


@pytest.mark.parametrize(
    ("power_W", "turns_per_s", "farad", "volts"), [(15, 1.0, 1.0, 8), (10, 0.8, 5, 5)]
)
def test_stroke_ripple_against_integration(
    power_W: float, turns_per_s: float, farad: float, volts: float
) -> None:
    """C V dV/dt = P (1 + a sin) - P over a turn, integrated; the rule is its first order.

    The next order is (dV/V)^2: dV is below a tenth of V here, so 1 % holds.
    """

    def slope(time: float, voltage: np.ndarray) -> np.ndarray:
        return 0.7 * power_W * np.sin(2 * np.pi * turns_per_s * time) / (farad * voltage)

    run = solve_ivp(slope, (0, 1 / turns_per_s), [volts], rtol=1e-9, max_step=0.01)
    told = bank.stroke_ripple(0.7, power_W, 2 * np.pi * turns_per_s, farad, volts)
    assert float(told) < volts / 10
    # The swing starts at its trough, so its mean stands half a ripple higher.
    swing = np.ptp(run.y[0])
    at_mean = told * volts / (volts + swing / 2)
    assert swing == pytest.approx(float(at_mean), rel=0.01)


def test_stroke_ripple_over_the_series_resistance() -> None:
    """The bus swings by the bank's own ripple and, a quarter turn apart, by ESR times current.

    An integration of dx/dt = I/C with V = x + ESR I, I = I0 + a I0 sin; at nearly constant voltage.
    """
    amps, farad, esr, turns = 2.0, 5.0, 0.3, 1.0
    time = np.linspace(0, 1 / turns, 2001)
    swing_A = 0.7 * amps * np.sin(2 * np.pi * turns * time)
    inner = -0.7 * amps * np.cos(2 * np.pi * turns * time) / (2 * np.pi * turns * farad)
    bus = inner + esr * swing_A
    told = bank.stroke_ripple(0.7, amps * 8.0, 2 * np.pi * turns, farad, 8.0, esr)
    # 2001 points see the top of the sine to 1e-6.
    assert float(told) == pytest.approx(np.ptp(bus), rel=1e-5)


def test_an_even_hand_makes_no_ripple() -> None:
    assert float(bank.stroke_ripple(0.0, 15.0, 6.0, 1.0, 8.0)) == 0
    assert float(bank.stroke_ripple(0.7, 0.0, 0.0, 1.0, 0.0)) == 0


def test_clamp_conducts_above_its_threshold_only() -> None:
    amps = bank.clamp_current(np.array([5.0, 11.8, 12.05]), 11.8, 0.25)
    np.testing.assert_allclose(amps, [0, 0, 1.0], rtol=1e-9)
    assert np.all(bank.clamp_current(np.array([5.0, 50.0]), 0.0, 0.0) == 0)
