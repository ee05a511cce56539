"""Prices and offers as records, and what a number of pieces costs: breaks, suppliers and stock."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Annotated, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from explorer.errors import ExplorerError
from explorer.inputs.records import Identifier, NonNegative, Part

Currency = Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$")]
"""A three-letter code of ISO 4217."""


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
    available: Annotated[int, Field(ge=0)] | None = Field(
        default=None,
        description="how many pieces the supplier has; empty where that is not known. A number in "
        "one row holds for all rows of the part and supplier without one",
    )
    supplier: str = Field(
        default="", description="who sells it, where the file lists several; may be left out"
    )


class OldPrice(Price):
    """A price older than the study wants, which holds for less than `until_quantity` pieces: from
    there on a younger one does.
    """

    until_quantity: int | None = None


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
    available: str | None = Field(
        default=None, description="Its column of how many pieces there are."
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
    day_first: bool | None = Field(
        default=None,
        description="Whether its dates such as 03/04/2026 have the day before the month. Left out, "
        "25.11.2026 has, and what may be either is refused.",
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


class Bought(NamedTuple):
    """The least that a number of pieces costs: the price that gives it, and how many pieces are
    paid for. That is more than are needed where a break makes more pieces cheaper than fewer.
    """

    price: Price
    bought: int
    unit_price: float
    """In the study's currency."""

    @property
    def amount(self) -> float:
        """What is paid, in the study's currency."""
        return self.bought * self.unit_price


def _superseded(price: Price, pieces: int) -> bool:
    """Whether a younger price holds for so many pieces."""
    until = price.until_quantity if isinstance(price, OldPrice) else None
    return until is not None and pieces >= until


@dataclass(frozen=True)
class Prices:
    """Prices in force: part -> prices of all suppliers by rising `from_quantity`, the first of them
    from one piece on.
    """

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

    def purchase(self, part: str, pieces: int = 1, *, in_stock: bool = True) -> Bought | None:
        """How `pieces` (at least 1) of a part cost the least: over all breaks of all suppliers,
        `max(pieces, from_quantity)` at the price of the break, all of one supplier.

        None where no supplier has so many; `in_stock` False asks for no stock. ExplorerError for a
        part without a price.
        """
        if part not in self.breaks:
            raise ExplorerError(f"{part} has no price in prices.csv")
        found = [
            Bought(price, max(pieces, price.from_quantity), self.in_currency(price))
            for price in self.breaks[part]
            if not _superseded(price, pieces)
        ]
        if in_stock:
            found = [
                one
                for one in found
                if one.price.available is None or one.bought <= one.price.available
            ]
        return min(found, key=lambda one: (round(one.amount, 9), one.bought), default=None)

    def in_currency(self, price: Price) -> float:
        """The price of one piece in the study's currency."""
        rate = 1.0 if price.currency == self.currency else self.rates[price.currency]
        return price.amount * rate

    def unit_price(self, part: str, quantity: int = 1) -> float:
        """The price of one piece in the study's currency when `quantity` pieces are bought,
        whatever is in stock.
        """
        found = self.purchase(part, quantity, in_stock=False)
        assert found is not None
        return found.unit_price

    def list_price(self, part: str) -> float:
        """What one piece costs by the list of the cheapest supplier, in the study's currency,
        whatever is in stock: the scale on which a part's prices move.
        """
        if part not in self.breaks:
            raise ExplorerError(f"{part} has no price in prices.csv")
        fewest = self.breaks[part][0].from_quantity
        return min(self.in_currency(p) for p in self.breaks[part] if p.from_quantity == fewest)
