"""How far the search's filter may be from a session: what it may not leave out.

Measured on random feasible designs (see the benchmark of the filter's agreement). The audit of each
launch counts what it missed all the same.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.study import Project
from explorer.model import objectives
from explorer.model.evaluation import Evaluation
from explorer.model.objectives import EFFORT, ENERGY
from explorer.model.regimes import CYCLING, FLOODED
from explorer.units import Array

LEAST_DOUBT, RIPPLE_DOUBT, HAND_DOUBT = 0.03, 0.06, 0.06
"""Share of the energy that it may be off by: in general; more where the ripple of a stroke fills
half the hysteresis, by its square; and for a hand with inertia."""
FLOODED_DOUBT = 0.3
"""And more where the bus climbs past its cut-off: when it does hangs on small currents."""
VERGE_V = 0.1
"""A steady bus whose trough comes so close to a threshold may cycle after all."""
EFFORT_DOUBT, EFFORT_DOUBT_OF_HAND = 0.05, 0.09
"""Share of the effort that it may be off by."""
MISSES: Mapping[str, float] = {
    "first_charge_s": 6.0, "stroke_ripple_V": 0.3, "cycle_time_s": 0.5, "endurance_W": 0.5,
    "limit_effort_percent": 4.0,
}  # fmt: skip
"""By how much it may miss a rule that the course of a session decides, in the rule's unit."""


def energy_doubt(project: Project, found: Evaluation) -> Array:
    """Share of the delivered energy by which a session may differ from the filter's, (n,).

    A session ends within a cycle of its window: whether the last burst still falls into it is
    chance, so one burst more or less counts as well.
    """
    plan = project.study.session
    cycle_s, cycling = found.readings["cycle_s"], found.regime == CYCLING
    charging_s = np.maximum(60 * plan.minutes - found.time_to_first_charge_s, 1.0)
    bursts = np.where(cycling & np.isfinite(cycle_s), cycle_s / charging_s, 0.0)
    ripple_V = found.margins["stroke_ripple_V"]
    half_V = np.where(cycling, found.designs.settings["undervoltage_band_V"] / 2, VERGE_V)
    rippled = np.clip(1 - ripple_V / half_V, 0.0, 1.0) ** 2
    least = LEAST_DOUBT + (HAND_DOUBT if _real_hand(project) else 0.0)
    flooded = FLOODED_DOUBT * (found.regime == FLOODED)
    return np.asarray(least + np.clip(bursts, 0.0, 1.0) + RIPPLE_DOUBT * rippled + flooded)


def effort_doubt(project: Project) -> float:
    """Share of the effort by which a session may differ from the filter's."""
    return EFFORT_DOUBT_OF_HAND if _real_hand(project) else EFFORT_DOUBT


def _real_hand(project: Project) -> bool:
    operators = project.catalogue.operators
    return any(operators[name].inertia_kg_m2 > 0 for name in project.study.session.operators)


def credited(project: Project, points: Array, energy: Array) -> Array:
    """Objectives (n, objectives), minimised, as good as a session may find them: energy by its
    `energy` doubt (n,), effort by its own.
    """
    moved, keys = np.array(points), objectives.KEYS
    for key, share in ((ENERGY, energy), (EFFORT, effort_doubt(project))):
        column = keys.index(key)
        moved[:, column] -= share * np.abs(moved[:, column])
    return moved


def may_keep(margins: Mapping[str, Array], without: Collection[str] = ()) -> NDArray[np.bool_]:
    """Where a session may keep every rule although the filter breaks one by a little, (n,)."""
    some = {name: margin for name, margin in margins.items() if name not in without}
    return np.asarray(np.all([m >= -MISSES.get(name, 0.0) for name, m in some.items()], axis=0))
