"""The cases of a study, one a person and pack, and how they become one number.

People who crank in a row on one bank are cases of one session: their energies add up, and its
effort is that of the person for whom it is hardest. Of several sessions, one a person or a pack,
the mean or the worst counts, as the study says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

import numpy as np

from explorer.units import Array

OverCases = Literal["mean", "worst"]


class CaseName(NamedTuple):
    """Whose a case is: the operator, the pack, and which shift of the session, from 0 on."""

    operator: str
    pack: str
    shift: int = 0

    @property
    def key(self) -> tuple[str, ...]:
        """How results are kept: the first shift has no number, as where there are none."""
        return (self.operator, self.pack, *([str(self.shift)] if self.shift else []))


def sessions_of_cases(names: Iterable[CaseName]) -> tuple[tuple[int, ...], ...]:
    """Places of the cases of each session, in the order of its shifts.

    >>> sessions_of_cases([CaseName("adult", "phone"), CaseName("child", "phone")])
    ((0,), (1,))
    >>> sessions_of_cases([CaseName("adult", "phone"), CaseName("child", "phone", 1)])
    ((0, 1),)
    """
    sessions: list[list[int]] = []
    latest: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        if name.shift == 0:
            latest[name.pack] = []
            sessions.append(latest[name.pack])
        latest[name.pack].append(place)
    return tuple(map(tuple, sessions))


def together(per_case: Sequence[Array], over_cases: OverCases, *, more_is_better: bool) -> Array:
    """One value a design, (n,), from those of each session, (n,) each: their mean, or the worst.

    >>> together([np.array([3.0]), np.array([5.0])], "worst", more_is_better=True)
    array([3.])
    """
    stacked = np.stack([np.asarray(one) for one in per_case])
    if over_cases == "mean":
        return np.asarray(stacked.mean(axis=0))
    return np.asarray(stacked.min(axis=0) if more_is_better else stacked.max(axis=0))
