"""Prices as they come: prices.csv and offers of suppliers; breaks, currencies and age."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from explorer.errors import ExplorerError, Fault, nearest
from explorer.inputs.csv_tables import Row, TableColumns, TableReader, content_hash
from explorer.inputs.notation import cleaned, comma_hint, plain_number
from explorer.inputs.records import Identifier, NonNegative, Part

Currency = Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$")]
"""A three-letter code of ISO 4217."""


_DIGITS = re.compile(r"[-+]?[0-9][0-9 .,'’_]*")
"""What is meant for a number without an exponent; `_` so that Python's notation is not read."""


class Price(BaseModel):
    """What one piece of a part costs, in `currency`, when at least `from_quantity` are bought."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True
    )

    part: Identifier = Field(description="id of a part of any table")
    amount: NonNegative = Field(alias="price", description="of one piece", examples=[2.5])
    currency: Currency = Field(description="three capitals, such as EUR", examples=["EUR"])
    dated: date = Field(description="the day it was seen", examples=["2026-11-25"])
    from_quantity: Annotated[int, Field(ge=1)] = Field(
        default=1, description="from so many on; empty for one"
    )
    source: str = Field(default="", description="where it was seen; may be left out")


class OfferColumns(BaseModel):
    """What a supplier's file calls our columns."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    part: str = Field(description="Its column of article numbers.", examples=["Article"])
    price: str = Field(description="Its column of prices of one piece.", examples=["Unit price"])
    currency: str | None = Field(
        default=None, description="Its column of currencies.", examples=["Cur"]
    )
    dated: str | None = Field(default=None, description="Its column of dates.")
    from_quantity: str | None = Field(
        default=None,
        description="Its column of the quantities from which on a price holds.",
        examples=["From"],
    )


class Offer(BaseModel):
    """[[prices.offers]]: a supplier's or spreadsheet's CSV, and how to read it.

    `columns` maps our columns to its own, `names` its article numbers to our ids; rows of other
    articles are passed over. `currency` and `dated` hold where it has no such column.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    file: Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f]*$")] = Field(
        description="The CSV file, beside the study.", examples=["shop.csv"]
    )
    columns: OfferColumns = Field(description="What the file calls our columns.")
    names: dict[str, Identifier] = Field(
        default_factory=dict, description="Its article numbers and the ids of our parts."
    )
    separator: Literal[",", ";", "\t", "|"] = Field(
        default=",", description="What stands between its cells."
    )
    decimal: Literal[".", ","] = Field(
        default=".", description="What stands before the decimals of its numbers."
    )
    currency: Currency | None = Field(
        default=None, description="Currency, where it has no such column."
    )
    dated: date | None = Field(
        default=None, description="Day of its prices, where it has no such column."
    )

    @model_validator(mode="after")
    def _complete(self) -> Offer:
        for name in ("currency", "dated"):
            if getattr(self, name) is None and getattr(self.columns, name) is None:
                raise ValueError(f"needs {name}, here or among its columns")
        return self


@dataclass(frozen=True)
class PriceTerms:
    """How a study reads prices: its currency, what a foreign unit is worth in it, and when."""

    currency: str = "EUR"
    rates: Mapping[str, float] = field(default_factory=dict)
    old_after_days: int = 365
    offers: tuple[Offer, ...] = ()


@dataclass(frozen=True)
class Prices:
    """Prices in force: part -> breaks by rising `from_quantity`, the first from one piece on."""

    breaks: Mapping[str, tuple[Price, ...]]
    currency: str
    rates: Mapping[str, float]
    content_hash: str

    def with_free(self, parts: Iterable[Part]) -> Prices:
        """These prices, and 0 for parts without one."""
        free = {
            part.id: (Price(part=part.id, price=0.0, currency=self.currency, dated=part.dated),)
            for part in parts
            if part.id not in self.breaks
        }
        return replace(self, breaks={**self.breaks, **free})

    def price_break(self, part: str, quantity: int = 1) -> Price:
        """The price that holds when `quantity` pieces are bought; ExplorerError without one."""
        if part not in self.breaks:
            raise ExplorerError(f"{part} has no price in prices.csv")
        fitting = [price for price in self.breaks[part] if price.from_quantity <= max(quantity, 1)]
        return fitting[-1]

    def in_currency(self, price: Price) -> float:
        """The price of one piece in the study's currency."""
        rate = 1.0 if price.currency == self.currency else self.rates[price.currency]
        return price.amount * rate

    def unit_price(self, part: str, quantity: int = 1) -> float:
        """The price of one piece in the study's currency when `quantity` pieces are bought."""
        return self.in_currency(self.price_break(part, quantity))


def read_prices(
    reader: TableReader, name: str, parts: Sequence[str] | None, terms: PriceTerms | None
) -> tuple[Prices | None, frozenset[str] | None]:
    """Prices in force, and the ids that have a row; None where prices.csv cannot be read.

    `parts` are the ids that may be priced, None when a table of parts is unread. Of two prices of
    a part for one quantity the newer holds, an offer before prices.csv on the same day. `terms`
    None skips currencies and offers: the study that states them is itself at fault.
    """
    rows = reader.rows(name, TableColumns.of(Price), id_column="part")
    if rows is not None:
        rows = [_in_our_notation(reader, row, ".") for row in rows]
    listed = frozenset(row.id for row in rows or ())
    known = _of_known_parts(reader, rows or (), parts)
    found = _unique(reader, known)
    for offer in terms.offers if terms else ():
        offered = _offer_rows(reader, offer, parts)
        listed |= {row.id for row in offered}
        for key, (row, price) in _unique(reader, offered).items():
            if key not in found or price.dated >= found[key][1].dated:
                found[key] = (row, price)
    breaks: dict[str, list[tuple[Row, Price]]] = {}
    for row, price in sorted(found.values(), key=lambda pair: pair[1].from_quantity):
        breaks.setdefault(price.part, []).append((row, price))
    for (row, price), *_ in breaks.values():
        if price.from_quantity > 1:
            rule = "must also have a price from quantity 1"
            reader.faults.append(row.fault("from_quantity", rule))
    if rows is None:
        return None, None
    if terms is None:
        return None, listed
    _look_over(reader, found.values(), terms)
    in_force = {part: tuple(price for _, price in pairs) for part, pairs in breaks.items()}
    digest = sorted(
        (price.part, price.from_quantity, price.amount, price.currency)
        for _, price in found.values()
    )
    return Prices(
        breaks=in_force,
        currency=terms.currency,
        rates=terms.rates,
        content_hash=content_hash([digest, terms.currency, dict(terms.rates)]),
    ), listed


def _of_known_parts(
    reader: TableReader, rows: Iterable[Row], parts: Sequence[str] | None
) -> list[Row]:
    known, valid = [], frozenset(parts or ())
    for row in rows:
        if row.id and parts is not None and row.id not in valid:
            hint = nearest(row.id, tuple(parts))
            reader.faults.append(row.fault("part", "is in no table of parts", row.id, hint))
        else:
            known.append(row)
    return known


def _unique(reader: TableReader, rows: Iterable[Row]) -> dict[tuple[str, int], tuple[Row, Price]]:
    """The prices of a file by part and quantity, each at most once."""
    found: dict[tuple[str, int], tuple[Row, Price]] = {}
    for row in rows:
        price = reader.record(row, Price)
        if price is None:
            continue
        first, _ = found.setdefault((price.part, price.from_quantity), (row, price))
        if first is not row:
            rule = f"must be unique for a quantity, row {first.number} has it too"
            reader.faults.append(row.fault("part", rule, price.part))
    return found


def _offer_rows(reader: TableReader, offer: Offer, parts: Sequence[str] | None) -> list[Row]:
    """The rows of an offer that are of our parts, under our names and in our notation."""
    lines = reader.lines(offer.file, offer.separator)
    if lines is None:
        return []
    (number, header), *rest = lines
    columns = {ours: cleaned(theirs) for ours, theirs in offer.columns if theirs is not None}
    missing = [theirs for theirs in columns.values() if theirs not in header]
    for theirs in missing:
        hint = nearest(theirs, tuple(header))
        rule = "has no such column as the study's [[prices.offers]] names"
        reader.faults.append(Fault(reader.shown(offer.file), f"row {number}", rule, theirs, hint))
    twice = [theirs for theirs in dict.fromkeys(columns.values()) if header.count(theirs) > 1]
    for theirs in twice:
        rule = "must have each column that the study's [[prices.offers]] names once"
        reader.faults.append(Fault(reader.shown(offer.file), f"row {number}", rule, theirs))
    if missing or twice:
        return []
    at, known = header.index(columns["part"]), frozenset(parts or ())
    names = {cleaned(theirs): ours for theirs, ours in offer.names.items()}
    ours = [
        (number, line)
        for number, line in rest
        if len(line) > at and names.get(line[at], line[at]) in known
    ]
    if len(ours) < len(rest):
        passed = len(rest) - len(ours)
        rows_are = "row is" if passed == 1 else "rows are"
        reader.notes.append(
            f"{reader.shown(offer.file)}: {passed} {rows_are} of no part in the tables"
        )
    constant = {"currency": offer.currency or "", "dated": str(offer.dated or "")}
    rows = []
    for row in reader.mapped(offer.file, header, ours, columns, "part"):
        part = names.get(row.id, row.id)
        cells = {**constant, **row.cells, "part": part} if row.cells else {}
        named = Row(row.file, row.number, part, cells, row.labels)
        rows.append(_in_our_notation(reader, named, offer.decimal))
    return rows


def _in_our_notation(reader: TableReader, row: Row, decimal: str) -> Row:
    """The row with price and quantity as plain numbers; a fault for each that may be misread.

    What looks like no number at all is left to the record's own check.
    """
    cells = dict(row.cells)
    for column in ("price", "from_quantity"):
        text = cells.get(column, "")
        if not _DIGITS.fullmatch(text):
            continue
        plain = plain_number(text, decimal)
        if plain is None:
            rule = f"must be a number with {decimal!r} before its decimals and thousands in threes"
            hint = comma_hint(text) if decimal == "." else ""
            reader.faults.append(row.fault(column, rule, text, hint))
        elif column == "from_quantity" and re.search(r"\.[0-9]{3}$", plain):
            rule = "must be a whole number, not three decimals that may be meant as thousands"
            reader.faults.append(row.fault(column, rule, text))
        else:
            cells[column] = plain
            continue
        del cells[column]  # its fault is named
    # Without its quantity a price would be that of one piece: such a row counts no further.
    known = "from_quantity" in cells or "from_quantity" not in row.cells
    return replace(row, cells=cells if known else {})


def _look_over(reader: TableReader, found: Iterable[tuple[Row, Price]], terms: PriceTerms) -> None:
    """Note currencies without a rate, once each, and old prices with their age."""
    known = {terms.currency, *terms.rates}
    for row, price in found:
        if price.currency not in known:
            known.add(price.currency)
            rule = f"must be {terms.currency} or have a rate in the study's [prices] rates"
            reader.faults.append(row.fault("currency", rule, price.currency))
        age = (reader.today - price.dated).days
        if age > terms.old_after_days:
            reader.notes.append(
                f"{row.file}: row {row.number} ({price.part}): "
                f"the price of {price.dated} is {age} days old"
            )
