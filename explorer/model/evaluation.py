"""What designs come to: objectives, margins and ledger, over every operator and pack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.cases import CaseName, sessions_of_cases
from explorer.model.space import Designs, Rows
from explorer.units import Array


class Case(NamedTuple):
    """What one operator gets into one pack, (n,) each.

    In a row of shifts, each has cases of its own. Time runs from the session's begin, on an empty
    bank; a shift that ends before the pack first gets something knows no time.
    """

    name: CaseName
    delivered_energy_J: Array
    crank_effort_percent: Array
    regime: NDArray[np.int8]
    time_to_first_charge_s: Array


@dataclass(frozen=True)
class Evaluation:
    """Results of `n` designs, (n,) arrays throughout.

    `margins` hold physics and the study's limits but the one on cost. With several cases the
    objectives are those of `model.cases`, margins the worst, and regime, ledger and readings those
    of `ledger_case`. `session_ledger_J` is that of all shifts of its session together, empty where
    nobody cranks after another.
    """

    designs: Designs
    delivered_energy_J: Array
    mass_kg: Array
    crank_effort_percent: Array
    time_to_first_charge_s: Array
    regime: NDArray[np.int8]
    margins: Mapping[str, Array]
    ledger_J: Mapping[str, Array]
    readings: Mapping[str, Array]
    cases: tuple[Case, ...]
    session_ledger_J: Mapping[str, Array] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.delivered_energy_J)

    @property
    def ledger_case(self) -> NDArray[np.intp]:
        """Place in `cases` (n,) of the one that ledger, regime and readings are of: see
        `ledger_case_of`.
        """
        return ledger_case_of(self.cases)

    @property
    def feasible(self) -> NDArray[np.bool_]:
        """Where every margin is kept."""
        return np.asarray(np.all([m >= 0 for m in self.margins.values()], axis=0))

    def take(self, rows: Rows | NDArray[np.bool_]) -> Evaluation:
        """The results at some rows, or where a mask holds."""
        return Evaluation(**{f.name: _take(getattr(self, f.name), rows) for f in fields(self)})

    @staticmethod
    def concatenate(several: Sequence[Evaluation]) -> Evaluation:
        """All results of several evaluations of one project, in order."""
        return Evaluation(
            **{f.name: _join([getattr(one, f.name) for one in several]) for f in fields(Evaluation)}
        )


def _take(value: Any, rows: Any) -> Any:
    if isinstance(value, Designs):
        return value.take(rows)
    if isinstance(value, Mapping):
        return {name: array[rows] for name, array in value.items()}
    if isinstance(value, tuple):
        return tuple(Case(c.name, *(a[rows] for a in c[1:])) for c in value)
    return value[rows]


def _join(values: list[Any]) -> Any:
    first = values[0]
    if isinstance(first, Designs):
        return Designs.concatenate(values)
    if isinstance(first, Mapping):
        return {name: np.concatenate([v[name] for v in values]) for name in first}
    if isinstance(first, tuple):
        return tuple(
            Case(c[0].name, *(np.concatenate(a) for a in zip(*(x[1:] for x in c), strict=True)))
            for c in zip(*values, strict=True)
        )  # fmt: skip
    return np.concatenate(values)


def session_energies(cases: Sequence[Case]) -> list[Array]:
    """What each session delivers, all its shifts together, J, (n,) each."""
    return [
        np.sum([cases[place].delivered_energy_J for place in places], axis=0)
        for places in sessions_of_cases(case.name for case in cases)
    ]


def ledger_case_of(cases: Sequence[Case]) -> NDArray[np.intp]:
    """Of the session that delivers least, the case in which it ends: its place, (n,)."""
    last = np.array([places[-1] for places in sessions_of_cases(case.name for case in cases)])
    return np.asarray(last[np.argmin(session_energies(cases), axis=0)])


UNBOUNDED_MARGIN = -1e6
"""A margin that no number describes, such as the time left of a charge that never comes."""


def json_number(value: float) -> float | None:
    """A number for JSON, which knows neither infinity nor NaN."""
    return float(value) if np.isfinite(value) else None
