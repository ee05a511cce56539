"""A store's file, opened: recognised or refused, written whole or not at all."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from explorer.errors import DiskError, ExplorerError, Fault, InputError
from explorer.files import OUTSIDE, leads_outside
from explorer.store import checksums, waiting
from explorer.store.checksums import RECORDS, checksum
from explorer.store.placing import new_beside, put_in_place
from explorer.store.schema import (
    APPLICATION_ID,
    BUILDS_SINCE,
    CHECKED_SINCE,
    DECISIONS_SINCE,
    SCHEMA_VERSION,
    TABLES,
    upgrade_statements,
)

DECISION_FILES = ("decided.toml", "lock.toml")
"""Ends of the names of files with decisions, which are kept where the store is not."""


class StoreFile:
    """An open file; use as a context manager. Every failure is one line (ExplorerError)."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self.has_checksums = True
        """False for a file from before there were checksums that is only read."""
        self.has_decisions = True
        """False for a file from before stores held decisions that is only read."""
        self.has_builds = True
        """False for a file from before builds had a table of their own that is only read."""
        self._identity = path.stat().st_ino if path.exists() else None

    @classmethod
    def open(cls, path: str | Path, *, read_only: bool = False, existing: bool = False) -> Self:
        """Open a store, made when missing unless `read_only` or `existing`.

        A file of an earlier release becomes one of today's when it is opened to be written.
        InputError for a file of another program, of a newer version, an empty one, or none where
        one must be; DiskError where it cannot be opened or written.
        """
        path = Path(path)
        if leads_outside(path, path.parent):
            raise InputError([Fault(str(path), "", OUTSIDE)])
        if not path.exists():
            if read_only or existing:
                raise InputError([Fault(str(path), "", _why_none(path))])
            cls._make(path)
        elif path.is_file() and not path.stat().st_size:
            rule = "is empty, a store never is; move it away and launch again"
            raise InputError([Fault(str(path), "", rule)])
        if read_only:
            _end_what_was_cut_short(path)
        store = cls(path, _connected(path, "ro" if read_only else "rw"))
        try:
            store._recognise(read_only)
        except BaseException:
            store.close()
            raise
        return store

    @classmethod
    def _make(cls, path: Path) -> None:
        """Make a file that holds nothing yet, whole or not at all; one that stands there stays."""
        with new_beside(path) as new:
            store = cls(new, _connected(new, "rwc"))
            try:
                with faults_in_one_line(path), store._transaction():
                    store._connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    for statement in TABLES:
                        store._connection.execute(statement)
                    store._connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            finally:
                store.close()
            put_in_place(new, path)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextmanager
    def alone(self) -> Iterator[None]:
        """All or nothing while no other process writes: for what is read, changed and written.

        Whatever is kept within is kept at its end. Another writer waits up to `waiting.WAIT_S`.
        """
        with self._transaction():
            yield

    @contextmanager
    def held(self) -> Iterator[None]:
        """No other process writes meanwhile, and nothing is written to this file either."""
        with faults_in_one_line(self.path):
            self._execute("BEGIN IMMEDIATE")
        try:
            self._still_there()
            yield
        finally:
            with suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")

    def _recognise(self, read_only: bool) -> None:
        """Make a file of an earlier release one of today's; refuse one that is not ours."""
        with faults_in_one_line(self.path):
            if read_only:
                version = self._check()
                self.has_checksums = version >= CHECKED_SINCE
                self.has_decisions = version >= DECISIONS_SINCE
                self.has_builds = version >= BUILDS_SINCE
            if read_only or self._check() == SCHEMA_VERSION:
                return
            # Under the write lock: of two that open an old file at once, one changes it.
            with self._transaction():
                version = self._check()
                for statement in upgrade_statements(version):
                    self._connection.execute(statement)
                if version < CHECKED_SINCE:
                    for kind in self.kinds:
                        for (row,) in self._rows(f"SELECT rowid FROM {RECORDS[kind].table}"):
                            self._seal(kind, row)
                self._connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def _check(self) -> int:
        """The version of a file that this release can read; InputError for any other file."""
        if self._pragma("application_id") != APPLICATION_ID:
            raise InputError([Fault(str(self.path), "", "is no store of this program")])
        version = self._pragma("user_version")
        if not 1 <= version <= SCHEMA_VERSION:
            rule = (
                f"must be a store of version {SCHEMA_VERSION} or earlier, another release wrote it"
            )
            raise InputError([Fault(str(self.path), "", rule, str(version))])
        tables = {"checksum": CHECKED_SINCE, "decision": DECISIONS_SINCE, "builds": BUILDS_SINCE}
        if any(version < since and self._columns_of(name) for name, since in tables.items()):
            rule = "is damaged: its version is not that of its tables; move it away"
            raise InputError([Fault(str(self.path), "", rule, str(version))])
        return version

    @property
    def kinds(self) -> list[str]:
        """The kinds of records that this file has."""
        there = {"decision": self.has_decisions, "builds": self.has_builds}
        return [kind for kind, record in RECORDS.items() if there.get(record.table, True)]

    def _pragma(self, name: str) -> int:
        return int(self._execute(f"PRAGMA {name}").fetchone()[0])

    def _execute(self, statement: str, values: Sequence[Any] = ()) -> sqlite3.Cursor:
        """Execute a statement, in turn where another process writes."""
        return waiting.patiently(self.path, lambda: self._connection.execute(statement, values))

    def _columns_of(self, table: str) -> set[str]:
        return {name for _, name, *_ in self._rows(f"PRAGMA table_info({table})")}

    def _rows(self, statement: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """What a query finds, as it stands there: for what needs no checksum."""
        with faults_in_one_line(self.path):
            return self._execute(statement, values).fetchall()

    def _read(
        self, kind: str, where: str = "", values: Sequence[Any] = ()
    ) -> list[tuple[Any, ...]]:
        """The records of a kind, verified, in the order of their rows; all of them, or `where`.

        InputError that names every one whose checksum is not that of its content, and those of all
        that have vanished.
        """
        found, faults = [], []
        for row, name, content, kept in self._with_checksums(kind, where, values):
            if not self.has_checksums or kept == checksum(kind, content):
                found.append(content)
            else:
                faults.append(self.fault_of(kind, name, row))
        if self.has_checksums and not where and not faults:
            statement = "SELECT count(*) FROM checksum WHERE record = ?"
            if len(found) != self._rows(statement, (kind,))[0][0]:
                faults.append(self.fault_of(kind))
        if faults:
            raise InputError(faults)
        return found

    def _with_checksums(
        self, kind: str, where: str = "", values: Sequence[Any] = ()
    ) -> Iterator[tuple[int, Any, tuple[Any, ...], bytes | None]]:
        """Row, name, content and kept checksum of the records of a kind."""
        table, key, columns, _ = RECORDS[kind]
        there = set(columns) if self.has_checksums else self._columns_of(table)
        wanted = ", ".join(f"t.{one}" if one in there else "NULL" for one in columns)
        kept = "c.value" if self.has_checksums else "NULL"
        joined = (
            "LEFT JOIN checksum c ON c.record = ? AND c.row = t.rowid" if self.has_checksums else ""
        )
        statement = f"SELECT t.rowid, t.{key}, {kept}, {wanted} FROM {table} t {joined}"
        statement += f" WHERE {where}" * bool(where) + " ORDER BY t.rowid"
        with faults_in_one_line(self.path):
            cursor = self._execute(statement, [kind] * self.has_checksums + [*values])
            for row, name, value, *found in cursor:
                yield row, name, tuple(found), value

    def _selection(self, table: str, columns: Sequence[str]) -> str:
        """Columns of a table `t` for a SELECT, NULL for those that a file of old does not have."""
        there = columns if self.has_checksums else self._columns_of(table)
        return ", ".join(f"t.{one}" if one in there else "NULL" for one in columns)

    def fault_of(self, kind: str, name: Any = None, row: int | None = None) -> Fault:
        """A damaged record, or some that have vanished, in words that quote nothing stored."""
        words = RECORDS[kind].words
        if name is None:
            rule = f"some {words} records have vanished"
            return Fault(str(self.path), "", rule, hint=checksums.HINT)
        place = f"{words} {name if isinstance(name, int) else row}"
        return Fault(str(self.path), place, checksums.RULE, hint=checksums.HINT)

    def _insert(self, table: str, row: Mapping[str, Any], otherwise: str = "") -> int:
        """Add a row and its checksums within a transaction; returns its rowid.

        `otherwise` says what follows where there is such a row, as `ON CONFLICT ...`; where that is
        nothing, the row that stands there stays as it is.
        """
        marks = ", ".join("?" * len(row))
        statement = f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks}) {otherwise}"
        with faults_in_one_line(self.path):
            cursor = self._connection.execute(f"{statement} RETURNING rowid", tuple(row.values()))
            added = cursor.fetchall()
            if not added:
                return 0
            for kind, record in RECORDS.items():
                if record.table == table:
                    self._seal(kind, added[0][0])
        return int(added[0][0])

    def _seal(self, kind: str, row: int) -> None:
        """Keep the checksum of a record as it stands in its row."""
        record = RECORDS[kind]
        columns = ", ".join(record.columns)
        (content,) = self._rows(f"SELECT {columns} FROM {record.table} WHERE rowid = ?", (row,))
        self._connection.execute(
            "INSERT OR REPLACE INTO checksum (record, row, value) VALUES (?, ?, ?)",
            (kind, row, checksum(kind, content)),
        )

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """All or nothing, alone; one within another is part of it."""
        if self._connection.in_transaction:
            yield
            return
        with faults_in_one_line(self.path):
            self._execute("BEGIN IMMEDIATE")
            try:
                self._still_there()
                yield
                self._execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:  # a full disk has rolled back already
                    self._connection.execute("ROLLBACK")
                raise

    def _still_there(self) -> None:
        """ExplorerError where another file has taken the place of this one, or none is left."""
        with suppress(FileNotFoundError):
            if self.path.stat().st_ino == self._identity or self._identity is None:
                return
        raise ExplorerError(f"{self.path}: has been replaced or moved away meanwhile; start again")


def _connected(path: Path, mode: str) -> sqlite3.Connection:
    with faults_in_one_line(path):
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={mode}",
            uri=True,
            timeout=waiting.ATTEMPT_S,
            isolation_level=None,
        )
    # A flipped bit may leave no text: that is for the checksum to find.
    connection.text_factory = lambda text: text.decode("utf-8", "replace")
    return connection


def _end_what_was_cut_short(path: Path) -> None:
    """Take back what a kill or a full disk left half-written: whoever only reads could not."""
    if path.with_name(f"{path.name}-journal").exists():
        with suppress(ExplorerError, sqlite3.Error):
            connection = _connected(path, "rw")
            try:
                connection.execute("PRAGMA application_id").fetchone()
            finally:
                connection.close()


def store_is_there(path: Path) -> bool:
    """Whether a store stands at a path."""
    return path.exists()


def _why_none(path: Path) -> str:
    """What no store means."""
    name = path.name.removesuffix(".store.sqlite")
    for decisions in (path.with_name(f"{name}.{end}") for end in DECISION_FILES):
        if decisions.exists():
            return f"no store beside {decisions.name}: a fresh clone, launch first"
    return "no results are stored yet, launch first"


def time_now() -> str:
    """The time in UTC, to the second, as a store keeps it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def compact_json(value: Any) -> str:
    """JSON without spaces; ValueError for infinity and NaN, TypeError for what JSON cannot hold."""
    return json.dumps(value, separators=(",", ":"), allow_nan=False)


@contextmanager
def faults_in_one_line(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into an error of one line."""
    try:
        yield
    except sqlite3.Error as error:
        raise _fault_of(path, str(error)) from error
    except UnicodeDecodeError as error:
        # SQLite quotes a damaged table's definition, which may be no text.
        words = error.object.decode("utf-8", "replace")
        if "malformed" not in words:
            raise
        raise _fault_of(path, words) from error


def _fault_of(path: Path, words: str) -> ExplorerError:
    """What SQLite says, in words that quote nothing stored."""
    if "not a database" in words:
        return InputError([Fault(str(path), "", "is no store of this program")])
    if "malformed" in words or "no such" in words:
        rule = "its structure is damaged"
        hint = "launch again: what can be read of it is kept; or move it away"
        return InputError([Fault(str(path), "", rule, hint=hint)])
    if "locked" in words:
        words = f"another run has been writing to it for {waiting.WAIT_S:g} s; try again later"
    elif "unable to open" in words:
        rule = "cannot be opened; is its folder there, and may you write in it?"
        return DiskError(f"{path}: {rule}")
    elif "readonly" in words:
        return DiskError(f"{path}: cannot be written; may you write in its folder?")
    elif "full" in words or "I/O error" in words:
        return DiskError(f"{path}: cannot be written: {words}")
    return ExplorerError(f"{path}: {words}")
