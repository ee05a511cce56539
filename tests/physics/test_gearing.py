"""Gearing: torque and heat belong to one power balance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.physics import gearing

share = st.floats(0.5, 1.0)
small = st.floats(0.0, 50.0)


@given(torque=small, ratio=st.floats(1, 20), efficiency=share, drag=st.floats(0, 1), speed=small)
def test_crank_power_is_shaft_power_and_heat(
    torque: float, ratio: float, efficiency: float, drag: float, speed: float
) -> None:
    """Power balance of a stage: what goes in at the crank comes out at the shaft or as heat."""
    crank_W = speed * gearing.crank_torque(torque, ratio, efficiency, drag)
    shaft_W = torque * ratio * speed
    heat_W = gearing.loss(shaft_W, speed, efficiency, drag)
    assert float(heat_W) >= 0
    assert float(crank_W) == pytest.approx(shaft_W + float(heat_W), rel=1e-12, abs=1e-12)


def test_one_belt_stage_by_hand() -> None:
    """0.5 N m at the shaft through 4:1 with 96 % and 0.1 N m: 0.5*4/0.96 + 0.1."""
    assert float(gearing.crank_torque(0.5, 4.0, 0.96, 0.1)) == pytest.approx(2.18333, abs=1e-5)


def test_two_stages_are_the_product() -> None:
    """Efficiencies and ratios of stages multiply; class values from memory, .965 and .96."""
    second = gearing.crank_torque(1.0, 4.0, 0.96, 0.0)
    both = gearing.crank_torque(second, 3.0, 0.965, 0.0)
    assert float(both) == pytest.approx(float(gearing.crank_torque(1, 12, 0.965 * 0.96, 0.0)))


def test_no_gearing_is_no_loss() -> None:
    assert np.all(gearing.loss(np.array([0.0, 30.0]), 5.0, 1.0, 0.0) == 0)
    assert float(gearing.crank_torque(2.0, 1.0, 1.0, 0.0)) == 2.0
