"""Reads the tables of parts, bench points and prices; every fault of every table at once."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated, Any, NamedTuple, cast

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from explorer.errors import Fault, nearest
from explorer.files import is_there
from explorer.inputs.back_parts import Converter
from explorer.inputs.csv_tables import Row, TableColumns, TableReader, content_hash, shown
from explorer.inputs.front_parts import Generator
from explorer.inputs.links import LINKS
from explorer.inputs.machine_classes import doubts
from explorer.inputs.price_lists import read_prices
from explorer.inputs.prices import Prices, PriceTerms
from explorer.inputs.records import Identifier, Operator, Pack, Part, Positive, Record, Text
from explorer.inputs.row_doubts import row_doubts
from explorer.inputs.spreads import Spreads, piece_spread, read_spreads

MODELS: dict[str, type[Record]] = {
    **{name: link.record for name, link in LINKS.items()},
    "pack": Pack,
    "operator": Operator,
}
"""Kind of row -> its record."""

TABLE_NAMES: dict[str, str] = {kind: f"{kind}s" for kind in MODELS}
"""Kind of row -> file stem of its table."""

FITTED = tuple(name for name in Converter.model_fields if name.startswith(("loss_", "fit_")))
"""Fields of a converter that its bench points fill, no column."""

LEAST_BENCH_POINTS = 6
"""The loss has six coefficients."""

IDENTIFIER = re.compile(r"[a-z][a-z0-9_]{0,47}\Z")
NOT_PHYSICS = frozenset({"id", "name", "source", "dated", "measured_to_A"})
FIRST_OPTIONAL = frozenset({"piece_spread", "energy_limit_J"})
"""Optional columns that the first stores counted as physics whatever they held."""


class BenchPoint(BaseModel):
    """One measured point of a converter. Its examples are the points of one, in order."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    converter: Identifier = Field(description="id in `converters.csv`")
    input_V: Positive = Field(description="at its input", examples=[4, 4, 8, 8, 12, 12])
    output_A: Positive = Field(description="at its output", examples=[0.5, 2, 0.5, 2, 0.5, 2])
    efficiency: Annotated[float, Field(gt=0, lt=1)] = Field(
        description="output over input power", examples=[0.88, 0.79, 0.9, 0.87, 0.89, 0.88]
    )
    source: Text = Field(
        description="where the point comes from", examples=["invented as an example"]
    )
    dated: date = Field(description="the day it was measured", examples=["2026-11-25"])


class Reach(NamedTuple):
    """Between which volts at its input and amperes at its output a converter was measured."""

    least_V: float
    most_V: float
    least_A: float
    most_A: float


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
    spreads: Spreads = field(default_factory=dict)
    """How much parts and hands differ from build to build; empty where nothing does."""
    converter_reach: Mapping[str, Reach] = field(default_factory=dict)
    """Converter -> what its bench points cover."""


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


def physics_of(record: Record) -> dict[str, Any]:
    """The fields of a record that the model computes with.

    An optional column counts where it is not at its default only, so that a row from before the
    column keeps its name in stores and locks; the columns of `FIRST_OPTIONAL` always count.
    """
    at_default = {
        name
        for name, field in type(record).model_fields.items()
        if not field.is_required()
        and name not in FIRST_OPTIONAL
        and getattr(record, name) == field.get_default(call_default_factory=True)
    }
    return record.model_dump(mode="json", exclude=at_default.union(NOT_PHYSICS))


def read_tables(
    folder: Path, tables: str, bench: str, terms: PriceTerms | None, today: date
) -> Reading:
    """Read every table of `folder/tables` and `folder/bench`; never raises for wrong input. `terms`
    None: the study that states how prices are read is itself at fault.
    """
    reader = TableReader(folder, today)
    older = _defaults(folder / tables)
    rows = {
        kind: reader.rows(f"{tables}/{stem}.csv", columns_of(MODELS[kind]), id_column="id")
        for kind, stem in TABLE_NAMES.items()
        if kind not in older
    }
    known: dict[str, tuple[str, ...] | None] = {
        kind: None
        if read is None
        else tuple(dict.fromkeys(row.id for row in read if IDENTIFIER.match(row.id)))
        for kind, read in rows.items()
    }
    known |= {link: (part.id,) for link, part in older.items()}
    _check_ids(reader, rows)
    points = _read_bench(reader, f"{bench}/converter_points.csv", known["converter"])
    rows["converter"] = _fill_converters(reader, rows["converter"], points)
    records = _records(reader, rows, older)
    _note_doubts(reader, rows, records)
    read_parts = [known[link] for link in LINKS]
    parts = tuple(part for ids in read_parts for part in ids or ())
    spreads = read_spreads(reader, f"{tables}/spreads.csv", records)
    records["cell"] = {name: _pieces(one, spreads) for name, one in records["cell"].items()}
    prices_file = f"{tables}/prices.csv"
    prices, priced = read_prices(reader, prices_file, None if None in read_parts else parts, terms)
    prices, priced = prices and prices.with_free(older.values()), _with_ids(priced, older)
    catalogue = None
    if not reader.faults and prices is not None:
        catalogue = Catalogue(
            parts={link: cast("tuple[Part, ...]", tuple(records[link].values())) for link in LINKS},
            operators=cast("dict[str, Operator]", records["operator"]),
            packs=cast("dict[str, Pack]", records["pack"]),
            prices=prices,
            row_hashes={kind: _row_hashes(kind, table, points) for kind, table in records.items()},
            file_hashes=reader.hashes,
            notes=tuple(reader.notes),
            spreads=spreads,
            converter_reach=_reaches(points or {}),
        )
    return Reading(
        faults=tuple(reader.faults),
        catalogue=catalogue,
        known=known,
        records=records,
        priced=priced,
        prices_file=reader.shown(prices_file),
    )


def _records(
    reader: TableReader, rows: Mapping[str, Sequence[Row] | None], older: Mapping[str, Part]
) -> dict[str, dict[str, Record]]:
    """Kind of row -> id -> record of the rows without a fault, and of what tables came later."""
    found: dict[str, dict[str, Record]] = {
        kind: {
            record.id: record
            for row in read or ()
            if (record := reader.record(row, MODELS[kind])) is not None
        }
        for kind, read in rows.items()
    }
    return found | {link: {part.id: part} for link, part in older.items()}


def _pieces(cell: Record, spreads: Spreads) -> Record:
    """A cell whose pieces differ as its own row says, or else as spreads.csv does."""
    width = piece_spread(spreads, cell)
    if width is None or "piece_spread" in cell.model_fields_set:
        return cell
    return cell.model_copy(update={"piece_spread": width})


def _defaults(tables: Path) -> dict[str, Part]:
    """The parts of links that came after a study whose tables do not have them."""
    files = {name: tables / f"{link.table}.csv" for name, link in LINKS.items()}
    return {
        name: link.default
        for name, link in LINKS.items()
        if link.default is not None and not is_there(files[name])
    }


def _with_ids(priced: frozenset[str] | None, older: Mapping[str, Part]) -> frozenset[str] | None:
    return None if priced is None else priced | {part.id for part in older.values()}


def columns_of(model: type[Record]) -> TableColumns:
    """The columns of the table of a record."""
    lines = Generator.LINE_COLUMNS if model is Generator else ()
    instead = {pattern.format("line"): pattern.format("phase") for pattern in lines}
    return TableColumns.of(model, without=FITTED, instead=instead)


def _note_doubts(
    reader: TableReader,
    rows: Mapping[str, Sequence[Row] | None],
    records: Mapping[str, Mapping[str, Record]],
) -> None:
    """Note values that look like a slip of the pen; they stay as they are."""
    for kind, table in rows.items():
        for row in table or ():
            record = records[kind].get(row.id)
            if record is None:
                continue
            found = row_doubts(kind, record.model_dump())
            if isinstance(record, Generator):
                found = doubts(record, row.cells)
            where = f"{row.file}: row {row.number} ({shown(row.id)})"
            reader.notes += [
                f"{where}, column {column}: {value:.3g} {why}" for column, value, why in found
            ]
            if isinstance(record, Generator) and record.stand_ins:
                reader.notes.append(
                    f"{where}: counts with {', '.join(record.stand_ins)}, for want of a value; "
                    "fill in what the machine bears, and more chains may stand"
                )


def _check_ids(reader: TableReader, rows: Mapping[str, Sequence[Row] | None]) -> None:
    """An id stands once in its table, and once in all tables whose parts have a price."""
    first: dict[tuple[str, str], Row] = {}
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
            reader.faults.append(row.fault("id", f"must be unique, {place} has it too", row.id))


def _read_bench(
    reader: TableReader, name: str, converters: tuple[str, ...] | None
) -> dict[str, list[BenchPoint]] | None:
    rows = reader.rows(name, TableColumns.of(BenchPoint), id_column="converter")
    if rows is None:
        return None
    points: dict[str, list[BenchPoint]] = {}
    for row in rows:
        if row.id and converters is not None and row.id not in converters:
            hint = nearest(row.id, converters)
            reader.faults.append(row.fault("converter", "is not in converters.csv", row.id, hint))
            continue
        point = reader.record(row, BenchPoint)
        if point is not None:
            points.setdefault(point.converter, []).append(point)
    return points


def _fill_converters(
    reader: TableReader,
    rows: Sequence[Row] | None,
    points: Mapping[str, Sequence[BenchPoint]] | None,
) -> list[Row] | None:
    """Rows of converters with the coefficients of the loss fitted to their bench points."""
    if rows is None:
        return None
    filled = []
    for row in rows:
        cells = dict(row.cells)
        if cells:
            cells |= dict.fromkeys(FITTED, "0") | _fit(reader, row, (points or {}).get(row.id, ()))
            if points is not None and len(points.get(row.id, ())) < LEAST_BENCH_POINTS:
                reader.faults.append(
                    row.fault(
                        "",
                        f"needs {LEAST_BENCH_POINTS} points in converter_points.csv",
                        str(len(points.get(row.id, ()))),
                    )
                )
        filled.append(Row(row.file, row.number, row.id, cells))
    return filled


def _fit(reader: TableReader, row: Row, points: Sequence[BenchPoint]) -> dict[str, str]:
    if len(points) < LEAST_BENCH_POINTS:
        return {}
    try:
        output_V = float(row.cells.get("output_V", ""))
    except ValueError:
        return {}  # the record's own check names it
    if not 0 < output_V < float("inf"):
        return {}
    from explorer.physics.converter import fit_loss

    volts, amps, shares = np.array([(p.input_V, p.output_A, p.efficiency) for p in points]).T
    try:
        with np.errstate(over="raise", invalid="raise", divide="raise"):
            fit = fit_loss(volts, amps, shares, output_V)
    except (ValueError, RuntimeError, ArithmeticError) as error:
        reader.faults.append(row.fault("", f"its bench points cannot be fitted: {error}"))
        return {}
    return {name: repr(float(getattr(fit, name))) for name in FITTED}


def _reaches(points: Mapping[str, Sequence[BenchPoint]]) -> dict[str, Reach]:
    found = {}
    for name, some in points.items():
        volts, amps = [one.input_V for one in some], [one.output_A for one in some]
        found[name] = Reach(min(volts), max(volts), min(amps), max(amps))
    return found


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
