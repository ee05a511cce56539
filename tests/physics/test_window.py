"""Window: thresholds and the band that its own load step must not cross."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from explorer.physics import window


def test_thresholds_of_a_design() -> None:
    levels = window.thresholds(4.0, 1.2, 10.5, 0.93)
    assert [float(level) for level in levels] == pytest.approx([4.0, 5.2, 10.5, 9.765])


def test_chatter_margin_by_hand() -> None:
    """Off 4 V and on 5.2 V, both 3.5 %; 0.2 ohm and 3 A at off.

    V_on,min - V_off,max = 5.2*0.965 - 4*1.035 = 0.878 V; 1.5 * 0.2 * 3 = 0.9 V: it chatters.
    """
    margin = window.chatter_margin(4.0 * 1.035, 5.2 * 0.965, 0.2, 3.0)
    assert float(margin) == pytest.approx(-0.022, abs=1e-9)


def test_a_threshold_at_its_worst_is_the_worst_corner_of_its_parts() -> None:
    """Against every corner of comparator, upper and lower resistor: 4 V from 1.3 V and 3.5 %."""
    lower, drift, spread = 10e3, 0.035, 0.01
    upper = lower * (4.0 / 1.3 - 1)
    corners = [
        1.3 * (1 + a * drift) * (1 + upper * (1 + b * spread) / (lower * (1 + c * spread)))
        for a, b, c in product((-1, 0, 1), repeat=3)
    ]
    low, high = window.threshold_band(
        4.0, 1.3, reference_tolerance=drift, resistor_tolerance=spread
    )
    assert float(low) == pytest.approx(min(corners), rel=1e-12)
    assert float(high) == pytest.approx(max(corners), rel=1e-12)


def test_exact_parts_leave_no_band() -> None:
    volts = np.array([2.0, 5.0, 11.2])
    for end in window.threshold_band(volts, 1.25, reference_tolerance=0, resistor_tolerance=0):
        np.testing.assert_allclose(end, volts, rtol=1e-15)


def test_a_voltage_detector_has_little_band() -> None:
    """1.3 V with 50 mV hysteresis (invented), divided to 5 V at the bus.

    192 mV at the bus bear 0.128 ohm at 1 A, by the factor 1.5.
    """
    off = 5.0 * (1.3 - 0.05) / 1.3
    ohm = np.array([0.127, 0.130])
    kept = window.chatter_margin(off, 5.0, ohm, 1.0) >= 0
    assert kept.tolist() == [True, False]
