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


def chatter_margin(
    off_V: Real,
    on_V: Real,
    tolerance: Real,
    esr_ohm: Real,
    intake_at_off_A: Real,
) -> Array:
    """Volts by which the worst hysteresis exceeds the step that the load itself causes.

    When the load goes, the bus springs up by `ESR I`; if that reaches the on threshold, the switch
    closes again at once. The tolerance of both comparators is taken at its worst.
    """
    band = np.asarray(on_V) * (1 - np.asarray(tolerance)) - np.asarray(off_V) * (1 + tolerance)
    return np.asarray(band - CHATTER_FACTOR * np.asarray(esr_ohm) * intake_at_off_A)
