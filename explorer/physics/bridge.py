"""The rectifier between generator and bus: six diodes, two single-phase bridges, or one diode.

Periodic steady state on a stiff bus, for two equal Shockley diodes a leg, read from tables that
`explorer.physics.bridge_map` makes once; see `bridge_solver` for the equations. Every circuit lies
within them: nVt/Em from 0 to infinity, reactance over resistance likewise, bus from 0 V to far
beyond the knee. Their error: tests/bench/bridge_accuracy.py.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.special import wrightomega

from explorer.physics.emf_shape import SINE, Shape
from explorer.units import Array, Real

MAP_FILE = Path(__file__).with_name("bridge_map.npz")
CHUNK = 16384  # points at a time: the intermediates then stay in the cache


class BridgeState(NamedTuple):
    """Means over a period: A into the bus, A rms of one phase, W taken from the machine."""

    bus_current_A: Array
    phase_rms_A: Array
    electromagnetic_power_W: Array


class Kind(NamedTuple):
    """What sets a star of three phases apart from one winding on a full bridge.

    `knee`: largest terminal voltage the EMF reaches over Em, in legs; `drops`: legs in series
    with one winding's own impedance; `circuits`: equal bridges on the bus; `shape` of the EMF, as
    far as it drives currents, Em being the amplitude of its fundamental.
    """

    phases: int
    knee: float
    drops: int
    circuits: int
    shape: Shape = SINE

    def shaped(self, shape: Shape) -> Kind:
        """A kind for a sine with an EMF of another shape."""
        star = self.phases == 3
        driving = shape.in_open_star if star else shape
        across = shape.between_leads if star else shape
        return self._replace(knee=self.knee * across.peak, shape=driving)


STAR = Kind(3, np.sqrt(3) / 2, 1, 1)
WINDING = Kind(1, 0.5, 2, 2)

POWER = 2.0  # bus current falls like (1 - u)^1.5 (R only) to (1 - u)^2 (L) towards the knee
SOFT = 3.0  # widens the knee where nVt is not small against Em
DEEP = 8.0  # e^-8 of drop left where the table ends; beyond it the bridge is a short circuit
SHALLOW = 0.03  # where nVt/Em is below this the table ends sooner: the drop left is small anyway
SPREAD = 0.15  # nVt/Em in the middle of the table
CROWDS = ((0.238, 0.012, 8.0), (1.0, 0.02, 4.0))
"""Where along the table nodes crowd, how widely, and how much more densely than elsewhere.

With reactance, the two pulses of a half wave of a star join where the root of the knee distance is
0.23 to 0.25, at any nVt/Em: beyond it the current rises at once. And it bends at a short circuit.
"""


def knee_distance(s: Array, s_w: Array, kind: Kind) -> tuple[Array, Array]:
    """h and its largest tabulated value: how far above the knee the EMF stands.

    h -> 1 - u for s -> 0, and h^POWER is, up to a factor near 1, the current of the leaky tail
    below the knee, where the impedance drops nothing and i = 2 e^-w sinh(e/s) in each leg.
    """
    safe = np.maximum(s, 1e-200)
    width = np.maximum(safe / (kind.knee + SOFT * safe), 1e-12)
    # The tail's current is T(s) e^-w with T ~ a e^a/(1 + .95 a)^1.5, a = knee/s.
    slow = s * (np.log(kind.knee / safe) - 1.5 * np.log1p(0.95 * kind.knee / safe))
    above = (kind.knee + slow - s_w) / (kind.knee + SOFT * s)
    deepest = (kind.knee + DEEP * s * s / (s + SHALLOW)) / (kind.knee + SOFT * s)
    scale = POWER * width
    offset = scale * np.log(scale)

    def softplus(value: Array) -> Array:
        x = (value - offset) / scale
        return np.asarray(scale * (np.maximum(x, 0.0) + np.log1p(np.exp(-np.abs(x)))))

    return softplus(above), softplus(deepest)


def drop_product(s: Array, h: Array, kind: Kind) -> Array:
    """Inverse of `knee_distance`: s w where the knee distance is h (s > 0, h > 0)."""
    width = np.maximum(s / (kind.knee + SOFT * s), 1e-12)
    scale = POWER * width
    slow = s * (np.log(kind.knee / s) - 1.5 * np.log1p(0.95 * kind.knee / s))
    x = h / scale
    above = scale * (x + np.log(-np.expm1(-x))) + scale * np.log(scale)
    return kind.knee + slow - above * (kind.knee + SOFT * s)


class Table(NamedTuple):
    """Spline coefficients over (h/h_max, phase angle, s), each stretched: see `axes`."""

    current: Array
    form: Array
    drop: Array
    shape: tuple[int, int, int]


def crowded(along: Array) -> Array:
    """The share of the table's nodes below each place from 0 to 1, rising from 0 to 1."""
    nodes, most = along, 1.0
    for place, width, extra in CROWDS:
        below = np.arctan(place / width)
        nodes = nodes + extra * width * (np.arctan((along - place) / width) + below)
        most += extra * width * (np.arctan((1 - place) / width) + below)
    return np.asarray(nodes / most)


def axes(h_share: Array, phi: Array, s: Array) -> tuple[Array, Array, Array]:
    """The table's three coordinates, each from 0 to 1."""
    return crowded(np.sqrt(h_share)), np.sqrt(phi * (2 / np.pi)), np.sqrt(s / (s + SPREAD))


def spline_coefficients(values: Array) -> Array:
    """Cubic B-spline coefficients (not-a-knot ends) along every axis; two more a side."""
    for axis, count in enumerate(values.shape):
        matrix = np.zeros((count + 2, count + 2))
        for row in range(count):
            matrix[row, row : row + 3] = 1 / 6, 4 / 6, 1 / 6
        matrix[count, :5] = matrix[count + 1, -5:] = 1, -4, 6, -4, 1
        right = np.moveaxis(values, axis, 0)
        padded = np.concatenate([right, np.zeros((2, *right.shape[1:]))])
        solved = np.linalg.solve(matrix, padded.reshape(count + 2, -1))
        values = np.moveaxis(solved.reshape(padded.shape), 0, axis)
    return np.ascontiguousarray(values)


@lru_cache(maxsize=2)
def universal_table(phases: int) -> Table:
    """The table of a sine."""
    with np.load(MAP_FILE) as data:
        name = f"phases_{phases}"
        return unpacked(data[name], data[f"{name}_low"], data[f"{name}_high"])


def unpacked(packed: Array, low: Array, high: Array) -> Table:
    """A table from its 16 bits a value, (3, h, phi, s), and the ends of each of the three."""
    values = [low[i] + (high[i] - low[i]) * (packed[i].astype(float) / 65535.0) for i in range(3)]
    shape = packed.shape[1:]
    return Table(
        spline_coefficients(values[0]),
        spline_coefficients(values[1]),
        values[2],
        (shape[0], shape[1], shape[2]),
    )


def _look_up(s: Array, s_w: Array, phi: Array, kind: Kind) -> tuple[Array, Array, Array]:
    """Bus current, phase rms and s times the mean z of one circuit, in Em and Em/Z."""
    table = universal_table(kind.phases)
    h, deepest = knee_distance(s, s_w, kind)
    h = np.minimum(h, deepest)
    place = [
        along * (count - 1)
        for along, count in zip(axes(h / deepest, phi, s), table.shape, strict=True)
    ]
    from scipy.ndimage import map_coordinates  # 0.2 s, and compiled code goes without

    inner = np.stack(place) + 1.0
    shape = map_coordinates(table.current, inner, order=3, prefilter=False, mode="nearest")
    bus = h**POWER * np.exp(shape)
    form = map_coordinates(table.form, inner, order=3, prefilter=False, mode="nearest")
    each = bus * (2 / 3 if kind.phases == 3 else 1.0)  # mean |y| of one phase
    rms = each * np.exp(form)
    spread = map_coordinates(table.drop, np.stack(place), order=1, prefilter=False, mode="nearest")
    return bus, rms, mean_drop(s, s_w, rms * np.exp(form + spread))


def mean_drop(s: Array, s_w: Array, current: Array) -> Array:
    """s asinh(current e^w/2), the leg voltage at a current in units of Em and Em/Z, in logs."""
    log_half = np.log(np.maximum(current, 1e-300) / 2)
    log_x = log_half + s_w / np.maximum(s, 1e-200)
    small = s * np.arcsinh(np.exp(np.minimum(log_x, 0.0)))
    large = s_w + s * (log_half + np.log1p(np.sqrt(1 + np.exp(-2 * np.maximum(log_x, 0.0)))))
    return np.where(log_x < 0, small, large)


def _checked(**values: Real) -> list[Array]:
    """Every argument as an array of floats, or the first one that no circuit can have."""
    arrays = []
    for name, value in values.items():
        array = np.asarray(value, dtype=float)
        wrong = ~(np.isfinite(array) & (array >= 0))
        if np.any(wrong):
            worst = array[wrong].flat[0]
            raise ValueError(f"{name} must be a finite number of at least 0, got {worst}")
        arrays.append(array)
    return arrays


def _refuse_no_impedance(emf: Array, impedance: Array, names: str) -> None:
    if np.any((impedance == 0) & (emf > 0)):
        raise ValueError(f"{names} must not all be 0: nothing would limit the current, got 0")


def _bridge(kind: Kind, values: list[Array]) -> BridgeState:
    emf, omega, ohm, henry, bus_V, saturation, emission, diode_ohm = values
    resistance = ohm + kind.drops * diode_ohm
    impedance = np.hypot(resistance, omega * henry)
    _refuse_no_impedance(emf, impedance, "resistance_ohm, diode_resistance_ohm and reactance")
    shape = np.broadcast_shapes(*(value.shape for value in values))
    flat = [
        np.broadcast_to(value, shape).reshape(-1)
        for value in (emf, impedance, resistance, omega * henry, bus_V, saturation, emission)
    ]
    size = flat[0].size
    out = np.zeros((3, size))
    for start in range(0, size, CHUNK):
        part = slice(start, start + CHUNK)
        out[:, part] = _points(kind, *(value[part] for value in flat))
    bus, rms, power = out.reshape(3, *shape)
    return BridgeState(bus, rms, power)


def _points(
    kind: Kind,
    emf: Array,
    impedance: Array,
    resistance: Array,
    reactance: Array,
    bus_V: Array,
    saturation: Array,
    emission: Array,
) -> Array:
    live = emf > 0
    emf_or_1 = np.where(live, emf, 1.0)
    scale = emf_or_1 / np.where(impedance > 0, impedance, 1.0)
    shockley = (saturation > 0) & (emission > 0)
    s = np.where(shockley, emission / emf_or_1, 0.0)
    s_w = bus_V / (2 * emf_or_1) + s * np.log(scale / np.where(shockley, saturation, scale))
    bus, rms, drop = _look_up(s, s_w, np.arctan2(reactance, resistance), kind)
    cosine = resistance / np.where(impedance > 0, impedance, 1.0)
    power = kind.circuits * (kind.phases * rms**2 * cosine + 2 * bus * drop)
    return np.where(live, np.stack([kind.circuits * bus, rms, emf_or_1 * power]) * scale, 0.0)


def steady_state(
    *,
    emf_peak_V: Real,
    electrical_rad_s: Real,
    resistance_ohm: Real,
    inductance_H: Real,
    bus_V: Real,
    diode_saturation_A: Real,
    diode_emission_V: Real,
    diode_resistance_ohm: Real,
) -> BridgeState:
    """Six-pulse bridge from a star of three phases with an isolated star point. Broadcasts.

    `emf_peak_V`, `resistance_ohm`, `inductance_H` are of one phase; the three diode values are
    Is, n Vt and the series resistance of one diode. Is = 0 (or n Vt = 0) is the ideal or active
    bridge: no drop but that of its resistance. `bus_current_A` is the mean of the positive phase
    currents: reverse leakage is not taken off.
    """
    return _bridge(
        STAR,
        _checked(
            emf_peak_V=emf_peak_V,
            electrical_rad_s=electrical_rad_s,
            resistance_ohm=resistance_ohm,
            inductance_H=inductance_H,
            bus_V=bus_V,
            diode_saturation_A=diode_saturation_A,
            diode_emission_V=diode_emission_V,
            diode_resistance_ohm=diode_resistance_ohm,
        ),
    )


def two_phase_steady_state(
    *,
    emf_peak_V: Real,
    electrical_rad_s: Real,
    resistance_ohm: Real,
    inductance_H: Real,
    bus_V: Real,
    diode_saturation_A: Real,
    diode_emission_V: Real,
    diode_resistance_ohm: Real,
) -> BridgeState:
    """Two separate windings, a full bridge of four diodes each, in parallel on one bus.

    Arguments as for `steady_state`. Bus current and power are the sums of both windings.
    """
    return _bridge(
        WINDING,
        _checked(
            emf_peak_V=emf_peak_V,
            electrical_rad_s=electrical_rad_s,
            resistance_ohm=resistance_ohm,
            inductance_H=inductance_H,
            bus_V=bus_V,
            diode_saturation_A=diode_saturation_A,
            diode_emission_V=diode_emission_V,
            diode_resistance_ohm=diode_resistance_ohm,
        ),
    )


def blocking_diode_steady_state(
    *,
    emf_peak_V: Real,
    electrical_rad_s: Real,
    resistance_ohm: Real,
    inductance_H: Real,
    bus_V: Real,
    diode_saturation_A: Real,
    diode_emission_V: Real,
    diode_resistance_ohm: Real,
) -> BridgeState:
    """Brushed machine behind one diode: `emf_peak_V` is its DC EMF. Broadcasts.

    `E - V = (R + Rs) i + nVt ln(1 + i/Is)` solved for i with Wright's omega (Lambert W of a
    logarithm; Banwell & Jayakumar, Electronics Letters 36, 2000). Speed and inductance are
    checked and otherwise of no account at a steady current. Never negative.
    """
    emf, _, ohm, _, bus, saturation, emission, diode_ohm = _checked(
        emf_peak_V=emf_peak_V,
        electrical_rad_s=electrical_rad_s,
        resistance_ohm=resistance_ohm,
        inductance_H=inductance_H,
        bus_V=bus_V,
        diode_saturation_A=diode_saturation_A,
        diode_emission_V=diode_emission_V,
        diode_resistance_ohm=diode_resistance_ohm,
    )
    resistance = ohm + diode_ohm
    _refuse_no_impedance(emf, resistance, "resistance_ohm and diode_resistance_ohm")
    over = np.maximum(emf - bus, 0.0)
    shockley = (saturation > 0) & (emission > 0) & (resistance > 0)
    volt = np.where(shockley, emission, 1.0)
    leak = np.where(shockley, resistance * saturation, 1.0)
    omega = wrightomega((over + leak) / volt + np.log(leak / volt))
    drop = np.where(shockley, np.maximum(volt * omega - leak, 0.0), over)
    current = np.where(emf > bus, drop / np.where(resistance > 0, resistance, 1.0), 0.0)
    shape = np.broadcast_shapes(
        *(np.shape(value) for value in (current, electrical_rad_s, inductance_H))
    )
    current = np.broadcast_to(current, shape).copy()
    return BridgeState(current, current.copy(), current * emf)


SIX_PULSE, FULL_BRIDGES, ONE_DIODE = range(3)
"""Circuits that the compiled model knows: phases of a star on six valves, a full bridge behind each
winding, valves in line with a direct voltage."""


class RectifierLaw(NamedTuple):
    """A kind of rectifier: what solves its steady state with the arguments of `steady_state`, and
    its circuit in the compiled model.
    """

    solve: Callable[..., BridgeState]
    circuit: int


RECTIFIERS: dict[str, RectifierLaw] = {
    "star": RectifierLaw(steady_state, SIX_PULSE),
    "windings": RectifierLaw(two_phase_steady_state, FULL_BRIDGES),
    "one_diode": RectifierLaw(blocking_diode_steady_state, ONE_DIODE),
}
"""Rectifiers by the name that a machine's kind gives: a six-pulse bridge behind a star of three
phases, a full bridge behind each winding, one diode in line with a direct voltage."""
