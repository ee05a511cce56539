"""What was measured as factors of the tables' values: the rows of spreads.csv."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import exp, log1p, sqrt
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from explorer.inputs.records import Identifier, Positive, Text
from explorer.measuring.results import Measured

COVERAGE = 1.959964
"""Standard deviations to either side that hold 95 % of a normal distribution."""


class SpreadRow(BaseModel):
    """One column of one part: between which factors of the table's value the true one lies."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    link: Identifier = Field(
        description="kind of row: a link, `pack` or `operator`", examples=["generator"]
    )
    part: Identifier = Field(description="id in that kind's table", examples=["my_hub"])
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


def spread_rows(one: Measured, source: str, dated: date) -> Iterator[SpreadRow]:
    """The spreads of a row as measured: a 95 % band around each value, with the same true value in
    every piece of a build, since it is the measurement that is uncertain.

    `ln(1 + u^2)` is the variance of the logarithm of a factor with relative standard deviation u.
    """
    for column, sd in one.relative_sd.items():
        if not 1e-6 < sd < 10:
            continue
        width = COVERAGE * sqrt(log1p(sd * sd))
        yield SpreadRow(
            link=one.kind, part=one.id, column=column, low=float(f"{exp(-width):.5g}"),
            high=float(f"{exp(width):.5g}"), shape="lognormal", varies="batch",
            source=source, dated=dated,
        )  # fmt: skip
