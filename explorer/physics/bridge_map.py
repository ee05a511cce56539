"""Tabulates the solved bridge over knee distance, phase angle and nVt/Em, and writes the tables.

Run as `python -m explorer.physics.bridge_map` to regenerate the data file of a sine beside this
module: about a quarter of an hour on two cores. Other shapes: `explorer.model.shape_maps`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from explorer.physics import bridge, bridge_solver
from explorer.physics.emf_shape import SINE
from explorer.units import Array

COUNTS = (113, 25, 25)
TOLERANCE = 4e-6
"""Of the solver, for the tables of a sine."""
SHAPE_COUNTS, SHAPE_TOLERANCE, LEVELS_AT_ONCE = (49, 13, 25), 1.6e-5, 7
"""Of a table for another shape than a sine: a fifth of the nodes, which tests measure."""
LEAST_SPREAD, MOST_SPREAD = 1e-4, 1e5
"""nVt/Em at the table's ends, which stand for 0 and for infinity."""
LEVELS = 65535


def along_of_node(place: Array) -> Array:
    """Root of the knee distance over its largest, at places from 0 to 1 among the nodes."""
    fine = np.linspace(0, 1, 20_001)
    return np.asarray(np.interp(place, bridge.crowded(fine), fine))


def knee_of_node(along: Array, s: Array, kind: bridge.Kind) -> Array:
    """Knee distance at a root of its share from 0 to 1; the first node lies in the tail."""
    _, deepest = bridge.knee_distance(s, np.zeros_like(s), kind)
    tail = bridge.POWER * s / (kind.knee + bridge.SOFT * s) * np.exp(-6)
    return np.asarray(np.maximum(along**2 * deepest, tail))


def spread_of_node(place: Array) -> Array:
    """nVt/Em at a place from 0 to 1, the inverse of `bridge.axes`."""
    s = bridge.SPREAD * place**2 / np.maximum(1 - place**2, 1e-12)
    return np.clip(s, LEAST_SPREAD, MOST_SPREAD)


def entries(
    h: Array,
    phi: Array,
    s: Array,
    kind: bridge.Kind,
    start: Array | None = None,
    tolerance: float = TOLERANCE,
) -> tuple[Array, Array]:
    """The three tabulated logarithms at nodes given as flat arrays, and the currents to go on from.

    See `bridge.Table`: bus current over h^POWER; form factor; and the current at which a leg
    drops its mean voltage, over what the form factor says of it.
    """
    w = bridge.drop_product(s, h, kind) / s
    got = bridge_solver.periodic_states(
        phi, kind.drops * s, w, phases=kind.phases, shape=kind.shape, tolerance=tolerance,
        start=start,
    )  # fmt: skip
    each = got.bus * (2 / 3 if kind.phases == 3 else 1.0)
    form = np.log(got.rms / each)
    # The current at which a leg drops its mean voltage, 2 e^-w sinh(drop), in logs.
    log_mean = np.log(-np.expm1(-2 * got.drop)) + got.drop - w
    current = np.log(got.bus) - bridge.POWER * np.log(h)
    return np.stack([current, form, log_mean - np.log(each) - 2 * form]), got.start


def build(
    counts: tuple[int, int, int], kind: bridge.Kind, *, at_once: int = 1,
    tolerance: float = TOLERANCE,
) -> Array:  # fmt: skip
    """A whole table, shape (3, *counts), from the short circuit to the knee.

    `at_once` levels of knee distance are solved together, which costs less a node where the other
    axes have few; each begins with the currents of the level before them.
    """
    turn, place = np.meshgrid(*(np.linspace(0, 1, n) for n in counts[1:]), indexing="ij")
    phi, s = np.pi / 2 * turn.ravel() ** 2, spread_of_node(place.ravel())
    values = np.empty((3, counts[0], phi.size))
    start, before = None, np.ones(s.size)
    every = along_of_node(np.linspace(0, 1, counts[0]))
    for last in range(counts[0], 0, -at_once):
        levels = np.arange(max(last - at_once, 0), last)
        h = np.stack([knee_of_node(every[level], s, kind) for level in levels])
        if start is not None:
            start = (start[:, None] * (h / before) ** bridge.POWER).reshape(kind.phases, -1)
        many = np.tile(phi, len(levels)), np.tile(s, len(levels))
        found, currents = entries(h.ravel(), many[0], many[1], kind, start, tolerance)
        if last <= at_once:  # a tail's currents may be far smaller than those that they began with
            found, currents = entries(h.ravel(), many[0], many[1], kind, currents, tolerance)
        values[:, levels] = found.reshape(3, len(levels), -1)
        start, before = currents.reshape(kind.phases, len(levels), -1)[:, 0], h[0]
    return values.reshape(3, *counts)


def short_circuit(phi: float, kind: bridge.Kind) -> float:
    """Bus current of a shorted ideal bridge over Em/Z: each harmonic drives its own current."""
    if kind.shape == SINE:
        return 3 / np.pi if kind.phases == 3 else 2 / np.pi
    time = np.linspace(0, np.pi, 3600, endpoint=False)
    current = np.zeros_like(time)
    for order, share in zip((1, 3, 5, 7), (1.0, *kind.shape), strict=True):
        impedance = np.cos(phi) + 1j * order * np.sin(phi)
        current += (share / impedance * np.exp(1j * order * time)).imag
    mean = float(np.abs(current).mean())
    return 1.5 * mean if kind.phases == 3 else mean


def idealise(values: Array, kind: bridge.Kind) -> Array:
    """The same table with its first column moved from the least nVt/Em to none at all.

    An ideal leg drops V/2 at any current, a leg of small s its mean voltage, s ln(y) less. So
    the ideal bridge at knee distance h is the one of least s whose mean drop is knee (1 - h);
    left out, that shift of s ln s would be up to two percent of a small current.
    """
    places = np.linspace(0, 1, values.shape[1])
    fine = np.linspace(0, 1, 4000)
    s = np.full(fine.size, LEAST_SPREAD)
    at = knee_of_node(along_of_node(fine), s, kind)
    ideal = np.maximum(along_of_node(places) ** 2, at[0])
    s_w = bridge.drop_product(s, at, kind)
    moved = values.copy()
    for turn in range(values.shape[2]):
        current, form, spread = (CubicSpline(places, v[:, turn, 0])(fine) for v in values)
        bus = at**bridge.POWER * np.exp(current)
        each = bus * (2 / 3 if kind.phases == 3 else 1.0)
        drop = bridge.mean_drop(s, s_w, each * np.exp(2 * form + spread))
        order = np.argsort(drop)
        there = np.interp(kind.knee * (1 - ideal), drop[order], fine[order])
        bus[-1] = short_circuit(np.pi / 2 * (turn / (values.shape[2] - 1)) ** 2, kind)
        moved[0, :, turn, 0] = np.interp(there, fine, np.log(bus)) - bridge.POWER * np.log(ideal)
        moved[1, :, turn, 0] = np.interp(there, fine, form)
        moved[2, :, turn, 0] = np.interp(there, fine, spread)
    return moved


def packed_table(values: Array) -> dict[str, Array]:
    """A table at 16 bits a value, and the ends of its three parts (`_low`, `_high`)."""
    low, high = values.min(axis=(1, 2, 3)), values.max(axis=(1, 2, 3))
    span = (high - low)[:, None, None, None]
    share = (values - low[:, None, None, None]) / span
    return {"": np.round(share * LEVELS).astype(np.uint16), "_low": low, "_high": high}


def solved(kind: bridge.Kind) -> dict[str, Array]:
    """The packed table of one shape: one or two minutes of a processor."""
    values = build(SHAPE_COUNTS, kind, at_once=LEVELS_AT_ONCE, tolerance=SHAPE_TOLERANCE)
    return packed_table(idealise(values, kind))


def main() -> None:
    """Solve both tables side by side and write them, 16 bits a value."""
    from joblib import Parallel, delayed

    kinds = (bridge.STAR, bridge.WINDING)
    packed: dict[str, Any] = {}
    tables = Parallel(n_jobs=2)(delayed(build)(COUNTS, kind) for kind in kinds)
    for kind, solved in zip(kinds, tables, strict=True):
        name = f"phases_{kind.phases}"
        for end, value in packed_table(idealise(solved, kind)).items():
            packed[f"{name}{end}"] = value
    np.savez_compressed(bridge.MAP_FILE, **packed)


if __name__ == "__main__":
    main()
