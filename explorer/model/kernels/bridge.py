"""The rectifier at one point: bus current, phase rms and the junctions' heat, compiled.

The same maps as those of `explorer.physics.bridge`, one for each shape of EMF; see there for the
coordinates and `explorer.physics.bridge_solver` for the circuit. Symbols: s = nVt/Em,
s_w = V/(2 Em) + s ln(Em/(Z Is)), phi = atan(w_e L/(R + Rs)); currents in Em/Z.
"""

from __future__ import annotations

from functools import lru_cache
from math import atan, atan2, exp, log, log1p, pi, sqrt
from typing import NamedTuple

import numpy as np

from explorer.model.kernels.compiled import entry, law
from explorer.model.kernels.junction import wright_omega
from explorer.model.shape_maps import kind_of, overlaps_of, table_of
from explorer.physics import bridge as tables
from explorer.physics import soft_bus
from explorer.physics.bridge import FULL_BRIDGES, SIX_PULSE
from explorer.physics.emf_shape import SINE, Shape
from explorer.units import Array

SHORT, _POWER, _SOFT, _DEEP, _SHALLOW, _SPREAD = (
    1e-200, tables.POWER, tables.SOFT, tables.DEEP, tables.SHALLOW, tables.SPREAD,
)  # fmt: skip
KNEES, MOST_TABLED = 4001, 0.98
"""Nodes of what depends on s alone, and up to which place; exact beyond."""
MOST_MAPS = 16
"""Maps that a process keeps, half a megabyte each."""
(PLACE_1, WIDTH_1, EXTRA_1), (PLACE_2, WIDTH_2, EXTRA_2) = tables.CROWDS
CROWD_1, BELOW_1 = EXTRA_1 * WIDTH_1, atan(PLACE_1 / WIDTH_1)
CROWD_2, BELOW_2 = EXTRA_2 * WIDTH_2, atan(PLACE_2 / WIDTH_2)
_MOST_NODES = (
    1.0
    + CROWD_1 * (atan((1 - PLACE_1) / WIDTH_1) + BELOW_1)
    + CROWD_2 * (atan((1 - PLACE_2) / WIDTH_2) + BELOW_2)
)


class Map(NamedTuple):
    """Spline coefficients of current and form (phi, s, h, 2), values of the drop (phi, s, h).

    `knees` (nodes, 4): what of `_knee_distance` depends on s alone, over sqrt(s/(s + _SPREAD)).
    `knee` is that of its kind of bridge and its shape, see `physics.bridge.Kind`; `overlaps` what
    pulses that overlap leave on a soft bus (phi, shared, current, 3), see `physics.soft_bus`.
    """

    splines: Array
    drop: Array
    knees: Array
    knee: float
    overlaps: Array


class Source(NamedTuple):
    """One phase as its rectifier sees it: peak of the EMF's fundamental, electrical speed, series
    impedance; a valve.
    """

    emf_V: float
    electrical_rad_s: float
    ohm: float
    henry: float
    saturation_A: float
    emission_V: float
    valve_ohm: float


class Rectified(NamedTuple):
    """Means over a period: A into the bus, A rms of one phase, W of heat in the junctions."""

    bus_A: float
    phase_A: float
    junction_W: float


@lru_cache(maxsize=MOST_MAPS)
def _map(kind: tables.Kind) -> Map:
    stored = table_of(kind)
    splines = np.stack([stored.current, stored.form], axis=-1).transpose(1, 2, 0, 3)
    place = np.linspace(0.0, MOST_TABLED, KNEES)
    knees = np.empty((KNEES, 4))
    _fill_knees(_SPREAD * place**2 / (1 - place**2), kind.knee, knees)
    return Map(
        np.ascontiguousarray(splines.astype(np.float32)),
        np.ascontiguousarray(stored.drop.transpose(1, 2, 0).astype(np.float32)),
        knees,
        kind.knee,
        soft_bus.overlap_splines(overlaps_of(kind)),
    )


def map_of(circuit: int, shape: Shape = SINE) -> Map:
    """The map of a circuit of `physics.bridge` and a shape of EMF, read or solved once."""
    return _map(kind_of(circuit).shaped(shape))


def map_for(machine: np.void) -> Map:
    """The map that a row of `records.MACHINE` asks for."""
    shape = Shape(*(float(machine[name]) for name in ("emf_h3", "emf_h5", "emf_h7")))
    return map_of(int(machine["bridge"]), shape)


@law
def _crowded(along: float) -> float:
    """Share of the table's nodes below a place; see `physics.bridge.crowded`."""
    nodes = along + CROWD_1 * (atan((along - PLACE_1) / WIDTH_1) + BELOW_1)
    return (nodes + CROWD_2 * (atan((along - PLACE_2) / WIDTH_2) + BELOW_2)) / _MOST_NODES


@law
def _softplus(value: float, scale: float, offset: float) -> float:
    x = (value - offset) / scale
    return scale * (max(x, 0.0) + log1p(exp(-abs(x))))


@law
def _of_spread(s: float, knee: float) -> tuple[float, float, float, float]:
    """Width of the knee, its offset, its shift, and the most knee distance that is tabulated."""
    safe = max(s, SHORT)
    scale = _POWER * max(safe / (knee + _SOFT * safe), 1e-12)
    offset = scale * log(scale)
    slow = s * (log(knee / safe) - 1.5 * log1p(0.95 * knee / safe))
    deepest = (knee + _DEEP * s * s / (s + _SHALLOW)) / (knee + _SOFT * s)
    return scale, offset, slow, _softplus(deepest, scale, offset)


@entry
def _fill_knees(spreads: Array, knee: float, found: Array) -> None:
    """`_of_spread` of some spreads (n,) into `found` (n, 4)."""
    for k in range(spreads.shape[0]):
        found[k, 0], found[k, 1], found[k, 2], found[k, 3] = _of_spread(spreads[k], knee)


@law
def _knee_distance(
    knees: Array, s: float, place: float, s_w: float, knee: float
) -> tuple[float, float]:
    """How far above the knee the EMF stands, and the most that is tabulated."""
    if place < MOST_TABLED:
        along = place * ((KNEES - 1) / MOST_TABLED)
        left = int(along)
        far = along - left
        near = 1.0 - far
        scale = near * knees[left, 0] + far * knees[left + 1, 0]
        offset = near * knees[left, 1] + far * knees[left + 1, 1]
        slow = near * knees[left, 2] + far * knees[left + 1, 2]
        deepest = near * knees[left, 3] + far * knees[left + 1, 3]
    else:
        scale, offset, slow, deepest = _of_spread(s, knee)
    h = _softplus((knee + slow - s_w) / (knee + _SOFT * s), scale, offset)
    return min(h, deepest), deepest


@law
def weights(place: float, count: int) -> tuple[int, tuple[float, float, float, float]]:
    """First of four coefficients of a cubic B-spline along one axis, and their weights."""
    left = min(int(place), count - 2)
    t = place - left
    u = 1.0 - t
    near = (4.0 - 6.0 * t * t + 3.0 * t * t * t) / 6.0
    far = (4.0 - 6.0 * u * u + 3.0 * u * u * u) / 6.0
    return left, (u * u * u / 6.0, near, far, t * t * t / 6.0)


@law
def _spline(splines: Array, phi: float, s: float, h: float) -> tuple[float, float]:
    """Both splines at places along the three axes, in nodes."""
    k, (h0, h1, h2, h3) = weights(h, splines.shape[2] - 2)
    i, across = weights(phi, splines.shape[0] - 2)
    j, along = weights(s, splines.shape[1] - 2)
    current, form = 0.0, 0.0
    for m in range(4):
        for n in range(4):
            p, q, weight = i + m, j + n, across[m] * along[n]
            current += weight * (
                h0 * splines[p, q, k, 0] + h1 * splines[p, q, k + 1, 0]
                + h2 * splines[p, q, k + 2, 0] + h3 * splines[p, q, k + 3, 0]
            )  # fmt: skip
            form += weight * (
                h0 * splines[p, q, k, 1] + h1 * splines[p, q, k + 1, 1]
                + h2 * splines[p, q, k + 2, 1] + h3 * splines[p, q, k + 3, 1]
            )  # fmt: skip
    return current, form


@law
def _linear(values: Array, phi: float, s: float, h: float) -> float:
    i, j, k = (
        min(int(phi), values.shape[0] - 2),
        min(int(s), values.shape[1] - 2),
        min(int(h), values.shape[2] - 2),
    )
    x, y, z = phi - i, s - j, h - k
    total = 0.0
    for m in range(2):
        for n in range(2):
            weight = (x if m else 1.0 - x) * (y if n else 1.0 - y)
            low, high = values[i + m, j + n, k], values[i + m, j + n, k + 1]
            total += weight * (low + (high - low) * z)
    return total


@law
def _mean_drop(s: float, s_w: float, current: float) -> float:
    """s asinh(current e^w/2), in logs; see `physics.bridge.mean_drop`."""
    log_half = log(max(current, 1e-300) / 2)
    log_x = log_half + s_w / max(s, SHORT)
    if log_x < 0:
        x = exp(log_x)
        return s * log1p(x + x * x / (1 + sqrt(1 + x * x)))
    return s_w + s * (log_half + log1p(sqrt(1 + exp(-2 * log_x))))


@law
def _look_up(universal: Map, phases: int, s: float, s_w: float, phi: float) -> Rectified:
    """Bus current, phase rms and mean drop of one circuit in units of Em and Em/Z."""
    place = sqrt(s / (s + _SPREAD))
    h, deepest = _knee_distance(universal.knees, s, place, s_w, universal.knee)
    turns, spreads, knees = universal.drop.shape
    at_h = _crowded(sqrt(h / deepest)) * (knees - 1)
    at_phi = sqrt(phi * (2 / pi)) * (turns - 1)
    at_s = place * (spreads - 1)
    shape, form = _spline(universal.splines, at_phi, at_s, at_h)
    bus = h * h * exp(shape)
    rms = exp(form) * bus * (2 / 3 if phases == 3 else 1.0)
    spread = _linear(universal.drop, at_phi, at_s, at_h)
    return Rectified(bus, rms, _mean_drop(s, s_w, rms * exp(form + spread)))


@law
def _alternating(
    universal: Map, phases: int, drops: int, circuits: int, source: Source, bus_V: float
) -> Rectified:
    resistance = source.ohm + drops * source.valve_ohm
    reactance = source.electrical_rad_s * source.henry
    impedance, emf_V = sqrt(resistance * resistance + reactance * reactance), source.emf_V
    scale = emf_V / impedance
    s, s_w = 0.0, bus_V / (2 * emf_V)
    if source.saturation_A > 0 and source.emission_V > 0:
        s = source.emission_V / emf_V
        s_w += s * log(scale / source.saturation_A)
    found = _look_up(universal, phases, s, s_w, atan2(reactance, resistance))
    # Two legs share the bus voltage: what they drop beyond it is the junctions' own.
    junction = 2 * found.bus_A * found.junction_W - found.bus_A * bus_V / emf_V
    return Rectified(
        circuits * found.bus_A * scale, found.phase_A * scale,
        max(circuits * junction * emf_V * scale, 0.0),
    )  # fmt: skip


@law
def _blocking_diode(source: Source, bus_V: float) -> Rectified:
    """`E - V = (R + Rs) i + nVt ln(1 + i/Is)` (Banwell & Jayakumar 2000)."""
    over, resistance = source.emf_V - bus_V, source.ohm + source.valve_ohm
    if over <= 0:
        return Rectified(0.0, 0.0, 0.0)
    emission_V = source.emission_V
    if source.saturation_A > 0 and emission_V > 0:
        leak = resistance * source.saturation_A
        omega = wright_omega((over + leak) / emission_V + log(leak / emission_V))
        amps = max((emission_V * omega - leak) / resistance, 0.0)
    else:
        amps = over / resistance
    return Rectified(amps, amps, max(amps * (over - resistance * amps), 0.0))


@law
def rectify(universal: Map, bridge: int, source: Source, bus_V: float) -> Rectified:
    """The rectifier of one machine on a stiff bus; the law is that of `physics.bridge`, the map
    that of the circuit and the EMF's shape (any, for a direct voltage).

    Ohmic heat is left to the caller: phases x phase_A^2 x (ohm + valves in a path x valve_ohm).
    Below a trickle that no double holds, and without EMF, nothing flows.
    """
    if not source.emf_V > 1e-12:
        return Rectified(0.0, 0.0, 0.0)
    if bridge == SIX_PULSE:
        return _alternating(universal, 3, 1, 1, source, bus_V)
    if bridge == FULL_BRIDGES:
        return _alternating(universal, 1, 2, 2, source, bus_V)
    return _blocking_diode(source, bus_V)


@entry
def rectify_all(universal: Map, bridge: int, circuits: Array, found: Array) -> None:
    """`rectify` of rows (n, 8) into `found` (n, 3).

    Columns are those of `physics.bridge.steady_state`: EMF, speed, ohm, henry, bus voltage,
    saturation, emission, ohm of a valve.
    """
    for k in range(circuits.shape[0]):
        source = Source(
            circuits[k, 0], circuits[k, 1], circuits[k, 2], circuits[k, 3], circuits[k, 5],
            circuits[k, 6], circuits[k, 7],
        )  # fmt: skip
        state = rectify(universal, bridge, source, circuits[k, 4])
        found[k, 0], found[k, 1], found[k, 2] = state.bus_A, state.phase_A, state.junction_W
