"""The EMF of a phase as a wave: its fundamental and the signed harmonics of its machine."""

from __future__ import annotations

from math import sin

from explorer.model.kernels.compiled import law
from explorer.model.kernels.records import Fields


@law
def wave(row: Fields, angle: float) -> float:
    """At an electrical angle in rad, over its fundamental's amplitude; see `physics.emf_shape`."""
    value = sin(angle)
    if row.emf_h3 != 0.0:
        value += row.emf_h3 * sin(3 * angle)
    if row.emf_h5 != 0.0:
        value += row.emf_h5 * sin(5 * angle)
    if row.emf_h7 != 0.0:
        value += row.emf_h7 * sin(7 * angle)
    return value
