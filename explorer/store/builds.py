"""What builds of designs came to, as a store keeps it: packed arrays, appended, read at once."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.errors import InputError
from explorer.model.odds import Odds
from explorer.model.space import Rows
from explorer.store.connection import compact_json
from explorer.store.decisions import Decisions
from explorer.store.keys import Numbers
from explorer.units import Array

Counts = NDArray[np.int64]
COUNTED = ("draws", "hazards", "kept", "in_time", "energies")
"""What is counted of a design, in the order in which it is kept; the last is how many energies."""


class OddsRecord(NamedTuple):
    """Builds of some designs as a record keeps them: how many designs, the names of rules as JSON,
    and bytes: ids, counts, in how many builds each rule was broken, energies, all little-endian.
    """

    designs: int
    rules: str
    content: bytes


@dataclass(frozen=True)
class Draws:
    """What builds of designs (n,) came to, see `Odds`: in how many of `draws` builds which rule was
    `broken`, (n, rules), and the energies of all one after the other, J, each design's from
    `starts` on.
    """

    numbers: Numbers
    draws: Counts
    hazards: Counts
    kept: Counts
    in_time: Counts
    energies: Counts
    """How many energies a design has: as many as builds, none where it was only screened."""
    rules: tuple[str, ...]
    broken: Counts
    energies_J: Array

    @classmethod
    def of(cls, found: Mapping[int, Odds]) -> Draws:
        """Of designs by their numbers."""
        every = list(found.values())
        rules = tuple(sorted({name for one in every for name in one.broken}))

        return cls(
            numbers=np.array(list(found), np.uint64),
            draws=np.array([one.draws for one in every], np.int64),
            hazards=np.array([one.hazards for one in every], np.int64),
            kept=np.array([one.kept for one in every], np.int64),
            in_time=np.array([one.in_time for one in every], np.int64),
            energies=np.array([len(one.energies_J) for one in every], np.int64),
            rules=rules,
            broken=np.array(
                [one.broken.get(name, 0) for one in every for name in rules], np.int64
            ).reshape(len(every), len(rules)),
            energies_J=np.array([energy for one in every for energy in one.energies_J], float),
        )

    @classmethod
    def read(cls, packed: OddsRecord) -> Draws:
        """From a record; ValueError where it is none."""
        rules = json.loads(packed.rules)
        if not (isinstance(rules, list) and all(isinstance(name, str) for name in rules)):
            raise ValueError("the rules' names are no list")
        if packed.designs < 0:
            raise ValueError("holds fewer than no designs")
        offset, found = 0, []
        for kind, width in (("<u8", 1), ("<i8", len(COUNTED)), ("<i8", len(rules))):
            some = np.frombuffer(packed.content, kind, packed.designs * width, offset)
            found.append(some.reshape(width, packed.designs))
            offset += some.nbytes
        (numbers,), counts, broken = found
        by_name = dict(zip(COUNTED, counts.astype(np.int64), strict=True))
        energies_J = np.frombuffer(packed.content, "<f8", offset=offset)
        if (counts < 0).any() or len(energies_J) != by_name["energies"].sum():
            raise ValueError("its energies are not as many as it says")
        return cls(
            numbers=numbers.astype(np.uint64),
            **by_name,
            rules=tuple(rules),
            broken=broken.T.astype(np.int64),
            energies_J=energies_J.astype(float),
        )

    @property
    def packed(self) -> OddsRecord:
        """As a record keeps them."""
        counts = np.stack([getattr(self, name) for name in COUNTED])
        arrays = [
            self.numbers.astype("<u8"),
            counts.astype("<i8"),
            self.broken.T.astype("<i8"),
            self.energies_J.astype("<f8"),
        ]
        content = b"".join(np.ascontiguousarray(one).tobytes() for one in arrays)
        return OddsRecord(len(self), compact_json(self.rules), content)

    @classmethod
    def together(cls, some: Sequence[Draws]) -> Draws:
        """All designs of some draws, each as the last of them has it."""
        if len(some) == 1:
            return some[0]
        rules = tuple(sorted({name for one in some for name in one.rules}))
        broken = [np.zeros((len(one), len(rules)), np.int64) for one in some]
        for one, columns in zip(some, broken, strict=True):
            columns[:, [rules.index(name) for name in one.rules]] = one.broken

        def joined(name: str) -> NDArray[np.int64]:
            return np.concatenate([np.empty(0, np.int64), *(getattr(one, name) for one in some)])

        numbers = np.concatenate([np.empty(0, np.uint64), *(one.numbers for one in some)])
        every = cls(
            numbers=numbers,
            **{name: joined(name) for name in COUNTED},
            rules=rules,
            broken=np.concatenate([np.empty((0, len(rules)), np.int64), *broken]),
            energies_J=np.concatenate([np.empty(0), *(one.energies_J for one in some)]),
        )
        backwards = numbers[::-1]
        last = len(numbers) - 1 - np.unique(backwards, return_index=True)[1]
        return every.take(np.sort(last))

    def __len__(self) -> int:
        return len(self.numbers)

    @property
    def starts(self) -> Counts:
        """Where the energies of each design begin, (n,)."""
        return np.cumsum(self.energies) - self.energies

    def take(self, rows: Rows) -> Draws:
        """Those of some designs."""
        counts = {name: getattr(self, name)[rows] for name in COUNTED}
        lengths = counts["energies"]
        first = np.repeat(self.starts[rows] - (np.cumsum(lengths) - lengths), lengths)
        return Draws(
            numbers=self.numbers[rows],
            **counts,
            rules=self.rules,
            broken=self.broken[rows],
            energies_J=self.energies_J[first + np.arange(len(first))],
        )

    def odds(self) -> list[Odds]:
        """The same, a record a design."""
        energies, starts = self.energies_J.tolist(), self.starts.tolist()
        counts = zip(*(getattr(self, name).tolist() for name in COUNTED), strict=True)
        return [
            Odds(draws, hazards, kept, tuple(energies[start : start + length]), in_time,
                 {name: times for name, times in zip(self.rules, broken, strict=True) if times})
            for start, (draws, hazards, kept, in_time, length), broken in zip(
                starts, counts, self.broken.tolist(), strict=True
            )
        ]  # fmt: skip

    def quantiles_J(self, first: int, share: float) -> Array:
        """The linear quantile of each design's `first` energies, (n,), as `odds.quantile` has it;
        NaN for a design without any.
        """
        found, lengths = np.full(len(self), np.nan), np.minimum(self.energies, first)
        for length in np.unique(lengths[lengths > 0]).tolist():
            rows = np.flatnonzero(lengths == length)
            values = self.energies_J[self.starts[rows, np.newaxis] + np.arange(length)]
            place = (length - 1) * share
            low = int(place)
            high = min(low + 1, length - 1)
            values.partition((low, high), axis=1)
            below, above = values[:, low], values[:, high]
            found[rows] = below + (above - below) * (place - low)
        return found


_NONE = Draws.of({})


class DrawnBuilds(Decisions):
    """The part of a store that holds what builds came to."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        super().__init__(path, connection)
        self._drawn: dict[str, tuple[tuple[Any, ...], Draws]] = {}
        """What was read last, and from which records: a command asks for it several times."""

    def draws(self, search: str) -> Draws:
        """Of every design of which builds were drawn for a search, as they were kept last.

        InputError where a record is damaged, or one has vanished.
        """
        if not self.has_builds:
            return _NONE
        # All heads are read, so that one whose search is damaged or that has vanished is missed.
        heads = [head for head in self._read("builds") if head[1] == search]
        ids = tuple(number for number, *_ in heads)
        known, found = self._drawn.get(search, (None, _NONE))
        if known != ids:
            contents = dict(self._read("odds", "t.search = ?", (search,)))
            try:
                every = [
                    Draws.read(OddsRecord(designs, rules, contents[number]))
                    for number, _, designs, rules in heads
                ]
            except ValueError as error:
                raise InputError([self.fault_of("builds", "")]) from error
            found = Draws.together(every)
            self._drawn = {search: (ids, found)}
        return found

    def keep_draws(self, search: str, found: Draws) -> None:
        """Keep what builds of some designs came to, in place of what is kept of them."""
        if len(found):
            with self._transaction():
                self._insert("builds", {"search": search, **found.packed._asdict()})
