"""Small parts as shops have them: shunts, resistor ratings, bleed resistors and wire sizes."""

from __future__ import annotations

from collections.abc import Sequence
from math import log, pi
from typing import NamedTuple

import numpy as np

from explorer.decision.dividers import series
from explorer.physics.generator import wire_diameter

SHUNTS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0)
"""One decade of usual current-sense resistors (common practice, no source)."""
RATINGS_W = (0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0, 50.0, 100.0)
"""Rated powers of usual resistors (common practice, no source)."""
LOADED_SHARE = 0.5
"""Share of its rating that a resistor is loaded with: at the full one it burns skin and solder
(common practice)."""
DRAINED_V = 1.0
"""Bank voltage from which on a short makes no more than a small spark (judgement)."""
DRAIN_S = 600.0
"""Longest time that somebody waits for a bank to be drained (judgement)."""
WIRES_MM2 = (0.14, 0.25, 0.34, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0)
"""Cross sections of usual stranded wires (IEC 60228 from 0.5 mm2 on; below, common practice)."""


class Bleed(NamedTuple):
    """A resistor that drains a bank: ohm, rated power, W, heat at the full bank, W, and how long it
    takes to `DRAINED_V` and to half of a voltage, s.
    """

    ohm: float
    rated_W: float
    heat_W: float
    drains_s: float
    halves_s: float


def nearest_of(ohm: float, stock: Sequence[float]) -> float:
    """The value nearest to a resistance, in ratio, of a stock that repeats every decade."""
    decade = 10.0 ** np.floor(np.log10(ohm))
    values = np.concatenate([stock, [10.0]]) * decade
    return float(values[np.argmin(np.abs(np.log(values / ohm)))])


def shunt_ohm(ohm: float) -> float:
    """The usual current-sense resistor nearest to a resistance.

    >>> shunt_ohm(0.05 / 6)
    0.008
    """
    return nearest_of(ohm, SHUNTS)


def rated_W(heat_W: float) -> float:
    """The least rating of a resistor that is loaded half at a heat; the highest, if none is."""
    return next((rated for rated in RATINGS_W if LOADED_SHARE * rated >= heat_W), RATINGS_W[-1])


def bleed(bank_V: float, capacitance_F: float) -> Bleed:
    """The smallest resistor of E12 that drains a bank within `DRAIN_S` at half its rating.

    Voltage falls as `V exp(-t/(R C))`. The largest rating, where none is so fast.

    >>> bleed(10.0, 5.0).ohm
    47.0
    """
    found = None
    for rated in RATINGS_W[RATINGS_W.index(5.0) :]:
        least = bank_V**2 / (LOADED_SHARE * rated)
        decade = 10.0 ** np.floor(np.log10(least))
        stock = np.concatenate([series("E12") * decade, [10 * decade]])
        ohm = float(stock[stock >= least * (1 - 1e-9)][0])
        seconds = ohm * capacitance_F
        found = Bleed(
            ohm, rated, bank_V**2 / ohm, seconds * log(max(bank_V / DRAINED_V, 1.0)),
            seconds * log(2),
        )  # fmt: skip
        if found.drains_s <= DRAIN_S:
            break
    assert found is not None
    return found


def area_mm2(gauge: int) -> float:
    """Cross section of a wire of a gauge, mm2 (ASTM B258).

    >>> round(area_mm2(18), 3)
    0.823
    """
    return float(pi / 4 * (1000 * wire_diameter(gauge)) ** 2)


def wire_words(gauge: int) -> str:
    """A wire as shops everywhere name it: the next cross section up, and its gauge.

    >>> wire_words(18)
    '1 mm² (AWG 18)'
    """
    area = area_mm2(gauge)
    size = next((mm2 for mm2 in WIRES_MM2 if mm2 >= 0.999 * area), WIRES_MM2[-1])
    return f"{size:g} mm² (AWG {gauge})"
