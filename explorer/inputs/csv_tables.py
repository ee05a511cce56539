"""Reads CSV files as rows of text and rows as records; each fault names file, row and column."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from explorer.errors import Fault, Hint, nearest, printable, short
from explorer.files import NOWHERE, OUTSIDE, leads_nowhere, leads_outside
from explorer.inputs.notation import (
    cleaned,
    comma_hint,
    decimal_marks,
    may_be_thousands,
    with_point,
)
from explorer.inputs.plausible import RANGES, implausible
from explorer.inputs.rule_words import rule_of
from explorer.inputs.shop_notation import bare
from explorer.inputs.table_text import (
    SAVE_AS,
    NotText,
    decoded,
    separator_of,
    without_titles,
)

LARGEST_TABLE_BYTES = 32_000_000
MOST_COLUMNS = 1000

ModelT = TypeVar("ModelT", bound=BaseModel)


def content_hash(content: Any) -> str:
    """16 hexadecimal digits that stand for a JSON-like value."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


_DATE = re.compile(r"\d{4}-\d\d-\d\d")


def shown(value: object) -> str:
    """A value as one short printable piece of text."""
    return short(value if isinstance(value, str) else repr(value))


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
            optional=(
                *(name for name, required in fields.items() if not required),
                *getattr(model, "ALSO_CALLED", {}),
            ),
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

    def fault(self, column: str, rule: str, value: str = "", hint: Hint = "") -> Fault:
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
        return printable(str(self.folder / name))

    def fault(self, name: str, rule: str, where: str = "", hint: Hint = "") -> None:
        """Note a fault of a whole file."""
        self.faults.append(Fault(self.shown(name), where, rule, hint=hint))

    def lines(
        self, name: str, separator: str, header: Collection[str] = ()
    ) -> list[tuple[int, list[str]]] | None:
        """The numbered lines of a CSV file that are not blank, as stripped cells; without lines
        above the one that names the columns of `header`, which are noted.
        """
        text = self._text(name)
        if text is None:
            return None
        return self._split(name, self._without_titles(name, text, header), separator)

    def _without_titles(self, name: str, text: str, header: Collection[str]) -> str:
        rest, titles = without_titles(text, header)
        if titles:
            lines_are = "line is" if titles == 1 else "lines are"
            self.notes.append(
                f"{self.shown(name)}: {titles} {lines_are} passed over above the column names"
            )
        return rest

    def _split(self, name: str, text: str, separator: str) -> list[tuple[int, list[str]]] | None:
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
        if len(lines[0][1]) > MOST_COLUMNS:
            rule = f"must have at most {MOST_COLUMNS} columns"
            self.fault(name, f"{rule}, has {len(lines[0][1])}", f"row {lines[0][0]}")
            return None
        if len(lines) == 1:
            self.fault(name, "has no rows under its column names")
            return None
        return lines

    def rows(
        self, name: str, columns: TableColumns, id_column: str, *, titled: bool = False
    ) -> list[Row] | None:
        """The rows of a table as text, or None when it cannot be read as this table.

        Cells may also be separated by semicolons, tabs or bars, and then have decimal commas. A
        `titled` table may have titles above its column names.
        """
        text = self._text(name)
        if text is not None and titled:
            text = self._without_titles(name, text, columns.required)
        separator = separator_of(text or "")
        lines = None if text is None else self._split(name, text, separator)
        if lines is None:
            return None
        (number, header), *rest = lines
        self.faults.extend(_header_faults(self.shown(name), number, header, columns))
        if not set(header) & set(columns.required):
            return None
        own = {column: column for column in header if column in columns.valid}
        rows = list(self.mapped(name, header, rest, own, id_column))
        return rows if separator == "," else self._in_points(name, rows, separator)

    def _in_points(self, name: str, rows: Sequence[Row], separator: str) -> list[Row] | None:
        """Rows of a table without commas between cells, their decimals behind points; None where
        it is not sure what its marks mean.
        """
        numbers = [
            (row, column, cell)
            for row in rows
            for column, cell in row.cells.items()
            if column in RANGES and ("." in cell or "," in cell)
        ]
        # Spreadsheets write the mark of a currency beside its amounts.
        numbers = [(row, at, bare(cell) if at == "price" else cell) for row, at, cell in numbers]
        marks = decimal_marks(cell for _, _, cell in numbers)
        unsure = [number for number in numbers if len(marks) != 1 and may_be_thousands(number[2])]
        if len(marks) > 1 or unsure:
            row, column, cell = (unsure or numbers)[0]
            rule = f"may mean another number in a table with {separator!r} between cells: {SAVE_AS}"
            self.faults.append(row.fault(column, rule, cell))
            return None
        decimal = marks.pop() if marks else "."
        self.notes.append(
            f"{self.shown(name)}: is read with {separator!r} between cells and {decimal!r} before "
            "decimals"
        )
        plain: dict[int, dict[str, str]] = {}
        for row, column, cell in numbers:
            cells = plain.setdefault(row.number, dict(row.cells))
            point = with_point(cell, decimal)
            if point is None:
                rule = f"must be a number with {decimal!r} before its decimals"
                self.faults.append(row.fault(column, rule, cell, comma_hint(cell)))
                del cells[column]
            else:
                cells[column] = cells[column].replace(cell, point, 1)
        return [replace(row, cells=plain.get(row.number, row.cells)) for row in rows]

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
        file = self.shown(name)
        for number, line in lines:
            named = dict(zip(header, line, strict=False))
            cells = {column: named.get(label, "") for column, label in columns.items()}
            row = Row(file, number, cells.get(id_column, ""), cells, labels)
            unprintable = [column for column, cell in cells.items() if not cell.isprintable()]
            self.faults.extend(
                row.fault(column, "must be printable text on one line", cells[column])
                for column in unprintable
            )
            if len(line) != len(header):
                rule = f"must have {len(header)} cells as the header has"
                self.faults.append(row.fault("", rule, str(len(line))))
                cells = {}  # known by its id, but what stands in which column is a guess
            elif unprintable:
                cells = {c: cell for c, cell in cells.items() if c not in unprintable}
            else:
                yield row
                continue
            yield Row(file, number, row.id, cells, labels)

    def _text(self, name: str) -> str | None:
        path = self.folder / name
        try:
            if leads_nowhere(path):
                self.fault(name, NOWHERE)
                return None
            if not path.exists():
                beside = tuple(sorted(p.name for p in path.parent.glob("*.csv")))
                hint = nearest(path.name, beside)
                self.fault(name, "is missing", hint=hint)
                return None
            if not path.is_file():
                self.fault(name, "is not a file")
                return None
            if leads_outside(path, self.folder):
                self.fault(name, OUTSIDE)
                return None
            if path.stat().st_size > LARGEST_TABLE_BYTES:
                self.fault(name, "is over 32 MB, too large for a table")
                return None
            content = path.read_bytes()
        except OSError as error:
            self.fault(name, f"cannot be read: {error.strerror or error}")
            return None
        try:
            text = decoded(content)
        except NotText as error:
            self.fault(name, str(error))
            return None
        self.hashes[name] = hashlib.sha256(content).hexdigest()[:16]
        return text

    def record(self, row: Row, model: type[ModelT]) -> ModelT | None:
        """The row as a record, or None with its faults noted."""
        if not row.cells:
            return None
        faults = list(self._date_faults(row))
        try:
            record = model.model_validate({name: c for name, c in row.cells.items() if c})
        except ValidationError as error:
            record = None
            for found in error.errors(include_url=False, include_input=False):
                fault = _row_fault(row, found)
                if fault and not (faults and found["loc"] == ("dated",)):
                    faults.append(fault)
        faults.extend(() if faults else _implausible(row))
        self.faults.extend(faults)
        return None if faults else record

    def _date_faults(self, row: Row) -> Iterator[Fault]:
        """Only ISO 8601 calendar dates: pydantic would take a number for seconds since 1970."""
        text = row.cells.get("dated", "")
        if not text:
            return
        try:
            dated = date.fromisoformat(text) if _DATE.fullmatch(text) else None
        except ValueError:
            dated = None
        if dated is None:
            yield row.fault("dated", "must be a date such as 2026-11-25", text)
        elif dated > self.today:
            self.notes.append(
                f"{row.file}: row {row.number} ({shown(row.id)}): dated {text} is still to come"
            )


def _implausible(row: Row) -> Iterator[Fault]:
    for column, cell in row.cells.items():
        if cell and column in RANGES and (rule := implausible(column, float(cell))):
            yield row.fault(column, rule, cell)


def _header_faults(
    file: str, number: int, header: Sequence[str], columns: TableColumns
) -> Iterator[Fault]:
    where = f"row {number}"
    either = {phase: line for line, phase in columns.instead.items()}
    missing = [c for c in columns.required if c not in header and either.get(c) not in header]
    for column, count in Counter(header).items():
        if column in columns.valid:
            if count > 1:
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
