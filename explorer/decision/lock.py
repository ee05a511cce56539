"""Decisions: designs locked by a person, kept in the store and in a plain file beside the study.

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
from explorer.decision.decided_file import LONGEST_NOTE, as_kept, entry_of
from explorer.decision.decisions import Decided, changing, decided, decided_path, of_study
from explorer.errors import ExplorerError, Fault, InputError, nearest
from explorer.inputs.csv_tables import shown
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS, WHOLE_SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.names import id_among, id_called
from explorer.model.odds import promise_results
from explorer.model.record import design_record
from explorer.model.space import Designs
from explorer.store.keys import Numbers, ids_of
from explorer.store.promises import odds_of
from explorer.store.results import Store
from explorer.store.stored import Stored

APART = ("design_id", "parts", "settings", "margins", "bill")
"""Keys of a result that have a place of their own in a lock."""
MISTYPED_MOST = 2
"""Digits in which a design's id may differ from a stored one that is offered instead."""


@dataclass(frozen=True)
class Lock:
    """One locked design as it was decided for.

    `bill` are the lines of the bill of materials with that day's prices; `result` the other keys of
    a design's result, and for how many kits the prices were; `stale` says why the result no longer
    holds, empty while it does. `advice` and `options` are what could be done with it on that day
    (`advice.Advice`, `advice.Option`), None in a lock of an earlier release.
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
    hash: str | None = None
    advice: Mapping[str, Any] | None = None
    options: Sequence[Mapping[str, Any]] | None = None

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
            **({"advice": self.advice, "options": self.options} if self.advice else {}),
            "bill": [
                {k: v.isoformat() if isinstance(v, date) else v for k, v in line.items()}
                for line in self.bill
            ],
        }

    @property
    def design(self) -> dict[str, dict[str, Any]]:
        """Parts and settings alone, as a design file states them."""
        return {"parts": dict(self.parts), "settings": dict(self.settings)}


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

    `design_id` may be the design's name. `stored` saves loading the store again. InputError for a
    design that the store does not hold today, that shares its name with another, that breaks a rule
    of physics, or that is locked already.
    """
    note = _checked_note(note)
    found = decided(project, store)
    _refuse_again(decided_path(project), found, id_among(design_id, found.entries))
    stored = store.load(project)[0] if stored is None else stored
    design_id = id_called(design_id, stored.numbers, str(store.path))
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
    lacked = [
        line["part"] for line in costing.bill(project, one.designs, 0) if line["bought"] is None
    ]
    if lacked:
        rule = f"must be one that can be bought, nobody has enough of {', '.join(lacked)}"
        raise InputError([Fault(str(store.path), "design_id", rule, design_id)])
    record = design_record(project, one, 0, float(costing.costs(project, one.designs)[0]))
    return Lock(
        design_id=design_id,
        date=today or date.today(),
        note=note,
        parts=record["parts"],
        settings=_exact_settings(one.designs),
        result={
            **{k: v for k, v in record.items() if k not in APART},
            "build_quantity": project.study.prices.build_quantity,
            **_promise_of_today(project, store, stored, row),
        },
        margins=record["margins"],
        bill=[_dated(line) for line in costing.bill(project, one.designs, 0)],
        hashes=_hashes(project, record["parts"]),
        stale=(),
    )


def _dated(line: Mapping[str, Any]) -> dict[str, Any]:
    """A line of a bill with the day of its price as a date, where it has one."""
    day = line["price_dated"]
    return {**line, "price_dated": date.fromisoformat(day) if day else None}


def _promise_of_today(project: Project, store: Store, stored: Stored, row: int) -> dict[str, float]:
    """What builds of a design have come to by now; nothing where none were drawn."""
    (odds,) = odds_of(project, store, stored.numbers[[row]])
    terms, energy_J = project.study.promise, float(stored.delivered_energy_J[row])
    if project.builds_differ and not odds.draws:
        return {}
    found = promise_results(odds, terms, project.builds_differ, energy_J)
    return {name: value for name, value in found.items() if value is not None}


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
    decision: Lock,
    write_sheet: Callable[[], Sequence[Path]] = no_files,
) -> tuple[Path, Sequence[Path]]:
    """Add a prepared lock to the study's decisions and to the history; their file, and what
    `write_sheet` has written.

    One process at a time does so, so that no decision is lost. InputError when the design was
    locked meanwhile, DiskError when something cannot be written; then nothing has changed, and what
    `write_sheet` wrote is gone. A stop right behind the decision leaves both.
    """
    path = decided_path(project)
    files: Sequence[Path] = ()
    content = {f.name: getattr(decision, f.name) for f in fields(Lock) if f.name != "stale"}
    entry = entry_of(as_kept(content))
    try:
        with changing(project, store) as found:
            _refuse_again(path, found, decision.design_id)
            # The sheet first: without a lock it binds nobody, a lock without it is half a lock.
            files = write_sheet()
            run = store.begin("lock", {"design_id": decision.design_id, "note": decision.note})
            kept = {
                "cost": decision.result["cost"],
                "currency": decision.result["currency"],
                "inputs": changes.remember(project, store),
                "prices": store.remember_prices(project.catalogue.prices, today=decision.date),
            }
            store.finish(run, kept)
            content = as_kept(entry)
            store.decide(decision.design_id, content["hash"], content)
            found.entries[decision.design_id] = {**entry, "hash": content["hash"]}
    except BaseException:
        if not _stands(project, store, decision.design_id):
            for file in files:
                file.unlink(missing_ok=True)
        raise
    return path, files


def _stands(project: Project, store: Store, design_id: str) -> bool:
    """Whether a decision stands all the same, as where a stop came right behind it: it keeps its
    sheet then, which nobody would write any more.
    """
    with suppress(ExplorerError):
        return design_id in decided(project, store).entries
    return False


def _refuse_again(path: Path, found: Decided, design_id: str) -> None:
    if design_id in found.entries:
        rule = "is locked already, release it first"
        raise InputError([Fault(str(path), "design_id", rule, shown(design_id))])


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
    decision = prepare(project, store, design_id, note, stored=stored, today=today)
    return keep(project, store, decision)[0]


def release(project: Project, store: Store, design_id: str) -> Path:
    """Take back the decision for a design; the history keeps that it was there."""
    with changing(project, store) as found:
        design_id = id_among(design_id, found.entries, str(decided_path(project)))
        must_be_locked(project, found, design_id)
        del found.entries[design_id]
    return decided_path(project)


def must_be_locked(project: Project, found: Decided, design_id: str) -> None:
    """InputError where a design, by name or id, is not among the decisions that were found."""
    if id_among(design_id, found.entries) not in found.entries:
        hint = nearest(design_id, tuple(found.entries))
        place = str(decided_path(project))
        raise InputError([Fault(place, "design_id", "is not locked", shown(design_id), hint)])


def locks_of(project: Project, found: Decided) -> list[Lock]:
    """Decisions as locks, with what has changed since, in their order."""
    return [
        Lock(**entry, stale=tuple(_changes(project, entry["parts"], entry["hashes"])))
        for entry in found.entries.values()
    ]


def read_locks(project: Project, store: Store | None = None) -> list[Lock]:
    """The study's locks in their order; of a `store` that is open, or else of the one that is
    there.

    InputError with every fault of a file that was edited wrongly.
    """
    found = of_study(project) if store is None else decided(project, store)
    return locks_of(project, found)


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
