"""Fuses of the usual series: which one carries a current, and what it lets through."""

from __future__ import annotations

import numpy as np

from explorer.units import Array, Real

FUSES_A = (
    0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5, 16.0, 20.0,
    25.0, 31.5,
)  # fmt: skip
"""Rated currents of fuses, series R10 (IEC 60127, from memory)."""
FUSE_FACTOR = 1.5
"""Rated over continuous current, so that a fuse neither ages nor trips warm (common practice)."""
FUSE_HOLDS, FUSE_OPENS = 1.5, 2.1
"""Multiples of its rating that a slow fuse carries for an hour, and opens at within two minutes
(IEC 60127-2, time-lag, from memory)."""


def carried_within(rating_A: Real) -> Array:
    """The most that may flow for long through the largest fuse rated at no more than what it
    protects, A; 0 below the series.

    >>> carried_within([4.5, 0.1]).round(3).tolist()
    [2.667, 0.0]
    """
    series = np.array([0.0, *FUSES_A])
    place = np.searchsorted(series, np.asarray(rating_A, dtype=float), side="right")
    return np.asarray(series[place - 1] / FUSE_FACTOR)


def rated_for(current_A: Real) -> Array:
    """The least fuse of the series that is rated at a current, A; infinite beyond the series.

    >>> rated_for([1.3, 40.0]).tolist()
    [1.6, inf]
    """
    series = np.array([*FUSES_A, np.inf])
    return np.asarray(series[np.searchsorted(series[:-1], np.asarray(current_A, dtype=float))])
