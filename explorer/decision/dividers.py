"""Thresholds as real resistors: strings of preferred values that set the levels of a window.

A string of m + 1 resistors from the bus to ground has m taps. Each tap feeds a comparator with the
reference `V_ref`; with B the resistance below the tap and T all of it, the comparator trips at
`V = V_ref T/B`. The uppermost tap sets the lowest threshold. Only values of a series exist.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from explorer.physics.window import threshold_band
from explorer.units import Array

E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip
"""A list and no formula: from 2.7 to 4.7, and at 8.2, it is not the rounded powers of ten."""

SERIES = ("E6", "E12", "E24", "E48", "E96")

TOTAL_OHM = (100e3, 1e6)
"""Usual string: at most 0.1 mA at 10 V, yet stiff against a comparator's input current (common
practice, no source)."""
SMALLEST_SHARE = 1e-3
"""Resistors below this share of the least total are not tried."""
ALIKE = 5e-4
"""Errors this close are equal to a person with 1 % resistors: then the lower current decides."""


class String(NamedTuple):
    """Resistors from the bus to ground, and the thresholds they set, lowest first.

    `error` is the relative deviation from the thresholds asked for; `current_A` flows at the
    highest threshold.
    """

    resistors_ohm: Array
    thresholds_V: Array
    error: Array
    total_ohm: float
    current_A: float


def series(name: str) -> Array:
    """One decade of a series of preferred numbers, from 1.0 on.

    Source: IEC 60063 (E24 a fixed list, E12 and E6 every second of the one before; E48 and E96
    three digits of 10^(n/48) and 10^(n/96)). ValueError for another name.

    >>> series("E6").tolist()
    [1.0, 1.5, 2.2, 3.3, 4.7, 6.8]
    """
    if name in ("E6", "E12", "E24"):
        return np.array(E24[:: 24 // int(name[1:])])
    if name in ("E48", "E96"):
        count = int(name[1:])
        return np.asarray(np.round(100 * 10 ** (np.arange(count) / count)) / 100)
    raise ValueError(f"series must be one of {', '.join(SERIES)}, got {name}")


def values_between(name: str, low_ohm: float, high_ohm: float) -> Array:
    """All values of a series from `low_ohm` to `high_ohm`, rising."""
    if not 0 < low_ohm <= high_ohm < np.inf:
        raise ValueError(f"range must be above 0 and rising, got {low_ohm} to {high_ohm}")
    decades = np.arange(np.floor(np.log10(low_ohm)) - 1, np.floor(np.log10(high_ohm)) + 2)
    every = np.round(np.outer(10.0**decades, series(name)).ravel(), 12)
    slack = 1e-9  # a value that is asked for by its own name is in the range
    return every[(every >= low_ohm * (1 - slack)) & (every <= high_ohm * (1 + slack))]


def best_string(
    thresholds_V: ArrayLike,
    reference_V: float,
    *,
    name: str = "E96",
    total_ohm: tuple[float, float] = TOTAL_OHM,
    alike: float = ALIKE,
) -> String:
    """The string whose largest relative threshold error is least, all thresholds jointly.

    `thresholds_V` (m,) rise and lie above `reference_V`; one threshold makes a plain pair (top,
    bottom). The total stays within `total_ohm`. Of strings whose error is within `alike` of the
    least, the one with the largest total is taken, for its current, then the smallest error.
    Exact: every combination of the series that could do as well is looked at. ValueError when the
    thresholds are out of order or no string fits.
    """
    wanted = np.atleast_1d(np.asarray(thresholds_V, dtype=float))
    if not (np.isfinite(wanted).all() and 0 < reference_V < wanted[0]):
        raise ValueError(f"thresholds must lie above the reference {reference_V:g} V, got {wanted}")
    if not (np.diff(wanted) > 0).all():
        raise ValueError(f"thresholds must rise, got {wanted}")
    low, high = total_ohm
    stock = values_between(name, SMALLEST_SHARE * low, high)
    bound = _reachable_error(wanted, reference_V, stock, total_ohm)
    strings = _strings(wanted, reference_V, stock, total_ohm, bound + alike)
    if not len(strings):
        raise ValueError(f"no string of {name} from {low:g} to {high:g} ohm sets {wanted} V")
    error = np.abs(_thresholds(strings, reference_V) / wanted - 1).max(axis=1)
    total = strings.sum(axis=1)
    near = np.flatnonzero(error <= error.min() + alike)
    order = np.lexsort([*strings[near].T, error[near], -total[near]])
    chosen = strings[near[order[0]]]
    reached = _thresholds(chosen[None, :], reference_V)[0]
    return String(
        chosen,
        reached,
        reached / wanted - 1,
        float(chosen.sum()),
        float(reached[-1] / chosen.sum()),
    )


def best_divider(
    threshold_V: float,
    reference_V: float,
    *,
    name: str = "E96",
    total_ohm: tuple[float, float] = TOTAL_OHM,
) -> String:
    """The best pair (top, bottom) for one threshold, see `best_string`.

    >>> best_divider(4.0, 1.0).resistors_ohm.tolist()
    [102000.0, 34000.0]
    """
    return best_string([threshold_V], reference_V, name=name, total_ohm=total_ohm)


def worst_band(
    resistors_ohm: ArrayLike,
    reference_V: ArrayLike,
    *,
    resistor_tolerance: ArrayLike,
    reference_tolerance: ArrayLike,
) -> tuple[Array, Array]:
    """Lowest and highest value of each threshold, V, with every tolerance at its worst.

    `resistors_ohm` (..., m + 1) from the bus down; the others broadcast over its leading axes.
    Exact, see `window.threshold_band`. Returns two arrays (..., m).
    """
    resistors = np.asarray(resistors_ohm, dtype=float)
    spread, drift, reference = (
        np.asarray(value, dtype=float)[..., None]
        for value in (resistor_tolerance, reference_tolerance, reference_V)
    )
    below = np.cumsum(resistors[..., ::-1], axis=-1)[..., -2::-1]
    thresholds = reference * resistors.sum(axis=-1, keepdims=True) / below
    return threshold_band(
        thresholds, reference, reference_tolerance=drift, resistor_tolerance=spread
    )


def _thresholds(strings: Array, reference_V: float) -> Array:
    """Thresholds of strings (k, m + 1), lowest first: (k, m)."""
    below = np.cumsum(strings[:, ::-1], axis=1)[:, -2::-1]
    return np.asarray(reference_V * strings.sum(axis=1, keepdims=True) / below)


def _reachable_error(
    wanted: Array, reference_V: float, stock: Array, total_ohm: tuple[float, float]
) -> float:
    """An error that some string keeps: each resistor rounded to the series, from every bottom."""
    below = stock[:, None] * wanted[-1] / wanted[None, :]
    total = stock * wanted[-1] / reference_V
    ideal = np.column_stack([total - below[:, 0], below[:, :-1] - below[:, 1:], stock])
    rounded = _rounded(ideal, stock)
    sums = rounded.sum(axis=1)
    fits = (sums >= total_ohm[0]) & (sums <= total_ohm[1])
    if not fits.any():
        return 0.5
    error = np.abs(_thresholds(rounded[fits], reference_V) / wanted - 1).max(axis=1)
    return min(float(error.min()), 0.5)


def _rounded(ideal: Array, stock: Array) -> Array:
    middles = (stock[1:] + stock[:-1]) / 2
    return np.asarray(stock[np.searchsorted(middles, ideal)])


def _strings(
    wanted: Array,
    reference_V: float,
    stock: Array,
    total_ohm: tuple[float, float],
    error: float,
) -> Array:
    """All strings (k, m + 1) within bounds whose thresholds err by `error` at most.

    From the bottom up: each tap says between which totals the string may end, and a resistor that
    leaves none is not tried.
    """
    strings = stock[:, None]
    # Bounds on reference times total: each tap wants it to be volts times what is below.
    least = np.full(len(stock), reference_V * total_ohm[0])
    most = np.full(len(stock), reference_V * total_ohm[1])
    below = stock.copy()
    for place in range(len(wanted) - 1, -1, -1):
        volts = wanted[place]
        least = np.maximum(least, volts * below * (1 - error))
        most = np.minimum(most, volts * below * (1 + error))
        alive = least <= most
        strings, below, least, most = strings[alive], below[alive], least[alive], most[alive]
        if place:
            following = wanted[place - 1]
            start = least / (following * (1 + error)) - below
            end = most / (following * (1 - error)) - below
        else:
            start, end = least / reference_V - below, most / reference_V - below
        row, added = _between(stock, start, end)
        strings = np.column_stack([stock[added], strings[row]])
        below, least, most = below[row] + stock[added], least[row], most[row]
    return strings


def _between(stock: Array, start: Array, end: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs (row, place in stock) of all values between each row's start and end."""
    slack = 1e-12
    first = np.searchsorted(stock, start * (1 - slack), side="left")
    last = np.searchsorted(stock, end * (1 + slack), side="right")
    count = np.maximum(last - first, 0)
    row = np.repeat(np.arange(len(start)), count)
    offset = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return row, first[row] + offset


def shown_ohm(value: float) -> str:
    """A resistance as it is printed on a bag.

    >>> shown_ohm(237000.0), shown_ohm(4.7), shown_ohm(0.00825)
    ('237 kΩ', '4.7 Ω', '8.25 mΩ')
    """
    for factor, unit in ((1e6, "M"), (1e3, "k"), (1.0, "")):
        if value >= factor:
            return f"{value / factor:.4g} {unit}Ω"
    return f"{1000 * value:.4g} mΩ"
