"""spreads.csv: how much parts, hands and settings differ from what their rows say.

Nothing differs that no row speaks of. A row of a part holds in place of one of its kind, and that
in place of one of `all`. What is assumed or computed of classes of parts is shipped as rows of
`all`, which a new study starts with.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from datetime import date
from functools import cache
from pathlib import Path
from typing import Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, model_validator

from explorer.errors import Fault
from explorer.files import is_there
from explorer.inputs.csv_tables import Row, TableColumns, TableReader
from explorer.inputs.front_parts import HARMONICS
from explorer.inputs.records import Identifier, Positive, Record, Text

EVERY = "all"
"""Stands for every row of a table."""
OF_DESIGN = "settings"
"""The kind of row that speaks of a design's settings."""
KEPT_SETTING = "cadence_rpm"
"""The setting that a hand keeps more or less; all others have their tolerances in tables."""
CLASS_FILE = Path(__file__).with_name("class_spreads.csv")


class SpreadRow(BaseModel):
    """One column of one part: between which factors of the table's value the true one lies."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    link: Identifier = Field(
        description="kind of row: a link, `pack`, `operator`, or `settings` for the cadence that a "
        "hand keeps",
        examples=["generator"],
    )
    part: Identifier = Field(
        description="id in that kind's table, one of its kinds, or `all` for every row of it",
        examples=["my_generator"],
    )
    column: Text = Field(
        description="column of that table; of `line` and `phase` the one that the row fills; of a "
        "converter also the terms of its fitted loss",
        examples=["emf_line_V_s"],
    )  # fmt: skip
    low: Positive = Field(
        description="factor of the table's value: of `lognormal` exceeded in 97.5 %, else the "
        "least",
        examples=[0.975],
    )
    high: Positive = Field(
        description="factor of the table's value: of `lognormal` exceeded in 2.5 %, else the most",
        examples=[1.026],
    )
    shape: Literal["even", "loguniform", "lognormal", "loss"] = Field(
        description="`even` between both factors; `loguniform`: the factor's logarithm is even; "
        "`lognormal`: it is normal; `loss`: factors, even, of what the value lacks to 1",
        examples=["lognormal"],
    )
    varies: Literal["batch", "each"] = Field(
        description="`batch`: one factor for all pieces in a build; `each`: one for every cell of "
        "a string, where the cell's row leaves `piece_spread` empty",
        examples=["batch"],
    )
    source: Text = Field(description="how it was found", examples=["measured: open volts"])
    dated: date = Field(description="the day of that", examples=["2026-11-25"])

    @model_validator(mode="after")
    def _order(self) -> SpreadRow:
        if self.low > self.high:
            raise ValueError("low must not be above high")
        if self.varies == "each" and (self.link, self.field) != ("cell", "capacitance_F"):
            raise ValueError("varies must be batch: only the capacitance of cells differs by piece")
        return self

    @property
    def field(self) -> str:
        """The field of the record: a value between leads is kept as that of a phase."""
        return self.column.replace("_line_", "_phase_")


Spreads = Mapping[tuple[str, str], tuple[SpreadRow, ...]]
"""Kind of row and id (or kind, or `all`) -> what its columns differ by."""


class Quantity(NamedTuple):
    """Numbers of a part that are one thing and so differ together where their factors are alike."""

    says: str
    where: str
    fields: tuple[str, ...]


LOSS_TERMS = (
    "loss_W", "loss_per_input_V", "loss_per_input_A", "loss_per_input_A2", "loss_per_output_A",
    "loss_per_output_A2",
)  # fmt: skip
MAY_DIFFER = (
    Quantity("the arm's lasting power", "operator", ("critical_power_W",)),
    Quantity("the arm's reserve", "operator", ("reserve_J",)),
    Quantity("the force that is comfortable", "operator", ("comfort_force_N",)),
    Quantity("the evenness of the stroke", "operator", ("unevenness",)),
    Quantity("the cadence that is kept", OF_DESIGN, (KEPT_SETTING,)),
    Quantity("loss of the gearing", "gearing", ("efficiency",)),
    Quantity("drag of the gearing", "gearing", ("drag_torque_N_m",)),
    Quantity("open voltage (EMF) of the generator", "generator", ("emf_phase_V_s",)),
    Quantity(
        "winding resistance",
        "generator",
        ("resistance_phase_ohm", "resistance_equivalent_phase_ohm"),
    ),
    Quantity("winding inductance", "generator", ("inductance_phase_H",)),
    Quantity("drag of the generator", "generator", ("drag_torque_N_m", "drag_viscous_N_m_s")),
    Quantity("resistance of the generator lead", "lead", ("resistance_ohm",)),
    Quantity("forward voltage of the rectifier", "rectifier", ("saturation_A",)),
    Quantity("resistance of the rectifier", "rectifier", ("resistance_ohm",)),
    Quantity("leakage of the rectifier", "rectifier", ("leakage_A",)),
    Quantity("capacitance of the cells", "cell", ("capacitance_F",)),
    Quantity("resistance of the cells", "cell", ("esr_ohm",)),
    Quantity("leakage of the cells", "cell", ("leakage_A",)),
    Quantity("threshold of the clamp", "clamp", ("threshold_V",)),
    Quantity("resistance of the window's switch", "window", ("on_resistance_ohm",)),
    Quantity("loss of the converter", "converter", LOSS_TERMS),
    Quantity("output voltage of the converter", "converter", ("output_V",)),
    Quantity("resistance of the 5 V lead", "pack_lead", ("resistance_ohm",)),
)
"""In the order of the chain. A number that is not here is a thing of its own."""


def class_text() -> str:
    """A spreads.csv of what is assumed or computed of classes of parts, as shipped."""
    return CLASS_FILE.read_text(encoding="utf-8")


@cache
def class_rows() -> tuple[SpreadRow, ...]:
    """The rows of `class_text`."""
    rows = csv.DictReader(class_text().splitlines())
    return tuple(SpreadRow.model_validate(row, strict=False) for row in rows)


def read_spreads(
    reader: TableReader, name: str, records: Mapping[str, Mapping[str, Record]]
) -> Spreads:
    """The spreads of a study's tables, none where there is no such file; faults are noted.

    `records`: kind of row -> id -> record, of the rows without a fault.
    """
    found: dict[tuple[str, str], list[SpreadRow]] = {}
    path = reader.folder / name
    if not is_there(path):
        reader.notes.append(
            f"{reader.shown(name)} is not there: every build counts as exactly what the tables "
            "say, and nothing warns of parts that differ; a study made by genchain start has the "
            "usual spreads"
        )
        return {}
    for row in reader.rows(name, TableColumns.of(SpreadRow), id_column="part") or ():
        spread = reader.record(row, SpreadRow)
        if spread is None:
            continue
        mine = found.setdefault((spread.link, spread.part), [])
        fault = _fault(row, spread, records)
        if fault is not None:
            reader.faults.append(fault)
        elif any((one.field, one.varies) == (spread.field, spread.varies) for one in mine):
            reader.faults.append(row.fault("column", "stands twice for this part", spread.column))
        else:
            mine.append(spread)
    return {key: tuple(rows) for key, rows in found.items() if rows}


def _fault(
    row: Row, spread: SpreadRow, records: Mapping[str, Mapping[str, Record]]
) -> Fault | None:
    """What is wrong with a row beside its own cells."""
    if spread.link == OF_DESIGN:
        if (spread.part, spread.column) == (EVERY, KEPT_SETTING):
            return None
        rule = f"must be {EVERY} and {KEPT_SETTING}: other settings differ by their tables"
        return row.fault("column", rule, spread.column)
    table = records.get(spread.link)
    if table is None:
        return row.fault("link", "is no table of the study", spread.link)
    known = list(_named(table, spread.part))
    if table and not known:
        return row.fault("part", "is not in its table", spread.part)
    if known and not any(spread.field in type(one).model_fields for one in known):
        return row.fault("column", "is no column of its table", spread.column)
    # A column that every row leaves empty cannot be judged.
    values = [value for one in known if (value := getattr(one, spread.field)) is not None]
    if values and not any(isinstance(value, float) for value in values):
        return row.fault("column", "holds no numbers that could differ", spread.column)
    if spread.field in HARMONICS:
        rule = "cannot differ from build to build: each shape of EMF has a map of its own"
        return row.fault("column", rule, spread.column)
    return None


def _named(table: Mapping[str, Record], name: str) -> Iterator[Record]:
    """Rows that a row of spreads speaks of."""
    if name in table:
        yield table[name]
        return
    for one in table.values():
        if name == EVERY or name == getattr(one, "kind", None):
            yield one


def rows_of(spreads: Spreads, link: str, part: Record | None = None) -> dict[str, SpreadRow]:
    """What a part or person differs by, field -> row: its own row, its kind's, or that of all."""
    kind = str(getattr(part, "kind", EVERY))
    names = (EVERY, *((kind, part.id) if part else ()))
    found: dict[str, SpreadRow] = {}
    for name in names:
        found |= {one.field: one for one in spreads.get((link, name), ()) if one.varies == "batch"}
    return found


def piece_spread(spreads: Spreads, part: Record) -> float | None:
    """Half the width in which pieces of a batch of cells differ; None where no row speaks of it."""
    for name in (part.id, str(getattr(part, "kind", EVERY)), EVERY):
        for one in spreads.get(("cell", name), ()):
            if one.varies == "each":
                return (one.high - one.low) / 2
    return None
