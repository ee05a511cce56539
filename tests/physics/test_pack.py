"""Pack: what it draws behind its lead, against root finding, and charging times."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from explorer.physics import pack


def test_minutes_per_percent_of_a_phone_battery() -> None:
    """5 Ah x 3.85 V = 19.25 Wh; minutes = 60 E/(eta P) (reference table)."""
    whole = 60 * 19.25 / (0.85 * 2.5)
    percent = pack.minutes_per_percent(5 * 3.85, 0.85, 2.5)
    assert float(percent) == pytest.approx(whole / 100, rel=1e-12)


def test_steady_pack_by_hand() -> None:
    """2 A over 55 mohm: 0.22 W in the lead, 4.89 V and 9.78 W at the pack from 5 V."""
    taken = pack.charging(5.0, 0.055, current_A=2.0, hold_V=4.4, regulating=False)
    assert [float(value) for value in taken] == pytest.approx([2.0, 9.78, 0.22])


def test_usb_source_stays_within_its_limits() -> None:
    """USB (standard): VBUS at the source is 4.75 to 5.25 V; a regulating pack holds 4.4-4.6 V.

    From the lowest such source 0.2 ohm of lead leave 1.25 A above a hold of 4.5 V.
    """
    taken = pack.charging(4.75, 0.2, current_A=2.0, hold_V=4.5, regulating=True)
    assert float(taken.current_A) == pytest.approx(1.25)


@given(
    source=st.floats(4.0, 5.5), ohm=st.floats(1e-3, 1.0), most=st.floats(0.1, 3.0),
    hold=st.floats(4.0, 5.0),
)  # fmt: skip
def test_regulating_pack_holds_its_input(
    source: float, ohm: float, most: float, hold: float
) -> None:
    taken = pack.charging(source, ohm, current_A=most, hold_V=hold, regulating=True)

    def above(amps: float) -> float:
        return source - ohm * amps - hold

    if above(most) >= 0:
        expected = most
    elif above(0.0) <= 0:
        expected = 0.0
    else:
        expected = brentq(above, 0.0, most, xtol=1e-13)
    assert float(taken.current_A) == pytest.approx(expected, rel=1e-9, abs=1e-9)
    power = float(taken.delivered_W + taken.lead_W)
    assert power == pytest.approx(source * float(taken.current_A), abs=1e-12)


def test_a_lead_without_resistance() -> None:
    """Then the pack's input is the source: it takes all or nothing."""
    taken = pack.charging(np.array([5.0, 4.3]), 0.0, current_A=2.0, hold_V=4.4, regulating=True)
    np.testing.assert_array_equal(taken.current_A, [2.0, 0.0])
