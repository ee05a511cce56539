"""Reads the tables of parts, bench points and prices; every fault of every table at once."""

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
from typing import Annotated, Any, TypeVar, cast

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from explorer.errors import ExplorerError, Fault, nearest
from explorer.parts import (
    LINKS,
    Converter,
    Generator,
    Identifier,
    NonNegative,
    Operator,
    Pack,
    Part,
    Positive,
    Record,
    Text,
)

Currency = Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$")]
"""A three-letter code of ISO 4217."""

TABLE_NAMES: Mapping[str, str] = {
    **{link: f"{link}s" for link in LINKS},
    "pack": "packs",
    "operator": "operators",
}
"""Kind of row -> file stem of its table."""

FITTED = tuple(name for name in Converter.model_fields if name.startswith(("loss_", "fit_")))
"""Fields of a converter that its bench points fill, no column."""

LEAST_BENCH_POINTS = 6
"""The loss has six coefficients."""

IDENTIFIER = re.compile(r"[a-z][a-z0-9_]{0,47}\Z")
LARGEST_FILE_BYTES = 32_000_000
NOT_PHYSICS = frozenset({"id", "name", "source", "dated"})

ModelT = TypeVar("ModelT", bound=BaseModel)


class Price(BaseModel):
    """What one piece of a part costs, in `currency`, when at least `from_quantity` are bought."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True
    )

    part: Identifier
    amount: NonNegative = Field(alias="price")
    currency: Currency
    dated: date
    from_quantity: Annotated[int, Field(ge=1)] = 1
    source: str = ""


class BenchPoint(BaseModel):
    """One measured point of a converter."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    converter: Identifier
    input_V: Positive
    output_A: Positive
    efficiency: Annotated[float, Field(gt=0, lt=1)]
    source: Text
    dated: date


@dataclass(frozen=True)
class PriceTerms:
    """How a study reads prices: its currency, what a foreign unit is worth in it, and when."""

    currency: str = "EUR"
    rates: Mapping[str, float] = field(default_factory=dict)
    old_after_days: int = 365


@dataclass(frozen=True)
class Prices:
    """Prices in force: part -> breaks by rising `from_quantity`, the first from one piece on."""

    breaks: Mapping[str, tuple[Price, ...]]
    currency: str
    rates: Mapping[str, float]
    content_hash: str

    def price_break(self, part: str, quantity: int = 1) -> Price:
        """The price that holds when `quantity` pieces are bought; ExplorerError without one."""
        if part not in self.breaks:
            raise ExplorerError(f"{part} has no price in prices.csv")
        fitting = [price for price in self.breaks[part] if price.from_quantity <= max(quantity, 1)]
        return fitting[-1]

    def in_currency(self, price: Price) -> float:
        """The price of one piece in the study's currency."""
        rate = 1.0 if price.currency == self.currency else self.rates[price.currency]
        return price.amount * rate

    def unit_price(self, part: str, quantity: int = 1) -> float:
        """The price of one piece in the study's currency when `quantity` pieces are bought."""
        return self.in_currency(self.price_break(part, quantity))


@dataclass(frozen=True)
class Catalogue:
    """All rows of all tables, in the order of the files."""

    parts: Mapping[str, tuple[Part, ...]]
    operators: Mapping[str, Operator]
    packs: Mapping[str, Pack]
    prices: Prices
    row_hashes: Mapping[str, Mapping[str, str]]
    """Kind of row -> id -> hash of its physics: no id, name, source, date or price."""
    file_hashes: Mapping[str, str]
    """File, relative to the study's folder -> hash of its bytes."""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Reading:
    """What could be read of the tables, and everything that is wrong with them."""

    faults: tuple[Fault, ...]
    catalogue: Catalogue | None
    """None when there is a fault."""
    known: Mapping[str, tuple[str, ...] | None]
    """Kind of row -> every well-formed id of its table, faulty rows too; None if unread."""
    records: Mapping[str, Mapping[str, Record]]
    """Kind of row -> id -> record of the rows without a fault."""
    priced: frozenset[str] | None
    """Parts with a row in prices.csv; None when it could not be read."""
    prices_file: str


def content_hash(content: Any) -> str:
    """16 hexadecimal digits that stand for a JSON-like value."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def physics_of(record: Record) -> dict[str, Any]:
    """The fields of a record that the model computes with."""
    return record.model_dump(mode="json", exclude=set(NOT_PHYSICS))


def read_tables(
    folder: Path, tables: str, bench: str, terms: PriceTerms | None, today: date
) -> Reading:
    """Read every table of `folder/tables` and `folder/bench`; never raises for wrong input.

    `terms` None skips the check of currencies (the study that states them is itself at fault).
    """
    shelf = _Shelf(folder, today)
    rows = {
        kind: shelf.rows(f"{tables}/{stem}.csv", _columns(_MODELS[kind]), id_column="id")
        for kind, stem in TABLE_NAMES.items()
    }
    known = {
        kind: None
        if read is None
        else tuple(dict.fromkeys(row.id for row in read if IDENTIFIER.match(row.id)))
        for kind, read in rows.items()
    }
    shelf.check_ids(rows)
    points = _read_bench(shelf, f"{bench}/converter_points.csv", known["converter"])
    records: dict[str, dict[str, Record]] = {}
    for kind, read in rows.items():
        filled = shelf.fill_converters(read, points) if kind == "converter" else read
        records[kind] = {
            record.id: record
            for row in filled or ()
            if (record := shelf.record(row, _MODELS[kind])) is not None
        }
    prices_file = f"{tables}/prices.csv"
    breaks = _read_prices(shelf, prices_file, known, terms)
    catalogue = None
    if not shelf.faults and terms is not None and breaks is not None:
        catalogue = Catalogue(
            parts={link: cast("tuple[Part, ...]", tuple(records[link].values())) for link in LINKS},
            operators=cast("dict[str, Operator]", records["operator"]),
            packs=cast("dict[str, Pack]", records["pack"]),
            prices=Prices(
                breaks=breaks,
                currency=terms.currency,
                rates=terms.rates,
                content_hash=_prices_hash(breaks, terms),
            ),
            row_hashes={kind: _row_hashes(kind, table, points) for kind, table in records.items()},
            file_hashes=shelf.hashes,
            notes=tuple(shelf.notes),
        )
    return Reading(
        faults=tuple(shelf.faults),
        catalogue=catalogue,
        known=known,
        records=records,
        priced=None if breaks is None else frozenset(breaks),
        prices_file=shelf.shown(prices_file),
    )


_MODELS: Mapping[str, type[Record]] = {**LINKS, "pack": Pack, "operator": Operator}


@dataclass(frozen=True)
class _Columns:
    """Which columns a table must have and may have; `instead` is one for another."""

    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    instead: Mapping[str, str] = field(default_factory=dict)

    @property
    def valid(self) -> tuple[str, ...]:
        return (*self.required, *self.instead, *self.optional)


def _columns(model: type[BaseModel]) -> _Columns:
    fields = {
        info.alias or name: info for name, info in model.model_fields.items() if name not in FITTED
    }
    lines = Generator.PHASE_PER_LINE if model is Generator else {}
    return _Columns(
        required=tuple(name for name, info in fields.items() if info.is_required()),
        optional=tuple(name for name, info in fields.items() if not info.is_required()),
        instead={pattern.format("line"): pattern.format("phase") for pattern in lines},
    )


@dataclass(frozen=True)
class _Row:
    """One row as text, by column; `number` counts as a spreadsheet does, the header being 1."""

    file: str
    number: int
    id: str
    cells: Mapping[str, str]

    def fault(self, column: str, rule: str, value: str = "", hint: str = "") -> Fault:
        who = f" ({shown(self.id)})" if self.id else ""
        where = f"row {self.number}{who}" + (f", column {column}" if column else "")
        return Fault(self.file, where, rule, shown(value), hint)


class _Shelf:
    """Reads tables of one folder and gathers faults, notes and hashes on the way."""

    def __init__(self, folder: Path, today: date) -> None:
        self.folder = folder
        self.today = today
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.hashes: dict[str, str] = {}

    def shown(self, name: str) -> str:
        """The file as a person would name it from where they stand."""
        return str(self.folder / name)

    def rows(self, name: str, columns: _Columns, id_column: str) -> list[_Row] | None:
        """The rows of a table as text, or None when it cannot be read as this table."""
        text = self._text(name)
        if text is None:
            return None
        file = self.shown(name)
        try:
            lines = list(csv.reader(io.StringIO(text, newline=""), strict=True))
        except csv.Error as error:
            self.faults.append(Fault(file, "", f"is not a CSV table: {error}"))
            return None
        numbered = [(number, line) for number, line in enumerate(lines, 1) if "".join(line).strip()]
        if not numbered:
            self.faults.append(Fault(file, "", "is empty, it needs a row of column names"))
            return None
        header = [cell.strip() for cell in numbered[0][1]]
        self.faults.extend(_header_faults(file, numbered[0][0], header, columns))
        if len(numbered) == 1:
            self.faults.append(Fault(file, "", "has no rows under its column names"))
        if len(numbered) == 1 or not set(header) & set(columns.required):
            return None
        return list(self._cells(file, header, numbered[1:], id_column, columns.valid))

    def _cells(
        self,
        file: str,
        header: Sequence[str],
        numbered: Sequence[tuple[int, Sequence[str]]],
        id_column: str,
        valid: Collection[str],
    ) -> Iterator[_Row]:
        for number, line in numbered:
            cells = dict(zip(header, (cell.strip() for cell in line), strict=False))
            row = _Row(file, number, cells.get(id_column, ""), cells)
            unprintable = [name for name, cell in cells.items() if not cell.isprintable()]
            self.faults.extend(
                row.fault(name, "must be printable text on one line", cells[name])
                for name in unprintable
            )
            if len(line) != len(header):
                rule = f"must have {len(header)} cells as the header has"
                self.faults.append(row.fault("", rule, str(len(line))))
            if len(line) != len(header):
                cells = {}  # known by its id, but what stands in which column is a guess
            else:
                cells = {n: c for n, c in cells.items() if n in valid and n not in unprintable}
            yield _Row(file, number, row.id, cells)

    def _text(self, name: str) -> str | None:
        path, file = self.folder / name, self.shown(name)
        try:
            if not path.exists():
                beside = tuple(sorted(p.name for p in path.parent.glob("*.csv")))
                hint = nearest(path.name, beside)
                self.faults.append(Fault(file, "", "is missing", hint=hint))
                return None
            if not path.is_file():
                self.faults.append(Fault(file, "", "is not a file"))
                return None
            if path.stat().st_size > LARGEST_FILE_BYTES:
                self.faults.append(Fault(file, "", "is over 32 MB, too large for a table"))
                return None
            content = path.read_bytes()
        except OSError as error:
            self.faults.append(Fault(file, "", f"cannot be read: {error.strerror or error}"))
            return None
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            rule = f"is not UTF-8 text, see byte {error.start + 1}"
            self.faults.append(Fault(file, "", rule))
            return None
        if "\0" in text:
            self.faults.append(Fault(file, "", "is not a text file"))
            return None
        self.hashes[name] = hashlib.sha256(content).hexdigest()[:16]
        return text

    def check_ids(self, rows: Mapping[str, Sequence[_Row] | None]) -> None:
        """An id stands once in its table, and once in all tables whose parts have a price."""
        first: dict[tuple[str, str], _Row] = {}
        for kind, table in rows.items():
            for row in table or ():
                if not row.id:
                    continue
                key = ("priced" if kind in LINKS else kind, row.id)
                if key not in first:
                    first[key] = row
                    continue
                at = first[key]
                place = f"row {at.number}" + (f" of {at.file}" if at.file != row.file else "")
                self.faults.append(row.fault("id", f"must be unique, {place} has it too", row.id))

    def record(self, row: _Row, model: type[ModelT]) -> ModelT | None:
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

    def _date_faults(self, row: _Row) -> Iterator[Fault]:
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

    def fill_converters(
        self, rows: Sequence[_Row] | None, points: Mapping[str, Sequence[BenchPoint]] | None
    ) -> list[_Row] | None:
        """Rows of converters with the coefficients of the loss fitted to their bench points."""
        if rows is None:
            return None
        filled = []
        for row in rows:
            cells = dict(row.cells)
            if cells:
                cells |= dict.fromkeys(FITTED, "0") | self._fit(row, (points or {}).get(row.id, ()))
                if points is not None and len(points.get(row.id, ())) < LEAST_BENCH_POINTS:
                    self.faults.append(
                        row.fault(
                            "",
                            f"needs {LEAST_BENCH_POINTS} points in converter_points.csv",
                            str(len(points.get(row.id, ()))),
                        )
                    )
            filled.append(_Row(row.file, row.number, row.id, cells))
        return filled

    def _fit(self, row: _Row, points: Sequence[BenchPoint]) -> dict[str, str]:
        if len(points) < LEAST_BENCH_POINTS:
            return {}
        try:
            output_V = float(row.cells.get("output_V", ""))
        except ValueError:
            return {}  # the record's own check names it
        if not 0 < output_V < float("inf"):
            return {}
        import numpy as np

        from explorer.physics.converter import fit_loss

        volts, amps, shares = np.array([(p.input_V, p.output_A, p.efficiency) for p in points]).T
        try:
            with np.errstate(over="raise", invalid="raise", divide="raise"):
                fit = fit_loss(volts, amps, shares, output_V)
        except (ValueError, RuntimeError, ArithmeticError) as error:
            self.faults.append(row.fault("", f"its bench points cannot be fitted: {error}"))
            return {}
        return {name: repr(float(getattr(fit, name))) for name in FITTED}


def _read_bench(
    shelf: _Shelf, name: str, converters: tuple[str, ...] | None
) -> dict[str, list[BenchPoint]] | None:
    rows = shelf.rows(name, _columns(BenchPoint), id_column="converter")
    if rows is None:
        return None
    points: dict[str, list[BenchPoint]] = {}
    for row in rows:
        if row.id and converters is not None and row.id not in converters:
            hint = nearest(row.id, converters)
            shelf.faults.append(row.fault("converter", "is not in converters.csv", row.id, hint))
            continue
        point = shelf.record(row, BenchPoint)
        if point is not None:
            points.setdefault(point.converter, []).append(point)
    return points


def _read_prices(
    shelf: _Shelf,
    name: str,
    known: Mapping[str, tuple[str, ...] | None],
    terms: PriceTerms | None,
) -> dict[str, tuple[Price, ...]] | None:
    rows = shelf.rows(name, _columns(Price), id_column="part")
    if rows is None:
        return None
    tables = [known[link] for link in LINKS]
    parts = tuple(part for table in tables for part in table or ())
    some_unread = None in tables
    first: dict[tuple[str, int], _Row] = {}
    foreign: set[str] = set()
    breaks: dict[str, list[Price]] = {}
    for row in rows:
        if row.id:
            breaks.setdefault(row.id, [])
        if row.id and not some_unread and row.id not in parts:
            hint = nearest(row.id, parts)
            shelf.faults.append(row.fault("part", "is in no table of parts", row.id, hint))
            continue
        price = shelf.record(row, Price)
        if price is None:
            continue
        key = (price.part, price.from_quantity)
        if key in first:
            rule = f"must be unique for a quantity, row {first[key].number} has it too"
            shelf.faults.append(row.fault("part", rule, price.part))
        first.setdefault(key, row)
        breaks[price.part].append(price)
        if terms is None:
            continue
        if price.currency not in {terms.currency, *terms.rates, *foreign}:
            foreign.add(price.currency)  # the study's omission, told once a currency
            rule = f"must be {terms.currency} or have a rate in the study's [prices] rates"
            shelf.faults.append(row.fault("currency", rule, price.currency))
        age = (shelf.today - price.dated).days
        if age > terms.old_after_days:
            shelf.notes.append(
                f"{row.file}: row {row.number} ({price.part}): "
                f"the price of {price.dated} is {age} days old"
            )
    for part, found in breaks.items():
        rows_at = [row for (name_, _), row in first.items() if name_ == part]
        if found and min(price.from_quantity for price in found) > 1:
            rule = "must also have a price from quantity 1"
            shelf.faults.append(rows_at[0].fault("from_quantity", rule))
    return {
        part: tuple(sorted(found, key=lambda price: price.from_quantity))
        for part, found in breaks.items()
    }


def _prices_hash(breaks: Mapping[str, tuple[Price, ...]], terms: PriceTerms) -> str:
    rows = sorted(
        (p.part, p.from_quantity, p.amount, p.currency) for found in breaks.values() for p in found
    )
    return content_hash([rows, terms.currency, dict(terms.rates)])


def _row_hashes(
    kind: str, records: Mapping[str, Record], points: Mapping[str, Sequence[BenchPoint]] | None
) -> Mapping[str, str]:
    hashes = {}
    for identifier, record in records.items():
        physics = physics_of(record)
        if kind == "converter":
            # The measurements stand for the fit, whose last digits differ between machines.
            physics = {name: value for name, value in physics.items() if name not in FITTED}
            measured = (points or {}).get(identifier, ())
            physics["bench"] = [(p.input_V, p.output_A, p.efficiency) for p in measured]
        hashes[identifier] = content_hash([kind, physics])
    return hashes


def _header_faults(
    file: str, number: int, header: Sequence[str], columns: _Columns
) -> Iterator[Fault]:
    where = f"row {number}"
    either = {phase: line for line, phase in columns.instead.items()}
    missing = [c for c in columns.required if c not in header and either.get(c) not in header]
    for column in dict.fromkeys(header):
        if column in columns.valid:
            if header.count(column) > 1:
                yield Fault(file, where, "must name each column once", shown(column))
        elif "price" in column.lower() or "cost" in column.lower():
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


def _row_fault(row: _Row, found: Any) -> Fault | None:
    column = str(found["loc"][0]) if found["loc"] else ""
    line = column.replace("phase", "line")
    if not row.cells.get(column) and line in row.cells:
        column = line  # what this row holds instead
    if column and column not in row.cells:
        return None  # told once, of the header
    value = row.cells.get(column, "")
    hint = "with a point, not a comma" if re.fullmatch(r"[-+]?\d+,\d+", value) else ""
    return row.fault(column, rule_of(found), value, hint)


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


def shown(value: object) -> str:
    """A value as one short printable piece of text."""
    text = value if isinstance(value, str) else repr(value)
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return text if len(text) <= 60 else text[:57] + "..."
