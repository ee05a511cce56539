"""The session fidelity judges what the averaged search found, as far as a time budget goes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer.units import Array

AGREES = 0.03
"""How far a session's energy may be from the averaged one: what the model promises with the stroke.
"""


def coarse_to_fine(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Some rows in an order of which every beginning is an even sample of all.

    The places are those of the van der Corput sequence, each the first time that it comes.

    >>> coarse_to_fine(np.arange(8)).tolist()
    [0, 4, 2, 6, 1, 5, 3, 7]
    """
    if not len(rows):
        return rows
    digits = max(int(len(rows) - 1).bit_length(), 1)
    number = np.arange(2**digits)
    mirrored = np.zeros_like(number)
    for bit in range(digits):
        mirrored |= (number >> bit & 1) << (digits - 1 - bit)
    place = mirrored * len(rows) // 2**digits
    order = place[np.sort(np.unique(place, return_index=True)[1])]
    return np.asarray(rows[order])


def refuted(session_J: Array, averaged_J: Array) -> NDArray[np.bool_]:
    """Where a session delivers less than the averaged model says by more than that promises, (n,).
    NaN, not judged, is not refuted.
    """
    return np.asarray(session_J < (1 - AGREES) * averaged_J)


def verdict(found: int, session_J: Array, averaged_J: Array) -> dict[str, Any]:
    """What the session fidelity says of those of `found` designs that it has stepped, (n,) each."""
    away = np.asarray(session_J) / np.maximum(averaged_J, 1e-9) - 1
    return {
        "found": found,
        "judged": len(away),
        "upheld": int((~refuted(session_J, averaged_J)).sum()),
        "median_apart_percent": float(100 * np.median(np.abs(away))) if len(away) else None,
        "most_lost_percent": float(max(-100 * away.min(), 0.0)) if len(away) else None,
    }


def sentence(judged: Mapping[str, Any] | None) -> str:
    """The same for a person to read; nothing where nothing was found."""
    if not judged or not judged["found"]:
        return ""
    if not judged["judged"]:
        return f"Of {judged['found']:,} sampled designs on the front none was stepped through time."
    return (
        f"Of {judged['found']:,} sampled designs on the front {judged['judged']:,} were stepped "
        f"through time: {judged['upheld']:,} hold, the median is "
        f"{judged['median_apart_percent']:.2g} % apart, the worst "
        f"delivers {judged['most_lost_percent']:.2g} % less."
    )
