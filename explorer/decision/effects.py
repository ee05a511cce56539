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
    import pandas as pd

    rows = np.flatnonzero(affordable(project, stored, cost))
    points = pd.DataFrame(stored.objectives(cost)[rows], columns=[one.key for one in OBJECTIVES])
    signs = {one.key: one.sign for one in OBJECTIVES}
    effects: Effects = {}
    for link in LINKS:
        names = [part.id for part in project.catalogue.parts[link]]
        best = points.groupby(stored.designs.parts[link][rows]).min() * signs
        effects[link] = {
            names[int(part)]: values for part, values in best.to_dict(orient="index").items()
        }
    return effects
