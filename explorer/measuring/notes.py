"""Reads a file of notes from the bench: every note becomes a row, or every fault is named."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, get_args

from pydantic import ValidationError

from explorer.errors import Fault, Hint, InputError, nearest
from explorer.inputs.catalogue import IDENTIFIER, MODELS
from explorer.inputs.csv_tables import shown
from explorer.inputs.plausible import implausible
from explorer.inputs.row_doubts import row_doubts
from explorer.inputs.rule_words import rule_of
from explorer.inputs.toml_text import line_of, places_of, read_toml
from explorer.measuring.fitting import ContradictionError, UndeterminedError
from explorer.measuring.instruments import INSTRUMENTS, Instrument, InstrumentNote
from explorer.measuring.note_kinds import NOTE_KINDS, NoteKind
from explorer.measuring.note_records import NoteFault, NoteRecord, PartNote
from explorer.measuring.results import Measured

LARGEST_NOTES_BYTES = 1_000_000
METERS: Mapping[str, str] = {
    "volts": "volts_dc", "input_V": "volts_dc", "output_V": "volts_dc", "before_V": "volts_dc",
    "amps": "amps", "input_A": "amps", "output_A": "amps", "ohms": "ohms", "hertz": "hertz",
    "rpm": "rpm", "kg": "kg", "watts": "watts",
}  # fmt: skip
"""Key of a reading -> the instrument that shows it."""
AC_METERS: Mapping[str, str] = {
    "true_rms": "volts_ac", "average": "volts_ac", "peak": "scope", "peak_to_peak": "scope",
}  # fmt: skip
ODD_TIMES = 2.0
"""A reading so many times what the others expect is called that many times, else by the values."""


@dataclass(frozen=True)
class Notes:
    """A file of notes that reads: when the readings were taken, what each note came to, and the
    row that it names for what it did not measure."""

    path: Path
    dated: date
    measured: tuple[Measured, ...]
    like: Mapping[str, str]
    names: Mapping[str, str]


class _Reader:
    """Gathers faults, each with its line and key."""

    def __init__(self, path: Path, text: str) -> None:
        self.path, self.places = path, places_of(text)
        self.faults: list[Fault] = []

    def fault(self, keys: tuple[Any, ...], rule: str, value: object = "", hint: Hint = "") -> None:
        line = line_of(self.places, keys)
        key = key_path(keys)
        where = f"line {line}, {key}" if line else key
        self.faults.append(Fault(str(self.path), where, rule, _text(value), hint))

    def record(self, keys: tuple[Any, ...], model: type[NoteRecord], given: Any) -> Any:
        """A part of the file as its record; None with the faults noted."""
        try:
            return model.model_validate(given)
        except ValidationError as error:
            for found in error.errors(include_url=False):
                hint: Hint = ""
                rule = rule_of(found)
                if found["type"] == "extra_forbidden":
                    rule, hint = "unknown key", nearest(str(found["loc"][-1]), _keys(model, found))
                value = "" if found["type"] in ("missing", "extra_forbidden") else found["input"]
                if isinstance(value, dict):
                    value = ""
                self.fault((*keys, *found["loc"]), rule, value, hint)
        return None


def read_notes(path: Path, *, today: date | None = None) -> Notes:
    """Read and fit a file of notes; InputError with every fault of it."""
    text, raw = read_toml(path, LARGEST_NOTES_BYTES, "notes")
    reader = _Reader(path, text)
    instruments = _instruments(reader, raw.pop("instruments", {}))
    today = today or date.today()
    dated = raw.pop("dated", today)
    if type(dated) is not date:
        reader.fault(("dated",), "must be a date such as 2026-11-25, without quotes", dated)
        dated = today
    measured, like, names = [], {}, {}
    for name, section in raw.items():
        kind = NOTE_KINDS.get(name)
        if kind is None:
            hint = nearest(name, (*NOTE_KINDS, "dated", "instruments"))
            reader.fault((name,), "unknown kind of note", "", hint)
            continue
        if not isinstance(section, dict) or not section:
            reader.fault((name,), f"must be a table of notes: [{name}.my_{name}]", section or "")
            continue
        for identifier, given in section.items():
            found = _one(reader, kind, identifier, given, instruments)
            if found is None:
                continue
            note, row = found
            measured.append(row)
            names[identifier] = note.name or identifier.replace("_", " ").capitalize()
            if note.like:
                like[identifier] = note.like
    if not raw:
        reader.fault((), f"has no note; kinds are {', '.join(NOTE_KINDS)}")
    if reader.faults:
        raise InputError(reader.faults)
    return Notes(path, dated, tuple(measured), like, names)


def _one(
    reader: _Reader,
    kind: NoteKind,
    identifier: str,
    given: Any,
    instruments: Mapping[str, Instrument],
) -> tuple[PartNote, Measured] | None:
    """One note and its row; None with the faults noted."""
    keys = (kind.name, identifier)
    if not IDENTIFIER.match(identifier):
        rule = "must be lower-case letters, digits and _, a letter first, at most 48"
        reader.fault(keys, rule, identifier)
        return None
    note = reader.record(keys, kind.note, given)
    if note is None:
        return None
    before = len(reader.faults)
    for deeper, value in _absurd(note):
        reader.fault((*keys, *deeper), "is no number that anybody reads at a bench", value)
    for deeper, value, most in _beyond_range(note, instruments):
        reader.fault((*keys, *deeper), f"is beyond the instrument's range of {most:g}", value)
    for column, cell in note.given.items():
        fields = MODELS[kind.name].model_fields
        if column not in fields or column in ("id", "source", "dated"):
            hint = nearest(column, tuple(fields))
            reader.fault((*keys, "given", column), "unknown column", "", hint)
        elif isinstance(cell, str) and _is_number(fields[column].annotation):
            reader.fault((*keys, "given", column), "must be a number", cell)
        elif isinstance(cell, int | float) and (rule := implausible(column, float(cell))):
            reader.fault((*keys, "given", column), f"{rule}: {_slip(column)}", f"{cell:.4g}")
    if len(reader.faults) > before:
        return None
    try:
        row = kind.measured(identifier, note, instruments)
    except NoteFault as error:
        reader.fault((*keys, *error.keys), error.rule, error.value)
        return None
    except ContradictionError as error:
        reader.fault((*keys, *_split(error.first.where)), _contradiction(error))
        return None
    except UndeterminedError as error:
        reader.fault(keys, f"too few readings: they {error}")
        return None
    for column, cell in row.columns.items():
        if isinstance(cell, int | float) and (rule := implausible(column, float(cell))):
            reader.fault((*keys, column), f"{rule}: {_slip(column)}", f"{cell:.4g}")
    found = row_doubts(kind.name, row.columns)
    odd = tuple(f"{column} {value:.3g} {why}" for column, value, why in found)
    return note, replace(row, doubts=(*row.doubts, *odd))


def _contradiction(error: ContradictionError) -> str:
    first, second = error.first, error.second
    ratio = first.value / error.expected if error.expected else float("inf")
    times = max(ratio, 1 / ratio if ratio else float("inf"))
    words = f"contradicts {second.where}: {first.value:.4g} where {error.expected:.4g} would fit"
    if times >= ODD_TIMES:
        words += f", {times:.2g} times apart"
    return words + (": a slip by ten?" if 8 < times < 12.5 else "")


def _split(where: str) -> tuple[str | int, ...]:
    """`open[1]` as keys."""
    keys: list[str | int] = []
    for part in where.split("."):
        name, _, number = part.partition("[")
        keys += [name, int(number[:-1])] if number else [name]
    return tuple(keys)


def key_path(keys: tuple[Any, ...]) -> str:
    """Keys as a person finds them: `generator.my_hub.open[0].volts`, entries counted from 0."""
    text = ""
    for key in keys:
        text += f"[{key}]" if isinstance(key, int) else f".{key}"
    return shown(text.removeprefix("."))


def _text(value: object) -> str:
    return shown(f"{value:.6g}" if isinstance(value, float) else value)


def _keys(model: type[NoteRecord], found: Any) -> tuple[str, ...]:
    """The valid keys where an unknown one stands."""
    here: Any = model
    for key in found["loc"][:-1]:
        if isinstance(key, str) and key in here.model_fields:
            inner = here.model_fields[key].annotation
            here = getattr(inner, "__args__", (inner,))[0]
    return tuple(field.alias or name for name, field in here.model_fields.items())


def _instruments(reader: _Reader, given: Any) -> Mapping[str, Instrument]:
    if not isinstance(given, dict):
        reader.fault(("instruments",), "must be a table", given)
        return INSTRUMENTS
    found = dict(INSTRUMENTS)
    for name, section in given.items():
        if name not in INSTRUMENTS:
            hint = nearest(name, tuple(INSTRUMENTS))
            reader.fault(("instruments", name), "unknown instrument", "", hint)
            continue
        note = reader.record(("instruments", name), InstrumentNote, section)
        if note is not None:
            found[name] = note.applied(INSTRUMENTS[name])
    return found


UNIT_SLIPS = {"mass_kg": "grams instead of kilograms?"}
"""What a number most likely is that no such column has, where it is not a slip by ten."""


def _slip(column: str) -> str:
    return UNIT_SLIPS.get(column, "a slip by ten?")


def _is_number(annotation: Any) -> bool:
    """Whether a column holds numbers, or is empty."""
    return bool({float, int} & {annotation, *get_args(annotation)})


LEAST, MOST = 1e-18, 1e12
"""Between which numbers of a note lie, whatever their unit."""


def _absurd(record: NoteRecord) -> Iterator[tuple[tuple[str | int, ...], float]]:
    """Numbers with which no law can be fitted, since their squares overflow: keys and value."""
    for name in type(record).model_fields:
        value = getattr(record, name)
        for number, one in enumerate(value if isinstance(value, tuple) else (value,)):
            place = (name, number) if isinstance(value, tuple) else (name,)
            if isinstance(one, NoteRecord):
                yield from (((*place, *keys), reading) for keys, reading in _absurd(one))
            elif isinstance(one, int | float) and one and not LEAST < abs(one) < MOST:
                yield place, one


def _beyond_range(
    record: NoteRecord, instruments: Mapping[str, Instrument]
) -> Iterator[tuple[tuple[str | int, ...], float, float]]:
    """Readings that an instrument cannot have shown: keys, value, end of its range."""
    for name in type(record).model_fields:
        value = getattr(record, name)
        if isinstance(value, tuple):
            for number, one in enumerate(value):
                if isinstance(one, NoteRecord):
                    for keys, reading, most in _beyond_range(one, instruments):
                        yield (name, number, *keys), reading, most
        elif isinstance(value, int | float) and name in METERS:
            meter = METERS[name]
            if name == "volts":
                meter = AC_METERS.get(getattr(record, "meter", ""), meter)
            limit = instruments[meter].most
            if limit is not None and value > limit:
                yield (name,), value, limit
