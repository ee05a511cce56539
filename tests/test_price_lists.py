"""Price lists as shops write them: read right, or refused with file, row, column and value."""

from __future__ import annotations

import re
import time
from datetime import date
from pathlib import Path

import pytest

from explorer.errors import InputError
from explorer.inputs.prices import Prices
from explorer.inputs.study import load
from explorer.store.keys import path_of
from explorer.store.results import Store

TODAY = date(2026, 11, 25)
TERMS = '[prices]\ncurrency = "EUR"\nrates = { USD = 0.5, CHF = 1.0 }\nrates_dated = 2026-11-01\n'


def with_shop(study: Path, text: str, offer: str = "", name: str = "shop.csv") -> None:
    """The study with one more supplier, whose list is `text`."""
    before = study.read_text()
    if "rates = " not in before:
        before = before.replace('[prices]\ncurrency = "EUR"\n', TERMS)
    columns = 'part = "Article", price = "Unit price", dated = "Seen", from_quantity = "From"'
    entry = f"""[[prices.offers]]
file = "{name}"
separator = ";"
decimal = ","
currency = "EUR"
columns = {{ {columns} }}
names = {{ "0815" = "cell_5f" }}
"""
    for line in filter(None, offer.split("\n")):
        key = line.partition(" ")[0]
        entry, count = re.subn(rf"^{key} = .*$", lambda _, line=line: line, entry, flags=re.M)
        entry += "" if count else line + "\n"
    entry = re.sub(r"^\w+ = none\n", "", entry, flags=re.M)
    section = before.index("[search]")
    study.write_text(before[:section] + entry + before[section:])
    (study.parent / name).write_text(text, encoding="utf-8")


def cell_prices(study: Path) -> Prices:
    """The small study's prices, cells of 5 F at the shop's alone."""
    table = study.parent / "parts" / "prices.csv"
    table.write_text(re.sub(r"(?m)^cell_5f,.*\n", "", table.read_text()))
    return load(study, today=TODAY).catalogue.prices


def fault_of(study: Path) -> str:
    table = study.parent / "parts" / "prices.csv"
    table.write_text(re.sub(r"(?m)^cell_5f,.*\n", "", table.read_text()))
    with pytest.raises(InputError) as caught:
        load(study, today=TODAY)
    # That cells have no price at all follows.
    faults = [str(one).removeprefix(f"{study.parent}/") for one in caught.value.faults]
    return next(line for line in faults if line.startswith("shop.csv"))


HEAD = "Article;Unit price;From;Seen\n"
READ = [  # price, decimal, what it is; None where it may be misread
    ("17,50 €", ",", 17.5),
    ("€ 17,50", ",", 17.5),
    ("17,50\u00a0EUR", ",", 17.5),
    ("eur 17,50", ",", 17.5),
    ("1.234,50\u202f€", ",", 1234.5),
    ("17.50 €", ",", None),
    ("17,50 $", ",", None),
    ("17,50 USD", ",", None),
    ("17,50 € / 100", ",", None),
    ("17,50 €/100", ",", None),
    ("17,50 x", ",", None),
    ("100 17,50", ",", None),
    ("1,750.00 €", ".", 1750.0),
    ("17,50 €", ".", None),
]


@pytest.mark.parametrize(("price", "decimal", "amount"), READ)
def test_marks_of_currencies_at_prices(
    small_study: Path, price: str, decimal: str, amount: float | None
) -> None:
    with_shop(small_study, f"{HEAD}0815;{price};1;2026-11-20\n", f'decimal = "{decimal}"')
    if amount is not None:
        assert cell_prices(small_study).unit_price("cell_5f") == amount
        return
    line = fault_of(small_study)
    assert line.startswith("shop.csv: row 2 (cell_5f), column Unit price: must be ")
    assert line.split("got ")[1].startswith(price.split("\u00a0")[0][:4])


CURRENCIES = [
    ("eur", 3.0),
    ("Usd", 1.5),
    ("€", 3.0),
    ("$", 1.5),  # the only dollar of the study
    ("Euro", 3.0),
    ("Fr.", 3.0),
    ("kr", None),
    ("£", None),  # no rate
    ("EURO!", None),
]


@pytest.mark.parametrize(("currency", "amount"), CURRENCIES)
def test_currencies_in_small_letters_and_as_marks(
    small_study: Path, currency: str, amount: float | None
) -> None:
    columns = (
        'columns = { part = "Article", price = "Unit price", dated = "Seen", currency = "Cur" }'
    )
    text = f"Article;Unit price;Cur;Seen\n0815;3,00;{currency};2026-11-20\n"
    with_shop(small_study, text, f"currency = none\n{columns}")
    if amount is not None:
        assert cell_prices(small_study).unit_price("cell_5f") == amount
        return
    assert fault_of(small_study).startswith("shop.csv: row 2 (cell_5f), column Cur: m")


DAYS = [
    ("20.11.2026", "", "2026-11-20"),
    ("3.4.2026", "", "2026-04-03"),
    ("20/11/2026", "", "2026-11-20"),
    ("11/20/2026", "", "2026-11-20"),
    ("03/04/2026", "", None),
    ("11/11/2026", "", "2026-11-11"),
    ("03/04/2026", "day_first = true", "2026-04-03"),
    ("03/04/2026", "day_first = false", "2026-03-04"),
    ("20/11/2026", "day_first = false", None),
    ("31.11.2026", "", None),
    ("20.11.26", "", None),
]


@pytest.mark.parametrize(("written", "offer", "day"), DAYS)
def test_days_before_months(small_study: Path, written: str, offer: str, day: str | None) -> None:
    with_shop(small_study, f"{HEAD}0815;3,00;1;{written}\n", offer)
    if day is not None:
        (price,) = cell_prices(small_study).breaks["cell_5f"]
        assert price.dated.isoformat() == day
        return
    line = fault_of(small_study)
    assert line.startswith("shop.csv: row 2 (cell_5f), column Seen: m")
    assert f"got {written}" in line


def test_titles_stand_above_column_names(small_study: Path) -> None:
    text = f"Our prices, all of them;;;\n\nas of today\n{HEAD}0815;3,00;1;20.11.2026\n"
    with_shop(small_study, text)
    assert cell_prices(small_study).unit_price("cell_5f") == 3
    notes = load(small_study, today=TODAY).catalogue.notes
    assert any(
        n.endswith("shop.csv: 2 lines are passed over above the column names") for n in notes
    )
    # Rows keep the numbers that a spreadsheet shows.
    (small_study.parent / "shop.csv").write_text(text.replace("3,00", "3.00"))
    assert fault_of(small_study).startswith("shop.csv: row 5 (cell_5f), column Unit price: must")


def test_titles_and_marks_in_prices_csv(small_study: Path) -> None:
    table = small_study.parent / "parts" / "prices.csv"
    plain = load(small_study, today=TODAY).catalogue.prices
    rows = [line.split(",") for line in table.read_text().splitlines()]
    price, currency = rows[0].index("price"), rows[0].index("currency")
    for row in rows[1:]:
        row[price] = row[price].replace(".", ",") + " €"
        row[currency] = row[currency].lower()
    table.write_text("Our prices\n" + "\n".join(";".join(row) for row in rows) + "\n")
    assert load(small_study, today=TODAY).catalogue.prices.breaks == plain.breaks


def test_thousands_are_a_guess_where_nobody_says_what_marks_decimals(small_study: Path) -> None:
    with_shop(small_study, f"{HEAD}0815;1.250;1;2026-11-20\n", "decimal = none")
    assert "may have thousands or decimals behind its mark" in fault_of(small_study)
    shop = small_study.parent / "shop.csv"
    shop.write_text(f"{HEAD}0815;1.250;1;2026-11-20\nbelt_4;17.50;1;2026-11-20\n")
    assert load(small_study, today=TODAY).catalogue.prices.unit_price("cell_5f") == 1.25


def test_of_a_supplier_the_newest_of_suppliers_the_least(small_study: Path) -> None:
    """One raised its price, the other is dear for few and cheap for many."""
    with_shop(
        small_study,
        f"{HEAD}0815;1,00;1;01.10.2026\n0815;2,00;1;20.11.2026\n0815;1,90;10;20.11.2026\n",
    )
    with_shop(
        small_study, f"{HEAD}0815;5,00;1;20.11.2026\n0815;1,00;20;20.11.2026\n", name="other.csv"
    )
    prices = cell_prices(small_study)
    bought = {n: prices.purchase("cell_5f", n) for n in (1, 9, 10, 11, 20)}
    assert {n: (one.bought, one.amount) for n, one in bought.items() if one} == {
        1: (1, 2.0), 9: (9, 18.0), 10: (10, 19.0), 11: (20, 20.0), 20: (20, 20.0),
    }  # fmt: skip
    assert bought[11]
    assert bought[11].price.supplier == "other.csv"
    # The same day twice is no order.
    text = f"{HEAD}0815;1,00;1;20.11.2026\n0815;2,00;1;20.11.2026\n"
    (small_study.parent / "shop.csv").write_text(text)
    assert "row 3 (cell_5f), column Article: must be unique for a quantity" in fault_of(small_study)


def test_old_prices_count_only_without_younger_ones(small_study: Path) -> None:
    """A year and more ago cells cost half; from fifty on nobody has said anything since."""
    old = "0815;0,50;1;2025-11-01\n"
    with_shop(small_study, f"{HEAD}{old}")
    assert cell_prices(small_study).unit_price("cell_5f") == 0.5
    with_shop(small_study, f"{HEAD}0815;1,00;5;2026-11-01\n", name="other.csv")
    prices = cell_prices(small_study)
    assert [prices.unit_price("cell_5f", n) for n in (1, 4, 5, 9)] == [0.5, 0.5, 1.0, 1.0]
    (note,) = (n for n in load(small_study, today=TODAY).catalogue.notes if "days old" in n)
    assert "389 days old; from 5 pieces on the younger one in row 2 of" in note
    project = load(small_study, today=TODAY)
    with Store.open(path_of(project)) as store:
        kept = store.prices_of(store.remember_prices(prices, today=TODAY))
    assert kept.breaks == prices.breaks
    (small_study.parent / "other.csv").write_text(f"{HEAD}0815;1,00;1;2026-11-01\n")
    assert cell_prices(small_study).unit_price("cell_5f") == 1.0
    (note,) = (n for n in load(small_study, today=TODAY).catalogue.notes if "days old" in n)
    assert "the price of 2025-11-01 is 389 days old and does not count beside the younger" in note
    assert note.endswith("other.csv")


def test_parts_of_an_offer_are_not_said_to_lack_a_price_where_a_table_is_unread(
    small_study: Path,
) -> None:
    with_shop(small_study, f"{HEAD}0815;1,00;1;2026-11-01\n")
    prices = small_study.parent / "parts" / "prices.csv"
    prices.write_text(re.sub(r"(?m)^cell_5f,.*\n", "", prices.read_text()))
    load(small_study, today=TODAY)
    (small_study.parent / "parts" / "cranks.csv").unlink()
    with pytest.raises(InputError) as caught:
        load(small_study, today=TODAY)
    (fault,) = caught.value.faults
    assert (fault.rule, Path(fault.file).name) == ("is missing", "cranks.csv")


def test_a_very_long_column_name_is_shortened_where_columns_are_listed(small_study: Path) -> None:
    with_shop(small_study, f"{'x' * 70_000};Unit price;Seen;From\n0815;1,00;2026-11-01;1\n")
    fault = fault_of(small_study)
    assert "got Article (valid: xxxx" in fault
    assert len(fault) < 400


@pytest.mark.parametrize("dated", ["24.11.2026", "24.11.2020"], ids=["dearer", "old"])
def test_thousands_of_breaks_of_a_part_are_read_in_a_moment(small_study: Path, dated: str) -> None:
    # Each compared with all others, 300,000 took minutes.
    breaks = [f"0815;{n};{dated};{n}" for n in range(1, 10_001)]
    with_shop(small_study, "\n".join(["Article;Unit price;Seen;From", *breaks]))
    begun = time.process_time()
    load(small_study, today=TODAY)
    assert time.process_time() - begun < 4


def test_a_break_dearer_than_fewer_pieces_is_noted(small_study: Path) -> None:
    with_shop(small_study, f"{HEAD}0815;1,00;1;2026-11-01\n0815;1,20;10;2026-11-01\n")
    assert cell_prices(small_study).unit_price("cell_5f", 10) == 1.0
    (note,) = (n for n in load(small_study, today=TODAY).catalogue.notes if "only" in n)
    assert note.endswith(
        "shop.csv: row 3 (cell_5f): from 10 pieces one costs 1.2 EUR, from 1 only 1"
    )


def test_stock_of_a_supplier_holds_for_all_its_rows(small_study: Path) -> None:
    columns = (
        'columns = { part = "Article", price = "Unit price", dated = "Seen", '
        'from_quantity = "From", available = "Stock" }'
    )
    head = "Article;Unit price;From;Seen;Stock\n"
    with_shop(
        small_study,
        f"{head}0815;2,00;1;2026-11-01;1.012\n0815;1,00;1.000;2026-11-01;\n",
        columns,
    )
    prices = cell_prices(small_study)
    assert [one.available for one in prices.breaks["cell_5f"]] == [1012, 1012]
    bought = prices.purchase("cell_5f", 900)
    assert bought
    assert (bought.bought, bought.amount) == (1000, 1000.0)
    assert prices.purchase("cell_5f", 1013) is None
    for wrong in ("some", "-1", "1,5", "1.5"):
        (small_study.parent / "shop.csv").write_text(f"{head}0815;2,00;1;2026-11-01;{wrong}\n")
        assert fault_of(small_study).startswith("shop.csv: row 2 (cell_5f), column Stock: must be")
