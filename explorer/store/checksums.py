"""Checksums of stored records: what was read is what was written, or it is named.

A record is some columns of a row. Its checksum stands in a table of its own, so that a row that has
vanished is missed, and a block's head is verified without reading its designs.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import blake2b
from typing import Any, NamedTuple

RULE = "is damaged"
HINT = "the next launch sets it aside and computes again what it held"


class Checked(NamedTuple):
    """Columns of a table's rows that have one checksum, and what people call such a record."""

    table: str
    key: str
    """The column that names a record in messages, a number or a hash; never what it holds."""
    columns: tuple[str, ...]
    words: str


RECORDS = {
    "part": Checked("vocabulary", "number", ("link", "number", "part", "physics"), "part"),
    "context": Checked("context", "id", ("id", "model", "scenario", "columns"), "description"),
    "block": Checked("block", "id", ("id", "context", "count", "source", "written"), "block"),
    "designs": Checked("block", "id", ("id", "designs"), "designs of block"),
    "detail": Checked("detail", "block", ("block", "results"), "results of block"),
    "progress": Checked("progress", "rowid", ("key", "saved", "state"), "progress record"),
    "run": Checked("run", "id", ("id", "kind", "begun", "intent"), "run"),
    "outcome": Checked("outcome", "run", ("run", "ended", "result"), "result of run"),
    "price_list": Checked("price_list", "rowid", ("hash", "first_used", "list"), "price list"),
    "price": Checked(
        "price",
        "rowid",
        ("part", "from_quantity", "price", "currency", "dated", "first_used"),
        "price",
    ),
    "front": Checked("front", "rowid", ("hash", "designs", "points", "objectives"), "front"),
    "decision": Checked("decision", "id", ("id", "design", "hash", "entry", "decided"), "decision"),
    "builds": Checked("builds", "id", ("id", "search", "designs", "rules"), "drawn builds"),
    "odds": Checked("builds", "id", ("id", "content"), "odds of drawn builds"),
}
"""Every kind of record; all that a store holds belongs to one."""


def checksum(kind: str, values: Sequence[Any]) -> bytes:
    """Checksum of a record: of its kind, and of type and bytes of each value.

    >>> checksum("run", ["1"]) == checksum("run", [1])
    False
    """
    found = blake2b(kind.encode(), digest_size=8)
    for value in values:
        content = value if isinstance(value, bytes) else str(value).encode()
        found.update(f"{type(value).__name__}{len(content)}:".encode())
        found.update(content)
    return found.digest()
