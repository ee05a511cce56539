"""Decisions of a study: kept in its store, written from there to the file that goes with the study.

Both are changed in one transaction of the store. Where they differ nevertheless, somebody has
edited the file, has fetched it from elsewhere, or a run was killed between the two: the file holds,
but no entry of it that is older than the store's, and what differs is named. A missing file is
written again, a missing store (a fresh clone) is filled from the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from hashlib import blake2b
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

from explorer.decision.decided_file import (
    OF_A_PERSON,
    as_kept,
    differing,
    entry_of,
    read_entries,
    texts_of,
    write_entries,
)
from explorer.decision.written_file import as_written, remember_written
from explorer.errors import DiskError, ExplorerError
from explorer.files import write_atomic
from explorer.inputs.study import Project
from explorer.store.connection import store_is_there
from explorer.store.keys import path_of
from explorer.store.results import Store

TAKEN_IN = "decisions:first_release"
"""Where a store keeps that it has read the file that the first release wrote."""

Entry = dict[str, Any]


class Decided(NamedTuple):
    """The decisions that hold, as plain values by design, and what differs between store and file,
    in lines.

    `stands` says that the file holds the same; `old` names what the first release's file holds, ""
    where there is none that is still to be read. `same` are the entries that store and file are
    known to hold alike, and `texts` how the file has them: none where it is not as it was written.
    """

    entries: dict[str, Entry]
    notices: tuple[str, ...] = ()
    stands: bool = True
    old: str = ""
    texts: Mapping[str, str] = MappingProxyType({})
    same: Mapping[str, Entry] = MappingProxyType({})


def decided_path(project: Project) -> Path:
    """Where the decisions of a study stand for people and for git."""
    return project.path.parent / f"{project.study.name}.decided.toml"


def first_release_path(project: Project) -> Path:
    """Where the first release kept them."""
    return project.path.parent / f"{project.study.name}.lock.toml"


def decided(project: Project, store: Store | None) -> Decided:
    """The decisions that hold; nothing is written.

    `store` is None where there is none. InputError with every fault of a file that was edited
    wrongly.
    """
    kept = () if store is None else store.decisions()
    path = decided_path(project)
    text = None if store is None else as_written(store, path, kept)
    mine = {one.design: entry_of(one.entry) for one in kept}
    if text is not None:
        texts = texts_of(text)
        in_order = {design: mine[design] for design in texts}
        found = Decided(in_order, texts=texts, same=mine)
        return _with_first_release(project, store, found)
    in_file = read_entries(path, [one.entry for one in kept])
    if in_file is None:
        words = (f"{path}: is missing, the store's decisions hold",) if mine else ()
        found = Decided(mine, words, not mine)
    else:
        found = _of_file(path, in_file, mine, fresh=store is None)
    return _with_first_release(project, store, found)


def of_study(project: Project) -> Decided:
    """The decisions of a study whose store is not open."""
    path = path_of(project)
    if not store_is_there(path):
        return decided(project, None)
    with Store.open(path, read_only=True) as store:
        return decided(project, store)


def in_fresh_clone(project: Project) -> bool:
    """Whether decisions stand without a store; InputError with every fault of their file."""
    return not store_is_there(path_of(project)) and bool(decided(project, None).entries)


def _of_file(
    path: Path, in_file: Sequence[Entry], mine: Mapping[str, Entry], *, fresh: bool
) -> Decided:
    holds: dict[str, Entry] = {}
    notices: list[str] = []
    for entry in in_file:
        design = entry["design_id"]
        ours = mine.get(design)
        holds[design] = entry
        if ours is None:
            if not fresh:
                notices.append(f"{path}: {design} is not in the store: taken in")
        elif _differ(entry, ours):
            chosen, words = _newer(entry, ours, "the store's")
            holds[design] = chosen
            notices.append(f"{path}: {words}")
    for design in mine.keys() - holds.keys():
        notices.append(f"{path}: {design} has been taken out: it is released")
    same = [as_kept(entry) for entry in in_file] == [as_kept(one) for one in holds.values()]
    return Decided(holds, tuple(notices), same)


def _with_first_release(project: Project, store: Store | None, found: Decided) -> Decided:
    """What holds together with the file of the first release, until the store has taken that in."""
    path = first_release_path(project)
    in_file = read_entries(path, hashed=False) if _to_be_read(store) else None
    if in_file is None:
        return found
    holds, notices = dict(found.entries), list(found.notices)
    for entry in in_file:
        design = entry["design_id"]
        ours = holds.get(design)
        if ours is None:
            notices.append(f"{path}: {design} is taken in, from now on it stands in "
                           f"{decided_path(project).name}")  # fmt: skip
            holds[design] = entry
        elif _differ(entry, ours):
            holds[design], words = _newer(ours, entry, f"{path.name}'s")
            notices.append(f"{decided_path(project)}: {words}")
    stands = found.stands and holds == found.entries
    name = blake2b(path.read_bytes(), digest_size=8).hexdigest()
    return found._replace(entries=holds, notices=tuple(notices), stands=stands, old=name)


def _to_be_read(store: Store | None) -> bool:
    return store is None or not store.has_decisions or not store.search_progress(TAKEN_IN)


def _differ(one: Entry, other: Entry) -> bool:
    return as_kept(one) != as_kept(other)


def _newer(entry: Entry, other: Entry, whose: str) -> tuple[Entry, str]:
    """The newer of two entries of a design, the first where both are of one day; and what differs
    in words. `whose` the other one is.
    """
    one, two = as_kept(entry), as_kept(other)
    keys = list(dict.fromkeys(str(keys[0]) for keys in differing(one, two) if keys[0] != "hash"))
    about = f"{entry['design_id']} differs from {whose} in {', '.join(keys)}"
    if entry["date"] < other["date"]:
        return other, f"{about}; {whose} of {other['date']} is newer and holds"
    return entry, f"{about}; that of {entry['date']} holds"


def take_in(project: Project, store: Store) -> Decided:
    """Bring store and file to the decisions that hold, and name what differed.

    InputError as in `decided`; DiskError where the file cannot be written, then nothing changes.
    """
    found = decided(project, store)
    if not _waits(found, store):
        return found
    with changing(project, store) as found:
        pass
    return found


def _waits(found: Decided, store: Store) -> bool:
    """Whether something is to be written before store and file hold the same."""
    if found.texts and not found.old:
        return found.entries != found.same
    kept = {one.design: one.entry for one in store.decisions()}
    holds = {design: as_kept(entry) for design, entry in found.entries.items()}
    return bool(found.old) or not found.stands or kept != holds


@contextmanager
def changing(project: Project, store: Store) -> Iterator[Decided]:
    """Within it the entries that are given may be added to or removed; at its end store and file
    hold them. One process at a time is within it.

    When anything fails, the store is as before, and so is the file.
    """
    path = decided_path(project)
    before: bytes | None = None
    after: bytes | None = None
    try:
        with store.alone():
            found = decided(project, store)
            before = after = path.read_bytes() if path.exists() else None
            given = list(found.entries.values())
            yield found
            _into_store(store, found)
            entries = list(found.entries.values())
            if not found.stands or entries != given:
                unchanged = (name for name in found.entries if _is_same(found, name))
                write_entries(path, entries, {name: found.texts[name] for name in unchanged})
                after = path.read_bytes() if path.exists() else None
                if after is not None:
                    remember_written(store, after)
    except BaseException:
        if after != before:
            _put_back(project, store, before, after)
        raise


def _is_same(found: Decided, design: str) -> bool:
    """Whether store and file are known to hold what holds for a design."""
    return design in found.same and found.entries.get(design) is found.same[design]


def _into_store(store: Store, found: Decided) -> None:
    """Rows for what is not in the store as it holds, and entries of the history for them."""
    kept = {one.design: one.entry for one in store.decisions()}
    for design, entry in found.entries.items():
        if _is_same(found, design):
            continue
        content = as_kept(entry)
        if content == kept.get(design):
            continue
        old = kept.get(design)
        computed = {k: v for k, v in content.items() if k not in OF_A_PERSON}
        if old is None or computed != {k: v for k, v in old.items() if k not in OF_A_PERSON}:
            _note(store, "lock", content)
        else:
            _note(store, "edit", content)
        store.decide(design, content["hash"], content)
    for design in kept.keys() - found.entries.keys():
        store.finish(store.begin("release", {"design_id": design}), {})
        store.decide(design, "", None)
    if found.old:
        store.save_progress(TAKEN_IN, {"content": found.old})


def _note(store: Store, kind: str, content: Entry) -> None:
    """The history's entry of a decision that comes from a file."""
    run = store.begin(kind, {"design_id": content["design_id"], "note": content["note"]})
    result = content["result"]
    store.finish(run, {"cost": result["cost"], "currency": result["currency"], "taken_in": True})


def _put_back(project: Project, store: Store, before: bytes | None, after: bytes | None) -> None:
    """The file as it was before a change that the store could not keep, unless others have changed
    it by now, or have taken its entries in.
    """
    path = decided_path(project)
    with suppress(ExplorerError):
        with suppress(DiskError), store.alone():
            there = path.read_bytes() if path.exists() else None
            if there == after and _waits(decided(project, store), store):
                _restore(path, before)
            return
        _restore(path, before)


def _restore(path: Path, content: bytes | None) -> None:
    if content is None:
        path.unlink(missing_ok=True)
    else:
        write_atomic(path, content)
