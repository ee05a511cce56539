"""Numbers and amounts as a person reads them."""

from __future__ import annotations

from math import isfinite

import numpy as np


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


def money(value: float, currency: str) -> str:
    """An amount to the cent, to the unit from 100 up.

    >>> money(38.4, "EUR"), money(1234.5, "EUR")
    ('38.40 EUR', '1,234 EUR')
    """
    return f"{value:,.0f} {currency}" if abs(value) >= 100 else f"{value:,.2f} {currency}"
