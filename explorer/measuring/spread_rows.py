"""What was measured as factors of the tables' values: the rows of spreads.csv."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import exp, log1p, sqrt

from explorer.inputs.spreads import SpreadRow
from explorer.measuring.results import Measured

COVERAGE = 1.959964
"""Standard deviations to either side that hold 95 % of a normal distribution."""


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
