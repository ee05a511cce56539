"""Decisions: designs locked by a person, in a plain TOML file beside the study.

A lock holds what was known on the day: parts, settings, prices, result, margins, and hashes of what
the result depends on. It is never recomputed behind a person's back; where tables, scenario or
model have changed since, `Lock.stale` names it for people.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from explorer import MODEL_VERSION
from explorer.decision import changes
from explorer.decision.lock_file import (
    LONGEST_NOTE,
    read_entries,
    write_entries,
)
from explorer.errors import ExplorerError, Fault, InputError, nearest
from explorer.inputs.csv_tables import shown
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.sections import WHOLE_SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.record import design_record
from explorer.model.space import Designs
from explorer.store.keys import Numbers, ids_of
from explorer.store.results import Store
from explorer.store.stored import Stored

APART = ("design_id", "parts", "settings", "margins", "bill")
"""Keys of a result that have a place of their own in a lock."""
MISTYPED_MOST = 2
"""Digits in which a design's id may differ from a stored one that is offered instead."""


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


def lock_path(project: Project) -> Path:
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
    note = _checked_note(note)
    _refuse_again(lock_path(project), design_id)
    stored = store.load(project)[0] if stored is None else stored
    row = stored.find(design_id)
    if row is None:
        rule = "is no design that the store holds today"
        hint = _alike(design_id, stored.numbers[stored.feasible])
        raise InputError([Fault(str(store.path), "design_id", rule, shown(design_id), hint)])
    one = store.evaluation(project, stored, np.array([row]))
    broken = [name for name, margin in one.margins.items() if margin[0] < 0]
    if not stored.keeps_physics[row]:
        rule = f"must keep every rule of physics, it breaks {', '.join(broken)}"
        raise InputError([Fault(str(store.path), "design_id", rule, design_id)])
    lines = costing.bill(project, one.designs, 0)
    cost = float(costing.money(sum(line["quantity"] * line["unit_price"] for line in lines)))
    record = design_record(project, one, 0, cost)
    return Lock(
        design_id=design_id,
        date=today or date.today(),
        note=note,
        parts=record["parts"],
        settings=_exact_settings(one.designs),
        result={
            **{k: v for k, v in record.items() if k not in APART},
            "build_quantity": project.study.prices.build_quantity,
        },
        margins=record["margins"],
        bill=[{**line, "price_dated": date.fromisoformat(line["price_dated"])} for line in lines],
        hashes=_hashes(project, record["parts"]),
        stale=(),
    )


def _exact_settings(design: Designs) -> dict[str, float | int]:
    """Settings of one design as evaluated, to the last digit: a record rounds them for reading."""
    exact = {name: float(design.settings[name][0]) for name in SETTINGS}
    return {name: round(v) if name in WHOLE_SETTINGS else v for name, v in exact.items()}


def _hashes(project: Project, parts: Mapping[str, str]) -> dict[str, Any]:
    """Hashes of everything that a result depends on."""
    return {
        "model_version": MODEL_VERSION,
        "study": project.study_hash,
        "scenario": project.scenario_hash,
        "prices": project.catalogue.prices.content_hash,
        "rows": {link: project.catalogue.row_hashes[link][parts[link]] for link in LINKS},
    }


def no_files() -> Sequence[Path]:
    """A lock without a build sheet."""
    return ()


def keep(
    project: Project,
    store: Store,
    decided: Lock,
    write_sheet: Callable[[], Sequence[Path]] = no_files,
) -> tuple[Path, Sequence[Path]]:
    """Add a prepared lock to the study's lock file and to the history; the file, and what
    `write_sheet` has written.

    One process at a time reads, changes and writes the file, so that no decision is lost.
    InputError when the design was locked meanwhile, DiskError when something cannot be written;
    then nothing has changed, and what `write_sheet` wrote is gone.
    """
    path = lock_path(project)
    files: Sequence[Path] = ()
    written = False
    try:
        with store.alone():
            entries = _refuse_again(path, decided.design_id)
            # The sheet first: without a lock it binds nobody, a lock without it is half a lock.
            files = write_sheet()
            run = store.begin("lock", {"design_id": decided.design_id, "note": decided.note})
            kept = {
                "cost": decided.result["cost"],
                "currency": decided.result["currency"],
                "inputs": changes.remember(project, store),
                "prices": store.remember_prices(project.catalogue.prices, today=decided.date),
            }
            store.finish(run, kept)
            content = {f.name: getattr(decided, f.name) for f in fields(Lock) if f.name != "stale"}
            write_entries(path, [*entries, content])
            written = True
    except BaseException:
        for file in files:
            file.unlink(missing_ok=True)
        if written:  # the history could not be closed
            with suppress(ExplorerError), store.alone():
                write_entries(
                    path, [e for e in read_entries(path) if e["design_id"] != decided.design_id]
                )
        raise
    return path, files


def _refuse_again(path: Path, design_id: str) -> list[dict[str, Any]]:
    """The entries of a lock file; InputError when one is of this design."""
    entries = read_entries(path)
    if any(entry["design_id"] == design_id for entry in entries):
        rule = "is locked already, release it first"
        raise InputError([Fault(str(path), "design_id", rule, shown(design_id))])
    return entries


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
    decided = prepare(project, store, design_id, note, stored=stored, today=today)
    return keep(project, store, decided)[0]


def release(project: Project, store: Store, design_id: str) -> Path:
    """Take a design out of the lock file; the history keeps that it was there."""
    path = lock_path(project)
    with store.alone():
        left = others(project, design_id)
        store.finish(store.begin("release", {"design_id": design_id}), {})
        write_entries(path, left)
    return path


def others(project: Project, design_id: str) -> list[dict[str, Any]]:
    """Entries of the study's lock file beside that of a design; InputError when it has none."""
    path = lock_path(project)
    locks = read_entries(path)
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
    for entry in read_entries(lock_path(project)):
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
        elif link in hashes["rows"] and today != hashes["rows"][link]:
            yield f"{link} {parts[link]} has changed in its table"


def _checked_note(note: str) -> str:
    note = " ".join(note.split())
    if len(note) > LONGEST_NOTE or not note.isprintable():
        rule = f"must be printable text of at most {LONGEST_NOTE} letters"
        raise InputError([Fault("command line", "note", rule, shown(note))])
    return note
