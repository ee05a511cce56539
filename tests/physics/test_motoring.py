"""A machine across a bank, against the textbook's straight line of a direct-current motor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.physics.motoring import driven

positive = st.floats(0.01, 50)


@given(positive, positive, positive)
def test_the_most_power_is_a_quarter_of_stall_times_end(
    volts: float, emf_V_s: float, ohm: float
) -> None:
    """Any textbook on direct-current motors: torque falls in a straight line from stall to the
    no-load speed, the power is largest halfway, and is then V^2/(4 R), as matching demands."""
    found = driven(volts, emf_V_s, ohm)
    speeds = np.linspace(0, 1, 101) * float(found.speed_rad_s)
    power = emf_V_s * (volts - emf_V_s * speeds) / ohm * speeds
    quarter = float(found.torque_N_m * found.speed_rad_s) / 4
    assert power.max() == pytest.approx(quarter, rel=1e-9)
    assert quarter == pytest.approx(volts**2 / (4 * ohm), rel=1e-9)


def test_motoring_and_generating_meet() -> None:
    """A motor that turns at some speed on 10 V gives about 10 V turned at that speed (common
    practice)."""
    assert float(driven(10.0, 0.05, 0.4).speed_rad_s) * 0.05 == pytest.approx(10)
