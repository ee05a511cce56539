"""Decisions as a store keeps them: appended, each with its results under their hash."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

from explorer.errors import InputError
from explorer.store.connection import StoreFile, compact_json, time_now


class Kept(NamedTuple):
    """A decision that holds: its design, the hash of its results, all of it as plain values, and
    the text that the store has of them.
    """

    design: str
    hash: str
    entry: dict[str, Any]
    text: str


class Decisions(StoreFile):
    """The part of a store that holds decisions."""

    def decisions(self) -> list[Kept]:
        """Those that hold, in the order in which their designs were locked."""
        holds: dict[str, Kept] = {}
        for _, design, results, text, _ in self._read("decision") if self.has_decisions else ():
            try:
                entry = json.loads(text)
            except ValueError as error:
                raise InputError([self.fault_of("decision", "")]) from error
            if entry is None:
                holds.pop(design, None)
            else:
                holds[design] = Kept(design, results, entry, text)
        return list(holds.values())

    def decide(self, design: str, results: str, entry: Mapping[str, Any] | None) -> None:
        """Keep a decision for a design, under the hash of its results; None takes it back.

        What was decided before stays in its row. ValueError for what JSON cannot hold.
        """
        row = {"design": design, "hash": results, "entry": compact_json(entry)}
        with self._transaction():
            self._insert("decision", {**row, "decided": time_now()})
