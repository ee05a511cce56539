"""Effort, limits and the reserve against hand.md's rows and the published values they stand for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from explorer.model.kernels import hand, records
from explorer.model.kernels.compiled import edge
from explorer.physics import operator

KAPPA, P_TWO, P_ONE = 0.6, 15.0, 7.5
RADIUS_M = 0.17


def setup(**person: float) -> records.Records:
    row = {"critical_power_W": 45.0, "reserve_J": 3600.0, "comfort_force_N": 40.0,
           "power_share": 0.5, "pace_s": 600.0, "kappa_m_s": KAPPA, "p_W_s2_m2": P_ONE}  # fmt: skip
    made = edge(np.zeros(1, records.SETUP))
    hand.set_limits(made[0], edge(records.rows(records.PERSON, 1, **row | person))[0], RADIUS_M)
    return made


def hand_speed(rpm: float) -> float:
    return rpm * 2 * np.pi / 60 * RADIUS_M


@pytest.mark.parametrize(
    ("rpm", "one_arm_W", "two_arms_W"), [(40, 3.8, 7.6), (60, 8.6, 17.1), (80, 15.2, 30.4)]
)
def test_an_empty_crank_costs(rpm: float, one_arm_W: float, two_arms_W: float) -> None:
    """Unloaded arm cranking takes 199 to 237 mL O2 a minute net (published: "...Arm Cranking and
    Leg Cycling Unloaded Exercises", 15 men), from which hand.md derives these."""
    for p, expected in ((P_ONE, one_arm_W), (P_TWO, two_arms_W)):
        cost = operator.equivalent_power(0.0, hand_speed(rpm), KAPPA, p)
        assert cost == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(
    ("rpm", "share"), [(40, 0.93), (50, 0.99), (60, 1.01), (75, 1.0), (90, 0.94)]
)
def test_endurance_over_cadence(rpm: float, share: float) -> None:
    """g of hand.md (derived), a man with two arms for ten minutes: CP 62 W, W' 6.5 kJ."""
    limit_W = operator.equivalent_limit(62 + 6500 / 600, KAPPA, P_TWO)

    def external(v: float) -> float:
        return float(v * (limit_W - P_TWO * v * v) / (v + KAPPA))

    assert external(hand_speed(rpm)) / external(hand_speed(75)) == pytest.approx(share, abs=0.006)


def ramp_peak_W(cp: float, reserve: float, *, rpm: float, step_W: float, every_s: float) -> float:
    """Work rate at which the reserve is gone in a ramp from 10 W, at a cadence."""
    v, left, power, seconds = hand_speed(rpm), reserve, 10.0, 0.0
    critical = operator.equivalent_limit(cp, KAPPA, P_TWO)
    while left > 0:
        asked = operator.equivalent_power(power / v, v, KAPPA, P_TWO)
        over = float(operator.external_excess(asked, critical, KAPPA))
        left = hand.reserve_left(left, reserve, over, 0.1)
        seconds += 0.1
        power = 10.0 + step_W * seconds / every_s
    return power


@pytest.mark.parametrize(
    ("cp", "reserve", "peak_W"),
    [(62, 6500, 94.9), (36, 2500, 56.4), (42, 2800, 63.6), (24, 1100, 37.5)],
)
def test_ramps_end_where_published_ones_do(cp: float, reserve: float, peak_W: float) -> None:
    """Men 95 +/- 25 W, women 56 +/- 19 W, 10 W each 2 min at 75 to 80 rpm (published: Balady et al.
    1990, J. Am. Coll. Cardiol. 16); `CP + sqrt(2 W' rate)` (derived)."""
    found = ramp_peak_W(cp, reserve, rpm=75, step_W=10, every_s=120)
    assert found == pytest.approx(cp + np.sqrt(2 * reserve * 10 / 120), abs=0.1)
    assert found == pytest.approx(peak_W, abs=0.15)


def test_ramps_over_cadence() -> None:
    """Peak at 30 over 60 rpm .80 to .83 (published: comparison of three arm ergometry protocols,
    ramps of 12 W/min); 70 = 80 > 60 rpm (published: Smith, Price & Doherty 2001)."""

    def peak(rpm: float) -> float:
        return ramp_peak_W(62, 6500, rpm=rpm, step_W=12, every_s=60)

    # hand.md has .825, a ratio of endurance powers; a whole ramp comes to .842, a hundredth above
    # the published band.
    assert peak(30) / peak(60) == pytest.approx(0.842, abs=0.002)
    assert peak(70) / peak(80) == pytest.approx(1.0, abs=0.015)
    assert 1.0 < peak(70) / peak(60) < 1.03


def test_work_at_a_fixed_power_is_easiest_at_one_speed() -> None:
    """15 W, one arm: least at v^3 = P kappa/(2 p), 47 rpm at 0.17 m (derived)."""
    speeds = np.linspace(0.2, 3.0, 20_001)
    cost = operator.equivalent_power(15 / speeds, speeds, KAPPA, P_ONE)
    best = speeds[np.argmin(cost)]
    assert best == pytest.approx((15 * KAPPA / (2 * P_ONE)) ** (1 / 3), rel=1e-3)
    assert best / RADIUS_M * 60 / (2 * np.pi) == pytest.approx(47, abs=0.5)


@settings(deadline=None)  # the first call compiles
@given(torque=st.floats(0.01, 20), speed=st.floats(0.01, 20), more=st.floats(1.001, 2))
def test_effort_rises_with_force_and_with_speed(torque: float, speed: float, more: float) -> None:
    one = setup()[0]
    here = hand.effort(one, torque, speed)
    assert hand.effort(one, torque * more, speed) > here
    assert hand.effort(one, torque, speed * more) >= here
    asked = operator.equivalent_power(torque / RADIUS_M, speed * RADIUS_M, KAPPA, P_ONE)
    assert here >= asked / one["comfort_W"] * (1 - 1e-12)


@settings(deadline=None)  # the first call compiles
@given(torque=st.floats(0.01, 20), speed=st.floats(0.01, 20))
def test_without_costs_effort_is_the_old_one(torque: float, speed: float) -> None:
    """max(P/(share P_end), F/F_comf) for kappa = p = 0."""
    one = setup(kappa_m_s=0.0, p_W_s2_m2=0.0)[0]
    old = max(torque * speed / (0.5 * (45 + 3600 / 600)), torque / RADIUS_M / 40)
    assert hand.effort(one, torque, speed) == pytest.approx(old, rel=1e-12)


@settings(deadline=None)  # the first call compiles
@given(speed=st.floats(0.0, 12))
def test_the_most_torque_has_effort_one(speed: float) -> None:
    one = setup()[0]
    torque = hand.most_torque(one, one["comfort_W"], speed)
    if torque > 0:
        assert hand.effort(one, torque, speed) == pytest.approx(1.0, rel=1e-9)


def test_at_the_tests_hand_speed_external_power_counts_in_full() -> None:
    """A share of 0.5 is half of CP + W'/t in watts of the ergometer."""
    v = operator.TEST_HAND_SPEED_M_S
    external = 0.5 * (45 + 3600 / 600)
    asked = operator.equivalent_power(external / v, v, KAPPA, P_ONE)
    assert asked == pytest.approx(setup()["comfort_W"][0], rel=1e-12)


def test_a_pattern_has_its_mean() -> None:
    person = edge(records.rows(records.PERSON, 1, unevenness=0.7, unevenness_turn=0.3))[0]
    angles = 2 * np.pi * np.arange(360) / 360
    for swing in (0.0, 0.4, 1.0):
        values = [hand.pattern(person, float(angle), swing) for angle in angles]
        assert np.mean(values) == pytest.approx(1.0, abs=1e-12)
    assert min(values) > 0
    assert hand.crest(person)[0] == pytest.approx(max(values), abs=1e-3)
