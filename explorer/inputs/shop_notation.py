"""How shops write prices, currencies, quantities and days: each read as one thing, or not at all.

What is common in the trade is read: a currency's mark at a price, currencies in small letters,
days before months. What may mean two things is refused with the rule that settles it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date

from explorer.inputs.notation import comma_hint, decimal_marks, may_be_thousands, plain_number

_NUMBER = re.compile(r"[-+]?[0-9](?:[0-9 .,'’_]*[0-9_])?")
"""What is meant for a number without an exponent; `_` so that Python's notation is not read."""
_MARKED = re.compile(
    rf"(?P<before>[^0-9+\-.,'’_]*?) ?(?P<number>{_NUMBER.pattern}) ?(?P<after>\D*)"
)
_CODE = re.compile("[A-Za-z]{3}")
_DAY = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})")

CURRENCY_MARKS: dict[str, tuple[str, ...]] = {
    "€": ("EUR",),
    "euro": ("EUR",),
    "£": ("GBP",),
    "$": ("USD", "AUD", "CAD", "HKD", "NZD", "SGD"),
    "¥": ("JPY", "CNY"),
    "kr": ("DKK", "NOK", "SEK", "ISK"),
    "kč": ("CZK",),
    "zł": ("PLN",),
    "fr": ("CHF",),
    "₹": ("INR",),
}
"""Marks of currencies and what they may stand for (ISO 4217; common practice)."""


class Unread(ValueError):
    """Text that is not read; the message is the rule that it breaks."""

    def __init__(self, rule: str, hint: str = "") -> None:
        super().__init__(rule)
        self.hint = hint


@dataclass(frozen=True)
class Notation:
    """How a file writes its numbers and days.

    `decimal` stands before decimals. `sure` is False where nobody has said so and no number of the
    file shows it. `currencies` are those that the study knows; `day_first` is None where nobody
    has said whether days stand before months.
    """

    decimal: str
    sure: bool = True
    currencies: Collection[str] = ()
    day_first: bool | None = None

    def number(self, text: str) -> str:
        """A number as Python reads it; what looks like none is returned as it is. Unread."""
        if not _NUMBER.fullmatch(text):
            return text
        if not self.sure and may_be_thousands(text):
            raise Unread(
                "may have thousands or decimals behind its mark: say decimal in the study's "
                "[[prices.offers]]"
            )
        plain = plain_number(text, self.decimal)
        if plain is None:
            raise Unread(
                f"must be a number with {self.decimal!r} before its decimals and thousands in "
                "threes",
                comma_hint(text) if self.decimal == "." else "",
            )
        return plain

    def whole(self, text: str) -> str:
        """A number of pieces; Unread where three decimals may be meant as thousands."""
        plain = self.number(text)
        if re.search(r"\.[0-9]{3}$", plain):
            raise Unread(
                "must be a whole number, not three decimals that may be meant as thousands"
            )
        return plain

    def price(self, text: str) -> tuple[str, str]:
        """The number of a price, and the currency that its mark names, "" without one. Unread."""
        found = _MARKED.fullmatch(text)
        if not found:
            return text, ""
        marks = [mark for mark in (found["before"], found["after"]) if mark.strip()]
        if not marks:
            return self.number(text), ""
        codes = {self.currency(mark.strip()) for mark in marks}
        if len(codes) > 1 or not all(_CODE.fullmatch(code) for code in codes):
            return text, ""
        return self.number(found["number"]), codes.pop()

    def currency(self, text: str) -> str:
        """The code that a currency's name or mark stands for; what is neither is returned as it is.
        Unread for a mark of several currencies of which the study knows none or several.
        """
        if _CODE.fullmatch(text):
            return text.upper()
        codes = CURRENCY_MARKS.get(text.lower().rstrip("."))
        if codes is None:
            return text
        known = [code for code in codes if code in self.currencies]
        if len(codes) > 1 and len(known) != 1:
            raise Unread(f"may mean {' or '.join(known or codes)}, write the three capitals")
        return (known or codes)[0]

    def day(self, text: str) -> str:
        """A day in ISO 8601; what is no day with its year at the end is returned as it is. Unread
        where day and month may be one or the other.
        """
        found = _DAY.fullmatch(text)
        if not found:
            return text
        first, mark, second, year = int(found[1]), found[2], int(found[3]), int(found[4])
        day_first = self.day_first
        if day_first is None and mark == ".":
            day_first = True
        ways = {(first, second)} if day_first is not False else set()
        ways |= {(second, first)} if not day_first else set()
        days = {day for way in ways if (day := _date(year, way[1], way[0]))}
        if len(days) > 1:
            raise Unread(
                "may have day or month first: write 2026-11-25, or say day_first in the study's "
                "[[prices.offers]]"
            )
        return days.pop().isoformat() if days else text


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def shows_decimals(prices: Iterable[str], decimal: str) -> bool:
    """Whether some price can only be read with `decimal` before its decimals.

    >>> shows_decimals(["1.250", "17.50 €"], "."), shows_decimals(["1.250", "3"], ".")
    (True, False)
    """
    return decimal in decimal_marks(bare(price) for price in prices)


def bare(price: str) -> str:
    """The number of a price without the mark of a currency; any other text as it is.

    >>> bare("17,50 €"), bare("EUR 3"), bare("on request")
    ('17,50', '3', 'on request')
    """
    found = _MARKED.fullmatch(price)
    return found["number"] if found else price
