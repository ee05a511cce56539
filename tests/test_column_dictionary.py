"""studies/parts/README.md and the tables speak of the same columns."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import pytest
from pydantic import BaseModel

from explorer.inputs.catalogue import FITTED, MODELS, TABLE_NAMES, BenchPoint, columns_of
from explorer.inputs.csv_tables import TableColumns
from explorer.inputs.front_parts import Generator
from explorer.inputs.plausible import RANGES
from explorer.inputs.prices import Price
from explorer.inputs.records import SETTINGS, Part
from explorer.inputs.spreads import SpreadRow
from explorer.units import unit_of

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "studies" / "parts" / "README.md"
COMMON = "Every table"


class Line(NamedTuple):
    """What the page says of a column."""

    unit: str
    limits: str
    meaning: str


def sections() -> dict[str, dict[str, Line]]:
    """Heading -> column -> what the page says of it."""
    found: dict[str, dict[str, Line]] = {}
    heading = ""
    for line in PAGE.read_text("utf-8").splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
            found[heading] = {}
        elif row := re.match(r"\| `(\w+)` \| (.*?) ?\| (.*?) ?\| (.+) \|$", line):
            assert row[1] not in found[heading], f"{row[1]} stands twice under {heading}"
            found[heading][row[1]] = Line(row[2], row[3], row[4])
    return found


@pytest.mark.parametrize("kind", MODELS)
def test_every_column_of_a_table_is_explained_once(kind: str) -> None:
    page, common = sections(), set(TableColumns.of(Part).valid)
    own = set(page[f"{TABLE_NAMES[kind]}.csv"])
    assert set(page[COMMON]) == common
    assert own == set(columns_of(MODELS[kind]).valid) - common
    header = next(
        line
        for line in (ROOT / "studies" / "parts" / f"{TABLE_NAMES[kind]}.csv")
        .read_text("utf-8")
        .splitlines()
        if not line.startswith("#")
    ).split(",")
    assert set(header) <= own | common


def meanings(model: type[BaseModel]) -> dict[str, str | None]:
    found = {info.alias or name: info.description for name, info in model.model_fields.items()}
    if issubclass(model, Generator):
        found |= {pattern.format("line"): text for pattern, text in model.LINE_COLUMNS.items()}
    return found


@pytest.mark.parametrize("kind", MODELS)
def test_records_say_of_their_columns_what_the_page_says(kind: str) -> None:
    page, own = sections(), meanings(MODELS[kind])
    for column, line in (page[COMMON] | page[f"{TABLE_NAMES[kind]}.csv"]).items():
        if column in own:
            assert own[column] == line.meaning, (kind, column)


@pytest.mark.parametrize(
    ("heading", "model"),
    [
        ("prices.csv", Price),
        ("../bench/converter_points.csv", BenchPoint),
        ("spreads.csv", SpreadRow),
    ],
)
def test_prices_and_points_say_what_the_page_says(heading: str, model: type[BaseModel]) -> None:
    page = {column: line.meaning for column, line in sections()[heading].items()}
    assert meanings(model) == page


def test_prices_and_bench_points_too() -> None:
    page = sections()
    assert set(page["prices.csv"]) == set(TableColumns.of(Price).valid)
    assert set(page["../bench/converter_points.csv"]) == set(TableColumns.of(BenchPoint).valid)


def test_units_are_those_that_names_end_with() -> None:
    for heading, rows in sections().items():
        for column, line in rows.items():
            assert line.meaning.strip(), (heading, column)
            ending = unit_of(column)
            if ending:
                assert line.unit.split(" (")[0] == ending, (heading, column)


def numbers_of(model: type[BaseModel]) -> set[str]:
    """The columns of a record that hold numbers."""
    found = {
        info.alias or name
        for name, info in model.model_fields.items()
        if re.search(r"\b(int|float)\b", repr(info.annotation))
    }
    if issubclass(model, Generator):
        found |= {pattern.format("line") for pattern in model.LINE_COLUMNS}
    return (found | set(getattr(model, "ALSO_CALLED", {}))) - set(FITTED)


def test_every_number_has_limits_and_the_page_shows_them() -> None:
    numbers = set().union(*(numbers_of(model) for model in (*MODELS.values(), Price, BenchPoint)))
    assert len(numbers) > 50
    assert numbers | set(SETTINGS) == set(RANGES)
    for heading, rows in sections().items():
        for column, line in rows.items():
            assert line.limits == str(RANGES.get(column, "")), (heading, column)


def test_the_readme_leads_there_and_gives_the_example() -> None:
    for page in (ROOT / "README.md", PAGE):
        text = " ".join(page.read_text("utf-8").split())
        assert "0.345" in text, page
        assert "4.6 V true rms at 3 turns a second" in text, page
    assert "(studies/parts/README.md)" in (ROOT / "README.md").read_text("utf-8")
    comment = (ROOT / "studies" / "parts" / "generators.csv").read_text("utf-8")
    assert comment.startswith("# emf_line_V_s: peak volts between two leads")
