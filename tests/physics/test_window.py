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
    """Off 4 V and on 5.2 V, both 3.7 %; 0.2 ohm and 3 A at off.

    V_on,min - V_off,max = 5.2*0.963 - 4*1.037 = 0.8596 V; 1.5 * 0.2 * 3 = 0.9 V: it chatters.
    """
    margin = window.chatter_margin(4.0 * 1.037, 5.2 * 0.963, 0.2, 3.0)
    assert float(margin) == pytest.approx(-0.0404, abs=1e-9)


def test_a_threshold_at_its_worst_is_the_worst_corner_of_its_parts() -> None:
    """Against every corner of comparator, upper and lower resistor: 4 V from 1.35 V and 3.7 %."""
    lower, drift, spread = 10e3, 0.037, 0.01
    upper = lower * (4.0 / 1.35 - 1)
    corners = [
        1.35 * (1 + a * drift) * (1 + upper * (1 + b * spread) / (lower * (1 + c * spread)))
        for a, b, c in product((-1, 0, 1), repeat=3)
    ]
    low, high = window.threshold_band(
        4.0, 1.35, reference_tolerance=drift, resistor_tolerance=spread
    )
    assert float(low) == pytest.approx(min(corners), rel=1e-12)
    assert float(high) == pytest.approx(max(corners), rel=1e-12)


def test_exact_parts_leave_no_band() -> None:
    volts = np.array([2.0, 5.0, 11.2])
    for end in window.threshold_band(volts, 1.21, reference_tolerance=0, resistor_tolerance=0):
        np.testing.assert_allclose(end, volts, rtol=1e-15)


def test_a_voltage_detector_has_little_band() -> None:
    """1.35 V with 50 mV hysteresis (class value, from memory), divided to 5 V at the bus.

    185 mV at the bus bear 0.123 ohm at 1 A, by the factor 1.5.
    """
    off = 5.0 * (1.35 - 0.05) / 1.35
    ohm = np.array([0.122, 0.125])
    kept = window.chatter_margin(off, 5.0, ohm, 1.0) >= 0
    assert kept.tolist() == [True, False]
