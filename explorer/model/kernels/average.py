"""The search's filter: a session of an even hand at held speed, in few steps over few nodes.

It knows no stroke, no inertia and no heat, so that what repeats itself repeats exactly: a handful
of voltage steps a cycle, and one cycle for all. No nominal number that is printed comes from it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from explorer.model.kernels.machine import Machines
from explorer.model.kernels.motion import Settings
from explorer.model.kernels.records import Records
from explorer.model.kernels.session import sessions

FILTER_NODES = 72
STEP_V, STEP_SHARE = 0.25, 0.25
"""Longest voltage step, and as a share of the hysteresis."""


def averages(
    tables: Machines,
    trio: NDArray[np.int64],
    drives: Records,
    loads: Records,
    people: Records,
    settings: Settings,
) -> Records:
    """Results (n, shifts) of `accounts.RESULT`; arguments as for `session.sessions`.

    Tables are those of the windings' mean temperature: nothing warms. Effort, limits, drag and all
    losses are those of the session; what an uneven hand heats more is in it.
    """
    even = people.copy()
    even["inertia_kg_m2"] = 0.0
    cold = tables.rows.copy()
    cold["heat_capacity_J_per_K"] = 0.0
    found, _ = sessions(
        Machines(cold, tables.values), trio, drives, loads, even,
        settings._replace(even=True, step_V=STEP_V, step_share=STEP_SHARE), nodes=FILTER_NODES,
    )  # fmt: skip
    return found
