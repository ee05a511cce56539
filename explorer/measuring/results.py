"""What a note came to: a row with uncertainties, what it rests on, what is doubtful about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from explorer.measuring.fitting import Fit

CellValue = float | int | str


@dataclass(frozen=True)
class Measured:
    """A row as measured.

    `kind`: of `inputs.catalogue.MODELS`. `columns`: column -> value. `relative_sd`: column ->
    relative standard deviation, of numbers that were measured. `assumed`: column -> why it stands
    there though nobody measured it. `doubts`: sentences. `beside`: what else the readings gave that
    no column holds. `points`: rows of a bench table. `how`: ways of measuring, for the source.
    """

    kind: str
    id: str
    columns: Mapping[str, CellValue]
    relative_sd: Mapping[str, float]
    how: tuple[str, ...]
    fits: Mapping[str, Fit] = field(default_factory=dict)
    assumed: Mapping[str, str] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()
    beside: Mapping[str, float] = field(default_factory=dict)
    points: tuple[Mapping[str, CellValue], ...] = ()

    @property
    def quality(self) -> dict[str, Any]:
        """How well the laws suit the readings, under the names of the JSON answer."""
        return {
            name: {
                "names": list(one.names),
                "covariance": one.covariance.tolist(),
                "chi_square": one.chi_square,
                "degrees_of_freedom": one.degrees,
                "residuals": dict(one.residuals),
                "left_out": list(one.dropped),
                "scatter": one.scatter,
            }
            for name, one in self.fits.items()
        }


def doubts_of(one: Fit) -> tuple[str, ...]:
    """What a fit itself says against its readings."""
    left_out = tuple(
        f"{where} is left out: all other readings of its kind contradict it"
        for where in one.dropped
    )
    if one.scatter <= 1.0:
        return left_out
    return (
        *left_out,
        f"the readings scatter {one.scatter:.1f} times as much as their instruments explain; the "
        "uncertainties are that much larger",
    )
