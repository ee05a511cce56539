"""The store: every result ever computed, beside its study, appended and never changed.

One SQLite file a study. A block is a batch of designs as raw little-endian columns, written in one
transaction together with the search's progress, so that a killed search goes on where it was. What
a later run may read of a block back is decided row by row: model version, scenario and the physics
of every used part must be those of today. Prices are no part of a result.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime
from hashlib import blake2b
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer import MODEL_VERSION
from explorer.errors import DiskError, ExplorerError, Fault, InputError
from explorer.inputs.catalogue import Catalogue
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.links import LINKS
from explorer.inputs.prices import Price, Prices
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project, Study
from explorer.model.evaluate import Case, Evaluation
from explorer.model.margins import OF_LIMITS, limit_margins
from explorer.model.space import Designs, Rows, plain_setting
from explorer.units import Array

APPLICATION_ID = 0x6863_6731
SCHEMA_VERSION = 1
BLOCK_ROWS = 65_536
"""Most designs in a block: some 40 MB, so that reading back a few rows stays cheap."""
WAIT_S = 30.0
"""How long one process waits for another that is writing."""
MOST_PART_VERSIONS = 2**15 - 1

Numbers = NDArray[np.uint64]
"""Design ids as numbers: the 12 hexadecimal digits read as one."""

_SCHEMA = """
CREATE TABLE vocabulary (
    link TEXT NOT NULL, number INTEGER NOT NULL, part TEXT NOT NULL, physics TEXT NOT NULL,
    PRIMARY KEY (link, number), UNIQUE (link, part, physics));
CREATE TABLE context (
    id INTEGER PRIMARY KEY, model TEXT NOT NULL, scenario TEXT NOT NULL, columns TEXT NOT NULL,
    UNIQUE (model, scenario, columns));
CREATE TABLE block (
    id INTEGER PRIMARY KEY AUTOINCREMENT, context INTEGER NOT NULL REFERENCES context,
    count INTEGER NOT NULL, source TEXT NOT NULL, written TEXT NOT NULL, designs BLOB NOT NULL);
CREATE TABLE detail (block INTEGER PRIMARY KEY REFERENCES block, results BLOB NOT NULL);
CREATE TABLE progress (key TEXT PRIMARY KEY, saved TEXT NOT NULL, state TEXT NOT NULL);
CREATE TABLE run (
    id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, begun TEXT NOT NULL,
    intent TEXT NOT NULL);
CREATE TABLE outcome (
    run INTEGER PRIMARY KEY REFERENCES run, ended TEXT NOT NULL, result TEXT NOT NULL);
CREATE TABLE price_list (hash TEXT PRIMARY KEY, first_used TEXT NOT NULL, list TEXT NOT NULL);
CREATE TABLE price (
    part TEXT NOT NULL, from_quantity INTEGER NOT NULL, price REAL NOT NULL,
    currency TEXT NOT NULL, dated TEXT NOT NULL, first_used TEXT NOT NULL,
    UNIQUE (part, from_quantity, price, currency, dated));
CREATE TABLE front (hash TEXT PRIMARY KEY, designs BLOB NOT NULL, points BLOB NOT NULL);
"""

_HOT = (
    ("parts", "<i2", len(LINKS)),
    ("settings", "<f8", len(SETTINGS)),
    ("numbers", "<u8", 1),
    ("delivered_energy_J", "<f8", 1),
    ("mass_kg", "<f8", 1),
    ("crank_effort_percent", "<f8", 1),
    ("time_to_first_charge_s", "<f8", 1),
    ("regime", "<i1", 1),
    ("sound", "<i1", 1),
)
"""Columns of a block that repricing reads, in this order: name, type, how many."""


@dataclass(frozen=True)
class Stored:
    """What repricing needs of `n` stored designs, (n,) arrays.

    `sound` is True where every rule of physics is kept; the study's own limits are another matter,
    see `feasible`. `places` says where in the store a design stands, for `Store.evaluation`.
    """

    designs: Designs
    delivered_energy_J: Array
    mass_kg: Array
    crank_effort_percent: Array
    time_to_first_charge_s: Array
    regime: NDArray[np.int8]
    sound: NDArray[np.bool_]
    feasible: NDArray[np.bool_]
    numbers: Numbers
    places: Rows

    def __len__(self) -> int:
        return len(self.numbers)

    def objectives(self, cost: Array) -> Array:
        """The four objectives, all minimised: (n, 4)."""
        columns = (-self.delivered_energy_J, cost, self.mass_kg, self.crank_effort_percent)
        return np.stack(columns, axis=1)

    def take(self, rows: Rows | NDArray[np.bool_]) -> Stored:
        """The designs at some rows, or where a mask holds."""
        columns = {f.name: getattr(self, f.name)[rows] for f in fields(self)[1:]}
        return Stored(self.designs.take(rows), **columns)

    def find(self, design_id: str) -> int | None:
        """Row of a design, None when it is not here or the id is no id."""
        try:
            rows = np.flatnonzero(self.numbers == np.uint64(int(design_id, 16)))
        except (ValueError, OverflowError):
            return None
        return int(rows[0]) if rows.size else None


class Reuse(NamedTuple):
    """How many stored designs hold today, and why the others do not: (words, designs).

    A design with several reasons is counted under each of them.
    """

    stored: int
    reusable: int
    reasons: tuple[tuple[str, int], ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """The same for a person to read, one line a reason."""
        if not self.stored:
            return ("the store holds no designs yet",)
        head = f"{self.reusable:,} of {self.stored:,} stored designs can be reused"
        return (head, *(f"{count:,} not: {words}" for words, count in self.reasons))


class Run(NamedTuple):
    """An entry of the history; `ended` and `result` are None while a run is unfinished."""

    id: int
    kind: str
    begun: str
    intent: dict[str, Any]
    ended: str | None
    result: dict[str, Any] | None


class PriceSeen(NamedTuple):
    """A price that was once in force, and the day it was first used."""

    part: str
    from_quantity: int
    price: float
    currency: str
    dated: str
    first_used: str


def path_of(project: Project) -> Path:
    """Where the store of a study stands."""
    return project.path.parent / f"{project.study.name}.store.sqlite"


def search_key(project: Project) -> str:
    """Name of a search: the same exactly while its stored progress holds.

    Counts the model, the scenario, the physics of the parts that may be chosen, settings, limits
    and search options; not prices, nor the limit on cost.
    """
    study, catalogue = project.study, project.catalogue
    limits = study.limits.model_dump(mode="json", exclude={"cost"})
    rows = {
        link: [(part, catalogue.row_hashes[link][part]) for part in study.choices[link]]
        for link in LINKS
    }
    settings = {name: study.settings[name].model_dump(mode="json") for name in SETTINGS}
    search = study.search.model_dump(mode="json", exclude={"minutes", "cluster"})
    return content_hash([MODEL_VERSION, project.scenario_hash, rows, settings, limits, search])


def design_numbers(catalogue: Catalogue, designs: Designs) -> Numbers:
    """Ids of many designs as numbers, (n,); the same as `space.design_id`, some ten times faster.

    >>> f"{int(np.uint64(0xab)):012x}"
    '0000000000ab'
    """
    columns: list[list[str]] = []
    for link in LINKS:
        words = [f"{link}={part.id}" for part in catalogue.parts[link]]
        columns.append([words[row] for row in designs.parts[link].tolist()])
    for name in SETTINGS:
        values, inverse = np.unique(designs.settings[name], return_inverse=True)
        words = [f"{name}={plain_setting(name, value)}" for value in values]
        columns.append([words[row] for row in inverse.reshape(-1).tolist()])
    digests = b"".join(
        blake2b(";".join(words).encode(), digest_size=6).digest().rjust(8, b"\0")
        for words in zip(*columns, strict=True)
    )
    return np.frombuffer(digests, dtype=">u8").astype(np.uint64)


def ids_of(numbers: Iterable[int]) -> list[str]:
    """Design ids from their numbers."""
    return [f"{int(number):012x}" for number in numbers]


class Store:
    """An open store; use as a context manager. Every failure is one line (ExplorerError)."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection

    @classmethod
    def open(cls, path: str | Path, *, read_only: bool = False, existing: bool = False) -> Store:
        """Open a store, made when missing unless `read_only` or `existing`.

        InputError for a file of another program, of a newer version, or none where one must be;
        DiskError where it cannot be opened or written.
        """
        path = Path(path)
        if (read_only or existing) and not path.exists():
            raise InputError([Fault(str(path), "", "no results are stored yet, launch first")])
        mode = "ro" if read_only else "rwc"
        with _told(path):
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode={mode}",
                uri=True,
                timeout=WAIT_S,
                isolation_level=None,
            )
        store = cls(path, connection)
        try:
            store._recognise(read_only)
        except BaseException:
            connection.close()
            raise
        return store

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # ---- results

    def append(
        self,
        project: Project,
        evaluation: Evaluation,
        source: str,
        *,
        progress: tuple[str, Mapping[str, Any]] | None = None,
    ) -> None:
        """Add results, and the state of the search that found them, in one transaction.

        `source` says what computed them; `progress` is a key and a state as in `save_progress`.
        """
        numbers = design_numbers(project.catalogue, evaluation.designs)
        names, values = _detail_columns(evaluation)
        physical = [m for name, m in evaluation.margins.items() if name not in OF_LIMITS]
        sound = np.all([m >= 0 for m in physical], axis=0)
        with self._transaction():
            context = self._context(project, names)
            vocabulary = self._vocabulary(project.catalogue, evaluation.designs)
            hot: dict[str, list[NDArray[Any]]] = {
                "parts": [vocabulary[k][evaluation.designs.parts[k]] for k in LINKS],
                "settings": [evaluation.designs.settings[name] for name in SETTINGS],
                "numbers": [numbers],
                **{n: [getattr(evaluation, n)] for n in _OBJECTIVE_FIELDS},
                "regime": [evaluation.regime],
                "sound": [np.broadcast_to(sound, numbers.shape)],
            }
            for start in range(0, len(evaluation), BLOCK_ROWS):
                rows = slice(start, start + BLOCK_ROWS)
                blob = b"".join(
                    np.ascontiguousarray(column[rows], dtype=kind).tobytes()
                    for name, kind, _ in _HOT
                    for column in hot[name]
                )
                block = self._connection.execute(
                    "INSERT INTO block (context, count, source, written, designs)"
                    " VALUES (?, ?, ?, ?, ?)",
                    (context, len(numbers[rows]), source, _now(), blob),
                ).lastrowid
                results = np.stack([v[rows] for v in values]).astype("<f8").tobytes()
                self._connection.execute("INSERT INTO detail VALUES (?, ?)", (block, results))
            if progress is not None:
                self._save_progress(*progress)

    def load(self, project: Project) -> tuple[Stored, Reuse]:
        """Every design that holds today, once, and what is to be said of the others.

        Rows of parts are those of today's tables. Designs that today's study may not choose are
        left out, too; infeasible ones are not, see `Stored.feasible`.
        """
        total, contexts, reasons = self._matching(project)
        blocks = self._blocks(contexts)
        count = sum(block.rows for block in blocks)
        hot = {
            name: np.empty((many, count), dtype=np.dtype(kind).newbyteorder("="))
            for name, kind, many in _HOT
        }
        start = 0
        for block in blocks:
            with _told(self.path):
                (blob,) = self._connection.execute(
                    "SELECT designs FROM block WHERE id = ?", (block.id,)
                ).fetchone()
            offset = 0
            for name, kind, many in _HOT:
                column = np.frombuffer(blob, kind, many * block.rows, offset)
                hot[name][:, start : start + block.rows] = column.reshape(many, block.rows)
                offset += column.nbytes
            start += block.rows
        parts, usable = self._remapped(project, hot["parts"], reasons)
        settings = dict(zip(SETTINGS, hot["settings"], strict=True))
        for name in SETTINGS:
            allowed = _allowed(project.study, name, settings[name])
            _note(reasons, f"{name} is outside the study's settings", int((~allowed).sum()))
            usable &= allowed
        usable &= _first_of_each(hot["numbers"][0], usable, [*parts.values(), *settings.values()])
        sound = hot["sound"][0].astype(bool)
        objectives = {name: hot[name][0] for name in _OBJECTIVE_FIELDS}
        limits = limit_margins(project.study, *objectives.values())
        stored = Stored(
            designs=Designs(parts, settings),
            **objectives,
            regime=hot["regime"][0],
            sound=sound,
            feasible=np.all([sound, *(m >= 0 for m in limits.values())], axis=0),
            numbers=hot["numbers"][0],
            places=np.arange(count),
        )
        if not usable.all():
            stored = stored.take(usable)
        return stored, Reuse(total, len(stored), tuple(reasons.items()))

    def evaluation(
        self, project: Project, stored: Stored, rows: Rows | NDArray[np.bool_] | None = None
    ) -> Evaluation:
        """The full results of some rows of what `load` returned (all of them by default).

        Margins to the study's limits are those of today's study.
        """
        chosen = stored if rows is None else stored.take(rows)
        _, contexts, _ = self._matching(project)
        names = json.loads(contexts[max(contexts)]) if contexts else []
        values = np.empty((len(names), len(chosen)))
        order = np.argsort(chosen.places, kind="stable")
        places, start = chosen.places[order], 0
        for block in self._blocks(contexts):
            first, last = np.searchsorted(places, (start, start + block.rows))
            if last > first:
                with _told(self.path):
                    (blob,) = self._connection.execute(
                        "SELECT results FROM detail WHERE block = ?", (block.id,)
                    ).fetchone()
                columns = np.frombuffer(blob, "<f8").reshape(len(names), block.rows)
                values[:, order[first:last]] = columns[:, places[first:last] - start]
            start += block.rows
        objectives = {name: getattr(chosen, name) for name in _OBJECTIVE_FIELDS}
        groups: dict[str, Any] = {"margins": {}, "ledger_J": {}, "readings": {}}
        cases: dict[tuple[str, str], dict[str, Array]] = {}
        for name, column in zip(names, values, strict=True):
            group, _, rest = name.partition(":")
            if group == "case":
                operator, pack, result = rest.split(":")
                cases.setdefault((operator, pack), {})[result] = column
            else:
                groups[group][rest] = column
        groups["margins"] |= limit_margins(project.study, *objectives.values())
        return Evaluation(
            designs=chosen.designs,
            **objectives,
            regime=chosen.regime,
            **groups,
            cases=tuple(
                Case(
                    operator,
                    pack,
                    told["delivered_energy_J"],
                    told["crank_effort_percent"],
                    told["regime"].astype(np.int8),
                    told["time_to_first_charge_s"],
                )
                for (operator, pack), told in cases.items()
            ),
        )

    # ---- the search's own memory

    def search_progress(self, key: str) -> dict[str, Any]:
        """The state last saved under a key, {} when there is none."""
        with _told(self.path):
            found = self._connection.execute(
                "SELECT state FROM progress WHERE key = ?", (key,)
            ).fetchone()
        return dict(json.loads(found[0])) if found else {}

    def save_progress(self, key: str, state: Mapping[str, Any]) -> None:
        """Save the state of a search; with results, let `append` do it in the same transaction."""
        with self._transaction():
            self._save_progress(key, state)

    # ---- history

    def begin(self, kind: str, intent: Mapping[str, Any]) -> int:
        """Note that something begins (launch, rerun, lock, release ...); returns its number."""
        with self._transaction():
            run = self._connection.execute(
                "INSERT INTO run (kind, begun, intent) VALUES (?, ?, ?)",
                (kind, _now(), _json(intent)),
            ).lastrowid
        return int(run or 0)

    def finish(self, run: int, result: Mapping[str, Any]) -> None:
        """Note how it ended."""
        with self._transaction():
            self._connection.execute(
                "INSERT INTO outcome VALUES (?, ?, ?)", (run, _now(), _json(result))
            )

    def history(self) -> list[Run]:
        """Everything that was begun, oldest first."""
        with _told(self.path):
            found = self._connection.execute(
                "SELECT id, kind, begun, intent, ended, result"
                " FROM run LEFT JOIN outcome ON run = id ORDER BY id"
            ).fetchall()
        return [
            Run(id_, kind, begun, json.loads(intent), ended, result and json.loads(result))
            for id_, kind, begun, intent, ended, result in found
        ]

    # ---- prices and fronts of the past

    def remember_prices(self, prices: Prices, *, today: date | None = None) -> str:
        """Keep every price with its date; returns a name for `prices_of`."""
        day = (today or date.today()).isoformat()
        rows = [price for breaks in prices.breaks.values() for price in breaks]
        content = {
            "currency": prices.currency,
            "rates": dict(prices.rates),
            "breaks": [price.model_dump(mode="json") for price in rows],
        }
        name = content_hash(content)
        with self._transaction():
            self._connection.execute(
                "INSERT OR IGNORE INTO price_list VALUES (?, ?, ?)", (name, day, _json(content))
            )
            self._connection.executemany(
                "INSERT OR IGNORE INTO price VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (p.part, p.from_quantity, p.amount, p.currency, p.dated.isoformat(), day)
                    for p in rows
                ],
            )
        return name

    def prices_of(self, name: str) -> Prices:
        """Prices as they were when `remember_prices` returned this name."""
        with _told(self.path):
            found = self._connection.execute(
                "SELECT list FROM price_list WHERE hash = ?", (name,)
            ).fetchone()
        if not found:
            raise ExplorerError(f"{self.path}: holds no price list {name}")
        content = json.loads(found[0])
        breaks: dict[str, tuple[Price, ...]] = {}
        for row in content["breaks"]:
            price = Price.model_validate(row)
            breaks[price.part] = (*breaks.get(price.part, ()), price)
        return Prices(breaks, content["currency"], content["rates"], name)

    def prices_used(self, part: str | None = None) -> list[PriceSeen]:
        """Every price ever used (of one part), in the order of first use."""
        with _told(self.path):
            found = self._connection.execute(
                "SELECT * FROM price WHERE part = coalesce(?, part) ORDER BY rowid", (part,)
            ).fetchall()
        return [PriceSeen(*row) for row in found]

    def keep_front(self, numbers: Numbers, points: Array) -> str:
        """Keep a front, ids (n,) and objectives (n, m); returns a name for `front_of`."""
        designs = numbers.astype("<u8").tobytes()
        values = np.ascontiguousarray(points, dtype="<f8").tobytes()
        name = blake2b(designs + values, digest_size=8).hexdigest()
        with self._transaction():
            self._connection.execute(
                "INSERT OR IGNORE INTO front VALUES (?, ?, ?)", (name, designs, values)
            )
        return name

    def front_of(self, name: str) -> tuple[Numbers, Array]:
        """A front that was kept: ids and objectives."""
        with _told(self.path):
            found = self._connection.execute(
                "SELECT designs, points FROM front WHERE hash = ?", (name,)
            ).fetchone()
        if not found:
            raise ExplorerError(f"{self.path}: holds no front {name}")
        numbers = np.frombuffer(found[0], "<u8").astype(np.uint64)
        points = np.frombuffer(found[1], "<f8").astype(float)
        return numbers, points.reshape(len(numbers), -1) if len(numbers) else points.reshape(0, 4)

    # ---- inside

    def _recognise(self, read_only: bool) -> None:
        """Make the tables of a new file; refuse a file that is not ours or too new."""
        with _told(self.path):
            if read_only:
                self._check()
                return
            # Under the write lock: of two that open a new file at once, one makes the tables.
            with self._transaction():
                empty = not self._connection.execute("SELECT 1 FROM sqlite_master").fetchone()
                if empty and not self._pragma("application_id"):
                    for statement in _SCHEMA.split(";"):
                        self._connection.execute(statement)
                    self._connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    self._connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
                self._check()

    def _check(self) -> None:
        if self._pragma("application_id") != APPLICATION_ID:
            raise InputError([Fault(str(self.path), "", "is no store of this program")])
        version = self._pragma("user_version")
        if version != SCHEMA_VERSION:
            rule = f"must be a store of version {SCHEMA_VERSION}, another release wrote it"
            raise InputError([Fault(str(self.path), "", rule, str(version))])

    def _pragma(self, name: str) -> int:
        return int(self._connection.execute(f"PRAGMA {name}").fetchone()[0])

    @contextmanager
    def alone(self) -> Iterator[None]:
        """All or nothing while no other process writes: for what is read, changed and written.

        Whatever is kept within is kept at its end. Another writer waits up to `WAIT_S`.
        """
        with self._transaction():
            yield

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """All or nothing, alone; one within another is part of it."""
        if self._connection.in_transaction:
            yield
            return
        with _told(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:  # a full disk has rolled back already
                    self._connection.execute("ROLLBACK")
                raise

    def _save_progress(self, key: str, state: Mapping[str, Any]) -> None:
        self._connection.execute(
            "INSERT OR REPLACE INTO progress VALUES (?, ?, ?)", (key, _now(), _json(state))
        )

    def _context(self, project: Project, names: Sequence[str]) -> int:
        row = (MODEL_VERSION, project.scenario_hash, _json(names))
        self._connection.execute(
            "INSERT OR IGNORE INTO context (model, scenario, columns) VALUES (?, ?, ?)", row
        )
        found = self._connection.execute(
            "SELECT id FROM context WHERE (model, scenario, columns) = (?, ?, ?)", row
        ).fetchone()
        return int(found[0])

    def _vocabulary(self, catalogue: Catalogue, designs: Designs) -> dict[str, NDArray[np.int16]]:
        """Link -> number in the vocabulary of each row of today's table, new ones added."""
        numbers = {}
        for link in LINKS:
            known = {
                (part, physics): number
                for part, physics, number in self._connection.execute(
                    "SELECT part, physics, number FROM vocabulary WHERE link = ?", (link,)
                )
            }
            row_numbers = np.full(len(catalogue.parts[link]), -1, dtype=np.int16)
            for row in np.unique(designs.parts[link]).tolist():
                part = catalogue.parts[link][row].id
                key = (part, catalogue.row_hashes[link][part])
                if key not in known:
                    known[key] = len(known)
                    if known[key] > MOST_PART_VERSIONS:
                        raise ExplorerError(f"{self.path}: holds too many versions of {link} parts")
                    self._connection.execute(
                        "INSERT INTO vocabulary (link, number, part, physics) VALUES (?, ?, ?, ?)",
                        (link, known[key], *key),
                    )
                row_numbers[row] = known[key]
            numbers[link] = row_numbers
        return numbers

    def _matching(self, project: Project) -> tuple[int, dict[int, str], dict[str, int]]:
        """Designs in the store; contexts that hold today with their columns; reasons against."""
        with _told(self.path):
            found = self._connection.execute(
                "SELECT context.id, model, scenario, columns, sum(count)"
                " FROM context JOIN block ON context = context.id GROUP BY context.id"
                " ORDER BY context.id"
            ).fetchall()
        reasons: dict[str, int] = {}
        total, contexts = 0, {}
        for id_, model, scenario, columns, count in found:
            total += count
            if model != MODEL_VERSION:
                words = f"computed by model version {model}, now it is {MODEL_VERSION}"
                _note(reasons, words, count)
            elif scenario != project.scenario_hash:
                words = (
                    "computed for another session, operator, pack or resistor tolerance than the "
                    "study's of today"
                )
                _note(reasons, words, count)
            else:
                contexts[id_] = columns
        latest = contexts[max(contexts)] if contexts else ""
        for id_, columns in list(contexts.items()):
            if columns != latest:
                count = next(row[4] for row in found if row[0] == id_)
                _note(reasons, "stored with other margins or readings than today's", count)
                del contexts[id_]
        return total, contexts, reasons

    def _blocks(self, contexts: Mapping[int, str]) -> list[_Block]:
        with _told(self.path):
            found = self._connection.execute("SELECT id, context, count FROM block ORDER BY id")
            return [_Block(id_, count) for id_, context, count in found if context in contexts]

    def _remapped(
        self, project: Project, numbers: NDArray[np.int16], reasons: dict[str, int]
    ) -> tuple[dict[str, Rows], NDArray[np.bool_]]:
        """Rows in today's tables of vocabulary numbers (links, n), and where all are usable."""
        catalogue, choices = project.catalogue, project.study.choices
        usable = np.ones(numbers.shape[1], dtype=bool)
        parts: dict[str, Rows] = {}
        for link, column in zip(LINKS, numbers, strict=True):
            with _told(self.path):
                entries = self._connection.execute(
                    "SELECT part, physics FROM vocabulary WHERE link = ? ORDER BY number", (link,)
                ).fetchall()
            rows_today = {part.id: row for row, part in enumerate(catalogue.parts[link])}
            rows = np.zeros(max(len(entries), 1), dtype=np.int64)
            counts = np.bincount(column, minlength=len(rows))
            for number, (part, physics) in enumerate(entries):
                if part not in rows_today:
                    words = f"{link} {part} is no longer in its table"
                elif physics != catalogue.row_hashes[link][part]:
                    words = f"{link} {part} has changed in its table"
                elif part not in choices[link]:
                    words = f"{link} {part} is not among the study's choices"
                else:
                    rows[number] = rows_today[part]
                    continue
                rows[number] = -1
                _note(reasons, words, int(counts[number]))
            parts[link] = rows[column]
            if (rows < 0).any():
                usable &= parts[link] >= 0
        return parts, usable


class _Block(NamedTuple):
    id: int
    rows: int


_OBJECTIVE_FIELDS = (
    "delivered_energy_J",
    "mass_kg",
    "crank_effort_percent",
    "time_to_first_charge_s",
)


def _detail_columns(evaluation: Evaluation) -> tuple[list[str], list[Array]]:
    """Everything but the objectives as named columns; limits are left out, see `limit_margins`."""
    columns: dict[str, Any] = {}
    for group in ("margins", "ledger_J", "readings"):
        for name, value in getattr(evaluation, group).items():
            if not (group == "margins" and name in OF_LIMITS):
                columns[f"{group}:{name}"] = value
    for case in evaluation.cases:
        for name, value in zip(case._fields[2:], case[2:], strict=True):
            columns[f"case:{case.operator}:{case.pack}:{name}"] = value
    return list(columns), list(columns.values())


def _allowed(study: Study, name: str, values: Array) -> NDArray[np.bool_]:
    """Where a setting is one that the study may choose, to the digits that an id keeps."""
    setting = study.settings[name]
    if setting.continuous:
        slack = 1e-6 * setting.high
        return np.asarray((values >= setting.low - slack) & (values <= setting.high + slack))
    grid = np.asarray(setting.values)
    middle = (grid[1:] + grid[:-1]) / 2
    nearest = grid[np.searchsorted(middle, values)]
    return np.asarray(np.abs(values - nearest) <= 1e-6 * nearest)


def _first_of_each(
    numbers: Numbers, usable: NDArray[np.bool_], genes: Sequence[NDArray[Any]]
) -> NDArray[np.bool_]:
    """False where an earlier usable row is the same design.

    Rows with equal numbers are the same unless their genes say otherwise: among a million designs
    two ids meet by chance once in some hundred stores.
    """
    rows = np.flatnonzero(usable)
    order = rows[np.argsort(numbers[rows], kind="stable")]
    again = np.flatnonzero(numbers[order][1:] == numbers[order][:-1])
    first = np.ones(len(numbers), dtype=bool)
    if again.size:
        one, other = order[again], order[again + 1]
        same = np.all([np.isclose(g[one], g[other], rtol=1e-5, atol=0) for g in genes], axis=0)
        first[other[same]] = False
    return first


def _note(reasons: dict[str, int], words: str, count: int) -> None:
    if count:
        reasons[words] = reasons.get(words, 0) + count


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"), allow_nan=False)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into one line."""
    try:
        yield
    except sqlite3.Error as error:
        words = str(error)
        if "not a database" in words:
            raise InputError([Fault(str(path), "", "is no store of this program")]) from error
        if "malformed" in words:
            words = "is damaged; move it away and launch again"
        elif "locked" in words:
            words = f"another run has been writing to it for {WAIT_S:g} s; try again later"
        elif "unable to open" in words:
            rule = "cannot be opened; is its folder there, and may you write in it?"
            raise DiskError(f"{path}: {rule}") from error
        elif "readonly" in words:
            raise DiskError(f"{path}: cannot be written; may you write in its folder?") from error
        elif "full" in words or "I/O error" in words:
            raise DiskError(f"{path}: cannot be written: {words}") from error
        raise ExplorerError(f"{path}: {words}") from error
