"""Files rows as measured into a study's tables: all of them or none, nothing overwritten unsaid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from explorer.errors import DiskError, Fault, InputError, nearest
from explorer.files import write_atomic
from explorer.inputs.catalogue import FITTED, MODELS, TABLE_NAMES, BenchPoint, columns_of
from explorer.inputs.csv_tables import TableColumns, shown
from explorer.inputs.front_parts import HARMONICS, Generator
from explorer.inputs.links import LINKS
from explorer.inputs.machine_kinds import MACHINE_KINDS
from explorer.inputs.notation import is_formula
from explorer.inputs.plausible import implausible
from explorer.inputs.rule_words import rule_of
from explorer.inputs.spreads import class_text
from explorer.inputs.study import LARGEST_STUDY_BYTES
from explorer.inputs.study_check import StudyCheck
from explorer.inputs.toml_text import read_toml
from explorer.measuring.notes import Notes
from explorer.measuring.results import CellValue, Measured
from explorer.measuring.spread_rows import spread_rows
from explorer.measuring.table_rows import TableText, read_rows

LONGEST_SOURCE = 200
DIGITS = 5
RUN = "begins as a formula does, which a spreadsheet would run"


@dataclass
class _Filing:
    """Tables on their way to be written, by file, and what goes wrong on the way."""

    folder: Path
    sheets: dict[Path, TableText] = field(default_factory=dict)
    as_read: dict[Path, TableText] = field(default_factory=dict)
    changes: list[dict[str, Any]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    kept: set[tuple[str, str]] = field(default_factory=set)
    """Ids with columns in which a row of the table knew better than a class does."""

    def sheet(self, file: Path, new: str = "") -> TableText | None:
        """A table, read once; `new`: what one begins with where there may be none yet."""
        if file not in self.sheets:
            found = read_rows(file, self.folder, new)
            if isinstance(found, Fault):
                self.faults.append(found)
                return None
            self.sheets[file] = self.as_read[file] = found
        return self.sheets[file]

    def write(self) -> None:
        """Write every table, or put back those that were written; DiskError as `write_atomic`."""
        done: list[TableText] = []
        try:
            for one in self.sheets.values():
                if one is not self.as_read[one.file]:
                    write_atomic(one.file, one.text)
                    done.append(one)
        except DiskError:
            for one in done:
                if one.before is None:
                    one.file.unlink(missing_ok=True)
                else:
                    write_atomic(one.file, one.before)
            raise


def file_rows(notes: Notes, study: Path, *, replace: bool = False) -> list[dict[str, Any]]:
    """Write the rows of notes into a study's tables, with their spreads; what changed.

    A change has `file`, `id`, `new` and `columns`: column -> [before, after] as text. InputError,
    and nothing written, where a row is there already and `replace` was not said, or is incomplete.
    """
    text, raw = read_toml(study, LARGEST_STUDY_BYTES, "a study")
    check = StudyCheck(str(study), text, raw)
    folders = check.folders(study.parent)
    if not folders:
        raise InputError(check.faults)
    tables, bench = (study.parent / name for name in folders)
    filing = _Filing(study.parent)
    for one in notes.measured:
        _file_row(filing, notes, one, tables, replace)
        if one.points and not filing.faults:
            _file_points(filing, notes, one, bench / "converter_points.csv", replace)
        if not filing.faults:
            _file_spreads(filing, notes, one, tables / "spreads.csv")
    if filing.faults:
        raise InputError(filing.faults)
    filing.write()
    return filing.changes


def _file_row(filing: _Filing, notes: Notes, one: Measured, tables: Path, replace: bool) -> None:
    file = tables / f"{TABLE_NAMES[one.kind]}.csv"
    sheet = filing.sheet(file)
    if sheet is None:
        return
    at = sheet.find({"id": one.id})
    if at is None and (elsewhere := _elsewhere(filing, one, tables)):
        rule = f"must be unique, {elsewhere} has it too"
        filing.faults.append(Fault(str(notes.path), f"{one.kind}.{one.id}", rule))
        return
    old = sheet.rows[at] if at is not None else {}
    like = notes.like.get(one.id)
    below: Mapping[str, str] = old
    if at is None and like is not None:
        found = sheet.find({"id": like})
        if found is None:
            hint = nearest(like, tuple(row.get("id", "") for row in sheet.rows))
            rule = f"is no row of {file.name}"
            where = f"{one.kind}.{one.id}.like"
            filing.faults.append(Fault(str(notes.path), where, rule, shown(like), hint))
            return
        below = sheet.rows[found]
    filing.kept |= {(one.id, name) for name in one.assumed if _stands(below, name)}
    cells = _cells(sheet, notes, one, below, bool(old))
    sheet = sheet.with_columns(_new_columns(sheet, one, cells))
    changed = {
        column: [old.get(column, ""), cells.get(column, "")]
        for column in sheet.columns if old.get(column, "") != cells.get(column, "")
    }  # fmt: skip
    if old and changed and not replace:
        _refuse(filing, file, one, changed)
        return
    faults = _incomplete(sheet, notes, one, cells)
    filing.faults.extend(faults)
    if faults or not changed:
        return
    filing.sheets[file] = sheet.with_row(cells, at)
    filing.changes.append({"file": str(file), "id": one.id, "new": at is None, "columns": changed})


def _new_columns(sheet: TableText, one: Measured, cells: Mapping[str, str]) -> list[str]:
    """Optional columns that a table does not have yet and that were measured of this row."""
    model = MODELS[one.kind]
    optional = set(columns_of(model).valid) - set(columns_of(model).required)
    return [
        name for name, cell in cells.items()
        if name in optional and cell and name not in one.assumed and name not in sheet.columns
    ]  # fmt: skip


def _refuse(filing: _Filing, file: Path, one: Measured, changed: Mapping[str, list[str]]) -> None:
    shown_changes = ", ".join(
        f"{column} {before or 'empty'} -> {after or 'empty'}"
        for column, (before, after) in changed.items() if column not in ("source", "dated")
    )  # fmt: skip
    rule = f"is there already; to change it, give --replace: {shown_changes or 'source and date'}"
    filing.faults.append(Fault(str(file), one.id, rule))


def _elsewhere(filing: _Filing, one: Measured, tables: Path) -> str:
    """Another table whose parts have a price and that has this id; "" where none has."""
    for link in LINKS if one.kind in LINKS else ():
        file = tables / f"{TABLE_NAMES[link]}.csv"
        if link == one.kind or not file.exists():
            continue
        sheet = filing.sheet(file)
        if sheet is not None and sheet.find({"id": one.id}) is not None:
            return file.name
    return ""


def _cells(
    sheet: TableText, notes: Notes, one: Measured, below: Mapping[str, str], there: bool
) -> dict[str, str]:
    """The cells of a row: what was measured, over what stands `below` it where nothing was."""
    columns = dict(one.columns)
    if below:  # a stand-in counts less than what a row of the table already says
        columns = {
            name: value for name, value in columns.items()
            if name not in one.assumed or not _stands(below, name)
        }  # fmt: skip
    cells = {name: cell for name, cell in below.items() if name in sheet.columns}
    for name, value in columns.items():
        line, phase = name.replace("_phase_", "_line_"), name.replace("_line_", "_phase_")
        if line != phase and name == line and line not in sheet.columns:
            factor = MACHINE_KINDS[str(one.columns["kind"])].line_columns
            pattern = line.replace("_line_", "_{}_")
            name, value = phase, float(value) * factor[pattern]
        for other in {line, phase} - {name}:
            cells.pop(other, None)
        cells[name] = _cell(value)
    cells["id"] = one.id
    if not (there and cells.get("name")):
        cells["name"] = notes.names[one.id]
    cells["source"] = source_of(one)
    cells["dated"] = notes.dated.isoformat()
    return cells


def _stands(below: Mapping[str, str], name: str) -> bool:
    names = {name, name.replace("_line_", "_phase_"), name.replace("_phase_", "_line_")}
    return any(below.get(one) for one in names)


def source_of(one: Measured) -> str:
    """How a row was measured, and which of its columns were not, in at most 200 letters."""
    text = "measured: " + ", ".join(one.how)
    if one.assumed:
        text += "; not measured: " + ", ".join(one.assumed)
    return text if len(text) <= LONGEST_SOURCE else text[: LONGEST_SOURCE - 3] + "..."


def _cell(value: CellValue) -> str:
    if isinstance(value, float):
        value = float(f"{value:.{DIGITS}g}")
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)


def _incomplete(
    sheet: TableText, notes: Notes, one: Measured, cells: Mapping[str, str]
) -> list[Fault]:
    """Columns of a row that are empty or wrong; a wrong header is named as such."""
    model = MODELS[one.kind]
    missing = [column for column, cell in cells.items() if cell and column not in sheet.columns]
    faults = [
        Fault(str(sheet.file), "row of column names", f"column {column} is missing")
        for column in missing if column in columns_of(model).required
    ]  # fmt: skip
    given = {name: cell for name, cell in cells.items() if cell}
    given |= dict.fromkeys(FITTED, "0") if one.kind == "converter" else {}
    where = f"{one.kind}.{one.id}"
    try:
        model.model_validate(given)
    except ValidationError as error:
        for found in error.errors(include_url=False):
            column = str(found["loc"][0]) if found["loc"] else ""
            rule, value = rule_of(found), cells.get(column, "")
            if found["type"] == "missing":
                rule = (
                    f"column {column} was not measured: write given = {{ {column} = ... }}, or "
                    f'name a row of {sheet.file.name} that it is like, as like = "id"'
                )
            else:
                rule = f"column {column} {rule}" if column else rule
            faults.append(Fault(str(notes.path), where, rule, shown(value)))
    for column, cell in given.items():
        try:
            rule = implausible(column, float(cell))
            if column in HARMONICS and not rule and float(cell):
                rule = (
                    "must be empty or 0 in a row that is measured: readings are fitted as of a sine"
                )
        except ValueError:  # a text, which the next one who opens the table must not run
            rule = RUN if is_formula(cell) else ""
        if rule:
            faults.append(Fault(str(notes.path), where, f"column {column} {rule}", cell))
    return faults


def _file_points(filing: _Filing, notes: Notes, one: Measured, file: Path, replace: bool) -> None:
    sheet = filing.sheet(file, ",".join(TableColumns.of(BenchPoint).valid))
    if sheet is None:
        return
    old = [row for row in sheet.rows if row.get("converter") == one.id]
    rows = [
        {column: _cell(value) for column, value in point.items()}
        | {"source": source_of(one), "dated": notes.dated.isoformat()}
        for point in one.points
    ]
    if old == rows:
        return
    if old and not replace:
        rule = f"has {len(old)} points already; to put these in their place, give --replace"
        filing.faults.append(Fault(str(file), one.id, rule))
        return
    sheet = sheet.without({"converter": one.id})
    for row in rows:
        sheet = sheet.with_row(row, None)
    filing.sheets[file] = sheet
    change = {"points": [str(len(old)), str(len(rows))]}
    filing.changes.append({"file": str(file), "id": one.id, "new": not old, "columns": change})


def _file_spreads(filing: _Filing, notes: Notes, one: Measured, file: Path) -> None:
    sheet = filing.sheet(file, class_text())
    table = filing.sheets.get(file.parent / f"{TABLE_NAMES[one.kind]}.csv")
    if sheet is None or table is None:
        return
    at = table.find({"id": one.id})
    filled = table.rows[at] if at is not None else {}
    changed: dict[str, list[str]] = {}
    for spread in spread_rows(one, source_of(one), notes.dated):
        if (one.id, spread.column) in filing.kept:
            continue
        cells = {name: _cell(value) for name, value in spread.model_dump(mode="json").items()}
        if not filled.get(cells["column"]):  # the table holds the other of line and phase
            cells["column"] = _other(cells["column"], filled)
        key = {name: cells[name] for name in ("link", "part", "column")}
        place = sheet.find(key)
        old = sheet.rows[place] if place is not None else {}
        if dict(old) != cells:
            before = f"{old.get('low', '')} to {old.get('high', '')}" if old else ""
            changed[cells["column"]] = [before, f"{cells['low']} to {cells['high']}"]
            sheet = sheet.with_row(cells, place)
    if changed:
        filing.sheets[file] = sheet
        filing.changes.append({"file": str(file), "id": one.id, "new": False, "columns": changed})


def _other(column: str, filled: Mapping[str, str]) -> str:
    for pattern in Generator.LINE_COLUMNS:
        names = (pattern.format("line"), pattern.format("phase"))
        if column in names:
            return next((name for name in names if filled.get(name)), column)
    return column
