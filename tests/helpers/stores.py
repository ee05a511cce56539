"""Stores as an attacker or another release would leave them."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from explorer.store.checksums import RECORDS
from explorer.store.results import Store


@contextmanager
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """A store's file as SQLite has it, closed and written at the end."""
    connection = sqlite3.connect(path)
    try:
        with connection:
            yield connection
    finally:
        connection.close()


def checksums_anew(path: Path, kind: str) -> None:
    """Checksums of a kind of records as they stand now: another release wrote them so."""
    with Store.open(path) as store, store.alone():
        for (row,) in store._rows(f"SELECT rowid FROM {RECORDS[kind].table}"):
            store._seal(kind, row)


def flipped(value: object, chance: random.Random) -> object:
    """A stored value with one bit, digit or letter of it changed."""
    if isinstance(value, bytes):
        content = bytearray(value)
        content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
        return bytes(content)
    if isinstance(value, str):
        place = chance.randrange(len(value))
        other = "0" if value[place] != "0" else "1"
        return f"{value[:place]}{other}{value[place + 1 :]}"
    if isinstance(value, float):
        return value * (1 + 2**-50) or 1e-300
    assert isinstance(value, int)
    return value ^ (1 << chance.randrange(8))
