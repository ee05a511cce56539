"""Which stored designs stand at given costs: those within the limit, and those on the front."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from explorer.front import non_dominated
from explorer.inputs.study import Project
from explorer.model.space import Rows
from explorer.store.stored import Stored
from explorer.units import Array


def affordable(project: Project, stored: Stored, cost: Array) -> NDArray[np.bool_]:
    """Where a stored design keeps physics and all limits of the study, the one on cost too, and
    every part that it lacks can be bought.
    """
    limit = project.study.limits.cost
    return buyable(stored, cost) & (cost <= (np.inf if limit is None else limit))


def buyable(stored: Stored, cost: Array) -> NDArray[np.bool_]:
    """Where a stored design keeps physics and all limits but the one on cost, and can be bought:
    what cannot has an infinite cost.
    """
    return np.asarray(stored.feasible & np.isfinite(cost))


def front_rows(project: Project, stored: Stored, cost: Array) -> Rows:
    """Rows of the front at given costs, most energy first."""
    rows = np.flatnonzero(affordable(project, stored, cost))
    rows = rows[non_dominated(stored.objectives(cost)[rows])]
    order = np.lexsort((stored.numbers[rows], -stored.delivered_energy_J[rows]))
    return rows[order].astype(np.int64)
