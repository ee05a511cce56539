"""The input window: thresholds with their tolerance, and the band that keeps it from chattering."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.units import Array, Real

CHATTER_FACTOR = 1.5
"""How many times the load step's own voltage step the hysteresis must exceed (judgement)."""


class Thresholds(NamedTuple):
    """Nominal switching voltages of the bus, V."""

    off_V: Array
    on_V: Array
    overvoltage_off_V: Array
    overvoltage_return_V: Array


def thresholds(
    undervoltage_off_V: Real,
    undervoltage_band_V: Real,
    overvoltage_off_V: Real,
    overvoltage_return: Real,
) -> Thresholds:
    """Switching voltages of a window from its settings; `overvoltage_return` is a share."""
    off, over = np.asarray(undervoltage_off_V, float), np.asarray(overvoltage_off_V, float)
    return Thresholds(off, off + undervoltage_band_V, over, over * overvoltage_return)


def threshold_band(
    threshold_V: Real,
    reference_V: Real,
    *,
    reference_tolerance: Real,
    resistor_tolerance: Real,
) -> tuple[Array, Array]:
    """Lowest and highest value of a threshold, V, when comparator and resistors both are worst.

    A comparator trips where its tap of a string of resistors reaches the reference: at
    `V_ref (1 + A/B)` with A above the tap and B below it. All above low and all below high, or the
    reverse, is the worst, since the threshold is monotone in each resistor; so it depends on the
    threshold alone, however many resistors make A and B. Tolerances are relative; arguments
    broadcast; thresholds lie above the reference.

    >>> low, high = threshold_band(5.0, 1.25, reference_tolerance=0.02, resistor_tolerance=0.01)
    >>> round(float(low), 4), round(float(high), 4)
    (4.8272, 5.1773)
    """
    reference, drift = np.asarray(reference_V, float), np.asarray(reference_tolerance, float)
    spread = np.asarray(resistor_tolerance, float)
    across = np.asarray(threshold_V, float) - reference
    low = (1 - drift) * (reference + across * (1 - spread) / (1 + spread))
    high = (1 + drift) * (reference + across * (1 + spread) / (1 - spread))
    return low, high


def chatter_margin(off_high_V: Real, on_low_V: Real, esr_ohm: Real, intake_at_off_A: Real) -> Array:
    """Volts by which the worst hysteresis exceeds the step that the load itself causes.

    When the load goes, the bus springs up by `ESR I`; if that reaches the on threshold, the switch
    closes again at once. `off_high_V` and `on_low_V` are the thresholds at their closest.
    """
    band = np.asarray(on_low_V, float) - np.asarray(off_high_V, float)
    return np.asarray(band - CHATTER_FACTOR * np.asarray(esr_ohm) * intake_at_off_A)
