"""Decisions: designs locked by a person, in a plain TOML file beside the study.

A lock holds what was known on the day: parts, settings, prices, result, margins, and hashes of what
the result depends on. It is never recomputed behind a person's back; where tables, scenario or
model have changed since, `Lock.stale` says so in words.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from explorer import MODEL_VERSION, costing
from explorer.config import Project
from explorer.errors import DiskError, Fault, InputError, nearest
from explorer.evaluate import design_record
from explorer.files import write_atomic
from explorer.parts import LINKS, SETTINGS, Identifier, NonNegative, Positive
from explorer.space import design_id as id_of
from explorer.store import Numbers, Store, Stored, ids_of
from explorer.tables import rule_of, shown

FORMAT = 1
LONGEST_NOTE = 500
MISTYPED_MOST = 2
"""Digits in which a design's id may differ from a stored one that is offered instead."""
LARGEST_FILE_BYTES = 4_000_000
HEADER = """\
# Designs that somebody decided to build, with the prices and results of that day.
# Written by the lock command; fit to be read, kept and compared by a person.
"""


class _Loose(BaseModel):
    model_config = ConfigDict(frozen=True, extra="allow", allow_inf_nan=False)


class _BillLine(_Loose):
    link: Identifier
    part: Identifier
    quantity: Annotated[int, Field(ge=1)]
    unit_price: NonNegative
    currency: str
    price_dated: date


class _Result(_Loose):
    delivered_energy_J: float
    cost: NonNegative
    currency: str
    mass_kg: NonNegative
    crank_effort_percent: NonNegative
    regime: str
    feasible: bool
    ledger_J: dict[str, float]
    time_to_first_charge_s: NonNegative | None = None
    build_quantity: Annotated[int, Field(ge=1)] | None = None


class _Hashes(_Loose):
    model_version: str
    study: str
    scenario: str
    prices: str
    rows: dict[str, str]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    design_id: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{12}$")]
    date: date
    note: Annotated[str, Field(max_length=LONGEST_NOTE)] = ""
    parts: dict[str, Identifier]
    settings: dict[str, Positive]
    result: _Result
    margins: dict[str, float]
    bill: list[_BillLine]
    hashes: _Hashes


@dataclass(frozen=True)
class Lock:
    """One locked design as its file records it.

    `bill` are the lines of the bill of materials with that day's prices; `result` the other keys of
    a design's result, and for how many kits the prices were; `stale` says why the result no longer
    holds, empty while it does.
    """

    design_id: str
    date: date
    note: str
    parts: Mapping[str, str]
    settings: Mapping[str, float | int]
    result: Mapping[str, Any]
    margins: Mapping[str, float]
    bill: Sequence[Mapping[str, Any]]
    hashes: Mapping[str, Any]
    stale: tuple[str, ...]

    @property
    def record(self) -> dict[str, Any]:
        """The design's result of that day, under the keys it has everywhere, and for how many kits
        its prices were. Dates are ISO 8601 text, as in JSON.
        """
        return {
            "design_id": self.design_id,
            "parts": dict(self.parts),
            "settings": dict(self.settings),
            **self.result,
            "time_to_first_charge_s": self.result.get("time_to_first_charge_s"),
            "margins": dict(self.margins),
            "bill": [
                {**line, "price_dated": line["price_dated"].isoformat()} for line in self.bill
            ],
        }

    @property
    def design(self) -> dict[str, dict[str, Any]]:
        """Parts and settings alone, as a design file states them."""
        return {"parts": dict(self.parts), "settings": dict(self.settings)}


def path_of(project: Project) -> Path:
    """Where the locks of a study stand."""
    return project.path.parent / f"{project.study.name}.lock.toml"


def prepare(
    project: Project,
    store: Store,
    design_id: str,
    note: str = "",
    *,
    stored: Stored | None = None,
    today: date | None = None,
) -> Lock:
    """What a lock of a stored design would hold; writes nothing.

    `stored` saves loading the store again. InputError for a design that the store does not hold
    today, that breaks a rule of physics, or that is locked already.
    """
    path = path_of(project)
    locks = _read(path)
    note = _checked_note(note)
    if any(entry["design_id"] == design_id for entry in locks):
        rule = "is locked already, release it first"
        raise InputError([Fault(str(path), "design_id", rule, shown(design_id))])
    stored = store.load(project)[0] if stored is None else stored
    row = stored.find(design_id)
    if row is None:
        rule = "is no design that the store holds today"
        hint = _alike(design_id, stored.numbers[stored.feasible])
        raise InputError([Fault(str(store.path), "design_id", rule, shown(design_id), hint)])
    one = store.evaluation(project, stored, np.array([row]))
    broken = [name for name, margin in one.margins.items() if margin[0] < 0]
    if not stored.sound[row]:
        rule = f"must keep every rule of physics, it breaks {', '.join(broken)}"
        raise InputError([Fault(str(store.path), "design_id", rule, design_id)])
    lines = costing.bill(project, one.designs, 0)
    cost = float(sum(line["quantity"] * line["unit_price"] for line in lines))
    record = design_record(project, one, 0, cost)
    # As evaluated, to the last digit: the record rounds settings for reading.
    exact = {name: float(one.designs.settings[name][0]) for name in SETTINGS}
    settings = {n: round(v) if n.startswith("cells_") else v for n, v in exact.items()}
    apart = ("design_id", "parts", "settings", "margins", "bill")
    return Lock(
        design_id=design_id,
        date=today or date.today(),
        note=note,
        parts=record["parts"],
        settings=settings,
        result={
            **{k: v for k, v in record.items() if k not in apart},
            "build_quantity": project.study.prices.build_quantity,
        },
        margins=record["margins"],
        bill=[{**line, "price_dated": date.fromisoformat(line["price_dated"])} for line in lines],
        hashes={
            "model_version": MODEL_VERSION,
            "study": project.study_hash,
            "scenario": project.scenario_hash,
            "prices": project.catalogue.prices.content_hash,
            "rows": {
                link: project.catalogue.row_hashes[link][record["parts"][link]] for link in LINKS
            },
        },
        stale=(),
    )


def keep(project: Project, store: Store, decided: Lock) -> Path:
    """Add a prepared lock to the study's lock file and to the history, and return the file.

    DiskError when either cannot be written; the lock file is then as it was.
    """
    path = path_of(project)
    # The history first: what begins there and never ends has left the file alone.
    run = store.begin("lock", {"design_id": decided.design_id, "note": decided.note})
    prices = store.remember_prices(project.catalogue.prices, today=decided.date)
    content = {f.name: getattr(decided, f.name) for f in fields(Lock) if f.name != "stale"}
    _write(path, [*_read(path), content])
    told = {"cost": decided.result["cost"], "currency": decided.result["currency"]}
    store.finish(run, {**told, "prices": prices})
    return path


def lock(
    project: Project,
    store: Store,
    design_id: str,
    note: str = "",
    *,
    stored: Stored | None = None,
    today: date | None = None,
) -> Path:
    """Lock a stored design: `prepare`, then `keep`."""
    return keep(
        project, store, prepare(project, store, design_id, note, stored=stored, today=today)
    )


def release(project: Project, store: Store, design_id: str) -> Path:
    """Take a design out of the lock file; the history keeps that it was there."""
    path, left = path_of(project), others(project, design_id)
    run = store.begin("release", {"design_id": design_id})
    _write(path, left)
    store.finish(run, {})
    return path


def others(project: Project, design_id: str) -> list[dict[str, Any]]:
    """Entries of the study's lock file beside that of a design; InputError when it has none."""
    path = path_of(project)
    locks = _read(path)
    left = [entry for entry in locks if entry["design_id"] != design_id]
    if len(left) == len(locks):
        hint = nearest(design_id, tuple(entry["design_id"] for entry in locks))
        raise InputError([Fault(str(path), "design_id", "is not locked", shown(design_id), hint)])
    return left


def read_locks(project: Project) -> list[Lock]:
    """The study's locks in the order of the file, [] without a file.

    InputError with every fault of a file that was edited wrongly.
    """
    found = []
    for entry in _read(path_of(project)):
        words = tuple(_changes(project, entry["parts"], entry["hashes"]))
        found.append(Lock(**entry, stale=words))
    return found


def _alike(design_id: str, numbers: Numbers) -> str:
    """A hint with the stored design that a mistyped or shortened id may mean; "" without one."""
    length = len(design_id)
    if not numbers.size or not 4 <= length <= 12 or not set(design_id) <= set("0123456789abcdef"):
        return ""
    apart = (numbers >> np.uint64(4 * (12 - length))) ^ np.uint64(int(design_id, 16))
    wrong = sum((apart >> np.uint64(4 * k)) & np.uint64(15) != 0 for k in range(length))
    best = int(wrong.argmin())
    if wrong[best] > MISTYPED_MOST * (length == 12):
        return ""
    return f"nearest: {ids_of(numbers[[best]])[0]}"


def _changes(
    project: Project, parts: Mapping[str, str], hashes: Mapping[str, Any]
) -> Iterator[str]:
    """What the result depends on and is no longer as it was."""
    version = hashes["model_version"]
    if version != MODEL_VERSION:
        yield f"it was computed by model version {version}, now it is {MODEL_VERSION}"
    if hashes["scenario"] != project.scenario_hash:
        yield "session, operators, packs or resistor tolerance of the study have changed"
    for link in LINKS:
        today = project.catalogue.row_hashes[link].get(parts[link])
        if today is None:
            yield f"{link} {parts[link]} is no longer in its table"
        elif today != hashes["rows"][link]:
            yield f"{link} {parts[link]} has changed in its table"


def _checked_note(note: str) -> str:
    note = " ".join(note.split())
    if len(note) > LONGEST_NOTE or not note.isprintable():
        rule = f"must be printable text of at most {LONGEST_NOTE} letters"
        raise InputError([Fault("command line", "note", rule, shown(note))])
    return note


def _write(path: Path, entries: Sequence[Mapping[str, Any]]) -> None:
    import tomli_w

    if not entries:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise DiskError(f"{path}: cannot be removed: {error.strerror or error}") from error
        return
    content = {"format": FORMAT, "locked": [_without_none(entry) for entry in entries]}
    write_atomic(path, HEADER + "\n" + tomli_w.dumps(content))


def _without_none(value: Any) -> Any:
    """TOML has no word for nothing: such keys are left out."""
    if isinstance(value, Mapping):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, list | tuple):
        return [_without_none(v) for v in value]
    return value


def _read(path: Path) -> list[dict[str, Any]]:
    """Checked entries of a lock file as plain values, [] without a file."""
    file = str(path)
    try:
        if not path.exists():
            return []
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise InputError([Fault(file, "", "is over 4 MB, too large for locks")])
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError:
        raise InputError([Fault(file, "", "is not UTF-8 text")]) from None
    except OSError as error:
        rule = f"cannot be read: {error.strerror or error}"
        raise InputError([Fault(file, "", rule)]) from None
    except (ValueError, RecursionError) as error:
        raise InputError([Fault(file, "", f"is not TOML: {error}")]) from None
    if raw.get("format") != FORMAT:
        rule = f"must have format = {FORMAT}, as the lock command of this release writes"
        raise InputError([Fault(file, "format", rule, shown(raw.get("format", "")))])
    given = raw.get("locked", [])
    if not isinstance(given, list):
        raise InputError([Fault(file, "locked", "must be [[locked]] entries")])
    faults = [
        Fault(file, key, "unknown key", hint=nearest(key, ("format", "locked")))
        for key in raw
        if key not in ("format", "locked")
    ]
    entries: list[dict[str, Any]] = []
    for number, item in enumerate(given, 1):
        where = f"locked {number}"
        try:
            entry = _Entry.model_validate(item)
        except ValidationError as error:
            for found in error.errors(include_url=False):
                key = shown(".".join(map(str, (where, *found["loc"]))))
                value = "" if found["type"] in ("missing", "value_error") else found["input"]
                plain = isinstance(value, str | int | float)
                faults.append(Fault(file, key, rule_of(found), shown(value) if plain else ""))
            continue
        faults.extend(_entry_faults(file, where, entry))
        if entry.design_id in (other["design_id"] for other in entries):
            rule = "must be locked once"
            faults.append(Fault(file, f"{where}.design_id", rule, entry.design_id))
        plain_entry = entry.model_dump()
        for name in ("cells_series", "cells_parallel"):
            if name in entry.settings:
                plain_entry["settings"][name] = round(entry.settings[name])
        entries.append(plain_entry)
    if faults:
        raise InputError(faults)
    return entries


def _entry_faults(file: str, where: str, entry: _Entry) -> Iterator[Fault]:
    """What the types cannot say: complete names, and an id that is that of its content."""
    complete = True
    for key, names in (("parts", LINKS), ("settings", SETTINGS), ("hashes.rows", LINKS)):
        given = entry.hashes.rows if key == "hashes.rows" else getattr(entry, key)
        for name in names:
            if name not in given:
                complete = False
                yield Fault(file, f"{where}.{key}.{name}", "must be filled in")
        for name in given:
            if name not in names:
                hint = nearest(name, tuple(names))
                yield Fault(file, f"{where}.{key}.{shown(name)}", "unknown key", hint=hint)
    if complete and (own := id_of(entry.parts, entry.settings)) != entry.design_id:
        rule = f"must be {own}, the id of these parts and settings"
        yield Fault(file, f"{where}.design_id", rule, entry.design_id)
