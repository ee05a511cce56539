"""Which stored designs stand at given costs: those within the limit, and those on the front."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from explorer.front import non_dominated
from explorer.inputs.study import Project
from explorer.model.objectives import ENERGY, KEYS
from explorer.model.space import Rows
from explorer.store.stored import Stored
from explorer.units import Array

OF_ENERGY = KEYS.index(ENERGY)


def within_cost(project: Project, cost: Array) -> NDArray[np.bool_]:
    """Where costs (n,) are within the study's limit."""
    limit = project.study.limits.cost
    return np.asarray(cost <= (np.inf if limit is None else limit))


def affordable(project: Project, stored: Stored, cost: Array) -> NDArray[np.bool_]:
    """Where a stored design keeps physics and all limits of the study, the one on cost too."""
    return np.asarray(stored.feasible & within_cost(project, cost))


def front_rows(project: Project, stored: Stored, cost: Array) -> Rows:
    """Rows of the front at given costs, most energy first."""
    rows = np.flatnonzero(affordable(project, stored, cost))
    rows = rows[non_dominated(stored.objectives(cost)[rows])]
    order = np.lexsort((stored.numbers[rows], stored.objectives(cost)[rows, OF_ENERGY]))
    return rows[order].astype(np.int64)


def nominal_front_rows(project: Project, stored: Stored, cost: Array) -> Rows:
    """Rows of the front at given costs by nominal values, ascending."""
    rows = np.flatnonzero(stored.keeps_limits & within_cost(project, cost))
    return np.asarray(rows[non_dominated(stored.nominal(cost)[rows])].astype(np.int64))
