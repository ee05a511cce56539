"""A store packed: the same records in a smaller file, compared before it takes the old one's place.

Blocks of designs are compressed, and small ones that follow each other become one; drawn builds
become one record a search. Nothing is left out: what cannot be read today may be what an older
decision rests on, or serve again once a table is as it was. Runs, prices, fronts, decisions and
progress keep their checksums.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from explorer.errors import Fault, InputError
from explorer.store.checksums import RECORDS
from explorer.store.layout import Layout, UnknownLayoutError
from explorer.store.mending import look
from explorer.store.placing import new_beside, take_place
from explorer.store.results import Store

PACKED_ROWS = 8192
"""Small blocks are put together up to so many designs: a few rows are read back by the block."""
LEVEL = 6
"""Of the compression: a store takes a quarter, and is read some 0.2 s later by 40 MB."""
REPACKED = ("context", "block", "detail", "builds")
"""Tables that packing changes; all others are copied row by row."""


class Packed(NamedTuple):
    """What packing came to: sizes of the file, B, and numbers of blocks, before and after."""

    bytes_before: int
    bytes_after: int
    blocks_before: int
    blocks_after: int


class _Head(NamedTuple):
    """A block without its content."""

    id: int
    context: int
    rows: int
    source: str
    written: str


def pack(path: Path) -> Packed:
    """Put a packed store in the place of one; whoever has the old file open is refused to write.

    InputError for a store that is damaged (a launch mends it), or that holds tables or columns of
    another release; DiskError where it cannot be written. Then nothing has changed.
    """
    with Store.open(path, existing=True) as store, store.held():
        found = look(store)
        if found.damages:
            raise InputError([one.fault for one in found.damages])
        _refuse_unknown(store)
        with new_beside(path) as new:
            with Store.open(new) as packed:
                with packed.alone():
                    _Packing(store, packed).all()
                blocks = len(packed._rows("SELECT id FROM block"))
                _compare(store, packed)
            before = Packed(
                path.stat().st_size, new.stat().st_size, len(found.sound["block"]), blocks
            )
            take_place(new, path)
    return before


def _tables(store: Store) -> dict[str, set[str]]:
    """Tables of a file, and their columns."""
    names = store._rows("SELECT name FROM sqlite_master WHERE type = 'table'")
    return {name: store._columns_of(name) for (name,) in names if not name.startswith("sqlite_")}


def _refuse_unknown(store: Store) -> None:
    known: dict[str, set[str]] = {"checksum": {"record", "row", "value"}}
    for record in RECORDS.values():
        known.setdefault(record.table, set()).update(record.columns)
    for table, columns in _tables(store).items():
        for name in sorted(columns - known.get(table, set())):
            rule = "is of another release, pack with that one"
            raise InputError([Fault(str(store.path), f"{table}.{name}", rule)])


class _Packing:
    """The records of a store on their way into a new one."""

    def __init__(self, old: Store, new: Store) -> None:
        self.old, self.new = old, new
        self.layouts: dict[int, Layout | None] = {}
        """Of a context's blocks as they are, None for one that this release cannot read."""
        self.contexts: dict[int, int] = {}
        """Context of a block in the new file."""

    def all(self) -> None:
        """Copy everything."""
        tables = dict.fromkeys(record.table for record in RECORDS.values())
        for table in (table for table in tables if table not in REPACKED):
            for row in _rows_of(self.old, table):
                self.new._insert(table, row)
        self._contexts()
        for heads in self._together():
            self._block(heads)
        for search in _searches(self.old):
            self.new.keep_draws(search, self.old.draws(search))

    def _contexts(self) -> None:
        """Descriptions, as packed ones: of equal ones the latest stays, since it is read first."""
        described: dict[tuple[str, str, str], int] = {}
        rows = sorted(_rows_of(self.old, "context"), key=lambda row: row["id"])
        for row in rows:
            layout = _layout(row["columns"])
            self.layouts[row["id"]] = layout
            text = row["columns"] if layout is None else _as_packed(layout).text
            described[row["model"], row["scenario"], text] = row["id"]
        for (model, scenario, text), number in described.items():
            self.new._insert(
                "context", {"id": number, "model": model, "scenario": scenario, "columns": text}
            )
        for row in rows:
            layout = self.layouts[row["id"]]
            text = row["columns"] if layout is None else _as_packed(layout).text
            self.contexts[row["id"]] = described[row["model"], row["scenario"], text]

    def _together(self) -> Iterator[list[_Head]]:
        """Heads of blocks that become one: neighbours of one kind, on one side of every block up to
        which a sampled search looked when it began.
        """
        begun = [
            self.old._parsed("progress", row["state"]) for row in _rows_of(self.old, "progress")
        ]
        firsts = {(one.get("sampling") or {}).get("first") for one in begun}
        group: list[_Head] = []
        for head in map(_Head._make, self.old._read("block")):
            if group and not (
                self.layouts[head.context] is not None
                and (head.context, head.source) == (group[-1].context, group[-1].source)
                and sum(one.rows for one in group) + head.rows <= PACKED_ROWS
                and not firsts & set(range(group[-1].id, head.id))
            ):
                yield group
                group = []
            group.append(head)
        if group:
            yield group

    def _block(self, heads: Sequence[_Head]) -> None:
        """Write blocks as one, under the number of the last, and look whether it reads back as they
        were.
        """
        last, layout = heads[-1], self.layouts[heads[-1].context]
        content = _content(self.old, heads, layout)
        merged = last._replace(
            context=self.contexts[last.context], rows=sum(one.rows for one in heads)
        )
        designs, results = content if layout is None else map(_shut, content)
        number, context, rows, source, written = merged
        head = {"id": number, "context": context, "count": rows, "source": source}
        self.new._insert("block", {**head, "written": written, "designs": designs})
        self.new._insert("detail", {"block": number, "results": results})
        if _content(self.new, [merged], layout and _as_packed(layout)) != content:
            raise InputError([self.old.fault_of("designs", number)])


def _searches(store: Store) -> list[str]:
    """Searches for which builds were drawn, by name, in the order of their first records."""
    return list(dict.fromkeys(search for _, search, *_ in store._read("builds")))


def _shut(content: bytes) -> bytes:
    return zlib.compress(content, LEVEL)


def _layout(text: str) -> Layout | None:
    try:
        return Layout.read(text)
    except UnknownLayoutError:
        return None


def _as_packed(layout: Layout) -> Layout:
    return Layout(layout.columns, layout.results, packed=True)


def _content(store: Store, heads: Sequence[_Head], layout: Layout | None) -> tuple[bytes, bytes]:
    """Designs and results of blocks, one after the other, column by column, uncompressed."""
    designs, results = [], []
    for head in heads:
        ((*_, content),) = store._read("designs", "t.id = ?", (head.id,))
        ((*_, detail),) = store._read("detail", "t.block = ?", (head.id,))
        if layout is None:
            return content, detail
        designs.append(layout.unpack(content, head.rows))
        results.append(layout.unpack_results(detail, head.rows))
    assert layout is not None
    columns = [
        np.concatenate([one[column.name] for one in designs], axis=1).tobytes()
        for column in layout.columns
    ]
    values = [np.concatenate([one[name] for one in results]).tobytes() for name in layout.results]
    return b"".join(columns), b"".join(values)


def _rows_of(store: Store, table: str) -> Iterator[dict[str, Any]]:
    """Every row of a table, verified, in the order of the rows."""
    kinds = [kind for kind in store.kinds if RECORDS[kind].table == table]
    (kind,) = kinds
    for values in store._read(kind):
        yield dict(zip(RECORDS[kind].columns, values, strict=True))


def _compare(old: Store, new: Store) -> None:
    """InputError unless a packed store is sound and holds the records of the old one."""
    damages = look(new).damages
    if damages:
        raise InputError([one.fault for one in damages])
    for kind, record in RECORDS.items():
        if record.table not in REPACKED:
            statement = "SELECT value FROM checksum WHERE record = ? ORDER BY value"
            if old._rows(statement, (kind,)) != new._rows(statement, (kind,)):
                raise InputError([new.fault_of(kind)])
    for search in _searches(old):
        if old.draws(search).packed != new.draws(search).packed:
            raise InputError([new.fault_of("builds")])
    counts = [one._rows("SELECT sum(count) FROM block") for one in (old, new)]
    if any(one != other for one, other in pairwise(counts)):
        raise InputError([new.fault_of("block")])
