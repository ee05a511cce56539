"""How the cases of a study, one a person and pack, become one number."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from explorer.units import Array

OverCases = Literal["mean", "worst"]


def together(per_case: Sequence[Array], over_cases: OverCases, *, more_is_better: bool) -> Array:
    """One value a design, (n,), from those of each case, (n,) each: their mean, or the worst.

    >>> together([np.array([3.0]), np.array([5.0])], "worst", more_is_better=True)
    array([3.])
    """
    stacked = np.stack([np.asarray(one) for one in per_case])
    if over_cases == "mean":
        return np.asarray(stacked.mean(axis=0))
    return np.asarray(stacked.min(axis=0) if more_is_better else stacked.max(axis=0))
