"""How far each part can take each objective."""

from __future__ import annotations

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model.objectives import OBJECTIVES
from explorer.store.standing import affordable
from explorer.store.stored import Stored
from explorer.units import Array

Effects = dict[str, dict[str, dict[str, float]]]


def best_by_part(project: Project, stored: Stored, cost: Array) -> Effects:
    """Best value of each objective over all feasible stored designs with each part, in the
    objective's unit: link -> part -> objective -> value.

    `cost` (n,) are the designs' costs. A part that no feasible design has is left out.
    """
    rows = np.flatnonzero(affordable(project, stored, cost))
    points = stored.objectives(cost)[rows]
    effects: Effects = {}
    for link in LINKS:
        names = [part.id for part in project.catalogue.parts[link]]
        used = stored.designs.parts[link][rows]
        best = np.full((len(names), len(OBJECTIVES)), np.nan)
        np.fmin.at(best, used, points)
        effects[link] = {
            names[part]: {
                one.key: one.sign * float(value)
                for one, value in zip(OBJECTIVES, best[part], strict=True)
            }
            for part in np.unique(used).tolist()
        }
    return effects
