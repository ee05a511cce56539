"""A log of a chain that runs: its columns, how a file of it is read, what a session would log."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

import numpy as np

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.csv_tables import shown
from explorer.inputs.table_text import NotText, decoded, separator_of
from explorer.model.stepped import Traced
from explorer.units import Array

TIME = "time_s"
COLUMNS = {
    "bus_V": "at the bank's terminals",
    "bus_A": "into the bank, negative where it gives",
    "out_V": "at the pack's input",
    "out_A": "into the pack",
    "cadence_rpm": "turns of the crank a minute",
}
"""Columns of a log beside its time, any of them; SI units as their names say."""
LARGEST_BYTES, FEWEST_ROWS = 20_000_000, 30
BEYOND_METERS = 1e4
"""Beyond it a reading is none."""


@dataclass(frozen=True)
class PlugLog:
    """Readings over time, (n,) each; `columns` holds those of `COLUMNS` that there are."""

    time_s: Array
    columns: dict[str, Array]

    def has(self, *names: str) -> bool:
        """Whether all of some columns are there."""
        return all(name in self.columns for name in names)


def read_log(file: Path) -> PlugLog:
    """A CSV file with `time_s` and one or more of `COLUMNS`. InputError with every fault."""
    text = _text(file)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator_of(text)))
    except csv.Error as error:
        raise InputError([Fault(str(file), "", f"is not a CSV table: {error}")]) from error
    numbered = [(k, row) for k, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]
    if not numbered:
        raise InputError([Fault(str(file), "", "is empty")])
    _, header = numbered[0]
    names = [name.strip() for name in header]
    faults = list(_header_faults(file, names))
    if faults:
        raise InputError(faults)
    values, faults = _values(file, names, numbered[1:])
    if faults:
        raise InputError(faults)
    columns = dict(zip(names, values.T, strict=True))
    time_s = columns.pop(TIME)
    return PlugLog(time_s - time_s[0], columns)


def _text(file: Path) -> str:
    try:
        if not file.is_file():
            rule = "is not a file" if file.exists() else "is missing"
        elif file.stat().st_size > LARGEST_BYTES:
            rule = f"is over {LARGEST_BYTES // 1_000_000} MB, too large for a log"
        else:
            return decoded(file.read_bytes())
    except NotText as error:
        rule = str(error)
    except OSError as error:
        rule = f"cannot be read: {error.strerror or error}"
    raise InputError([Fault(str(file), "", rule)])


def _header_faults(file: Path, names: list[str]) -> Iterator[Fault]:
    known = (TIME, *COLUMNS)
    for name in names:
        if name not in known:
            yield Fault(str(file), name, "is no column of a log", "", nearest(name, known))
        if names.count(name) > 1:
            yield Fault(str(file), name, "stands twice")
    if TIME not in names:
        yield Fault(str(file), TIME, "is missing")
    if not set(names) & set(COLUMNS):
        yield Fault(str(file), "", f"needs one of {', '.join(COLUMNS)} at the least")


def _values(
    file: Path, names: list[str], numbered: list[tuple[int, list[str]]]
) -> tuple[Array, list[Fault]]:
    faults: list[Fault] = []
    values = np.zeros((len(numbered), len(names)))
    for place, (line, row) in enumerate(numbered):
        if len(row) != len(names):
            faults.append(
                Fault(str(file), f"line {line}", f"must have {len(names)} cells", str(len(row)))
            )
            continue
        for column, (name, cell) in enumerate(zip(names, row, strict=True)):
            number = _number(cell)
            if number is None or abs(number) > BEYOND_METERS:
                rule = f"must be a number within {BEYOND_METERS:g}"
                faults.append(Fault(str(file), f"line {line}, {name}", rule, shown(cell)))
            else:
                values[place, column] = number
        time = names.index(TIME)
        if place and values[place, time] <= values[place - 1, time] and not faults:
            rule = "must be later than the row before it"
            faults.append(Fault(str(file), f"line {line}, {TIME}", rule, shown(row[time])))
    if not faults and len(numbered) < FEWEST_ROWS:
        faults.append(Fault(str(file), "", f"needs {FEWEST_ROWS} rows", str(len(numbered))))
    return values, faults


def _number(cell: str) -> float | None:
    try:
        number = float(cell)
    except ValueError:
        return None
    return number if isfinite(number) else None


def as_logged(
    traced: Traced, time_s: Array, *, esr_ohm: float, output_V: float, lead_ohm: float
) -> PlugLog:
    """What a log with all columns would show of a session at some times, with ideal meters that
    average from one time to the next.

    `esr_ohm` of the bank, `output_V` of the converter, `lead_ohm` of its lead to the pack.
    """
    drawn_A = traced.pack_W / output_V
    if lead_ohm > 0:
        root = np.sqrt(np.maximum(output_V**2 - 4 * lead_ohm * traced.pack_W, 0.0))
        drawn_A = (output_V - root) / (2 * lead_ohm)
    pack_V = np.where(traced.pack_W > 0, output_V - lead_ohm * drawn_A, 0.0)
    steps = {
        "bus_V": traced.bus_V,
        "out_V": pack_V,
        "out_A": drawn_A,
        "cadence_rpm": traced.cadence_rpm,
    }
    if esr_ohm > 0:
        steps["bus_A"] = (traced.bus_V - traced.inner_V) / esr_ohm
    return PlugLog(
        time_s, {name: _averaged(traced.time_s, one, time_s) for name, one in steps.items()}
    )


def _averaged(steps_s: Array, values: Array, time_s: Array) -> Array:
    """Means of what holds up to each step (n,) between the times (m,); the first value stays."""
    so_far = np.concatenate([[0.0], np.cumsum(np.diff(steps_s, prepend=0.0) * values)])
    gone = np.interp(time_s, np.concatenate([[0.0], steps_s]), so_far)
    spans = np.maximum(np.diff(time_s), 1e-12)
    return np.concatenate([values[:1], np.diff(gone) / spans])
