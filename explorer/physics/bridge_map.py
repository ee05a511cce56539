"""Solves the diode bridge on a stiff bus for many cases at once, and writes its tables.

Run as `python -m explorer.physics.bridge_map` to regenerate the data file beside this module.

In units of Em for voltage and Em/Z for current, Z = sqrt((R + Rs)^2 + (w L)^2), a phase obeys

    sin(phi) dy/dt + cos(phi) y + s z = sin(t - 2 pi k/3) + star point,   z = asinh(y e^w / 2)

with tan(phi) = w_e L/(R + Rs), s = nVt/Em and w = V/(2 nVt) + ln(Em/(Z Is)): the terminal law
of two equal Shockley diodes a leg (derived from `I = Is (exp(v/nVt) - 1)` for both).
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.special import wrightomega

from explorer.physics import bridge
from explorer.units import Array

GAMMA = 1.0 - np.sqrt(0.5)  # SDIRK2: second order, L-stable (Alexander 1977)


class Solution(NamedTuple):
    """Periodic steady state in units of Em and Em/Z, one entry a case.

    `bus`: mean of the positive currents of all phases; `rms`: of one phase; `drop`: mean z,
    weighted with |y|; `power`: electromagnetic, sum of all phases; `residual`: periodicity.
    """

    bus: Array
    rms: Array
    drop: Array
    power: Array
    residual: Array


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


def _stage(
    drive: Array, kappa: Array, s: Array, w: Array, star: Array
) -> tuple[Array, Array, Array, Array]:
    """All phases of one implicit stage: the star point floats so that their currents sum to 0."""
    y, slope, z = _branch(drive + star, kappa, s, w)
    if drive.shape[0] == 1:
        return y, slope, z, star
    low, high = -drive.max(axis=0), -drive.min(axis=0)
    star = star.copy()
    todo = np.arange(star.size)
    for _ in range(80):
        excess, rise = y[:, todo].sum(axis=0), slope[:, todo].sum(axis=0)
        scale = np.abs(y[:, todo]).max(axis=0)
        # A sum of 0 is a solution; so is a bracket of nothing (dead band of an ideal bridge).
        open_ = (np.abs(excess) > 1e-11 * scale) & (high[todo] - low[todo] > 1e-15)
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


def _flow(y: Array, phi: Array, s: Array, w: Array, steps: int) -> tuple[Array, Array, Array]:
    """From y over one symmetry interval: the end mapped back by symmetry, its derivative, sums."""
    phases = y.shape[0]
    step = np.pi / phases / steps
    weight = np.sin(phi) / (GAMMA * step)
    kappa = np.cos(phi) + weight
    shift = 2 * np.pi / 3 * np.arange(phases)[:, None]
    tangent = np.repeat(_BASIS[phases][:, :, None], phi.size, axis=2)
    star = np.zeros(phi.size)
    sums = np.zeros((4, phi.size))
    for number in range(steps):
        begin, begin_tangent = y, tangent
        base, base_tangent = y, tangent
        for time in (number + GAMMA, number + 1.0):
            emf = np.sin(step * time - shift)
            y, slope, z, star = _stage(emf + weight * base, kappa, s, w, star)
            tangent = slope[:, None] * weight * base_tangent
            if phases == 3:
                total = slope.sum(axis=0)
                tangent = tangent - slope[:, None] * (
                    tangent.sum(axis=0) / np.where(total > 0, total, 1.0)
                )
            base = begin + (1 - GAMMA) / GAMMA * (y - begin)
            base_tangent = begin_tangent + (1 - GAMMA) / GAMMA * (tangent - begin_tangent)
        size = np.abs(y)
        sums += [value.sum(axis=0) for value in (size, y * y, size * np.abs(z), emf * y)]
    return -np.roll(y, 1, axis=0), -np.roll(tangent, 1, axis=0), sums / steps


_BASIS = {1: np.array([[1.0]]), 3: np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]])}
"""Independent currents of one winding, and of three that meet in an isolated star point."""


def solve(phi: Array, s: Array, w: Array, *, phases: int = 3, steps: int = 60) -> Solution:
    """Periodic steady state of `phases` = 3 (star) or 1 (full bridge; give twice the drop as s).

    phi in [0, pi/2], s > 0, w > -50: equal one-dimensional shapes. `steps` over the symmetry
    interval (60 or 180 degrees). Shooting with the exact derivative of the discrete flow; where
    a Newton step does not help, averaged fixed-point steps, which converge because two flows of
    a passive circuit never part.
    """
    basis = _BASIS[phases]
    unknowns = basis.shape[1]
    shift = 2 * np.pi / 3 * np.arange(phases)[:, None]
    # Any start does; the sinusoid of the short circuit is near for strong currents.
    trial = np.sin(-shift - phi) * np.exp(-np.maximum(w * s - 0.5, 0.0))
    best, change, plain = trial.copy(), np.zeros_like(trial), np.zeros_like(trial)
    error = np.full(phi.size, np.inf)
    damping = np.ones(phi.size)
    mean = np.zeros((4, phi.size))
    residual = np.full(phi.size, np.inf)
    todo = np.arange(phi.size)
    for _ in range(150):
        end, tangent, sums = _flow(trial[:, todo], phi[todo], s[todo], w[todo], steps)
        defect = end - trial[:, todo]
        size = np.sqrt((defect**2).sum(axis=0))
        forced = damping[todo] == 0.0
        good = (size < 0.9 * error[todo]) | forced
        at = todo[good]
        best[:, at], error[at], plain[:, at] = trial[:, at], size[good], defect[:, good]
        mean[:, at] = sums[:, good]
        residual[at] = size[good] / (np.sqrt(sums[1, good]) + 1e-290)
        jacobian = tangent[:unknowns][:, :, good] - np.eye(unknowns)[:, :, None]
        newton = np.linalg.solve(
            jacobian.transpose(2, 0, 1), -defect[:unknowns, good].T[:, :, None]
        )[:, :, 0]
        change[:, at] = basis @ newton.T
        damping[at] = 1.0
        bad = todo[~good]
        damping[bad] = np.where(damping[bad] > 0.1, damping[bad] / 3, 0.0)
        step = np.where(damping > 0, damping * change, 0.5 * plain)
        todo = todo[residual[todo] > 1e-6]
        if todo.size == 0:
            break
        trial[:, todo] = best[:, todo] + step[:, todo]
    bus = mean[0] / 2 if phases == 3 else mean[0]
    drop = mean[2] / np.maximum(mean[0], 1e-300)
    return Solution(bus, np.sqrt(mean[1] / phases), drop, mean[3], residual)


def nodes(counts: tuple[int, int, int], kind: bridge.Kind) -> tuple[Array, Array, Array]:
    """Knee distance, phase angle and s of every node of a table, each of shape `counts`."""
    along, turn, spread = np.meshgrid(*(np.linspace(0, 1, n) for n in counts), indexing="ij")
    phi = np.pi / 2 * turn**2
    # The ends stand for s = 0 and s = infinity.
    s = np.clip(bridge.SPREAD * spread**2 / np.maximum(1 - spread**2, 1e-12), 1e-6, 1e5)
    _, deepest = bridge.knee_distance(s, np.zeros_like(s), kind)
    tail = bridge.POWER * s / (kind.knee + bridge.SOFT * s) * np.exp(-6)
    return np.maximum(along**2 * deepest, tail), phi, s


def entries(h: Array, phi: Array, s: Array, kind: bridge.Kind, steps: int = 60) -> Array:
    """The three tabulated logarithms at nodes given as flat arrays; see `bridge.Table`."""
    w = bridge.drop_product(s, h, kind) / s
    got = solve(phi, kind.drops * s, w, phases=kind.phases, steps=steps)
    each = got.bus * (2 / 3 if kind.phases == 3 else 1.0)
    form = np.log(got.rms / each)
    # Current at which a leg drops its mean voltage; w + ln(...) for 2 e^-w sinh in logs.
    log_mean = np.log(-np.expm1(-2 * got.drop)) + got.drop - w
    current = np.log(got.bus) - bridge.POWER * np.log(h)
    return np.stack([current, form, log_mean - np.log(each) - 2 * form])


def build(counts: tuple[int, int, int], kind: bridge.Kind, jobs: int = 2) -> Array:
    """A whole table, shape (3, *counts)."""
    from joblib import Parallel, delayed

    flat = [value.ravel() for value in nodes(counts, kind)]
    order = np.argsort(flat[1], kind="stable")  # equal difficulty side by side
    cuts = pairwise([*range(0, order.size, 2000), order.size])
    parts = [order[low:high] for low, high in cuts]
    done = Parallel(n_jobs=jobs)(
        delayed(entries)(*(value[part] for value in flat), kind) for part in parts
    )
    values = np.empty((3, order.size))
    for part, value in zip(parts, done, strict=True):
        values[:, part] = value
    return values.reshape(3, *counts)


COUNTS = {3: (64, 24, 24), 1: (64, 24, 24)}


def main() -> None:
    """Solve both tables and write them, 16 bits a value."""
    packed = {}
    for kind in (bridge.STAR, bridge.WINDING):
        values = build(COUNTS[kind.phases], kind)
        low, high = values.min(axis=(1, 2, 3)), values.max(axis=(1, 2, 3))
        span = (high - low)[:, None, None, None]
        share = (values - low[:, None, None, None]) / span
        name = f"phases_{kind.phases}"
        packed[name] = np.round(share * 65535).astype(np.uint16)
        packed[f"{name}_low"], packed[f"{name}_high"] = low, high
    np.savez_compressed(bridge.TABLES, **packed)


if __name__ == "__main__":
    main()
