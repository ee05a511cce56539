"""A store's file, opened: recognised or refused, written whole or not at all."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from explorer.errors import DiskError, ExplorerError, Fault, InputError
from explorer.files import OUTSIDE, leads_outside
from explorer.store.schema import APPLICATION_ID, SCHEMA_VERSION, TABLES, upgrade_statements

WAIT_S = 30.0
"""How long one process waits for another that is writing."""


class StoreFile:
    """An open file; use as a context manager. Every failure is one line (ExplorerError)."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection

    @classmethod
    def open(cls, path: str | Path, *, read_only: bool = False, existing: bool = False) -> Self:
        """Open a store, made when missing unless `read_only` or `existing`.

        A file of an earlier release becomes one of today's when it is opened to be written.
        InputError for a file of another program, of a newer version, or none where one must be;
        DiskError where it cannot be opened or written.
        """
        path = Path(path)
        if (read_only or existing) and not path.exists():
            raise InputError([Fault(str(path), "", "no results are stored yet, launch first")])
        if leads_outside(path, path.parent):
            raise InputError([Fault(str(path), "", OUTSIDE)])
        mode = "ro" if read_only else "rwc"
        with faults_in_one_line(path):
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

        Whatever is kept within is kept at its end. Another writer waits up to `WAIT_S`.
        """
        with self._transaction():
            yield

    def _recognise(self, read_only: bool) -> None:
        """Make the tables of a new file; refuse a file that is not ours or too new."""
        with faults_in_one_line(self.path):
            if read_only:
                self._check()
                return
            # Under the write lock: of two that open a new file at once, one makes the tables.
            with self._transaction():
                empty = not self._connection.execute("SELECT 1 FROM sqlite_master").fetchone()
                if empty and not self._pragma("application_id"):
                    statements = list(TABLES)
                    self._connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                else:
                    statements = upgrade_statements(self._check())
                for statement in statements:
                    self._connection.execute(statement)
                if statements:
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
        return version

    def _pragma(self, name: str) -> int:
        return int(self._connection.execute(f"PRAGMA {name}").fetchone()[0])

    def _rows(self, statement: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """What a query finds."""
        with faults_in_one_line(self.path):
            return self._connection.execute(statement, values).fetchall()

    def _row(self, statement: str, values: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        """The first row that a query finds, None without one."""
        with faults_in_one_line(self.path):
            found: tuple[Any, ...] | None = self._connection.execute(statement, values).fetchone()
            return found

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """All or nothing, alone; one within another is part of it."""
        if self._connection.in_transaction:
            yield
            return
        with faults_in_one_line(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:  # a full disk has rolled back already
                    self._connection.execute("ROLLBACK")
                raise


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
