"""What was done with a study: runs, prices, fronts of the past, how far searches have come."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import date
from functools import lru_cache
from hashlib import blake2b
from typing import Any, NamedTuple

import numpy as np

from explorer.errors import ExplorerError, InputError
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.prices import OldPrice, Price, Prices
from explorer.model import objectives
from explorer.store.builds import DrawnBuilds
from explorer.store.connection import compact_json, time_now
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


LARGE = 100_000
"""Characters of a state from which on it is parsed once for all that read it in a row: odds of
builds, as stores of earlier releases have them, take 0.2 s, and a rerun reads them eight times."""


@lru_cache(maxsize=2)
def _parsed_once(text: str) -> Any:
    return json.loads(text)


class History(DrawnBuilds):
    """The part of a store that holds no designs."""

    # ---- how far searches have come

    def search_progress(self, key: str) -> dict[str, Any]:
        """The state last saved under a key, {} when there is none."""
        found = self._read("progress", "t.key = ?", (key,))
        if not found:
            return {}
        text = found[0][-1]
        return dict(_parsed_once(text) if len(text) > LARGE else self._parsed("progress", text))

    def save_progress(self, key: str, state: Mapping[str, Any]) -> None:
        """Save the state of a search; with results, `Store.append` does it in one transaction."""
        self.save_states({key: state})

    def save_states(self, states: Mapping[str, Mapping[str, Any]]) -> None:
        """Save several states, all or none."""
        with self._transaction():
            for key, state in states.items():
                self._insert(
                    "progress",
                    {"key": key, "saved": time_now(), "state": compact_json(state)},
                    "ON CONFLICT DO UPDATE SET saved = excluded.saved, state = excluded.state",
                )

    # ---- runs

    def begin(self, kind: str, intent: Mapping[str, Any]) -> int:
        """Note that something begins (launch, rerun, lock, release ...); returns its number."""
        with self._transaction():
            row = {"kind": kind, "begun": time_now(), "intent": compact_json(intent)}
            return self._insert("run", row)

    def finish(self, run: int, result: Mapping[str, Any]) -> None:
        """Note how it ended."""
        with self._transaction():
            row = {"run": run, "ended": time_now(), "result": compact_json(result)}
            self._insert("outcome", row)

    def history(self) -> list[Run]:
        """Everything that was begun, oldest first."""
        ended = {run: (when, result) for run, when, result in self._read("outcome")}
        found = []
        for id_, kind, begun, intent in self._read("run"):
            when, text = ended.get(id_, (None, None))
            result = None if text is None else self._parsed("outcome", text)
            found.append(Run(id_, kind, begun, self._parsed("run", intent), when, result))
        return found

    def newest(self, *kinds: str) -> Iterator[Run]:
        """What was begun, of some kinds or of all, newest first: results are read as they are asked
        for, so that a long history costs no more than a short one.

        InputError where a record is damaged, or one of a run or a result has vanished.
        """
        if self.has_checksums and self._count("outcome") != self._count("checksum", "outcome"):
            raise InputError([self.fault_of("outcome")])
        for id_, kind, begun, intent in reversed(self._read("run")):
            if kinds and kind not in kinds:
                continue
            ended = self._read("outcome", "t.run = ?", (id_,))
            when, result = None, None
            if ended:
                ((_, when, text),) = ended
                result = self._parsed("outcome", text)
            yield Run(id_, kind, begun, self._parsed("run", intent), when, result)

    def _count(self, table: str, record: str | None = None) -> int:
        """How many rows a table has, of one kind of record where it has several."""
        where = "" if record is None else " WHERE record = ?"
        values = () if record is None else (record,)
        return int(self._rows(f"SELECT count(*) FROM {table}{where}", values)[0][0])

    def _parsed(self, kind: str, text: str) -> Any:
        """What a record's JSON says; InputError where it is none, as only a record from before
        there were checksums can be.
        """
        try:
            return json.loads(text)
        except ValueError as error:
            raise InputError([self.fault_of(kind, "")]) from error

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
            row = {"hash": name, "first_used": day, "list": compact_json(content)}
            self._insert("price_list", row, "ON CONFLICT DO NOTHING")
            for price in rows:
                seen = PriceSeen(
                    part=price.part,
                    from_quantity=price.from_quantity,
                    price=float(price.amount),
                    currency=price.currency,
                    dated=price.dated.isoformat(),
                    first_used=day,
                )
                self._insert("price", seen._asdict(), "ON CONFLICT DO NOTHING")
        return name

    def prices_of(self, name: str) -> Prices:
        """Prices as they were when `remember_prices` returned this name."""
        found = self._read("price_list", "t.hash = ?", (name,))
        if not found:
            raise ExplorerError(f"{self.path}: holds no price list {name}")
        content = self._parsed("price_list", found[0][-1])
        breaks: dict[str, tuple[Price, ...]] = {}
        for row in content["breaks"]:
            price = (OldPrice if "until_quantity" in row else Price).model_validate(row)
            breaks[price.part] = (*breaks.get(price.part, ()), price)
        return Prices(breaks, content["currency"], content["rates"], name)

    def prices_used(self, part: str | None = None) -> list[PriceSeen]:
        """Every price ever used (of one part), in the order of first use."""
        found = self._read("price", "t.part = coalesce(?, t.part)", (part,))
        return [PriceSeen(*row) for row in found]

    # ---- fronts

    def keep_front(self, numbers: Numbers, points: Array) -> str:
        """Keep a front, ids (n,) and today's objectives (n, m); returns a name for `front_of`."""
        designs = numbers.astype("<u8").tobytes()
        values = np.ascontiguousarray(points, dtype="<f8").tobytes()
        name = blake2b(designs + values, digest_size=8).hexdigest()
        keys = compact_json([one.key for one in objectives.OBJECTIVES])
        with self._transaction():
            row = {"hash": name, "designs": designs, "points": values, "objectives": keys}
            self._insert("front", row, "ON CONFLICT DO NOTHING")
        return name

    def front_of(self, name: str) -> tuple[Numbers, Array]:
        """A front that was kept: ids (n,), and a column (n, m) for each of today's objectives, NaN
        for one that no run knew when the front was kept.
        """
        found = self._read("front", "t.hash = ?", (name,))
        if not found:
            raise InputError([self.fault_of("front")])
        ((_, ids, values, named),) = found
        numbers = np.frombuffer(ids, "<u8").astype(np.uint64)
        keys = self._parsed("front", named) if named else FIRST_OBJECTIVES
        kept = np.frombuffer(values, "<f8").astype(float).reshape(len(numbers), len(keys))
        columns = dict(zip(keys, kept.T, strict=True))
        unknown = np.full(len(numbers), np.nan)
        today = [columns.get(one.key, unknown) for one in objectives.OBJECTIVES]
        return numbers, np.stack(today, axis=1)
