"""All designs of a page as columns of rounded numbers and row numbers of parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.report import whose
from explorer.report.goals import objectives, part_names
from explorer.report.page.content import BillLine, CaseRow, Column, Designs, Link, PartName, Record
from explorer.report.wording import (
    HIDDEN_READINGS,
    LEDGER,
    LINK_WORDS,
    READINGS,
    SETTING_WORDS,
    margin_words,
    unit_of,
)

if TYPE_CHECKING:
    from explorer.inputs.study import Project


def designs_of(
    project: Project, rows: Sequence[Record], reading: np.ndarray, locked: set[str]
) -> Designs:
    lines: dict[tuple[Any, ...], int] = {}
    names = part_names(project)
    bills = []
    for record in rows:
        bill = []
        for line in record["bill"]:
            key = (
                str(line.get("link", "")),
                str(line["part"]),
                names.get(line["part"], str(line["part"])),
                int(line["quantity"]),
                float(line["unit_price"]),
                str(line.get("price_dated", "")),
            )
            bill.append(lines.setdefault(key, len(lines)))
        bills.append(tuple(bill))
    currency = str(project.study.prices.currency)
    return Designs(
        ids=tuple(str(record["design_id"]) for record in rows),
        regimes=tuple(str(record["regime"]) for record in rows),
        objectives=tuple(
            Column(g.key, g.label, g.unit, rounded([r[g.key] for r in rows], 6))
            for g in objectives(currency)
        ),
        settings=_columns(rows, "settings", lambda n: SETTING_WORDS.get(n, (n, unit_of(n)))),
        margins=_margin_columns(rows, currency),
        ledger=_ledger(rows),
        readings=(
            Column(
                "session_energy_J",
                "energy by the time-stepped session",
                "J",
                rounded([r.get("session_energy_J") for r in rows]),
            ),
            *map(
                _as_percent, _columns(rows, "readings", lambda n: READINGS.get(n, (n, unit_of(n))))
            ),
            Column(
                "time_to_first_charge_s",
                "time to first charge",
                "s",
                rounded([r["time_to_first_charge_s"] for r in rows]),
            ),
        ),
        links=tuple(_link(project, rows, link) for link in LINKS),
        bill_lines=tuple(BillLine(*key) for key in lines),
        bills=tuple(bills),
        cases=_cases(project, rows),
        ledger_of=tuple(whose.of_whom(project, record) for record in rows),
        reading=tuple(map(bool, reading)),
        locked=tuple(str(record["design_id"]) in locked for record in rows),
    )


def rounded(values: Sequence[Any], digits: int = 4) -> tuple[float | None, ...]:
    """Rounded to `digits` significant ones, more than the model knows; None if infinite."""
    return tuple(
        float(f"{float(v):.{digits}g}") if v is not None and isfinite(float(v)) else None
        for v in values
    )


def _as_percent(column: Column) -> Column:
    """A share as people read it; any other column as it is."""
    if not column.name.endswith("_share"):
        return column
    values = rounded([None if v is None else 100 * v for v in column.values], 2)
    return replace(column, unit="%", values=values)


def _keys(rows: Sequence[Record], field_name: str) -> list[str]:
    """Names that occur in a mapping of any record, in order of first sight."""
    names = dict.fromkeys(name for record in rows for name in record.get(field_name, {}))
    return [name for name in names if name not in HIDDEN_READINGS]


def _columns(
    rows: Sequence[Record], field_name: str, words: Callable[[str], tuple[str, str]]
) -> tuple[Column, ...]:
    columns = []
    for name in _keys(rows, field_name):
        values = rounded([record.get(field_name, {}).get(name) for record in rows])
        label, unit = words(name)
        columns.append(Column(name, label, unit, values))
    return tuple(columns)


def _ledger(rows: Sequence[Record]) -> tuple[Column, ...]:
    """Terms in the order of the chain, unknown ones last."""
    columns = _columns(rows, "ledger_J", lambda n: (LEDGER.get(n, n.replace("_", " ")), "J"))
    order = list(LEDGER)
    return tuple(
        sorted(columns, key=lambda c: order.index(c.name) if c.name in LEDGER else len(order))
    )


def _margin_columns(rows: Sequence[Record], currency: str) -> tuple[Column, ...]:
    columns = []
    for name in _keys(rows, "margins"):
        words = margin_words(name)
        values = rounded([record["margins"].get(name) for record in rows])
        unit = currency if name == "limit_cost" else words.unit
        columns.append(Column(name, words.rule, unit, values, words.near))
    return tuple(columns)


def _link(project: Project, rows: Sequence[Record], link: str) -> Link:
    records = {part.id: part for part in project.catalogue.parts.get(link, ())}
    ids = list(dict.fromkeys(str(record["parts"][link]) for record in rows))
    index = {part: k for k, part in enumerate(ids)}
    parts = tuple(
        PartName(i, records[i].name, records[i].source, records[i].dated.isoformat())
        if i in records
        else PartName(i, i, "", "")
        for i in ids
    )
    return Link(
        link, LINK_WORDS[link], parts, tuple(index[str(record["parts"][link])] for record in rows)
    )


def _cases(project: Project, rows: Sequence[Record]) -> tuple[tuple[CaseRow, ...], ...]:
    """Each design's cases; empty where there is one only, which the design itself tells already."""
    return tuple(
        tuple(_case(project, case) for case in record.get("cases", ()))
        if len(record.get("cases", ())) > 1
        else ()
        for record in rows
    )


def _case(project: Project, case: Record) -> CaseRow:
    names = ("delivered_energy_J", "crank_effort_percent")
    energy, effort = (float(f"{float(case[name]):.4g}") for name in names)
    first, minutes = rounded(
        [case.get("time_to_first_charge_s"), case.get("minutes_per_percent")], 3
    )
    return CaseRow(
        whose.person_name(project, case["operator"]),
        whose.pack_name(project, case["pack"]),
        energy,
        effort,
        str(case["regime"]),
        first,
        minutes,
    )
