"""What can go wrong, in one line a fault."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True)
class Fault:
    """One broken rule in one place of the input.

    `where` is a row, line or key inside `file`; `value` is what stood there, already as text.
    """

    file: str
    where: str
    rule: str
    value: str = ""
    hint: str = ""

    def __str__(self) -> str:
        """The fault on one line: file, place, rule, value, nearest valid name."""
        place = f"{self.file}: {self.where}" if self.where else self.file
        got = f", got {self.value}" if self.value else ""
        hint = f" ({self.hint})" if self.hint else ""
        return " ".join(f"{place}: {self.rule}{got}{hint}".split())


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
        super().__init__("\n".join(str(fault) for fault in self.faults))


def nearest(name: str, valid: list[str] | tuple[str, ...]) -> str:
    """A hint with the closest valid name, or with all of them when none is close.

    >>> nearest("gear_3", ["gear_3_1", "none"])
    'nearest: gear_3_1'
    """
    close = get_close_matches(name, valid, n=1)
    if close:
        return f"nearest: {close[0]}"
    return "valid: " + ", ".join(valid[:12]) if valid else ""
