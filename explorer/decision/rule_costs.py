"""What each rule costs a front in energy: designs one choice away that break that rule alone.

Nothing here says that a rule may be broken. A rule that costs much says which better part, or how
much more of an arm, would be worth its money.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from explorer.front import EQUAL_WITHIN
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluate import evaluate
from explorer.model.margins import RULES
from explorer.model.space import Designs, Rows, Space
from explorer.search.coordinates import Coordinates
from explorer.search.neighbourhood import neighbours
from explorer.units import Array

STEPS = {
    "V": 1.0, "A": 1.0, "N": 1.0, "N m": 1.0, "W": 1.0, "K": 1.0, "s": 1.0, "rpm": 10.0,
    "J": 100.0, "kg": 0.1, "%": 1.0, "": 1.0,
}  # fmt: skip
"""By how much a rule is loosened, by its unit: what a person can buy more of, as a rule one."""
FINE_STEPS = {
    "chatter_V": 0.1, "stroke_ripple_V": 0.1, "undervoltage_guard_V": 0.1, "pack_input_V": 0.1,
    "overvoltage_order_V": 0.1,
}  # fmt: skip
"""Rules about drops and thresholds of some volts: a whole one more is not to be had."""
FURTHER = 10.0
"""A rule that costs nothing at one step is also tried at so many of them."""
LOOKED_AT = 300
"""Designs of the front around which is looked; an even thinning of it."""
GOAL_OF_LIMIT = {"limit_cost": 0, "limit_mass_kg": 1, "limit_effort_percent": 2}
"""Which of cost, mass and effort a limit of the study is about."""
NOT_LOOSENED = ("limit_energy_J", "bank_energy_J")
"""Asking for less energy buys none, and nothing that one can buy widens the range of a model."""
CHUNK = 200


def rule_costs(
    project: Project, designs: Designs, picked: Mapping[str, int]
) -> dict[str, Any] | None:
    """What loosening one rule by a step would add to the energy of a front's designs (n,).

    Looked at are all designs that differ in one choice from up to `LOOKED_AT` of the front, and in
    two choices from the `picked` ones (design id -> row). One that breaks a single rule by no more
    than the step is held against every design of the front that costs, weighs and asks no less: its
    surplus of energy is what the rule costs there. A study's limit waives its own goal. So each
    number is a lower bound: a wider look could find more. None where the front is empty.

    Keys: `tried` designs; `front`, how many were held against; `rules`, dearest first by the mean
    gain over the front, each {margin, step, lifted, middle_J, most_J, from_J, picks: id -> J};
    `free`, names of rules that cost nothing even at `FURTHER` steps.
    """
    if not len(designs):
        return None
    coordinates = Coordinates(Space.of(project))
    own = evaluate(project, designs)
    points = own.objectives(costing.costs(project, designs))
    found = evaluate(project, coordinates.designs(_around(coordinates, designs, picked)))
    cost = costing.costs(project, found.designs)
    margins = dict(found.margins)
    if project.study.limits.cost is not None:
        margins["limit_cost"] = project.study.limits.cost - cost
    broken = np.sum([margin < 0 for margin in margins.values()], axis=0)
    near = found.objectives(cost)
    costly, free = [], []
    for name, margin in margins.items():
        if name in NOT_LOOSENED:
            continue
        step = FINE_STEPS.get(name) or STEPS[RULES[name].unit if name in RULES else ""]
        for width in (step, FURTHER * step):
            alone = np.flatnonzero((margin < 0) & (broken == 1) & (margin >= -width))
            gain = _surplus(points, near[alone], GOAL_OF_LIMIT.get(name))
            told = _told(gain, -points[:, 0], picked)
            if told:
                costly.append({"margin": name, "step": width, **told})
                break
        else:
            free.append(name)
    costly.sort(key=lambda one: -one["mean_J"])
    return {"tried": len(found), "front": len(designs), "rules": costly, "free": free}


def _around(coordinates: Coordinates, designs: Designs, picked: Mapping[str, int]) -> Array:
    """Rows of coordinates one choice from the front's designs and two from the picked ones."""
    rows = coordinates.rows(designs)
    some = np.linspace(0, len(rows) - 1, min(len(rows), LOOKED_AT)).astype(np.intp)
    first = list(dict.fromkeys(picked.values()))
    blocks = [neighbours(coordinates, rows[k], 1) for k in np.union1d(some, first).astype(int)
              if not np.isnan(rows[k]).any()]  # fmt: skip
    blocks += [neighbours(coordinates, rows[k], 2) for k in first if not np.isnan(rows[k]).any()]
    return np.unique(np.concatenate([rows[:0], *blocks]), axis=0)


def _surplus(points: Array, near: Array, waived: int | None) -> Array:
    """Energy that the best of `near` (d, 4) has over each of `points` (n, 4), J, at no worse cost,
    mass and effort, never below 0. Of a waived goal both may have any value.
    """
    asked = [1 + goal for goal in range(3) if goal != waived]
    surplus = np.zeros(len(points))
    for start in range(0, len(points), CHUNK):
        block = points[start : start + CHUNK]
        own = _best(block, points, asked) if waived is not None else -block[:, 0]
        surplus[start : start + CHUNK] = _best(block, near, asked) - own
    return np.maximum(surplus, 0.0)


def _best(block: Array, others: Array, asked: list[int]) -> Array:
    """Most energy of `others` that are no worse than each of `block` in some goals, J; else 0."""
    fits = (others[None, :, asked] <= block[:, None, asked]).all(axis=2)
    most: Array = np.where(fits, -others[None, :, 0], 0.0).max(axis=1, initial=0.0)
    return most


def _told(gain: Array, energy: Array, picked: Mapping[str, int]) -> dict[str, Any] | None:
    """What a rule costs, over the designs where a person can tell; None where it costs nothing."""
    lifted: Rows = np.flatnonzero(gain > EQUAL_WITHIN * energy)
    if not lifted.size:
        return None
    most = int(gain.argmax())
    return {
        "lifted": int(lifted.size),
        "mean_J": float(gain[lifted].sum() / len(gain)),
        "middle_J": float(np.median(gain[lifted])),
        "most_J": float(gain[most]),
        "from_J": float(energy[most]),
        "picks": {name: float(gain[row]) for name, row in picked.items() if row in lifted},
    }
