"""spreads.csv: how much parts differ from what their rows say, as measured or as assumed.

A row of a part replaces what is assumed of its class for one column; a row of `all` parts replaces
that assumption. Without the file, and for every other column, the class spreads hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from explorer.files import leads_nowhere
from explorer.inputs.csv_tables import TableColumns, TableReader
from explorer.inputs.records import Identifier, Positive, Record, Text


class SpreadRow(BaseModel):
    """One column of one part: between which factors of the table's value the true one lies."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    link: Identifier = Field(
        description="kind of row: a link, `pack` or `operator`", examples=["generator"]
    )
    part: Identifier = Field(
        description="id in that kind's table, or `all` for every row of it", examples=["my_hub"]
    )
    column: Text = Field(
        description="column of that table; of `line` and `phase` the one that the row fills; of a "
        "converter also the terms of its fitted loss",
        examples=["emf_line_V_s"],
    )  # fmt: skip
    low: Positive = Field(
        description="factor of the table's value: of `even` the least, else exceeded in 97.5 %",
        examples=[0.975],
    )
    high: Positive = Field(
        description="factor of the table's value: of `even` the most, else exceeded in 2.5 %",
        examples=[1.026],
    )
    shape: Literal["even", "lognormal"] = Field(
        description="`even` between both factors, or `lognormal`: the factor's logarithm is normal",
        examples=["lognormal"],
    )
    varies: Literal["batch", "each"] = Field(
        description="`batch`: one factor for all pieces in a build; `each`: one for every piece",
        examples=["batch"],
    )
    source: Text = Field(description="how it was found", examples=["measured: open volts"])
    dated: date = Field(description="the day of that", examples=["2026-11-25"])

    @model_validator(mode="after")
    def _order(self) -> SpreadRow:
        if self.low > self.high:
            raise ValueError("low must not be above high")
        return self

    @property
    def field(self) -> str:
        """The field of the record: a value between leads is kept as that of a phase."""
        return self.column.replace("_line_", "_phase_")


EVERY = "all"
"""Stands for every row of a table."""
Spreads = Mapping[tuple[str, str], tuple[SpreadRow, ...]]
"""Kind of row and id -> what was measured of its columns."""


def read_spreads(
    reader: TableReader, name: str, records: Mapping[str, Mapping[str, Record]]
) -> Spreads:
    """The spreads of a study's tables, none where there is no such file; faults are noted.

    `records`: kind of row -> id -> record, of the rows without a fault.
    """
    path = reader.folder / name
    if not path.exists() and not leads_nowhere(path):
        return {}
    found: dict[tuple[str, str], list[SpreadRow]] = {}
    for row in reader.rows(name, TableColumns.of(SpreadRow), id_column="part") or ():
        spread = reader.record(row, SpreadRow)
        if spread is None:
            continue
        if spread.link not in records:
            reader.faults.append(row.fault("link", "is no table of the study", spread.link))
            continue
        table = records[spread.link]
        known = next(iter(table.values()), None) if spread.part == EVERY else table.get(spread.part)
        if known is None:
            reader.faults.append(row.fault("part", "is not in its table", spread.part))
        elif spread.field not in type(known).model_fields:
            reader.faults.append(row.fault("column", "is no column of its table", spread.column))
        elif any(one.field == spread.field for one in found.get((spread.link, spread.part), ())):
            reader.faults.append(row.fault("column", "stands twice for this part", spread.column))
        else:
            found.setdefault((spread.link, spread.part), []).append(spread)
    return {key: tuple(rows) for key, rows in found.items()}
