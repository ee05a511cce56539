"""What is damaged in a store; and a store in its place that holds all that is not.

A launch looks first. What it finds damaged is named, the file is set aside as it is, and what the
lost blocks held is searched for again.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from explorer.errors import Fault, InputError
from explorer.inputs.links import LINKS
from explorer.store.builds import Draws, OddsRecord
from explorer.store.checksums import RECORDS, checksum
from explorer.store.layout import Layout, UnknownLayoutError
from explorer.store.placing import new_beside, take_place
from explorer.store.results import Store

PHYSICS = ("vocabulary", "context", "block", "detail")
"""Tables without whose rows results are lost."""
OF_ITSELF = ("inputs:", "builds:", "looked_at:", "decisions:")
"""Beginnings of the keys of progress that says nothing of which results are stored."""
LOST = "lost"
"""Stands for a part whose record is lost: its designs are not in today's tables."""
UNREADABLE = "nothing of it can be read any more; move it away and launch again"
MOST_NOTICES = 20
"""Faults that a launch names; `check --store` names more."""
MOST_ROWS = 1_000_000
"""More rows than a table has; a damaged number may say anything."""

JSON_COLUMNS = ("state", "intent", "result", "list", "entry")
"""Columns that hold JSON, in whatever table."""

Values = dict[str, Any]


class Damage(NamedTuple):
    """A fault of a record of some kind, or of the file's structure where it has none."""

    kind: str | None
    fault: Fault


class Inspection(NamedTuple):
    """What was found: the rows that are sound, by table, how many records, and every damage."""

    sound: Mapping[str, list[int]]
    records: int
    damages: tuple[Damage, ...]


def look(store: Store) -> Inspection:
    """Verify everything that a store holds; InputError where not even its tables are known."""
    try:
        store._connection.execute("SELECT count(*) FROM sqlite_master")
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        raise InputError([Fault(str(store.path), "", UNREADABLE)]) from error
    damages: list[Damage] = []
    sound: dict[str, list[int]] = {}
    layouts: dict[int, Layout | None] = {}
    records = 0
    if not _structure_is_sound(store):
        damages.append(Damage(None, Fault(str(store.path), "", "its structure is damaged")))
    for table in dict.fromkeys(RECORDS[kind].table for kind in store.kinds):
        kinds = [kind for kind in store.kinds if RECORDS[kind].table == table]
        kept = {kind: _checksums(store, kind) for kind in kinds}
        sound[table] = []
        for number, row in _rows_of(store, table):
            wrong = []
            for kind in kinds:
                records += 1
                value = (kept[kind] or {}).pop(number, None)
                # Where checksums cannot be read at all, their page is damaged, and not this one.
                if kept[kind] is not None and value != _checksum_of(kind, row):
                    wrong.append(kind)
                    name = row[RECORDS[kind].key]
                    damages.append(Damage(kind, store.fault_of(kind, name, number)))
            if table == "context":
                layouts[number] = _layout_of(row["columns"])
            if not wrong and not _fits(table, row, layouts):
                damages.append(Damage(kinds[-1], store.fault_of(kinds[-1], number, number)))
            elif not wrong:
                sound[table].append(number)
        for kind in kinds[:1]:
            vanished = kept[kind] or {}
            damages += [Damage(kind, store.fault_of(kind, row, row)) for row in vanished]
    return Inspection(sound, records, tuple(damages))


def mend(path: Path) -> tuple[str, ...]:
    """Put a store of all that is sound in the place of a damaged one, and set that aside.

    Says in lines what was found and done; nothing for a sound store or none. InputError for a file
    that is no store, or of which nothing can be read any more.
    """
    if not path.exists():
        return ()
    with Store.open(path) as store:
        if not look(store).damages:
            return ()
        with store.held():  # no other process may write what would then be set aside
            found = look(store)
            if not (found.sound["context"] or found.sound["run"]):
                raise InputError([Fault(str(path), "", UNREADABLE)])
            aside = _name_beside(path)
            lines = [_without_hint(one.fault) for one in found.damages[:MOST_NOTICES]]
            if len(found.damages) > MOST_NOTICES:
                lines.append(f"{len(found.damages):,} records are damaged in all")
            lines.append(f"the damaged file is set aside as {aside.name}")
            with new_beside(path) as new:
                with Store.open(new) as mended, mended.alone():
                    lines.append(_Copy(store, mended, found).all())
                    run = mended.begin("mend", {})
                    mended.finish(run, {"damaged": len(found.damages), "aside": aside.name})
                _keep_aside(path, aside)
                take_place(new, path)
    return tuple(lines)


def _without_hint(fault: Fault) -> str:
    return str(Fault(fault.file, fault.where, fault.rule))


def _name_beside(path: Path) -> Path:
    when = datetime.now(UTC).strftime("%Y%m%dT%H%M%S.%f")
    return path.with_name(f"{path.stem}.damaged-{when}.sqlite")


def _keep_aside(path: Path, aside: Path) -> None:
    """A second name for a file, or a copy where its file system has no links."""
    try:
        os.link(path, aside)
    except OSError:
        shutil.copy(path, aside)


def _structure_is_sound(store: Store) -> bool:
    try:
        return store._rows("PRAGMA integrity_check(1)") == [("ok",)]
    except InputError:
        return False


def _checksums(store: Store, kind: str) -> dict[int, bytes] | None:
    """Kept checksums of a kind of records by row, None where they cannot be read."""
    try:
        return dict(store._rows("SELECT row, value FROM checksum WHERE record = ?", (kind,)))
    except InputError:
        return None


def _checksum_of(kind: str, row: Values) -> bytes:
    return checksum(kind, [row[name] for name in RECORDS[kind].columns])


def _layout_of(text: str) -> Layout | None:
    """The layout that a description gives, None for one that this release does not know."""
    try:
        return Layout.read(text)
    except UnknownLayoutError:
        return None


def _fits(table: str, row: Values, layouts: Mapping[int, Layout | None]) -> bool:
    """Whether a record can be read as what it is; one from before checksums may be no such thing,
    though it has one by now.
    """
    if table == "block":
        layout = layouts.get(row["context"])
        try:
            return layout is None or bool(layout.unpack(row["designs"], row["count"]))
        except (TypeError, ValueError):
            return False
    try:
        if table == "builds":
            Draws.read(OddsRecord(row["designs"], row["rules"], row["content"]))
        for name in JSON_COLUMNS:
            if name in row:
                json.loads(row[name])
    except (TypeError, ValueError):
        return False
    return True


def _columns(table: str) -> list[str]:
    """Columns of a table that have a checksum, and so all that it has."""
    return list(dict.fromkeys(n for r in RECORDS.values() if r.table == table for n in r.columns))


def _rows_of(store: Store, table: str) -> Iterator[tuple[int, Values]]:
    """Every row of a table that can be read, with its rowid: where a page cannot, the others'."""
    columns = _columns(table)
    named = [*columns, "rowid"]  # what names a row in messages may be its rowid
    wanted = f"t.rowid, {store._selection(table, columns)}, t.rowid"
    statement = f"SELECT {wanted} FROM {table} t NOT INDEXED WHERE t.rowid > ?"
    after, last = 0, _last_row(store, table)
    while after < last:
        try:
            for number, *values in store._connection.execute(f"{statement} ORDER BY 1", (after,)):
                if number <= after:  # a damaged page may give them in any order
                    break
                after = number
                yield number, dict(zip(named, values, strict=True))
            else:
                return
        except sqlite3.DatabaseError:
            pass
        after += 1


def _last_row(store: Store, table: str) -> int:
    """The last rowid that a table may have: that of its checksums, else its own."""
    kind = next(kind for kind, record in RECORDS.items() if record.table == table)
    kept = _checksums(store, kind)
    if kept is None:
        try:
            kept = dict(store._rows(f"SELECT rowid, NULL FROM {table} ORDER BY 1 DESC LIMIT 1"))
        except InputError:
            return MOST_ROWS
    return min(max(kept, default=0), MOST_ROWS)


class _Copy:
    """Sound rows of a damaged store on their way into a new one."""

    def __init__(self, old: Store, new: Store, found: Inspection) -> None:
        self.old, self.new, self.found = old, new, found

    def all(self) -> str:
        """Copy everything that is sound; says in a line what became of the designs."""
        for table in ("context", "price_list", "price", "front"):
            for _, row in self.rows(table):
                self.new._insert(table, row)
        self.vocabulary()
        count, lost = self.blocks()
        lost = lost or any(
            one.kind is not None and RECORDS[one.kind].table in PHYSICS
            for one in self.found.damages
        )
        for _, row in self.rows("progress"):
            # Nobody knows any longer what searches have covered: the next one is to look.
            if not lost or row["key"].startswith(OF_ITSELF):
                self.new._insert("progress", row)
        self.history()
        for table in ("decision", "builds"):
            for _, row in self.rows(table):
                self.new._insert(table, {k: v for k, v in row.items() if k != "id"})
        rest = "the others are searched for again" if lost else "none is lost"
        return f"{count:,} stored designs are kept, {rest}"

    def rows(self, table: str) -> Iterator[tuple[int, Values]]:
        """The sound rows of a table."""
        columns = ", ".join(_columns(table))
        for number in self.found.sound[table]:
            (row,) = self.old._rows(f"SELECT {columns} FROM {table} WHERE rowid = ?", (number,))
            yield number, dict(zip(_columns(table), row, strict=True))

    def vocabulary(self) -> None:
        """Parts by their numbers, what is lost under a name that no table has.

        Any link may have had a lost number beyond its others, so each gets as many as are lost.
        """
        beyond = sum(one.kind == "part" for one in self.found.damages)
        numbers: dict[str, dict[int, Values]] = {link: {} for link in LINKS}
        for _, row in self.rows("vocabulary"):
            numbers.setdefault(row["link"], {})[row["number"]] = row
        for link, known in numbers.items():
            for number in range(max(known, default=-1) + 1 + beyond):
                lost = {"link": link, "number": number, "part": LOST, "physics": str(number)}
                self.new._insert("vocabulary", known.get(number, lost))

    def blocks(self) -> tuple[int, bool]:
        """Blocks with their results, numbered anew; how many designs, and whether one was lost."""
        contexts = set(self.found.sound["context"])
        results = set(self.found.sound["detail"])
        count, lost = 0, False
        for number, row in self.rows("block"):
            if number not in results or row["context"] not in contexts:
                lost = True
                continue
            block = self.new._insert("block", {k: v for k, v in row.items() if k != "id"})
            statement = "SELECT results FROM detail WHERE block = ?"
            ((content,),) = self.old._rows(statement, (number,))
            self.new._insert("detail", {"block": block, "results": content})
            count += row["count"]
        return count, lost

    def history(self) -> None:
        """Runs, each with its result where the front and the prices that it names are there."""
        there = {
            "front": {row["hash"] for _, row in self.rows("front")},
            "prices": {row["hash"] for _, row in self.rows("price_list")},
        }
        outcomes = dict(self.rows("outcome"))
        for number, row in self.rows("run"):
            run = self.new._insert("run", {k: v for k, v in row.items() if k != "id"})
            if (outcome := outcomes.get(number)) is None:
                continue
            named = self.new._parsed("outcome", outcome["result"])
            if all(named[key] in hashes for key, hashes in there.items() if key in named):
                self.new._insert("outcome", {**outcome, "run": run})
