"""Reads CSV files as rows of text and rows as records; each fault names file, row and column."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from explorer.errors import Fault, nearest

LARGEST_TABLE_BYTES = 32_000_000

ModelT = TypeVar("ModelT", bound=BaseModel)


_AT_THE_ENDS = " \t\r\n\v\f\ufeff"
"""What says nothing at either end of a cell; files put together keep their byte order marks."""
_SPACES = str.maketrans(dict.fromkeys("\u00a0\u2007\u2009\u202f", " "))
"""No-break, figure and thin spaces, as spreadsheets write them, all as a plain one."""


def content_hash(content: Any) -> str:
    """16 hexadecimal digits that stand for a JSON-like value."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def cleaned(cell: str) -> str:
    """A cell's text without blanks and byte order marks around it, and plain spaces within.

    >>> cleaned("\\ufeff 1\\u00a0000,50\\u00a0")
    '1 000,50'
    """
    return cell.translate(_SPACES).strip(_AT_THE_ENDS)


def shown(value: object) -> str:
    """A value as one short printable piece of text."""
    text = value if isinstance(value, str) else repr(value)
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return text if len(text) <= 60 else text[:57] + "..."


@dataclass(frozen=True)
class TableColumns:
    """Which columns a table must have and may have; `instead` is one for another."""

    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    instead: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        model: type[BaseModel],
        *,
        without: Collection[str] = (),
        instead: Mapping[str, str] | None = None,
    ) -> TableColumns:
        """The fields of a record, `without` those that are filled in otherwise."""
        fields = {
            info.alias or name: info.is_required()
            for name, info in model.model_fields.items()
            if name not in without
        }
        return cls(
            required=tuple(name for name, required in fields.items() if required),
            optional=tuple(name for name, required in fields.items() if not required),
            instead=instead or {},
        )

    @property
    def valid(self) -> tuple[str, ...]:
        return (*self.required, *self.instead, *self.optional)


@dataclass(frozen=True)
class Row:
    """One row as text, by column; `number` counts as a spreadsheet does, the header being 1."""

    file: str
    number: int
    id: str
    cells: Mapping[str, str]
    labels: Mapping[str, str] = field(default_factory=dict)
    """What the file itself calls a column, where it differs."""

    def fault(self, column: str, rule: str, value: str = "", hint: str = "") -> Fault:
        """A fault of this row."""
        who = f" ({shown(self.id)})" if self.id else ""
        label = self.labels.get(column, column)
        where = f"row {self.number}{who}" + (f", column {label}" if label else "")
        return Fault(self.file, where, rule, shown(value), hint)


class TableReader:
    """Reads files of one folder and gathers faults, notes and hashes on the way."""

    def __init__(self, folder: Path, today: date) -> None:
        self.folder = folder
        self.today = today
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.hashes: dict[str, str] = {}

    def shown(self, name: str) -> str:
        """The file as a person would name it from where they stand."""
        return str(self.folder / name)

    def fault(self, name: str, rule: str, where: str = "", hint: str = "") -> None:
        """Note a fault of a whole file."""
        self.faults.append(Fault(self.shown(name), where, rule, hint=hint))

    def lines(self, name: str, separator: str = ",") -> list[tuple[int, list[str]]] | None:
        """The numbered lines of a CSV file that are not blank, as stripped cells."""
        text = self._text(name)
        if text is None:
            return None
        stream = io.StringIO(text.lstrip("\ufeff"), newline="")
        try:
            lines = [
                (number, [cleaned(cell) for cell in line])
                for number, line in enumerate(
                    csv.reader(stream, strict=True, skipinitialspace=True, delimiter=separator), 1
                )
            ]
        except csv.Error as error:
            self.fault(name, f"is not a CSV table: {error}")
            return None
        lines = [(number, line) for number, line in lines if any(line)]
        if not lines:
            self.fault(name, "is empty, it needs a row of column names")
            return None
        if len(lines[0][1]) == 1:
            others = [other for other in ";\t,|" if other != separator and other in lines[0][1][0]]
            if others:
                rule = f"must have its cells separated by {separator!r}"
                self.faults.append(Fault(self.shown(name), "row 1", rule, shown(others[0])))
                return None
        if len(lines) == 1:
            self.fault(name, "has no rows under its column names")
            return None
        return lines

    def rows(self, name: str, columns: TableColumns, id_column: str) -> list[Row] | None:
        """The rows of a table as text, or None when it cannot be read as this table."""
        lines = self.lines(name)
        if lines is None:
            return None
        (number, header), *rest = lines
        self.faults.extend(_header_faults(self.shown(name), number, header, columns))
        if not set(header) & set(columns.required):
            return None
        own = {column: column for column in header if column in columns.valid}
        return list(self.mapped(name, header, rest, own, id_column))

    def mapped(
        self,
        name: str,
        header: Sequence[str],
        lines: Sequence[tuple[int, Sequence[str]]],
        columns: Mapping[str, str],
        id_column: str,
    ) -> Iterator[Row]:
        """Lines as rows by column, where `columns` says column -> name in the file's header."""
        labels = {column: label for column, label in columns.items() if column != label}
        for number, line in lines:
            named = dict(zip(header, line, strict=False))
            cells = {column: named.get(label, "") for column, label in columns.items()}
            row = Row(self.shown(name), number, cells.get(id_column, ""), cells, labels)
            unprintable = [column for column, cell in cells.items() if not cell.isprintable()]
            self.faults.extend(
                row.fault(column, "must be printable text on one line", cells[column])
                for column in unprintable
            )
            if len(line) != len(header):
                rule = f"must have {len(header)} cells as the header has"
                self.faults.append(row.fault("", rule, str(len(line))))
                cells = {}  # known by its id, but what stands in which column is a guess
            else:
                cells = {c: cell for c, cell in cells.items() if c not in unprintable}
            yield Row(row.file, number, row.id, cells, labels)

    def _text(self, name: str) -> str | None:
        path = self.folder / name
        try:
            if not path.exists():
                beside = tuple(sorted(p.name for p in path.parent.glob("*.csv")))
                hint = nearest(path.name, beside)
                self.fault(name, "is missing", hint=hint)
                return None
            if not path.is_file():
                self.fault(name, "is not a file")
                return None
            if path.stat().st_size > LARGEST_TABLE_BYTES:
                self.fault(name, "is over 32 MB, too large for a table")
                return None
            content = path.read_bytes()
        except OSError as error:
            self.fault(name, f"cannot be read: {error.strerror or error}")
            return None
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            rule = f"is not UTF-8 text, see byte {error.start + 1}"
            if content.startswith((b"\xff\xfe", b"\xfe\xff")):
                rule = "is UTF-16 text, it must be saved as UTF-8"
            self.fault(name, rule)
            return None
        if "\0" in text:
            self.fault(name, "is not a text file")
            return None
        self.hashes[name] = hashlib.sha256(content).hexdigest()[:16]
        return _without_comments(text)

    def record(self, row: Row, model: type[ModelT]) -> ModelT | None:
        """The row as a record, or None with its faults noted."""
        if not row.cells:
            return None
        faults = list(self._date_faults(row))
        try:
            record = model.model_validate({name: c for name, c in row.cells.items() if c})
        except ValidationError as error:
            record = None
            for found in error.errors(include_url=False):
                fault = _row_fault(row, found)
                if fault and not (faults and found["loc"] == ("dated",)):
                    faults.append(fault)
        self.faults.extend(faults)
        return None if faults else record

    def _date_faults(self, row: Row) -> Iterator[Fault]:
        """Only ISO 8601 calendar dates: pydantic would take a number for seconds since 1970."""
        text = row.cells.get("dated", "")
        if not text:
            return
        try:
            dated = date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d\d-\d\d", text) else None
        except ValueError:
            dated = None
        if dated is None:
            yield row.fault("dated", "must be a date such as 2026-11-25", text)
        elif dated > self.today:
            self.notes.append(
                f"{row.file}: row {row.number} ({shown(row.id)}): dated {text} is still to come"
            )


def _without_comments(text: str) -> str:
    """The text with lines above the header that begin with # left blank, so that rows keep their
    numbers. A # that is a cell of its own, as in a list that counts its lines, is no comment.
    """
    lines = text.split("\n")
    for number, line in enumerate(lines):
        start = line.lstrip("\ufeff ")
        if start.strip() and not re.match(r"#(?![,;|\t])", start):
            break
        lines[number] = ""
    return "\n".join(lines)


def _header_faults(
    file: str, number: int, header: Sequence[str], columns: TableColumns
) -> Iterator[Fault]:
    where = f"row {number}"
    either = {phase: line for line, phase in columns.instead.items()}
    missing = [c for c in columns.required if c not in header and either.get(c) not in header]
    for column in dict.fromkeys(header):
        if column in columns.valid:
            if header.count(column) > 1:
                yield Fault(file, where, "must name each column once", shown(column))
        elif "price" not in columns.valid and re.search("price|cost", column.lower()):
            yield Fault(file, where, "prices stand in prices.csv alone", shown(column))
        else:
            # A wrong unit or a slip of the pen: one fault, not an unknown and a missing column.
            meant = get_close_matches(column, missing, n=1)
            missing = [name for name in missing if name not in meant]
            hint = f"nearest: {meant[0]}" if meant else nearest(column, columns.valid)
            yield Fault(file, where, "unknown column", shown(column) or "no name", hint)
    for column in missing:
        other = f" or {either[column]}" if column in either else ""
        yield Fault(file, where, f"column {column}{other} is missing")


def _row_fault(row: Row, found: Any) -> Fault | None:
    column = str(found["loc"][0]) if found["loc"] else ""
    line = column.replace("phase", "line")
    if not row.cells.get(column) and line in row.cells:
        column = line  # what this row holds instead
    if column and column not in row.cells:
        return None  # the fault of the header names it
    value = row.cells.get(column, "")
    return row.fault(column, rule_of(found), value, comma_hint(value))


def comma_hint(value: str) -> str:
    """What to write instead of a number with a comma, which may mark decimals or thousands."""
    if re.fullmatch(r"[-+]?[0-9]{1,3},[0-9]{3}", value):
        return f"{value.replace(',', '')} or {value.replace(',', '.')}, whichever is meant"
    return "with a point, not a comma" if re.fullmatch(r"[-+]?\d+,\d+", value) else ""


_RULES = {
    "missing": "must be filled in",
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "int_parsing": "must be a whole number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "int_parsing_size": "must be a whole number of usual size",
    "finite_number": "must be a finite number",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotes",
    "too_short": "must not be empty",
    "string_too_short": "must not be empty",
    "list_type": "must be a list in brackets",
    "tuple_type": "must be a list in brackets",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "date_type": "must be a date such as 2026-11-25, without quotes",
}
_PATTERNS = {
    r"^[a-z][a-z0-9_]{0,47}$": (
        "must be lower-case letters, digits and _, a letter first, at most 48"
    ),
    r"^[A-Z]{3}$": "must be a currency code of three capitals",
}


def rule_of(found: Any) -> str:
    """The rule that a pydantic error stands for, in the words of this package."""
    kind, context = found["type"], found.get("ctx", {})
    if kind == "string_pattern_mismatch":
        return _PATTERNS.get(context["pattern"], f"must match {context['pattern']}")
    if kind in _RULES:
        return _RULES[kind]
    message = str(found["msg"]).removeprefix("Value error, ").replace("Input should be", "must be")
    message = message.replace("String should", "must").replace("Tuple should", "must")
    return message.replace("greater than or equal to", "at least").replace(
        "less than or equal to", "at most"
    )
