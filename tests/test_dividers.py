"""Thresholds as real resistors: the series of IEC 60063, and the best string of all there are."""

from __future__ import annotations

from itertools import product
from math import floor, log10

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from explorer.decision.dividers import (
    ALIKE,
    String,
    best_divider,
    best_string,
    series,
    shown_ohm,
    values_between,
    worst_band,
)

# IEC 60063:2015, table of the E96 series (the standard's list, written out from memory).
E96_LIST = """
100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174
178 182 187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309
316 324 332 340 348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549
562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976
"""


def test_e96_is_the_list_of_the_standard() -> None:
    assert (series("E96") * 100).round().astype(int).tolist() == list(map(int, E96_LIST.split()))


def test_e48_is_every_second_of_e96() -> None:
    """IEC 60063: each series is every second of the next finer one."""
    assert series("E48").tolist() == series("E96")[::2].tolist()


def test_e24_leaves_the_formula_where_the_standard_says() -> None:
    """IEC 60063: rounded powers of ten, but for eight historical values."""
    powers = np.round(10 ** (np.arange(24) / 24), 1)
    odd = series("E24")[series("E24") != powers]
    assert odd.tolist() == [2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2]
    assert series("E12").tolist() == [1, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2]


def test_values_cover_the_range_and_nothing_else() -> None:
    assert values_between("E6", 470, 2200).tolist() == [470, 680, 1000, 1500, 2200]
    assert values_between("E6", 471, 2199).tolist() == [680, 1000, 1500]
    decades = values_between("E96", 1.0, 9.99e5)
    assert len(decades) == 6 * 96
    assert (np.diff(decades) > 0).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: series("E7"), "series must be one of"),
        (lambda: values_between("E24", 0, 5), "range must be"),
        (lambda: best_string([1.0, 2.0], 1.2), "above the reference"),
        (lambda: best_string([3.0, 2.0], 1.2), "must rise"),
        (lambda: best_string([np.nan], 1.2), "above the reference"),
        (lambda: best_string([4.0], 1.2, total_ohm=(5e5, 5.0001e5), name="E6"), "no string of E6"),
    ],
)
def test_what_cannot_be_built_is_refused(call, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


def exhaustive(
    wanted: list[float], reference: float, name: str, total: tuple[float, float]
) -> tuple[float, float]:
    """Least largest error over every string of the series, and the largest total alike to it."""
    stock = values_between(name, 1e-3 * total[0], total[1])
    string = np.meshgrid(*[stock] * (len(wanted) + 1), indexing="ij", sparse=True)
    whole = sum(string)
    error, below = np.zeros_like(whole), 0.0
    for volts, resistor in zip(reversed(wanted), reversed(string), strict=False):
        below = below + resistor
        error = np.maximum(error, np.abs(reference * whole / below / volts - 1))
    error[(whole < total[0]) | (whole > total[1])] = np.inf
    least = float(error.min())
    return least, float(whole[error <= least + ALIKE].max())


def check(string: String, wanted: list[float], reference: float) -> float:
    """The string sets what it says; returns its largest error."""
    for k, volts in enumerate(string.thresholds_V, 1):
        below = string.resistors_ohm[k:].sum()
        assert reference * string.total_ohm / below == pytest.approx(volts, rel=1e-12)
    assert string.error == pytest.approx(string.thresholds_V / np.array(wanted) - 1, abs=1e-12)
    assert string.current_A == pytest.approx(string.thresholds_V[-1] / string.total_ohm)
    return float(np.abs(string.error).max())


@settings(max_examples=40, deadline=None)
@given(st.floats(1.3, 30), st.floats(0.4, 1.25))
def test_a_pair_is_the_best_of_all(volts: float, reference: float) -> None:
    total = (1e5, 1e6)
    string = best_divider(volts, reference, name="E24")
    error = check(string, [volts], reference)
    least, largest = exhaustive([volts], reference, "E24", total)
    # Tolerance: both add the same numbers in another order.
    assert error <= least + ALIKE + 1e-9
    assert string.total_ohm == pytest.approx(largest, rel=1e-9)


@settings(max_examples=10, deadline=None)
@given(st.floats(1.5, 8), st.floats(0.05, 3), st.floats(0.4, 1.25))
def test_two_thresholds_are_the_best_of_all(low: float, band: float, reference: float) -> None:
    total = (1e5, 3e5)
    wanted = [low, low + band]
    string = best_string(wanted, reference, name="E12", total_ohm=total)
    error = check(string, wanted, reference)
    least, largest = exhaustive(wanted, reference, "E12", total)
    assert error <= least + ALIKE + 1e-9
    assert string.total_ohm == pytest.approx(largest, rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("wanted", [[4.0, 5.2, 10.5], [3.6, 4.4, 9.0], [6.0, 7.6, 11.2]])
def test_three_thresholds_are_the_best_of_all(wanted: list[float]) -> None:
    total, reference = (1e5, 2e5), 1.25
    string = best_string(wanted, reference, name="E6", total_ohm=total)
    error = check(string, wanted, reference)
    least, largest = exhaustive(wanted, reference, "E6", total)
    assert error <= least + ALIKE + 1e-9
    assert string.total_ohm == pytest.approx(largest, rel=1e-9)


def test_fine_resistors_set_a_window_within_their_own_tolerance() -> None:
    """Neighbours of E96 lie 2.4 % apart: rounding one resistor costs 1.2 % at most, and three
    thresholds together are not worse, since the best of many strings is taken."""
    string = best_string([4.8, 5.6, 11.2], 1.3)
    assert check(string, [4.8, 5.6, 11.2], 1.3) < 0.012
    stock = set(values_between("E96", 100, 1e6).tolist())
    assert set(string.resistors_ohm.tolist()) <= stock
    assert 1e5 <= string.total_ohm <= 1e6


def test_a_worked_example_by_hand() -> None:
    """27 k over 10 k with 1.25 V: 1.25 (1 + 2.7) = 4.625 V; with 1 % and 1.5 %, high:
    1.26875 x (1 + 27.27/9.9) = 4.76358 V, low: 1.23125 x (1 + 26.73/10.1) = 4.48980 V."""
    low, high = worst_band([27e3, 10e3], 1.25, resistor_tolerance=0.01, reference_tolerance=0.015)
    assert low == pytest.approx([4.48980], abs=5e-6)
    assert high == pytest.approx([4.76358], abs=5e-6)


def test_the_band_is_the_worst_of_all_corners() -> None:
    resistors, spread, drift = np.array([180e3, 47e3, 68e3, 33e3]), 0.01, 0.035
    low, high = worst_band(resistors, 1.3, resistor_tolerance=spread, reference_tolerance=drift)
    seen = []
    for signs in product((-1, 1), repeat=5):
        parts = resistors * (1 + spread * np.array(signs[:4]))
        reference = 1.3 * (1 + drift * signs[4])
        seen.append([reference * parts.sum() / parts[k:].sum() for k in (1, 2, 3)])
    np.testing.assert_allclose(low, np.min(seen, axis=0), rtol=1e-12)
    np.testing.assert_allclose(high, np.max(seen, axis=0), rtol=1e-12)


def test_bands_of_many_strings_at_once() -> None:
    many = np.array([[27e3, 10e3], [33e3, 10e3]])
    low, high = worst_band(
        many,
        np.array([1.25, 1.3]),
        resistor_tolerance=0.01,
        reference_tolerance=np.array([0.015, 0.035]),
    )
    assert low.shape == high.shape == (2, 1)
    one = worst_band(many[1], 1.3, resistor_tolerance=0.01, reference_tolerance=0.035)
    assert (low[1], high[1]) == (one[0], one[1])


def test_resistances_are_printed_as_on_the_bag() -> None:
    for value in values_between("E96", 0.001, 9e6):
        number, unit = shown_ohm(float(value)).split(" ")
        scale = {"m": 1e-3, "": 1, "k": 1e3, "M": 1e6}[unit.removesuffix("Ω")]
        assert float(number) * scale == pytest.approx(value)
        assert floor(log10(float(number))) in (0, 1, 2)
