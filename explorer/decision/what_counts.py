"""When one design beats another: nowhere worse, and somewhere better by what counts to a person."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.study import Project
from explorer.model.costing import rounded_money
from explorer.model.objectives import COST, EFFORT, ENERGY, OBJECTIVES
from explorer.units import Array

MASS = "mass_kg"


def least_gains(project: Project, own: Array) -> Array:
    """By how much an objective must be better to count, (objectives,), each in its own unit.

    `own` (objectives,) are the objectives, minimised, of the design that others are held against:
    energy counts by a share of its own. What `[prices] matters` does not name counts at once.
    """
    matters = project.study.prices.matters
    energy_J = abs(float(own[[one.key for one in OBJECTIVES].index(ENERGY)]))
    known = {
        ENERGY: matters.energy_percent / 100 * energy_J,
        COST: matters.cost,
        MASS: matters.mass_kg,
        EFFORT: matters.crank_effort_percent,
    }
    return np.array([known.get(one.key, 0.0) for one in OBJECTIVES])


def gains(points: Array, own: Array) -> Array:
    """What designs (n, objectives), minimised, have better than one (objectives,): above 0 is
    better. Equal sums of money added up in another order are equal.
    """
    found = np.asarray(own - points, dtype=float)
    cost = [one.key for one in OBJECTIVES].index(COST)
    bought = np.isfinite(found[..., cost])
    found[..., cost] = np.where(bought, rounded_money(found[..., cost]), found[..., cost])
    return found


def beats(project: Project, points: Array, own: Array) -> NDArray[np.bool_]:
    """Which designs (n, objectives), minimised, beat one (objectives,)."""
    better = gains(points, own)
    counts = better > least_gains(project, own)
    return np.asarray((better >= 0).all(axis=-1) & counts.any(axis=-1))
