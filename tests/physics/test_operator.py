"""Operator: endurance, sprint and reserve against published values and plain integration."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from explorer.physics import operator


def test_endurance_of_legs_for_ten_minutes() -> None:
    """CP 178 W and W' 13.4 kJ are the published means of Bergstrom for legs.

    Monod & Scherrer 1965: the work of t seconds is CP t + W'.
    """
    power = operator.endurance_power(178.0, 13400.0, 600.0)
    assert float(power) * 600 == pytest.approx(178 * 600 + 13400, rel=1e-12)  # definition
    assert float(power) == pytest.approx(200.3, abs=0.05)  # 178 + 22.33, by hand


@pytest.mark.parametrize("seconds", [0.0, -1.0])
def test_endurance_refuses_no_time(seconds: float) -> None:
    with pytest.raises(ValueError, match="above 0 s"):
        operator.endurance_power(45.0, 3600.0, np.array([600.0, seconds]))


def test_sprint_line_of_two_arms() -> None:
    """166 N and 207 rpm on a development of 6 m (study of recreational men, sprint cranking).

    Work of a turn is force times development, so T0 = 166 N * 6 m / 2 pi; the most power of a
    straight line is T0 w0 / 4, at half the speed.
    """
    torque_N_m, speed = 166 * 6 / (2 * np.pi), 207 * 2 * np.pi / 60
    assert torque_N_m == pytest.approx(158, abs=1)  # the table rounds to whole newton metres
    assert speed == pytest.approx(21.7, abs=0.05)  # and to tenths
    turning = np.linspace(0, speed, 2001)
    power = turning * operator.sprint_torque(turning, torque_N_m, speed)
    # 2001 points hit the middle exactly; the rest is rounding.
    assert power.max() == pytest.approx(torque_N_m * speed / 4, rel=1e-12)
    assert turning[power.argmax()] == pytest.approx(speed / 2, rel=1e-12)


def test_sprint_torque_ends_at_the_unloaded_speed() -> None:
    assert float(operator.sprint_torque(0.0, 95.0, 21.7)) == 95.0
    assert float(operator.sprint_torque(30.0, 95.0, 21.7)) == 0.0
    # Turned backwards nobody has more than the torque at rest.
    assert float(operator.sprint_torque(-1.0, 95.0, 21.7)) == 95.0


@given(
    start=st.floats(0, 3600),
    power=st.floats(0, 200),
    seconds=st.floats(0, 900),
)
def test_reserve_follows_its_differential_equation(
    start: float, power: float, seconds: float
) -> None:
    """Skiba et al. 2015: dW/dt = -(P - CP) above CP, (1 - W/W')(CP - P) below."""

    def slope(_: float, reserve: np.ndarray) -> np.ndarray:
        return np.where(power >= 45, 45 - power, (1 - reserve / 3600) * (45 - power))

    told = operator.reserve_after(start, power, seconds, critical_power_W=45.0, full_reserve_J=3600)
    solved = solve_ivp(slope, (0, seconds), [start], rtol=1e-8, atol=1e-6).y[0, -1]
    # 1e-3 J: the integrator's own tolerance, gathered over the spell.
    assert float(told) == pytest.approx(solved, abs=1e-3)


def test_rest_never_fills_beyond_full_and_no_reserve_stays_none() -> None:
    held = operator.reserve_after(3000.0, 0.0, 1e6, critical_power_W=45.0, full_reserve_J=3600.0)
    assert float(held) == pytest.approx(3600.0)
    none = operator.reserve_after(0.0, 10.0, 60.0, critical_power_W=45.0, full_reserve_J=0.0)
    assert float(none) == 0.0


def test_spells_may_be_cut_anywhere() -> None:
    """Two half spells are one whole one: the law has no memory but the reserve itself."""
    for power in (20.0, 45.0, 80.0):
        law = {"critical_power_W": 45.0, "full_reserve_J": 3600.0}
        once = operator.reserve_after(2000.0, power, 60.0, **law)
        halfway = operator.reserve_after(2000.0, power, 30.0, **law)
        twice = operator.reserve_after(halfway, power, 30.0, **law)
        assert float(twice) == pytest.approx(float(once), rel=1e-12)  # rounding
