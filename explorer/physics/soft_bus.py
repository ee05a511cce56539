"""Pulses of a bridge that overlap on a bus with a resistance: tables over three numbers, 0 to 1.

The bus is a voltage V behind a resistance R. Pulses that do not overlap pass two valves and the bus
in series: exactly the stiff bridge on V with R shared among its phases (derived). Where they do
overlap, each also lifts the bus under the others, and less flows. The tables hold by how much, over
that *shared* bridge: its current over a short circuit's, its phase angle, and the shared part of
its resistance. `explorer.model.soft_bus_map` solves them at switching level, for a sine and valves
of next to no drop. Of others, the drop acts through the shared bridge's current, and the slope of a
junction at that current counts as resistance of its phase.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from explorer.physics.bridge import Kind, spline_coefficients
from explorer.units import Array

OVERLAP_FILE = Path(__file__).with_name("soft_bus_map.npz")
MOST_PHI, MOST_SHARED = 1.5, 0.97
"""Ends of the tables: phase angle, rad; share of the resistance that the bus has."""
FACTORS = 3
JUNCTION = 1.6
"""Resistance of a phase that stands for a junction, over nVt/i at the current i that its heat goes
by, rms^2/mean: i is less for most of a pulse. Fitted to the switching-level twin."""


class Sharing(NamedTuple):
    """What sets a star of three phases apart from two windings.

    Each phase bears `share` of the bus resistance; (bus rms/bus current)^2 is `square` times (phase
    rms/bus current)^2 where nothing overlaps; `short` is the bus current of a shorted sine, Em/Z.
    """

    share: float
    square: float
    short: float


THREE_PHASES = Sharing(0.5, 1.5, 3 / np.pi)
TWO_WINDINGS = Sharing(1.0, 2.0, 4 / np.pi)


def sharing_of(kind: Kind) -> Sharing:
    """That of a kind of bridge."""
    return THREE_PHASES if kind.phases == 3 else TWO_WINDINGS


def places(phi: Array, shared: Array, current: Array) -> tuple[Array, Array, Array]:
    """The tables' places from 0 to 1: of a phase angle in rad, of the shared part of a resistance,
    and of a bus current over `short`.
    """
    return np.sqrt(phi / MOST_PHI), shared / MOST_SHARED, np.sqrt(current)


def overlap_name(sharing: Sharing) -> str:
    """What the tables of a kind are called in the file."""
    return "star" if sharing == THREE_PHASES else "windings"


@lru_cache(maxsize=2)
def overlap_table(sharing: Sharing) -> Array:
    """Values (phi, shared, current, 3) at even places: logarithms of what the overlap leaves of the
    bus current, of what it makes of (phase rms/bus current)^2, and of (bus rms/bus current)^2 over
    `square` times that.
    """
    with np.load(OVERLAP_FILE) as data:
        return np.asarray(data[overlap_name(sharing)], dtype=float)


def overlap_splines(values: Array) -> Array:
    """Cubic B-spline coefficients of a table (3, phi, shared, current), two more along each of its
    three places."""
    each = [spline_coefficients(values[..., quantity]) for quantity in range(FACTORS)]
    return np.ascontiguousarray(np.stack(each))
