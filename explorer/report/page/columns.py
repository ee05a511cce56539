"""All designs of a page as columns of rounded numbers and row numbers of parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isfinite
from typing import Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model.costing import printed_amounts
from explorer.model.objectives import ENERGY, OBJECTIVES
from explorer.model.rules import rule
from explorer.report import whose
from explorer.report.format import of_differences
from explorer.report.goals import DesignResult, goals, part_names
from explorer.report.page.content import (
    BillLine,
    CaseRow,
    DesignTable,
    LinkColumn,
    PartName,
    ValueColumn,
)
from explorer.report.wording import (
    LEDGER,
    ledger_words,
    link_words,
    reading_words,
    setting_words,
)

JOINED = "delta"
"""The setting that says how windings are joined."""
WORST_TENTH = "worst_tenth_J"
"""Key of what the worst tenth of builds gives on average, where builds promise."""


def design_table(
    project: Project, rows: Sequence[DesignResult], reading: np.ndarray, locked: set[str]
) -> DesignTable:
    """All designs of a page; `reading` (n,) marks those of the thinned front."""
    lines, bills = _bills(project, rows)
    currency = str(project.study.prices.currency)
    return DesignTable(
        ids=tuple(str(record["design_id"]) for record in rows),
        regimes=tuple(str(record["regime"]) for record in rows),
        objectives=tuple(
            ValueColumn(g.key, g.label, g.unit, rounded([g.of(r) for r in rows], 6))
            for g in goals(currency, project.study.by_promise)
        ),
        settings=_settings(rows),
        margins=_margin_columns(rows, currency),
        ledger=_ledger(rows),
        readings=(*(_of_builds(rows) if project.study.by_promise else ()), *_readings(rows)),
        links=tuple(_link(project, rows, link) for link in LINKS),
        bill_lines=lines,
        bills=bills,
        cases=_cases(project, rows),
        ledger_of=tuple(whose.of_whom(project, record) for record in rows),
        joules_of=tuple(whose.joules_of(project, record) for record in rows),
        reading=tuple(map(bool, reading)),
        locked=tuple(str(record["design_id"]) in locked for record in rows),
    )


def _bills(
    project: Project, rows: Sequence[DesignResult]
) -> tuple[tuple[BillLine, ...], tuple[tuple[int, ...], ...]]:
    """The distinct lines of all bills, and the places of each design's lines among them."""
    names = part_names(project)
    lines: dict[BillLine, int] = {}
    bills = []
    for record in rows:
        bill = []
        amounts = printed_amounts(record["bill"])
        for line, amount in zip(record["bill"], amounts, strict=True):
            words = BillLine(
                str(line.get("link", "")),
                str(line["part"]),
                names.get(line["part"]) or str(line.get("name", line["part"])),
                int(line["quantity"]),
                float(line["unit_price"] or 0),
                str(line.get("price_dated") or ""),
                int(line.get("owned", 0)),
                amount,
            )
            bill.append(lines.setdefault(words, len(lines)))
        bills.append(tuple(bill))
    return tuple(lines), tuple(bills)


def _of_builds(rows: Sequence[DesignResult]) -> tuple[ValueColumn, ...]:
    """What stands beside a promise: the energy by the tables' values, and the worst builds'."""
    shown = (
        (ENERGY, "energy by the tables' values"),
        (WORST_TENTH, "energy of the worst tenth of builds"),
    )
    return tuple(
        ValueColumn(key, label, "J", rounded([r[key] for r in rows])) for key, label in shown
    )


def _readings(rows: Sequence[DesignResult]) -> tuple[ValueColumn, ...]:
    """What a person would measure, the time to first charge last."""
    return (
        *map(_as_percent, _columns(rows, "readings", reading_words)),
        ValueColumn(
            "time_to_first_charge_s",
            "time to first charge",
            "s",
            rounded([r["time_to_first_charge_s"] for r in rows]),
        ),
    )


def rounded(values: Sequence[Any], digits: int = 4) -> tuple[float | None, ...]:
    """Rounded to `digits` significant ones, more than the model knows; None if infinite."""
    return tuple(
        float(f"{float(v):.{digits}g}") if v is not None and isfinite(float(v)) else None
        for v in values
    )


def _as_percent(column: ValueColumn) -> ValueColumn:
    """A share as people read it; any other column as it is."""
    if not column.name.endswith("_share"):
        return column
    values = rounded([None if v is None else 100 * v for v in column.values], 2)
    return replace(column, unit="%", values=values)


def _keys(rows: Sequence[DesignResult], field_name: str) -> list[str]:
    """Names that occur in a mapping of any record, in order of first sight."""
    names = dict.fromkeys(name for record in rows for name in record.get(field_name, {}))
    return list(names)


def _columns(
    rows: Sequence[DesignResult], field_name: str, words: Callable[[str], tuple[str, str]]
) -> tuple[ValueColumn, ...]:
    columns = []
    for name in _keys(rows, field_name):
        values = rounded([record.get(field_name, {}).get(name) for record in rows])
        label, unit = words(name)
        columns.append(ValueColumn(name, label, unit, values))
    return tuple(columns)


def _settings(rows: Sequence[DesignResult]) -> tuple[ValueColumn, ...]:
    """Settings; how windings are joined only where some design has them in delta."""
    columns = _columns(rows, "settings", setting_words)
    return tuple(one for one in columns if one.name != JOINED or any(one.values))


def _ledger(rows: Sequence[DesignResult]) -> tuple[ValueColumn, ...]:
    """Terms in the order of the chain, unknown ones last."""
    whole = [{"ledger_J": whose.joules(record)} for record in rows]
    columns = _columns(whole, "ledger_J", lambda n: (ledger_words(n), "J"))
    order = list(LEDGER)
    return tuple(
        sorted(columns, key=lambda c: order.index(c.name) if c.name in LEDGER else len(order))
    )


def _margin_columns(rows: Sequence[DesignResult], currency: str) -> tuple[ValueColumn, ...]:
    columns = []
    for name in _keys(rows, "margins"):
        known = rule(name)
        values = rounded([record["margins"].get(name) for record in rows])
        unit = of_differences(known.unit or currency)
        columns.append(ValueColumn(name, known.label, unit, values, known.near))
    return tuple(columns)


def _link(project: Project, rows: Sequence[DesignResult], link: str) -> LinkColumn:
    records = {part.id: part for part in project.catalogue.parts.get(link, ())}
    ids = list(dict.fromkeys(str(record["parts"][link]) for record in rows))
    index = {part: k for k, part in enumerate(ids)}
    parts = tuple(
        PartName(i, records[i].name, records[i].source, records[i].dated.isoformat())
        if i in records
        else PartName(i, i, "", "")
        for i in ids
    )
    used = tuple(index[str(record["parts"][link])] for record in rows)
    return LinkColumn(link, link_words(link), parts, used)


def _cases(project: Project, rows: Sequence[DesignResult]) -> tuple[tuple[CaseRow, ...], ...]:
    """Each design's cases; empty where there is one only, whose numbers are the design's own."""
    return tuple(
        tuple(_case(project, case) for case in record.get("cases", ()))
        if len(record.get("cases", ())) > 1
        else ()
        for record in rows
    )


def _case(project: Project, case: DesignResult) -> CaseRow:
    first, minutes = rounded(
        [case.get("time_to_first_charge_s"), case.get("minutes_per_percent")], 3
    )
    return CaseRow(
        whose.turn_name(project, case),
        whose.pack_name(project, case["pack"]),
        tuple(float(f"{float(case[one.key]):.4g}") for one in OBJECTIVES if one.by_case),
        str(case["regime"]),
        first,
        minutes,
    )
