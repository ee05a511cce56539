"""Solves the diode bridge on a stiff bus for many cases at once: what the tables are made from.

In units of Em for voltage and Em/Z for current, Z = sqrt((R + Rs)^2 + (w L)^2), a phase obeys

    sin(phi) dy/dt + cos(phi) y + s z = e(t - 2 pi k/3) + star point,   z = asinh(y e^w / 2)

with e the EMF's shape (a sine, or one with odd harmonics), Em the amplitude of its fundamental,
tan(phi) = w_e L/(R + Rs), s = nVt/Em and w = V/(2 nVt) + ln(Em/(Z Is)): the terminal law
of two equal Shockley diodes a leg (derived from `I = Is (exp(v/nVt) - 1)` for both). The voltage
z jumps by 2 w where a current crosses zero, so a fixed step errs there in proportion to its
length; the steps here shrink onto every such instant instead, each case at its own pace.

Method: TR-BDF2 with an embedded third-order estimate (Hosea & Shampine, Applied Numerical
Mathematics 20, 1996), L-stable for blocked phases, within Newton shooting over one symmetry
interval.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import wrightomega

from explorer.physics.emf_shape import SINE, Shape
from explorer.units import Array

MIDDLE = 2.0 - np.sqrt(2.0)
"""Where in a step the trapezoidal stage ends."""
IMPLICIT = MIDDLE / 2
OUTER = np.sqrt(2.0) / 4
ESTIMATE = (
    OUTER - (1 - OUTER) / 3,
    OUTER - (3 * OUTER + 1) / 3,
    IMPLICIT - IMPLICIT / 3,
)
"""Weights of the three slopes: second-order step less third-order step."""
SIMPSON = (
    0.5 - 1 / (6 * MIDDLE),
    1 / (6 * MIDDLE * (1 - MIDDLE)),
    0.5 - 1 / (6 * (1 - MIDDLE)),
)
"""Quadrature over the three times of a step, exact for parabolas."""

FIRST_STEP, LEAST_STEP, STEPS_AT_LEAST = 1e-5, 5e-9, 10
CREST_POINTS = 20_001
SHOTS = 60
PERIODIC = 1e-5
"""Change of the currents over an interval, of their rms, at which a case is solved."""


Index = np.ndarray[tuple[int, ...], np.dtype[np.intp]]


class Solution(NamedTuple):
    """Periodic steady state in units of Em and Em/Z, one entry a case.

    `bus`: mean of the positive currents of all phases; `rms`: of one phase; `drop`: mean z,
    weighted with |y|; `power`: electromagnetic, sum of all phases; `residual`: periodicity;
    `start`: currents at the beginning of the interval, (phases, cases).
    """

    bus: Array
    rms: Array
    drop: Array
    power: Array
    residual: Array
    start: Array


_BASIS = {1: np.array([[1.0]]), 3: np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]])}
"""Independent currents of one winding, and of three that meet in an isolated star point."""


def _branch(beta: Array, kappa: Array, s: Array, w: Array) -> tuple[Array, Array, Array]:
    """Current, its derivative to beta and z of `kappa y + s asinh(y e^w/2) = beta`."""
    sign, total = np.sign(beta), np.abs(beta) / s
    log_k = np.log(2 * kappa / s) - w
    k = np.exp(np.minimum(log_k, 300.0))
    # sinh z = e^z/2 gives Wright's omega; good beyond z = 1.5, below it the tangent is.
    exponential = total - wrightomega(total + log_k - np.log(2))
    z = np.where(exponential > 1.5, exponential, np.minimum(total / (1 + k), 2.0))
    for _ in range(4):
        near = np.minimum(z, 30.0)
        rise, slope = k * np.sinh(near), k * np.cosh(near)
        step = (z + rise - total) / (1 + slope)
        z = np.where(z < 30.0, np.maximum(z - step, 0.0), z)
    both = np.exp(np.minimum(log_k + z, 700.0)) / 2
    fall = np.exp(-2 * z)
    slope = both * (1 + fall)
    derivative = np.where(slope > 1, 1 / (1 + 1 / np.maximum(slope, 1.0)), slope / (1 + slope))
    return sign * both * (1 - fall) * s / kappa, derivative / kappa, sign * z


def _phases(
    drive: Array, kappa: Array, s: Array, w: Array, star: Array
) -> tuple[Array, Array, Array, Array]:
    """Currents, slopes, z and star point, floating so that the currents of a star sum to 0."""
    y, slope, z = _branch(drive + star, kappa, s, w)
    if drive.shape[0] == 1:
        return y, slope, z, star
    low, high = -drive.max(axis=0), -drive.min(axis=0)
    star = star.copy()
    todo = np.arange(star.size)
    for _ in range(50):
        excess, rise = y[:, todo].sum(axis=0), slope[:, todo].sum(axis=0)
        scale = np.abs(y[:, todo]).max(axis=0)
        # A sum of 0 is a solution; so is a bracket of nothing (dead band of an ideal bridge).
        open_ = (np.abs(excess) > 1e-9 * scale) & (high[todo] - low[todo] > 1e-15)
        todo, excess, rise = todo[open_], excess[open_], rise[open_]
        if todo.size == 0:
            break
        here = star[todo]
        low[todo] = np.where(excess < 0, here, low[todo])
        high[todo] = np.where(excess > 0, here, high[todo])
        newton = here - excess / np.where(rise > 0, rise, np.inf)
        inside = (newton > low[todo]) & (newton < high[todo]) & (rise > 0)
        star[todo] = np.where(inside, newton, (low[todo] + high[todo]) / 2)
        y[:, todo], slope[:, todo], z[:, todo] = _branch(
            drive[:, todo] + star[todo], kappa[todo], s[todo], w[todo]
        )
    return y, slope, z, star


class _Circuits(NamedTuple):
    """What all cases are: see the equation above. `scale` is the size of their currents, `shift`
    the lag of each phase, `shape` that of the EMF."""

    phi: Array
    s: Array
    w: Array
    scale: Array
    shift: Array
    shape: Shape


@dataclass
class _Walk:
    """Cases on their way through the interval; every array has the cases last."""

    case: Index
    time: Array
    step: Array
    y: Array
    rate: Array
    tangent: Array
    tangent_rate: Array
    star: Array
    means: Array
    largest: Array

    def go_on(self, tried: _Step, h: Array, span: float) -> None:
        """To the end of the step where it was taken; the next is as long as the error allows."""
        taken = tried.taken
        self.step = np.clip(h * tried.grow, LEAST_STEP, span / STEPS_AT_LEAST)
        self.time = np.where(taken, self.time + h, self.time)
        for name in ("y", "rate", "tangent", "tangent_rate", "star", "means"):
            setattr(self, name, np.where(taken, getattr(tried, name), getattr(self, name)))
        self.largest = tried.largest

    def keep(self, which: Array) -> None:
        """Only some of the cases."""
        for field in fields(self):
            setattr(self, field.name, getattr(self, field.name)[..., which])


class _Stage:
    """One implicit stage `y - base = length dy/dt`: its currents and its tangent map."""

    def __init__(self, walk: _Walk, circuits: _Circuits) -> None:
        phi = circuits.phi[walk.case]
        self.shift, self.first_star, self.shape = circuits.shift, walk.star, circuits.shape
        self.sine, self.cosine = np.sin(phi), np.cos(phi)
        self.s, self.w = circuits.s[walk.case], circuits.w[walk.case]

    def solve(self, time: Array, length: Array, base: Array, *, star: Array | None = None) -> Array:
        """The stage's currents; `star` is where the search for the star point begins."""
        self.weight = self.sine / length
        self.emf = self.shape.at(time - self.shift)
        drive = self.emf + self.weight * base
        self.y, self.slope, self.z, self.star = _phases(
            drive,
            self.cosine + self.weight,
            self.s,
            self.w,
            self.first_star if star is None else star,
        )
        return self.y

    def tangent(self, change: Array) -> Array:
        """How the stage's currents follow a change of its base, (phases, ..., cases)."""
        slope = self.slope if change.ndim == 2 else self.slope[:, None]
        followed = slope * self.weight * change
        if change.shape[0] == 3:
            total = self.slope.sum(axis=0)
            followed = followed - slope * (followed.sum(axis=0) / np.where(total > 0, total, 1.0))
        return np.asarray(followed)

    def means(self) -> Array:
        """What is averaged: |y|, y^2, |y z| and e y, each the sum over phases."""
        size = np.abs(self.y)
        return np.stack(
            [v.sum(axis=0) for v in (size, self.y**2, size * np.abs(self.z), self.emf * self.y)]
        )


class _Step(NamedTuple):
    """A step as tried from where a walk stands; every array has the cases last.

    `rate` and `tangent_rate` are slopes at the end, `part` its share of the integrals of the
    means, `taken` whether the error allows it and `grow` how much longer the next may be.
    """

    y: Array
    rate: Array
    tangent: Array
    tangent_rate: Array
    star: Array
    means: Array
    part: Array
    largest: Array
    taken: NDArray[np.bool_]
    grow: Array


def _start(y: Array, unit: Array, circuits: _Circuits) -> _Walk:
    """Cases after one short implicit step: a blocked phase's current alone gives no slope."""
    cases = y.shape[1]
    first, zero = np.full(cases, FIRST_STEP), np.zeros(cases)
    walk = _Walk(np.arange(cases, dtype=np.intp), first, first, y, y, unit, unit, zero, zero, zero)
    stage = _Stage(walk, circuits)
    end = stage.solve(first, first, y)
    tangent = stage.tangent(unit)
    return _Walk(
        case=walk.case,
        time=first,
        step=np.full(cases, np.pi / y.shape[0] / 60),
        y=end,
        rate=(end - y) / first,
        tangent=tangent,
        tangent_rate=(tangent - unit) / first,
        star=stage.star,
        means=stage.means(),
        largest=np.abs(end).max(axis=0),
    )


def _step(walk: _Walk, circuits: _Circuits, h: Array, tolerance: float) -> _Step:
    """One step of TR-BDF2 and its error, of currents and of their means."""
    length = IMPLICIT * h
    stage = _Stage(walk, circuits)
    base = walk.y + length * walk.rate
    base_tangent = walk.tangent + length * walk.tangent_rate
    rate = (stage.solve(walk.time + MIDDLE * h, length, base) - base) / length
    tangent_rate = (stage.tangent(base_tangent) - base_tangent) / length
    means, middle_star = stage.means(), stage.star
    base = walk.y + OUTER * h * (walk.rate + rate)
    base_tangent = walk.tangent + OUTER * h * (walk.tangent_rate + tangent_rate)
    new = stage.solve(walk.time + h, length, base, star=middle_star)
    new_rate, new_tangent = (new - base) / length, stage.tangent(base_tangent)
    new_means = stage.means()
    largest = np.maximum(walk.largest, np.abs(new).max(axis=0))
    raw = ESTIMATE[0] * walk.rate + ESTIMATE[1] * rate + ESTIMATE[2] * new_rate
    part = h * (SIMPSON[0] * walk.means + SIMPSON[1] * means + SIMPSON[2] * new_means)
    rough = MIDDLE * (walk.means[0] + means[0]) + (1 - MIDDLE) * (means[0] + new_means[0])
    allowed = tolerance * np.maximum(circuits.scale[walk.case], largest / 2)
    error = np.abs(stage.tangent(h * raw)).max(axis=0) / allowed
    error = np.maximum(error, np.abs(part[0] - h / 2 * rough) / (10 * allowed))
    return _Step(
        y=new,
        rate=new_rate,
        tangent=new_tangent,
        tangent_rate=(new_tangent - base_tangent) / length,
        star=stage.star,
        means=new_means,
        part=part,
        largest=largest,
        taken=(error <= 1) | (h < 2 * LEAST_STEP),
        grow=np.clip(0.9 * np.maximum(error, 1e-9) ** (-1 / 3), 0.15, 4.0),
    )


@lru_cache(maxsize=64)
def _stops(shape: Shape, phases: int) -> Array:
    """Where a step has to end, rising to the interval's end: at every crest of the voltage that
    drives a current. A valve that blocks leaves no error, so that a step might pass a short pulse.
    """
    span = np.pi / phases
    angle = np.linspace(0.0, span, CREST_POINTS)
    emf = shape.at(angle - 2 * np.pi / 3 * np.arange(phases)[:, None])
    drive = np.abs(emf[0]) if phases == 1 else emf.max(axis=0) - emf.min(axis=0)
    crests = (drive[1:-1] > drive[:-2]) & (drive[1:-1] >= drive[2:])
    return np.append(angle[1:-1][crests], span)


def _flow(
    y: Array, phi: Array, s: Array, w: Array, scale: Array, shape: Shape, tolerance: float
) -> tuple[Array, Array, Array]:
    """From y over one symmetry interval: the end mapped back by symmetry, its derivative, means.

    `scale` is the size of the currents that `tolerance` is a share of.
    """
    phases, cases = y.shape
    span = np.pi / phases
    shift = np.asarray(2 * np.pi / 3 * np.arange(phases, dtype=float)[:, None])
    circuits = _Circuits(phi, s, w, scale, shift, shape)
    unit = np.repeat(_BASIS[phases][:, :, None], cases, axis=2)
    walk, stops = _start(y, unit, circuits), _stops(shape, phases)
    end, end_tangent, sums = np.empty_like(y), np.empty_like(unit), walk.means * FIRST_STEP
    while walk.case.size:
        stop = stops[np.searchsorted(stops[:-1], walk.time + LEAST_STEP / 2, side="right")]
        lands = walk.time + walk.step * (1 + 1e-7) >= stop
        h, final = np.where(lands, stop - walk.time, walk.step), lands & (stop == span)
        tried = _step(walk, circuits, h, tolerance)
        sums[:, walk.case] += np.where(tried.taken, tried.part, 0.0)
        walk.go_on(tried, h, span)
        done = tried.taken & final
        if np.any(done):
            end[:, walk.case[done]] = walk.y[:, done]
            end_tangent[:, :, walk.case[done]] = walk.tangent[:, :, done]
            walk.keep(~done)
    return -np.roll(end, 1, axis=0), -np.roll(end_tangent, 1, axis=0), sums / span


def periodic_states(
    phi: Array,
    s: Array,
    w: Array,
    *,
    phases: int = 3,
    shape: Shape = SINE,
    tolerance: float = 4e-6,
    start: Array | None = None,
) -> Solution:
    """Periodic steady state of `phases` = 3 (star) or 1 (full bridge; give twice the drop as s).

    phi in [0, pi/2], s >= 1e-4, w > -50: equal one-dimensional arrays; `shape` is that of all EMFs.
    `tolerance` is the error of one step over the current's size; bus current, rms and power then
    come out right to 1e-4, worst 7e-4 (against tolerances four times smaller). `start`: currents to
    begin with, from a case near by. Shooting with the exact derivative of the discrete flow over
    the symmetry interval (60 or 180 degrees); where a Newton step does not help, averaged
    fixed-point steps, which converge because two flows of a passive circuit never part.
    """
    basis = _BASIS[phases]
    unknowns = basis.shape[1]
    shift = 2 * np.pi / 3 * np.arange(phases)[:, None]
    if start is None:  # any does; the sinusoid of the short circuit is near for strong currents
        start = np.sin(-shift - phi) * np.exp(-np.maximum(w * s - 0.5, 0.0))
    trial = start.copy()
    scale = np.sqrt((trial**2).mean(axis=0)) + 1e-300
    best, change, plain = trial.copy(), np.zeros_like(trial), np.zeros_like(trial)
    error, residual = np.full(phi.size, np.inf), np.full(phi.size, np.inf)
    damping = np.ones(phi.size)
    mean = np.zeros((4, phi.size))
    todo = np.arange(phi.size)
    for _ in range(SHOTS):
        end, tangent, means = _flow(
            trial[:, todo], phi[todo], s[todo], w[todo], scale[todo], shape, tolerance
        )
        defect = end - trial[:, todo]
        size = np.sqrt((defect**2).sum(axis=0))
        forced = damping[todo] == 0.0
        good = (size < 0.9 * error[todo]) | forced
        at = todo[good]
        best[:, at], error[at], plain[:, at] = trial[:, at], size[good], defect[:, good]
        mean[:, at] = means[:, good]
        scale[at] = np.sqrt(means[1, good] / phases) + 1e-300
        residual[at] = size[good] / scale[at]
        jacobian = tangent[:unknowns][:, :, good] - np.eye(unknowns)[:, :, None]
        newton = np.linalg.solve(
            jacobian.transpose(2, 0, 1), -defect[:unknowns, good].T[:, :, None]
        )[:, :, 0]
        change[:, at] = basis @ newton.T
        damping[at] = 1.0
        bad = todo[~good]
        damping[bad] = np.where(damping[bad] > 0.1, damping[bad] / 3, 0.0)
        step = np.where(damping > 0, damping * change, 0.5 * plain)
        todo = todo[residual[todo] > PERIODIC]
        if todo.size == 0:
            break
        trial[:, todo] = best[:, todo] + step[:, todo]
    bus = mean[0] / 2 if phases == 3 else mean[0]
    drop = mean[2] / np.maximum(mean[0], 1e-300)
    return Solution(bus, np.sqrt(mean[1] / phases), drop, mean[3], residual, best)
