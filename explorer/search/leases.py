"""Leases on the blocks of a sweep: launches of one study at once share its blocks out.

A lease is kept beside the state of the search: block, owner, and the time until which nobody else
takes it. It is taken in one transaction, and given back in that which stores what the block held. A
thread renews those of a process as long as it runs; those of one that was killed lapse.
"""

from __future__ import annotations

import os
import secrets
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from explorer.errors import ExplorerError
from explorer.search.progress import SearchState
from explorer.store.results import Store

LEASE_S = 30.0
"""How long a lease holds that is not renewed."""
RENEW_S = 5.0
LOOK_S = 0.2
"""How often a process looks whether a block of another has lapsed or is done."""


def _record(key: str) -> str:
    """Where the leases of a search are kept."""
    return f"leases:{key}"


def open_piece(store: Store, key: str, state: SearchState, piece: int) -> None:
    """Let others take blocks of a piece from now on; keeps the state of the search as well.

    Leases that were taken before, by a launch that takes part, stay as they are.
    """
    with store.alone():
        kept = store.search_progress(_record(key))
        leases = kept["leases"] if kept.get("piece") == piece else {}
        store.save_progress(key, state.kept)
        store.save_progress(_record(key), {"piece": piece, "leases": leases})


def piece_of(store: Store, key: str) -> int | None:
    """Number of the piece whose blocks may be taken, None where there is none."""
    piece = store.search_progress(_record(key)).get("piece")
    return None if piece is None else int(piece)


def close(store: Store, key: str) -> None:
    """Nobody takes a block from now on, and what others still compute is not taken in."""
    with store.alone():
        if piece_of(store, key) is not None:
            store.save_progress(_record(key), {"piece": None, "leases": {}})


class Leases:
    """Those that this process has of a piece; may be used by several threads."""

    def __init__(
        self,
        path: Path,
        key: str,
        piece: int,
        order: Sequence[int],
        enough: Callable[[], bool] = lambda: False,
    ) -> None:
        self.path, self.key, self.piece = path, key, piece
        self.order = order
        """All blocks of the piece: the first that is free is taken."""
        self.enough = enough
        """Whether no more are to be taken."""
        self.owner = f"{os.getpid()} {secrets.token_hex(4)}"
        self.error: ExplorerError | None = None
        """Why no more were taken, where that failed in another thread."""

    def next(self) -> int | None:
        """Lease a block that is neither done nor leased, None where there is none."""
        with Store.open(self.path, existing=True) as store, store.alone():
            if (leases := self._read(store)) is None:
                return None
            state = SearchState.read(store.search_progress(self.key))
            now = time.time()
            held = {int(block) for block, (_, until) in leases.items() if until > now}
            held.update((state.pieces or ())[self.piece].blocks)
            free = next((block for block in self.order if block not in held), None)
            if free is not None:
                self._save(store, {**leases, str(free): (self.owner, now + LEASE_S)})
            return free

    def taken(self) -> Iterator[int]:
        """Blocks, each leased when it is asked for, until none is free or it is enough."""
        try:
            while not self.enough() and (block := self.next()) is not None:
                yield block
        except ExplorerError as error:  # in a thread that hands out work, nobody would see it
            self.error = error

    def give_back(self, store: Store, block: int) -> bool:
        """Give a lease back, within a transaction; whether it was still this process's own."""
        leases = self._read(store) or {}
        if leases.get(str(block), (None,))[0] != self.owner:
            return False
        self._save(store, {name: lease for name, lease in leases.items() if name != str(block)})
        return True

    @contextmanager
    def renewed(self) -> Iterator[None]:
        """Within it leases last; what is left of them at its end is given back."""
        over = threading.Event()
        thread = threading.Thread(target=self._renewing, args=(over,), daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()
            self._change(keep=False)

    def _renewing(self, over: threading.Event) -> None:
        while not over.wait(RENEW_S):
            try:
                self._change(keep=True)
            except ExplorerError as error:
                self.error = error

    def _change(self, *, keep: bool) -> None:
        """Renew the leases of this process, or give them back."""
        with Store.open(self.path, existing=True) as store, store.alone():
            leases = self._read(store) or {}
            mine = {block for block, (owner, _) in leases.items() if owner == self.owner}
            if mine:
                renewed = {block: (self.owner, time.time() + LEASE_S) for block in mine if keep}
                others = {block: lease for block, lease in leases.items() if block not in mine}
                self._save(store, {**others, **renewed})

    def _read(self, store: Store) -> dict[str, Any] | None:
        """All leases of the piece, None where its blocks may not be taken."""
        kept = store.search_progress(_record(self.key))
        return dict(kept["leases"]) if kept.get("piece") == self.piece else None

    def _save(self, store: Store, leases: dict[str, Any]) -> None:
        store.save_progress(_record(self.key), {"piece": self.piece, "leases": leases})
