"""Tables become records; prices are looked up as a shop would; hashes change with physics only."""

from __future__ import annotations

import csv
import re
from datetime import date
from math import sqrt
from pathlib import Path

import pytest

from explorer.errors import ExplorerError, InputError
from explorer.inputs.front_parts import Generator
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project, load

TODAY = date(2026, 11, 25)


def change(study: Path, file: str, old: str, new: str) -> None:
    path = study.parent / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_rows_keep_the_order_of_their_file(small_project: Project) -> None:
    catalogue = small_project.catalogue
    assert list(catalogue.parts) == list(LINKS)
    ids = [part.id for part in catalogue.parts["gearing"]]
    assert ids == ["no_gearing", "belt_4", "planetary_8"]
    assert list(catalogue.packs) == ["telemetry_pack", "regulating_pack", "retrying_pack"]


def test_line_to_line_values_become_phase_values(small_project: Project) -> None:
    """A star winding: Ke/sqrt 3, half of R and L (textbook, two phases in series)."""
    hub = small_project.catalogue.parts["generator"][0]
    assert isinstance(hub, Generator)
    assert hub.emf_phase_V_s == pytest.approx(0.6 / sqrt(3), rel=1e-12)  # rounding alone
    assert hub.resistance_phase_ohm == pytest.approx(0.22, rel=1e-12)
    assert hub.inductance_phase_H == pytest.approx(0.00042, rel=1e-12)


def test_a_spreadsheets_table_is_read_alike(small_study: Path) -> None:
    """Byte order mark, CRLF, blank lines, spaces and quotes are no change of content."""
    before = load(small_study, today=TODAY).catalogue
    for path in (small_study.parent / "parts").glob("*.csv"):
        lines = [
            ", ".join(f'" {cell} "' for cell in line)
            for line in csv.reader(path.read_text().splitlines())
        ]
        path.write_bytes(b"\xef\xbb\xbf" + "\r\n\r\n".join(lines).encode() + b"\r\n,,\r\n")
    after = load(small_study, today=TODAY).catalogue
    assert after.parts == before.parts
    assert after.row_hashes == before.row_hashes
    assert after.prices == before.prices
    assert after.file_hashes["parts/cells.csv"] != before.file_hashes["parts/cells.csv"]


@pytest.mark.parametrize(
    ("file", "old", "new", "moved"),
    [
        ("parts/cells.csv", ",supercapacitor,5,", ",supercapacitor,5.1,", {"cell": ["cell_5f"]}),
        ("parts/cells.csv", "0.0023", "0.0024", {"cell": ["cell_5f"]}),
        ("parts/cells.csv", "0.0023", "2.3e-3", {}),
        ("parts/cells.csv", "Supercapacitor cell 5 F", "A cell of 5 F", {}),
        ("parts/cells.csv", "class value, most", "own measurement, most", {}),
        ("parts/cells.csv", "2026-11-03", "2026-11-04", {}),
        ("parts/prices.csv", "cell_5f,1.10", "cell_5f,2.20", {}),
        (
            "bench/converter_points.csv",
            ",9,1,0.901",
            ",9,1,0.902",
            {"converter": ["buckboost_middle"]},
        ),
    ],
)
def test_a_rows_hash_moves_with_its_physics_alone(
    small_study: Path, file: str, old: str, new: str, moved: dict[str, list[str]]
) -> None:
    before = load(small_study, today=TODAY).catalogue.row_hashes
    change(small_study, file, old, new)
    after = load(small_study, today=TODAY).catalogue.row_hashes
    changed = {
        kind: ids
        for kind in before
        if (ids := [key for key in before[kind] if before[kind][key] != after[kind][key]])
    }
    assert changed == moved


def test_more_price_never_changes_physics(small_study: Path) -> None:
    before = load(small_study, today=TODAY)
    change(small_study, "parts/prices.csv", "cell_5f,1.10", "cell_5f,2.20")
    after = load(small_study, today=TODAY)
    assert after.catalogue.parts == before.catalogue.parts
    assert after.scenario_hash == before.scenario_hash
    assert after.study_hash == before.study_hash
    assert after.catalogue.prices.content_hash != before.catalogue.prices.content_hash


def test_quantity_breaks_and_currencies(small_study: Path) -> None:
    change(small_study, "small.toml", 'currency = "EUR"',
           'currency = "EUR"\nrates = { USD = 0.9 }\nrates_dated = 2026-11-01')  # fmt: skip
    change(
        small_study,
        "parts/prices.csv",
        "cell_5f,1.10,EUR,2026-11-10,",
        "cell_5f,1.10,EUR,2026-11-10,1\ncell_5f,0.50,USD,2026-11-11,100\n"
        "cell_5f,0.90,EUR,2026-11-10,10",
    )
    prices = load(small_study, today=TODAY).catalogue.prices
    found = [prices.unit_price("cell_5f", quantity) for quantity in (1, 9, 10, 99, 100, 5000)]
    # Nine are cheaper bought as ten, ninety-nine as a hundred.
    assert found == [1.10, 0.90, 0.90, 0.45, 0.45, 0.45]
    bought = [prices.purchase("cell_5f", quantity) for quantity in (8, 9, 50, 51)]
    assert [one.bought for one in bought if one] == [8, 10, 50, 100]
    assert [one.price.dated.day for one in bought if one] == [10, 10, 10, 11]


def test_a_part_without_a_price_is_told(small_project: Project) -> None:
    with pytest.raises(ExplorerError, match=r"^cell_7f has no price in prices\.csv$"):
        small_project.catalogue.prices.unit_price("cell_7f", 1)


def test_an_unchosen_part_needs_no_price(small_study: Path) -> None:
    change(small_study, "parts/prices.csv", "planetary_8,42.00,EUR,2026-11-10,\n", "")
    change(small_study, "small.toml", "[settings]",
           '[choices]\ngearing = ["no_gearing", "belt_4"]\n[settings]')  # fmt: skip
    project = load(small_study, today=TODAY)
    assert project.study.choices["gearing"] == ("no_gearing", "belt_4")
    assert len(project.catalogue.parts["gearing"]) == 3


def test_the_prices_hash_does_not_depend_on_dates_or_order(small_study: Path) -> None:
    before = load(small_study, today=TODAY).catalogue.prices
    path = small_study.parent / "parts" / "prices.csv"
    header, *rows = path.read_text().replace("2026-11-10", "2026-11-12").splitlines()
    path.write_text("\n".join([header, *reversed(rows)]))
    after = load(small_study, today=TODAY).catalogue.prices
    assert after.content_hash == before.content_hash
    assert after != before


OFFER = """
[[prices.offers]]
file = "offers/shop.csv"
separator = ";"
decimal = ","
currency = "USD"
columns = { part = "Article", price = "Unit price", from_quantity = "From", dated = "As of" }
names = { "0815-5" = "cell_5f", "0815-25" = "cell_25f" }
"""
SHOP = """Article;Text;Unit price;From;As of
0815-5;A cell;1,00;1;2026-11-20
0815-5;A cell;0,50;100;2026-11-20
0815-25;A larger cell;1.000,00;1;2026-11-01
4711;A lamp;;;
belt_4;A belt;20,00;1;2026-11-10
;;;;Total 5
"""


def with_offer(study: Path) -> Path:
    """The study with an offer of a supplier, whose file is returned."""
    rates = 'currency = "EUR"\nrates = { USD = 0.5 }\nrates_dated = 2026-11-01\n'
    change(study, "small.toml", 'currency = "EUR"', rates + OFFER)
    (study.parent / "offers").mkdir()
    shop = study.parent / "offers" / "shop.csv"
    shop.write_text(SHOP)
    return shop


def test_an_offer_is_read_by_the_studys_map_and_the_newer_price_holds(small_study: Path) -> None:
    """prices.csv is of 2026-11-10: newer and same-day rows of the offer hold, older do not."""
    with_offer(small_study)
    catalogue = load(small_study, today=TODAY).catalogue
    prices = catalogue.prices
    assert [prices.unit_price("cell_5f", quantity) for quantity in (1, 100)] == [0.5, 0.25]
    assert prices.unit_price("cell_25f") == 3.2
    assert prices.unit_price("belt_4") == 10
    (note,) = catalogue.notes
    assert note.endswith("offers/shop.csv: 2 rows are of no part in the tables")
    assert "offers/shop.csv" in catalogue.file_hashes


def lines_of(study: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        load(study, today=TODAY)
    return [str(fault).removeprefix(f"{study.parent}/") for fault in caught.value.faults]


def test_faults_of_an_offer_name_its_own_columns(small_study: Path) -> None:
    shop = with_offer(small_study)
    shop.write_text(SHOP.replace("1,00;1;", "-1,00;1;").replace("2026-11-10", "gone"))
    assert lines_of(small_study) == [
        "offers/shop.csv: row 2 (cell_5f), column Unit price: must be at least 0, got -1.00",
        "offers/shop.csv: row 6 (belt_4), column As of: must be a date such as 2026-11-25, "
        "got gone",
    ]


PRICE, PIECES = "Unit price", "From"
WRITTEN = [  # of a price and a number of pieces under decimal = ",": what they are, or None
    ("1,00", "1", 1.0, 1),
    ("1.234,50", "1.000", 1234.5, 1000),
    ("1.000", "1\u00a0000", 1000.0, 1000),
    ("1\u202f234,50", "1'000", 1234.5, 1000),
    ("\ufeff17,50\u00a0", "\ufeff5", 17.5, 5),
    ("0,125", "10,0", 0.125, 10),
    ("17.50", "1", None, 1),
    ("1.75", "1", None, 1),
    ("0.125", "1", None, 1),
    ("1.0000", "1", None, 1),
    ("1.234.5", "1", None, 1),
    ("1,234,567", "1", None, 1),
    ("17 50", "1", None, 1),
    ("17_50", "1", None, 1),
    ("17\ufeff50", "1", None, 1),
    ("1,00", "10.0", 1.0, None),
    ("1,00", "1,000", 1.0, None),
    ("1,00", "2,5", 1.0, None),
]


@pytest.mark.parametrize(("price", "pieces", "amount", "count"), WRITTEN)
def test_numbers_of_an_offer_are_right_or_refused(
    small_study: Path, price: str, pieces: str, amount: float | None, count: int | None
) -> None:
    """Never a hundredfold, and never one piece instead of a thousand."""
    shop = with_offer(small_study)
    first = "0815-5;A cell;9,00;1;2026-11-20\n" if count not in (1, None) else ""
    shop.write_text(
        f"Article;Text;Unit price;From;As of\n{first}0815-5;A cell;{price};{pieces};2026-11-20\n",
        encoding="utf-8",
    )
    if amount is not None and count is not None:
        breaks = load(small_study, today=TODAY).catalogue.prices.breaks["cell_5f"]
        assert (amount, count) in [(one.amount, one.from_quantity) for one in breaks]
        return
    (line,) = lines_of(small_study)
    column = PRICE if amount is None else PIECES
    assert re.match(rf"offers/shop\.csv: row 2 \(\S+\), column {column}: must be ", line)


@pytest.mark.parametrize(
    ("written", "amount"),
    [("1,234.50", 1234.5), ("1\u00a0234.50", 1234.5), ("1,000", None), ("17,50", None)],
)
def test_numbers_of_prices_csv_are_right_or_refused(
    small_study: Path, written: str, amount: float | None
) -> None:
    change(small_study, "parts/prices.csv", "belt_4,19.00,", f'belt_4,"{written}",')
    if amount is not None:
        assert load(small_study, today=TODAY).catalogue.prices.unit_price("belt_4") == amount
        return
    (line,) = lines_of(small_study)
    assert line.startswith("parts/prices.csv: row 4 (belt_4), column price: must be a number")
    hint = "(1000 or 1.000, whichever is meant)" if written == "1,000" else "(with a point"
    assert hint in line


def test_a_thousand_pieces_in_prices_csv_are_not_one(small_study: Path) -> None:
    change(small_study, "parts/prices.csv", "belt_4,19.00,EUR,2026-11-10,",
           "belt_4,19.00,EUR,2026-11-10,\nbelt_4,9.00,EUR,2026-11-10,1.000")  # fmt: skip
    (line,) = lines_of(small_study)
    assert line.startswith(
        "parts/prices.csv: row 5 (belt_4), column from_quantity: must be a whole number, "
        "not three decimals"
    )


def test_byte_order_marks_and_no_break_spaces_hide_no_row(small_study: Path) -> None:
    """Files that were put together keep a mark before each header, a web page its spaces."""
    shop = with_offer(small_study)
    text = SHOP.replace("Unit price", "Unit\u00a0price").replace("0815-25", "\ufeff0815-25\u00a0")
    shop.write_bytes(b"\xef\xbb\xbf\xef\xbb\xbf" + text.encode())
    table = small_study.parent / "parts" / "prices.csv"
    table.write_bytes(b"\xef\xbb\xbf" + table.read_bytes().replace(b",EUR", b"\xc2\xa0,EUR"))
    prices = load(small_study, today=TODAY).catalogue.prices
    assert prices.unit_price("cell_5f") == 0.5
    assert prices.unit_price("belt_4") == 10


def test_an_offer_in_utf_16_is_read_and_in_latin_1_is_named(small_study: Path) -> None:
    shop = with_offer(small_study)
    plain = load(small_study, today=TODAY).catalogue.prices
    shop.write_bytes(SHOP.encode("utf-16"))
    assert load(small_study, today=TODAY).catalogue.prices == plain
    shop.write_bytes((SHOP + "Bügel").encode("latin-1"))
    (line,) = lines_of(small_study)
    assert line.startswith("offers/shop.csv: is not UTF-8 text, see byte ")


def test_a_column_that_an_offer_has_twice_is_no_guess(small_study: Path) -> None:
    shop = with_offer(small_study)
    shop.write_text(SHOP.replace("Article;Text;", "Article;Unit price;"))
    (line,) = lines_of(small_study)
    assert line.startswith("offers/shop.csv: row 1: must have each column")


WRONG_MAPS = [
    (
        '"Unit price"',
        '"Unit prise"',
        "offers/shop.csv: row 1: has no such column as the study's [[prices.offers]] names, "
        "got Unit prise (nearest: Unit price)",
    ),
    (
        'separator = ";"',
        'separator = ","',
        "offers/shop.csv: row 1: must have its cells separated by ',', got ;",
    ),
    (
        '"offers/shop.csv"',
        '"../shop.csv"',
        "small.toml: line 30, prices.offers.0.file: must lie inside the study's folder, "
        "got ../shop.csv",
    ),
    (
        'separator = ";"',
        'seperator = ";"',
        "small.toml: line 31, prices.offers.0.seperator: unknown key (nearest: separator)",
    ),
    (
        "price =",
        "prize =",
        "small.toml: line 34, prices.offers.0.columns.price: is missing",
    ),
    (
        'currency = "USD"',
        "",
        "small.toml: line 29, prices.offers.0: needs currency, here or among its columns",
    ),
]


@pytest.mark.parametrize(("old", "new", "line"), WRONG_MAPS)
def test_a_wrong_map_is_told(small_study: Path, old: str, new: str, line: str) -> None:
    with_offer(small_study)
    head, tail = small_study.read_text().split("[[prices.offers]]")
    assert old in tail
    small_study.write_text(f"{head}[[prices.offers]]{tail.replace(old, new, 1)}")
    assert lines_of(small_study)[0] == line


def test_an_old_price_is_a_note_with_its_age(small_study: Path) -> None:
    change(small_study, "parts/prices.csv", "belt_4,19.00,EUR,2026-11-10",
           "belt_4,19.00,EUR,2024-11-25")  # fmt: skip
    (note,) = load(small_study, today=TODAY).catalogue.notes
    # 2024-11-25 to 2026-11-25: two years of 365 days, no 29 February between
    assert note.endswith("prices.csv: row 4 (belt_4): the price of 2024-11-25 is 730 days old")


def test_old_rates_are_a_note_with_their_age(small_study: Path) -> None:
    change(small_study, "small.toml", 'currency = "EUR"',
           'currency = "EUR"\nrates = { USD = 0.9 }\nrates_dated = 2025-11-24')  # fmt: skip
    (note,) = load(small_study, today=TODAY).catalogue.notes
    assert note == f"{small_study}: the rates of 2025-11-24 are 366 days old"


def test_a_date_to_come_is_a_note(small_study: Path) -> None:
    change(small_study, "parts/prices.csv", "belt_4,19.00,EUR,2026-11-10",
           "belt_4,19.00,EUR,2027-11-10")  # fmt: skip
    (note,) = load(small_study, today=TODAY).catalogue.notes
    assert note.endswith("prices.csv: row 4 (belt_4): dated 2027-11-10 is still to come")


def test_the_demo_holds_every_class_of_part(demo_project: Project) -> None:
    """The counts that the job asks of the demo."""
    parts, packs = demo_project.catalogue.parts, demo_project.catalogue.packs
    kinds = [part.kind for part in parts["generator"] if isinstance(part, Generator)]
    assert kinds.count("three_phase") >= 8
    assert kinds.count("two_phase") >= 2
    assert kinds.count("brushed_dc") >= 2
    least = {"gearing": 8, "rectifier": 8, "cell": 10, "converter": 6, "window": 5, "clamp": 3,
             "lead": 4, "crank": 3, "pack_lead": 2}  # fmt: skip
    for link, count in least.items():
        assert len(parts[link]) >= count, link
    assert {"no_gearing", "no_clamp", "slip_ring", "hollow_axle"} <= {
        part.id for table in parts.values() for part in table
    }
    assert {pack.kind for pack in packs.values()} == {"steady", "regulating", "retrying"}
    assert max(pack.current_A for pack in packs.values()) == 2
    assert len(demo_project.catalogue.operators) >= 4


def test_assumed_operators_say_so(demo_project: Project) -> None:
    for operator in demo_project.catalogue.operators.values():
        assert operator.source.startswith(("assumed", "derived"))


def test_converter_fits_follow_their_bench_points(demo_project: Project) -> None:
    """The demo's points scatter by 2 % of a loss of up to about 3 W, so 0.06 W would be poor."""
    for converter in demo_project.catalogue.parts["converter"]:
        assert converter.fit_error_W < 0.06  # type: ignore[attr-defined]
