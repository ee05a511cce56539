"""studies/parts/README.md and the tables speak of the same columns."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from explorer.inputs.catalogue import MODELS, TABLE_NAMES, BenchPoint, columns_of
from explorer.inputs.csv_tables import Columns
from explorer.inputs.prices import Price
from explorer.inputs.records import Part

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "studies" / "parts" / "README.md"
COMMON = "Every table"
UNITS = {
    "_J_per_K": "J/K", "_K_per_W": "K/W", "_N_m_s": "N m s", "_N_m": "N m", "_V_s": "V s",
    "_rad_s": "rad/s", "_rpm": "turns a minute", "_ohm": "ohm", "_kg": "kg", "_Wh": "Wh",
    "_C": "degrees C", "_V": "V", "_A": "A", "_W": "W", "_N": "N", "_J": "J", "_F": "F",
    "_H": "H", "_m": "m", "_s": "s",
}  # fmt: skip
"""The unit that an ending means, longest endings first."""


def sections() -> dict[str, dict[str, tuple[str, str]]]:
    """Heading -> column -> unit, what it is."""
    found: dict[str, dict[str, tuple[str, str]]] = {}
    heading = ""
    for line in PAGE.read_text("utf-8").splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
            found[heading] = {}
        elif row := re.match(r"\| `(\w+)` \| (.*?) ?\| (.+) \|$", line):
            assert row[1] not in found[heading], f"{row[1]} stands twice under {heading}"
            found[heading][row[1]] = (row[2], row[3])
    return found


@pytest.mark.parametrize("kind", MODELS)
def test_every_column_of_a_table_is_told_once(kind: str) -> None:
    told, common = sections(), set(Columns.of(Part).valid)
    own = set(told[f"{TABLE_NAMES[kind]}.csv"])
    assert set(told[COMMON]) == common
    assert own == set(columns_of(MODELS[kind]).valid) - common
    header = next(
        line
        for line in (ROOT / "studies" / "parts" / f"{TABLE_NAMES[kind]}.csv")
        .read_text("utf-8")
        .splitlines()
        if not line.startswith("#")
    ).split(",")
    assert set(header) <= own | common


def test_prices_and_bench_points_too() -> None:
    told = sections()
    assert set(told["prices.csv"]) == set(Columns.of(Price).valid)
    assert set(told["../bench/converter_points.csv"]) == set(Columns.of(BenchPoint).valid)


def test_units_are_those_that_names_end_with() -> None:
    for heading, rows in sections().items():
        for column, (unit, meaning) in rows.items():
            assert meaning.strip(), (heading, column)
            ending = next((u for end, u in UNITS.items() if column.endswith(end)), "")
            if ending:
                assert unit.split(" (")[0] == ending, (heading, column)


def test_the_readme_leads_there_and_gives_the_example() -> None:
    for page in (ROOT / "README.md", PAGE):
        text = " ".join(page.read_text("utf-8").split())
        assert "0.345" in text, page
        assert "4.6 V true rms at 3 turns a second" in text, page
    assert "(studies/parts/README.md)" in (ROOT / "README.md").read_text("utf-8")
    comment = (ROOT / "studies" / "parts" / "generators.csv").read_text("utf-8")
    assert comment.startswith("# emf_line_V_s: peak volts between two leads")
