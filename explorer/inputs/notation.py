"""How spreadsheets write cells and numbers: blanks, thousands, and a comma before decimals."""

from __future__ import annotations

import re
from collections.abc import Iterable

_AT_THE_ENDS = " \t\r\n\v\f\ufeff"
"""What says nothing at either end of a cell; files put together keep their byte order marks."""
_SPACES = str.maketrans(dict.fromkeys("\u00a0\u2007\u2009\u202f", " "))
"""No-break, figure and thin spaces, as spreadsheets write them, all as a plain one."""
_WRITTEN = re.compile(
    r"(?P<whole>[-+]?(?:[1-9][0-9]{0,2}(?P<mark>[ .,'’])[0-9]{3}(?:(?P=mark)[0-9]{3})*|[0-9]+))"
    r"(?:(?P<point>[.,])(?P<rest>[0-9]+))?"
)
"""A number as people write it, thousands in groups of three behind one and the same mark."""
_POWER = re.compile("[eE][-+]?[0-9]+$")
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What makes a spreadsheet take a cell's text for a formula (common practice, no source)."""


def cleaned(cell: str) -> str:
    """A cell's text without blanks and byte order marks around it, and plain spaces within.

    >>> cleaned("\\ufeff 1\\u00a0000,50\\u00a0")
    '1 000,50'
    """
    return cell.translate(_SPACES).strip(_AT_THE_ENDS)


def is_formula(text: str) -> bool:
    """Whether a spreadsheet would run a cell's text.

    >>> is_formula("=1+1"), is_formula("-1.5e3"), is_formula("hub motor")
    (True, True, False)
    """
    return text.startswith(FORMULA_STARTS)


def comma_hint(value: str) -> str:
    """What to write instead of a number with a comma, which may mark decimals or thousands."""
    if "," not in value:
        return ""
    if re.fullmatch(r"[-+]?[0-9]{1,3},[0-9]{3}", value):
        return f"{value.replace(',', '')} or {value.replace(',', '.')}, whichever is meant"
    return "with a point, not a comma" if re.fullmatch(r"[-+]?\d+,\d+", value) else ""


def plain_number(text: str, decimal: str) -> str | None:
    """A number written with `decimal` (point or comma) as Python reads it; None where it is not.

    Thousands may be marked by the other of the two, a space or an apostrophe, in groups of three.
    With a decimal point, one comma before three digits may mean either: that is None, too.

    >>> plain_number("1.000,50", ","), plain_number("1 000,50", ","), plain_number("17.50", ",")
    ('1000.50', '1000.50', None)
    >>> plain_number("1,000.50", "."), plain_number("1,000", "."), plain_number("1.000", ",")
    ('1000.50', None, '1000')
    """
    found = _WRITTEN.fullmatch(text)
    if found is None:
        return None
    whole, mark, point, rest = found.group("whole", "mark", "point", "rest")
    if mark == decimal and whole.count(mark) == 1 and point is None:
        (whole, rest), point, mark = whole.split(mark), mark, None  # it is three decimals
    if mark == decimal or point not in (None, decimal):
        return None
    if decimal == "." and mark == "," and point is None and whole.count(mark) == 1:
        return None
    digits = whole.replace(mark, "") if mark else whole
    return digits if rest is None else f"{digits}.{rest}"


def decimal_marks(cells: Iterable[str]) -> set[str]:
    """The marks before decimals that a table's numbers cannot mean otherwise.

    >>> sorted(decimal_marks(["0,17", "1,5e-5", "1.234", "1 000,50", "12"]))
    [',']
    """
    marks = set()
    for cell in cells:
        number = _POWER.sub("", cell)
        able = [mark for mark in ".," if plain_number(number, mark) is not None]
        if len(able) == 1 and not may_be_thousands(cell):
            marks |= {*able}
    return marks


def may_be_thousands(cell: str) -> bool:
    """Whether the one mark of a number may group thousands as well as mark decimals.

    >>> may_be_thousands("1.234"), may_be_thousands("0,234"), may_be_thousands("1.23")
    (True, False, False)
    """
    return bool(re.fullmatch(r"[-+]?[1-9][0-9]{0,2}[.,][0-9]{3}", cell))


def with_point(text: str, decimal: str) -> str | None:
    """A number of a table whose decimals follow `decimal`, with a point; None if it may be misread.

    >>> with_point("1,5e-5", ","), with_point("1,234", ","), with_point("1.234", ",")
    ('1.5e-5', '1.234', None)
    """
    if "." not in text and "," not in text:
        return text
    if decimal == ".":
        return text if "," not in text else plain_number(text, ".")
    if "." in text and "," not in text:
        return None
    number = _POWER.sub("", text)
    plain = plain_number(number, ",")
    return None if plain is None else plain + text[len(number) :]
