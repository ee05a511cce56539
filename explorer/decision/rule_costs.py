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
from explorer.model.objectives import COST, EFFORT, ENERGY, KEYS, points_of
from explorer.model.rules import RULES
from explorer.model.space import Designs, Rows, Space
from explorer.search.coordinates import Coordinates
from explorer.search.neighbourhood import neighbours
from explorer.units import Array

STEP_OF_UNIT = {
    "V": 1.0, "A": 1.0, "N": 1.0, "N m": 1.0, "W": 1.0, "K": 1.0, "s": 1.0, "rpm": 10.0,
    "J": 100.0, "kg": 0.1, "%": 1.0, "": 1.0,
}  # fmt: skip
"""By how much a rule is loosened, by its unit: one more of what can be bought."""
FINE_STEPS = {
    "chatter_V": 0.1, "stroke_ripple_V": 0.1, "undervoltage_guard_V": 0.1, "pack_input_V": 0.1,
    "overvoltage_order_V": 0.1,
}  # fmt: skip
"""Rules about drops and thresholds of a few volts: a whole volt more cannot be had."""
FURTHER = 10.0
"""A rule that costs nothing at one step is also tried at so many of them."""
LOOKED_AT = 300
"""Most designs of the front whose neighbours are tried; an even thinning of it."""
OBJECTIVE_OF_LIMIT = {
    "limit_cost": COST,
    "limit_mass_kg": "mass_kg",
    "limit_effort_percent": EFFORT,
}
"""Which objective a limit of the study is about."""
ENERGY_COLUMN = KEYS.index(ENERGY)
DESIGNS_AT_A_TIME = 200


def rule_costs(
    project: Project, designs: Designs, picked: Mapping[str, int]
) -> dict[str, Any] | None:
    """What loosening one rule by a step would add to the energy of a front's designs (n,).

    All designs are tried that differ in one choice from up to `LOOKED_AT` of the front, and in
    two choices from the `picked` ones (design id -> row). One that breaks a single rule by no more
    than the step is held against every design of the front that costs, weighs and asks no less: its
    surplus of energy is what the rule costs there. A study's limit waives its own objective. So
    each number is a lower bound: a wider look could find more. None where the front is empty.

    Keys: `tried` designs; `front`, how many were held against; `rules`, dearest first by the mean
    gain over the front, each {margin, step, lifted, middle_J, most_J, from_J, picks: id -> J};
    `free`, names of rules that cost nothing even at `FURTHER` steps.
    """
    if not len(designs):
        return None
    coordinates = Coordinates(Space.of(project))
    own = evaluate(project, designs)
    points = points_of(project, own, costing.costs(project, designs))
    found = evaluate(project, coordinates.designs(_near(coordinates, designs, picked)))
    cost = costing.costs(project, found.designs)
    margins = dict(found.margins)
    if project.study.limits.cost is not None:
        margins["limit_cost"] = project.study.limits.cost - cost
    broken = np.sum([margin < 0 for margin in margins.values()], axis=0)
    near = points_of(project, found, cost)
    costly, free = [], []
    for name, margin in margins.items():
        # Asking for less energy buys none, and nothing on sale widens the range of a model.
        if not RULES[name].loosened_by:
            continue
        step = FINE_STEPS.get(name) or STEP_OF_UNIT[RULES[name].unit if name in RULES else ""]
        for width in (step, FURTHER * step):
            alone = np.flatnonzero((margin < 0) & (broken == 1) & (margin >= -width))
            gain = _surplus(points, near[alone], OBJECTIVE_OF_LIMIT.get(name))
            price = _over_the_front(gain, -points[:, ENERGY_COLUMN], picked)
            if price:
                costly.append({"margin": name, "step": width, **price})
                break
        else:
            free.append(name)
    costly.sort(key=lambda one: -one["mean_J"])
    return {"tried": len(found), "front": len(designs), "rules": costly, "free": free}


def _near(coordinates: Coordinates, designs: Designs, picked: Mapping[str, int]) -> Array:
    """Rows of coordinates one choice from the front's designs and two from the picked ones."""
    rows = coordinates.rows(designs)
    some = np.linspace(0, len(rows) - 1, min(len(rows), LOOKED_AT)).astype(np.intp)
    first = list(dict.fromkeys(picked.values()))
    blocks = [neighbours(coordinates, rows[k], 1) for k in np.union1d(some, first).astype(int)
              if not np.isnan(rows[k]).any()]  # fmt: skip
    blocks += [neighbours(coordinates, rows[k], 2) for k in first if not np.isnan(rows[k]).any()]
    return np.unique(np.concatenate([rows[:0], *blocks]), axis=0)


def _surplus(points: Array, near: Array, waived: str | None) -> Array:
    """Energy that the best of `near` (d, m) has over each of `points` (n, m), J, no worse in any
    other of the m objectives, never below 0. Of a `waived` objective both may have any value.
    """
    asked = [place for place, key in enumerate(KEYS) if key not in (ENERGY, waived)]
    surplus = np.zeros(len(points))
    for start in range(0, len(points), DESIGNS_AT_A_TIME):
        block = points[start : start + DESIGNS_AT_A_TIME]
        own = _best(block, points, asked) if waived is not None else -block[:, ENERGY_COLUMN]
        surplus[start : start + DESIGNS_AT_A_TIME] = _best(block, near, asked) - own
    return np.maximum(surplus, 0.0)


def _best(block: Array, others: Array, asked: list[int]) -> Array:
    """Most energy of `others` no worse than each of `block` in the `asked` objectives, J, or 0."""
    fits = (others[None, :, asked] <= block[:, None, asked]).all(axis=2)
    most: Array = np.where(fits, -others[None, :, ENERGY_COLUMN], 0.0).max(axis=1, initial=0.0)
    return most


def _over_the_front(gain: Array, energy: Array, picked: Mapping[str, int]) -> dict[str, Any] | None:
    """What a rule costs over the front's designs; None where no gain is large enough to notice."""
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
