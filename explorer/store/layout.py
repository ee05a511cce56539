"""How the bytes of a block of designs are laid out, as the block's context describes it.

A block is its columns one after the other, little-endian, each as long as the block; beside it
stand its results, 8-byte floats. The description says every column's name and type, so a reader
finds its own whatever else is there: a key, a column or a group of results that it does not know,
it passes over. What a reader must not pass over needs a new number of the layout; blocks of an
unknown number are set aside by name and never read.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.store.connection import compact_json
from explorer.units import Array

LAYOUT, PACKED_LAYOUT = 2, 3
"""Number of the layout that is written, and of the same with its bytes compressed (`packing`). 1
had no description but a list of its results' names.
"""
NUMBER_TYPES = ("<i1", "<i2", "<i4", "<i8", "<u8", "<f4", "<f8")
"""Types that a column may have, as numpy writes them."""

PARTS, SETTINGS_OF, NUMBERS, REGIME = "parts", "settings", "numbers", "regime"
KEEPS_PHYSICS, FIRST_CHARGE = "keeps_physics", "time_to_first_charge_s"
"""Columns that every block has, beside those of the objectives."""
DOUBT, MAY_KEEP = "energy_doubt", "may_keep"
"""How far the energy may be off, as a share, and whether physics may be kept: of the search's
filter, see `model.doubt`. A block without them has neither doubt nor a verge."""
CASES, GROUPS = "cases", ("margins", "ledger_J", "readings", "session_ledger_J")
"""Groups of results: of a person and pack, or of the design."""


class UnknownLayoutError(ValueError):
    """A layout that this release cannot read; its text completes "stored in ..."."""


@dataclass(frozen=True)
class Column:
    """A column of a block, or one for each of `of` under a common name."""

    name: str
    kind: str
    of: tuple[str, ...] | None = None

    @property
    def count(self) -> int:
        """How many columns these are."""
        return 1 if self.of is None else len(self.of)

    @property
    def row_bytes(self) -> int:
        """Bytes that a design takes in them."""
        return self.count * np.dtype(self.kind).itemsize


Result = tuple[str, ...]
"""Group and name of a result; of a case also its person, its pack, and its shift beyond the
first."""

FIRST_COLUMNS = (
    Column(
        PARTS,
        "<i2",
        ("crank", "gearing", "generator", "lead", "rectifier", "cell", "clamp", "window",
         "converter", "pack_lead"),
    ),
    Column(
        SETTINGS_OF,
        "<f8",
        ("cells_series", "cells_parallel", "cadence_rpm", "undervoltage_off_V",
         "undervoltage_band_V", "overvoltage_off_V"),
    ),
    Column(NUMBERS, "<u8"),
    Column("delivered_energy_J", "<f8"),
    Column("mass_kg", "<f8"),
    Column("crank_effort_percent", "<f8"),
    Column(FIRST_CHARGE, "<f8"),
    Column(REGIME, "<i1"),
    Column(KEEPS_PHYSICS, "<i1"),
)  # fmt: skip
"""Those of layout 1."""


@dataclass(frozen=True)
class Layout:
    """Columns of the designs, and of their results, in the order of the bytes."""

    columns: tuple[Column, ...]
    results: tuple[Result, ...]
    packed: bool = False
    """Whether both are compressed, by zlib (RFC 1950)."""

    @classmethod
    @lru_cache(maxsize=64)
    def read(cls, text: str) -> Layout:
        """From its description; UnknownLayoutError where it is none that this release knows."""
        try:
            described = json.loads(text)
            if isinstance(described, list):
                return cls(FIRST_COLUMNS, tuple(map(_first_result, described)))
            number = described["layout"]
            if number not in (LAYOUT, PACKED_LAYOUT):
                raise UnknownLayoutError(f"layout {number}, which this release does not know")
            columns = tuple(
                Column(name, kind, None if of is None else tuple(of))
                for name, kind, of in described["columns"]
            )
            results = tuple(tuple(map(str, one)) for one in described["results"])
        except UnknownLayoutError:
            raise
        except (ValueError, TypeError, KeyError) as error:
            raise UnknownLayoutError("a layout whose description cannot be read") from error
        for column in columns:
            if column.kind not in NUMBER_TYPES:
                raise UnknownLayoutError(f"a layout with the unknown type {column.kind!r}")
        if len({column.name for column in columns}) < len(columns):
            raise UnknownLayoutError("a layout that names a column twice")
        return cls(columns, results, number == PACKED_LAYOUT)

    @property
    def text(self) -> str:
        """Its description."""
        columns = [[column.name, column.kind, column.of] for column in self.columns]
        number = PACKED_LAYOUT if self.packed else LAYOUT
        return compact_json({"layout": number, "columns": columns, "results": self.results})

    @property
    def known_results(self) -> frozenset[Result]:
        """Those of groups that this release knows."""
        return frozenset(one for one in self.results if one[0] in (*GROUPS, CASES))

    @property
    def row_bytes(self) -> int:
        """Bytes that a design takes, without its results."""
        return sum(column.row_bytes for column in self.columns)

    def names_of(self, column: str) -> tuple[str, ...]:
        """What the columns of a common name are of, () without such columns."""
        return next((one.of or () for one in self.columns if one.name == column), ())

    def by_name(self, column: str, columns: Mapping[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """The columns (rows,) of a common name, by what each is of."""
        return dict(zip(self.names_of(column), columns[column], strict=True))

    def has(self, column: str) -> bool:
        """Whether there is a column of a name."""
        return any(one.name == column for one in self.columns)

    def pack(self, values: Mapping[str, Sequence[NDArray[Any]]]) -> bytes:
        """The bytes of columns, one array (n,) each; by name as many as `Column.count`."""
        return b"".join(
            np.ascontiguousarray(one, dtype=column.kind).tobytes()
            for column in self.columns
            for one in values[column.name]
        )

    def unpack(self, blob: bytes, rows: int) -> dict[str, NDArray[Any]]:
        """The columns (count, rows) by name; ValueError where the bytes are not as many."""
        content = self._plain(blob, rows * self.row_bytes)
        found, offset = {}, 0
        for column in self.columns:
            values = np.frombuffer(content, column.kind, column.count * rows, offset)
            found[column.name] = values.reshape(column.count, rows)
            offset += values.nbytes
        return found

    def unpack_results(self, blob: bytes, rows: int) -> dict[Result, Array]:
        """The results (rows,) by group and name; ValueError where the bytes are not as many."""
        content = self._plain(blob, 8 * rows * len(self.results))
        values = np.frombuffer(content, "<f8").reshape(len(self.results), rows)
        return dict(zip(self.results, values, strict=True))

    def _plain(self, blob: bytes, size: int) -> bytes:
        """What is compressed, or the bytes as they are; ValueError where they are not so many."""
        content = blob
        if self.packed:
            reader = zlib.decompressobj()
            try:
                content = reader.decompress(blob, size + 1)
            except zlib.error as error:
                raise ValueError(f"cannot be unpacked: {error}") from error
            if not reader.eof or reader.unused_data:
                raise ValueError(f"does not end after {size} bytes")
        if len(content) != size:
            raise ValueError(f"has {len(content)} bytes, not {size}")
        return content


def _first_result(name: str) -> Result:
    """A result as layout 1 named it: GROUP:NAME or case:PERSON:PACK:NAME."""
    group, *rest = name.split(":")
    if group == "case":
        person, pack, value = rest
        return (CASES, value, person, pack)
    (value,) = rest
    return (group, value)
