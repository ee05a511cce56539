"""Numbers, amounts and moments as a person reads them."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

import numpy as np

POINTS = "percentage points"
"""Unit of a difference between two percentages."""
HALF_A_CENT = 0.005
"""Amounts that differ by less are the same."""
SMALL_COUNTS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)  # fmt: skip


def number(value: float | None, digits: int = 3) -> str:
    """A number as a person reads it: `digits` significant ones, thousands apart.

    >>> number(1049.6), number(0.02917), number(38.0), number(None)
    ('1,050', '0.0292', '38', 'none')
    """
    if value is None or not isfinite(value):
        return "none"
    if value == 0:
        return "0"
    places = digits - 1 - int(np.floor(np.log10(abs(value))))
    rounded = round(value, places)
    text = f"{rounded:,.{max(places, 0)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", "−")


def of_differences(unit: str) -> str:
    """Unit of differences and of rooms to a limit: percentages differ by percentage points.

    >>> of_differences("%"), of_differences("kg")
    ('percentage points', 'kg')
    """
    return POINTS if unit == "%" else unit


def in_unit(value: float | None, unit: str, digits: int = 3, space: str = " ") -> str:
    """A number and its unit, if it has one; one percentage point is one.

    >>> in_unit(3.25, "V"), in_unit(1.0, "percentage points"), in_unit(2.0, "")
    ('3.25 V', '1 percentage point', '2')
    """
    text = number(value, digits)
    one = unit.removesuffix("s") if text == "1" and unit == POINTS else unit
    return f"{text}{space}{one}" if unit else text


def counted(count: int) -> str:
    """A count in words as far as twelve.

    >>> counted(6), counted(15)
    ('six', '15')
    """
    return SMALL_COUNTS[count] if 0 <= count < len(SMALL_COUNTS) else f"{count:,}"


def listed(words: Sequence[str]) -> str:
    """Words one after the other, the last after an "and".

    >>> listed(["A", "B", "C"]), listed(["A"])
    ('A, B and C', 'A')
    """
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def share_of_votes(share: float) -> str:
    """A share of all weightings of the goals, 0 to 1, in words: a small one is known to no digit.

    >>> share_of_votes(0.4149), share_of_votes(0.0004)
    ('41 %', 'less than 1 %')
    """
    return "less than 1 %" if share < 0.01 else f"{number(100 * share, 2)} %"


def money(value: float, currency: str) -> str:
    """An amount to the cent, to the unit from 100 up.

    >>> money(38.4, "EUR"), money(1234.5, "EUR")
    ('38.40 EUR', '1,234 EUR')
    """
    return f"{value:,.0f} {currency}" if abs(value) >= 100 else f"{value:,.2f} {currency}"


def cents(amount: float | None, currency: str) -> str:
    """An amount to the cent, however large."""
    return "none" if amount is None else f"{amount:,.2f} {currency}"


def signed_percent(value: float) -> str:
    """A change in percent, with its sign.

    >>> signed_percent(12.34), signed_percent(-5)
    ('+12 %', '−5 %')
    """
    return f"{'+' if value > 0 else ''}{number(value, 2)} %"


def minute_of(when: str) -> str:
    """A moment (ISO 8601) to the minute.

    >>> minute_of("2026-11-25T11:04:31+00:00")
    '2026-11-25 11:04'
    """
    return when[:16].replace("T", " ")
