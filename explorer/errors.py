"""What can go wrong, in one line a fault."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

MOST_FAULTS = 50
"""Faults in a message; of more, their number is enough."""


def printable(text: str) -> str:
    """A text with everything that a terminal may not show as an escape, as in a folder's name.

    >>> printable("a\\x1b b")
    'a\\\\x1b b'
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def short(text: str) -> str:
    """A printable piece of a text, short enough for a line of many.

    >>> len(short("x" * 70_000))
    60
    """
    text = printable(text)
    return text if len(text) <= 60 else text[:57] + "..."


@dataclass(frozen=True)
class Nearest:
    """A hint with the valid name closest to a wrong one, which is looked for when it is shown.

    The search takes as long as there are names: not for each of thousands of faults.

    >>> str(Nearest("gear_3", ("gear_3_1", "none")))
    'nearest: gear_3_1'
    """

    name: str
    valid: tuple[str, ...]

    def __str__(self) -> str:
        """The closest name, or all of a few when none is close."""
        close = get_close_matches(self.name, self.valid, n=1)
        if close:
            return f"nearest: {short(close[0])}"
        return "valid: " + ", ".join(map(short, self.valid[:12])) if self.valid else ""


Hint = str | Nearest


@dataclass(frozen=True)
class Fault:
    """One broken rule in one place of the input.

    `where` is a row, line or key inside `file`; `value` is what stood there, already as text.
    """

    file: str
    where: str
    rule: str
    value: str = ""
    hint: Hint = ""

    def __str__(self) -> str:
        """The fault on one line: file, place, rule, value, nearest valid name."""
        place = f"{printable(self.file)}: {self.where}" if self.where else printable(self.file)
        got = f", got {self.value}" if self.value else ""
        hint = f" ({words})" if (words := str(self.hint)) else ""
        rest = " ".join(f"{self.rule}{got}{hint}".split())
        return printable(f"{place}: {rest}")


class ExplorerError(Exception):
    """Base of everything this package raises on purpose."""

    exit_status = 1


class DiskError(ExplorerError):
    """A file cannot be written, for want of permission or room: as wrong as wrong input."""

    exit_status = 2


class InputError(ExplorerError):
    """The input is wrong; carries every fault found, not the first only."""

    exit_status = 2

    def __init__(self, faults: list[Fault] | tuple[Fault, ...]) -> None:
        self.faults = tuple(faults)
        lines = [str(fault) for fault in self.faults[:MOST_FAULTS]]
        if len(self.faults) > MOST_FAULTS:
            more = len(self.faults) - MOST_FAULTS
            lines.append(f"and {more:,} more, {len(self.faults):,} faults in all")
        super().__init__("\n".join(lines))


def nearest(name: str, valid: list[str] | tuple[str, ...]) -> Nearest:
    """A hint with the closest valid name, or with all of them when none is close.

    >>> f"({nearest('gear_3', ['gear_3_1', 'none'])})"
    '(nearest: gear_3_1)'
    """
    return Nearest(name, tuple(valid))
