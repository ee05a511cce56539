"""What was done with a study: runs, prices, fronts of the past, how far searches have come."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from hashlib import blake2b
from typing import Any, NamedTuple

import numpy as np

from explorer.errors import ExplorerError
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.prices import Price, Prices
from explorer.model import objectives
from explorer.store.connection import StoreFile, compact_json, time_now
from explorer.store.keys import Numbers
from explorer.units import Array

FIRST_OBJECTIVES = ("delivered_energy_J", "cost", "mass_kg", "crank_effort_percent")
"""Columns of a front that was kept before fronts named theirs."""


class Run(NamedTuple):
    """An entry of the history; `ended` and `result` are None while a run is unfinished."""

    id: int
    kind: str
    begun: str
    intent: dict[str, Any]
    ended: str | None
    result: dict[str, Any] | None


class PriceSeen(NamedTuple):
    """A price that was once in force, and the day it was first used."""

    part: str
    from_quantity: int
    price: float
    currency: str
    dated: str
    first_used: str


class History(StoreFile):
    """The part of a store that holds no designs."""

    # ---- how far searches have come

    def search_progress(self, key: str) -> dict[str, Any]:
        """The state last saved under a key, {} when there is none."""
        found = self._row("SELECT state FROM progress WHERE key = ?", (key,))
        return dict(json.loads(found[0])) if found else {}

    def save_progress(self, key: str, state: Mapping[str, Any]) -> None:
        """Save the state of a search; with results, `Store.append` does it in one transaction."""
        with self._transaction():
            self._connection.execute(
                "INSERT OR REPLACE INTO progress (key, saved, state) VALUES (?, ?, ?)",
                (key, time_now(), compact_json(state)),
            )

    # ---- runs

    def begin(self, kind: str, intent: Mapping[str, Any]) -> int:
        """Note that something begins (launch, rerun, lock, release ...); returns its number."""
        with self._transaction():
            run = self._connection.execute(
                "INSERT INTO run (kind, begun, intent) VALUES (?, ?, ?)",
                (kind, time_now(), compact_json(intent)),
            ).lastrowid
        return int(run or 0)

    def finish(self, run: int, result: Mapping[str, Any]) -> None:
        """Note how it ended."""
        with self._transaction():
            self._connection.execute(
                "INSERT INTO outcome (run, ended, result) VALUES (?, ?, ?)",
                (run, time_now(), compact_json(result)),
            )

    def history(self) -> list[Run]:
        """Everything that was begun, oldest first."""
        found = self._rows(
            "SELECT id, kind, begun, intent, ended, result"
            " FROM run LEFT JOIN outcome ON run = id ORDER BY id"
        )
        return [
            Run(id_, kind, begun, json.loads(intent), ended, result and json.loads(result))
            for id_, kind, begun, intent, ended, result in found
        ]

    # ---- prices

    def remember_prices(self, prices: Prices, *, today: date | None = None) -> str:
        """Keep every price with its date; returns a name for `prices_of`."""
        day = (today or date.today()).isoformat()
        rows = [price for breaks in prices.breaks.values() for price in breaks]
        content = {
            "currency": prices.currency,
            "rates": dict(prices.rates),
            "breaks": [price.model_dump(mode="json") for price in rows],
        }
        name = content_hash(content)
        with self._transaction():
            self._connection.execute(
                "INSERT OR IGNORE INTO price_list (hash, first_used, list) VALUES (?, ?, ?)",
                (name, day, compact_json(content)),
            )
            self._connection.executemany(
                "INSERT OR IGNORE INTO price"
                " (part, from_quantity, price, currency, dated, first_used)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (p.part, p.from_quantity, p.amount, p.currency, p.dated.isoformat(), day)
                    for p in rows
                ],
            )
        return name

    def prices_of(self, name: str) -> Prices:
        """Prices as they were when `remember_prices` returned this name."""
        found = self._row("SELECT list FROM price_list WHERE hash = ?", (name,))
        if not found:
            raise ExplorerError(f"{self.path}: holds no price list {name}")
        content = json.loads(found[0])
        breaks: dict[str, tuple[Price, ...]] = {}
        for row in content["breaks"]:
            price = Price.model_validate(row)
            breaks[price.part] = (*breaks.get(price.part, ()), price)
        return Prices(breaks, content["currency"], content["rates"], name)

    def prices_used(self, part: str | None = None) -> list[PriceSeen]:
        """Every price ever used (of one part), in the order of first use."""
        found = self._rows(
            "SELECT part, from_quantity, price, currency, dated, first_used FROM price"
            " WHERE part = coalesce(?, part) ORDER BY rowid",
            (part,),
        )
        return [PriceSeen(*row) for row in found]

    # ---- fronts

    def keep_front(self, numbers: Numbers, points: Array) -> str:
        """Keep a front, ids (n,) and today's objectives (n, m); returns a name for `front_of`."""
        designs = numbers.astype("<u8").tobytes()
        values = np.ascontiguousarray(points, dtype="<f8").tobytes()
        name = blake2b(designs + values, digest_size=8).hexdigest()
        keys = compact_json([one.key for one in objectives.OBJECTIVES])
        with self._transaction():
            self._connection.execute(
                "INSERT OR IGNORE INTO front (hash, designs, points, objectives)"
                " VALUES (?, ?, ?, ?)",
                (name, designs, values, keys),
            )
        return name

    def front_of(self, name: str) -> tuple[Numbers, Array]:
        """A front that was kept: ids (n,), and a column (n, m) for each of today's objectives, NaN
        for one that no run knew when the front was kept.
        """
        named = any(
            column == "objectives" for _, column, *_ in self._rows("PRAGMA table_info(front)")
        )
        found = self._row(
            f"SELECT designs, points, {'objectives' if named else 'NULL'} FROM front"
            " WHERE hash = ?",
            (name,),
        )
        if not found:
            raise ExplorerError(f"{self.path}: holds no front {name}")
        numbers = np.frombuffer(found[0], "<u8").astype(np.uint64)
        keys = json.loads(found[2]) if found[2] else FIRST_OBJECTIVES
        kept = np.frombuffer(found[1], "<f8").astype(float).reshape(len(numbers), len(keys))
        columns = dict(zip(keys, kept.T, strict=True))
        unknown = np.full(len(numbers), np.nan)
        today = [columns.get(one.key, unknown) for one in objectives.OBJECTIVES]
        return numbers, np.stack(today, axis=1)
