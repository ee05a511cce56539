"""The section [prices] of a study file: how prices are read, and what difference counts."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import Field, model_validator

from explorer.inputs.prices import Currency, Offer
from explorer.inputs.section import Section

Rate = Annotated[float, Field(gt=0, le=1e9)]


class Matters(Section):
    """How much better another design must be, in one objective at the least, to count."""

    cost: Annotated[float, Field(ge=0, le=1e9)] = Field(
        default=0.5, description="Money, in the study's currency."
    )
    energy_percent: Annotated[float, Field(ge=0, le=100)] = Field(
        default=0.5, description="Energy, in percent of what the locked design gives."
    )
    mass_kg: Annotated[float, Field(ge=0, le=100)] = Field(
        default=0.01, description="Mass of the whole kit."
    )
    crank_effort_percent: Annotated[float, Field(ge=0, le=100)] = Field(
        default=0.5, description="Effort, in points of its percent."
    )


class PriceSection(Section):
    """How prices.csv and offers of suppliers are read."""

    currency: Currency = Field(
        default="EUR", description="Currency of the study: three capitals of ISO 4217."
    )
    rates: dict[Currency, Rate] = Field(
        default_factory=dict,
        description="What one unit of a foreign currency is worth in the study's currency.",
        examples=[{"USD": 0.9}],
    )
    rates_dated: date | None = Field(
        default=None,
        description="The day on which the rates were taken; needed with rates.",
        examples=[date(2026, 11, 2)],
    )
    old_after_days: Annotated[int, Field(ge=1, le=36500)] = Field(
        default=365, description="Prices and rates older than this are named."
    )
    build_quantity: Annotated[int, Field(ge=1, le=1_000_000)] = Field(
        default=1, description="How many kits are built: it decides on quantity breaks."
    )
    matters: Matters = Field(
        default=Matters(),
        description="How much better another design must be to count against a locked one.",
        examples=[Matters().model_dump()],
    )
    offers: Annotated[tuple[Offer, ...], Field(strict=False)] = Field(
        default=(), description="Price lists of suppliers, one table [[prices.offers]] each."
    )

    @model_validator(mode="after")
    def _dated(self) -> PriceSection:
        if self.rates and self.rates_dated is None:
            raise ValueError("rates need rates_dated, the day they were taken")
        return self
