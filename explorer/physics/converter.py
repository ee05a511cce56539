"""The buck-boost converter: what it takes from the bus to hold its output, and what it loses."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.units import Array, Real

MOST_EXCHANGES = 100
"""Terms that are added or taken out before a fit is given up; three times their number is usual."""
ROUNDING = 1e-13


class LossFit(NamedTuple):
    """Coefficients of the loss polynomial, all >= 0, and how well they fit: the rms error of the
    loss in W, and the largest error of efficiency at any point."""

    loss_W: float
    loss_per_input_V: float
    loss_per_input_A: float
    loss_per_input_A2: float
    loss_per_output_A: float
    loss_per_output_A2: float
    fit_error_W: float
    fit_error_efficiency: float


def fit_loss(input_V: Real, output_A: Real, efficiency: Real, output_V: float) -> LossFit:
    """Fit `P0 + a V_in + b I_in + c I_in^2 + d I_out + e I_out^2` to bench points.

    Points are 1-D arrays of equal length. Non-negative least squares keeps every term a loss, so
    that no point between or beside the measured ones can have an efficiency above 1. Every loss
    counts as a share of the input power, which is what a bench measures alike at any load: watts
    alone would leave a tenth of an ampere to chance. Terms in `V_in I_out` or `V_in^2` (switching)
    foretell a point that was left out no better. Raises ValueError with fewer than six points or an
    efficiency outside (0, 1).

    >>> fit = fit_loss([5, 5, 5, 9, 9, 9], [0.1, 1, 2, 0.1, 1, 2], [0.8, 0.9, 0.9] * 2, 5.0)
    >>> fit.fit_error_W < 0.1 and fit.fit_error_efficiency < 0.02
    True
    """
    volts, amps, eta = (np.asarray(a, dtype=float) for a in (input_V, output_A, efficiency))
    if volts.size < 6:
        raise ValueError(f"a loss fit needs at least 6 bench points, got {volts.size}")
    if not np.all((eta > 0) & (eta < 1)):
        raise ValueError("efficiency must lie between 0 and 1")
    output_W = output_V * amps
    input_W = output_W / eta
    input_A = input_W / volts
    terms = np.stack([np.ones_like(volts), volts, input_A, input_A**2, amps, amps**2], axis=1)
    loss = input_W - output_W
    coefficients = non_negative_least_squares(terms / input_W[:, None], loss / input_W)
    error = float(np.sqrt(np.mean((terms @ coefficients - loss) ** 2)))
    names = LossFit._fields[:6]
    laws = dict(zip(names, coefficients.tolist(), strict=True))
    taken = intake(volts, output_W, amps, on_resistance_ohm=0.0, **laws)
    found = output_W / (volts * taken.current_A)
    # A law that cannot sustain a measured point is wrong by all of it.
    off = np.where(taken.sustained, np.abs(found - eta), eta)
    return LossFit(**laws, fit_error_W=error, fit_error_efficiency=float(off.max()))


def non_negative_least_squares(terms: Array, values: Array) -> Array:
    """The x >= 0, (k,), that brings `terms @ x`, (n, k) @ (k,), nearest to `values` (n,).

    The active set method of Lawson & Hanson, Solving Least Squares Problems (1974), chapter 23. It
    is here since SciPy's brings a library of solvers with it, which reading tables needs for
    nothing else. ValueError where it does not end.

    >>> non_negative_least_squares(np.eye(2), np.array([2.0, -1.0])).tolist()
    [2.0, 0.0]
    """
    found = np.zeros(terms.shape[1])
    free = np.zeros(terms.shape[1], dtype=bool)
    scale = np.linalg.norm(terms, axis=0) * np.linalg.norm(values)
    for _ in range(MOST_EXCHANGES):
        slope = terms.T @ (values - terms @ found)
        wanted = ~free & (slope > ROUNDING * scale)
        if not wanted.any():
            return found
        free[np.argmax(np.where(wanted, slope, -np.inf))] = True
        while True:
            trial = np.zeros_like(found)
            trial[free] = np.linalg.lstsq(terms[:, free], values, rcond=None)[0]
            below = free & (trial <= 0)
            if not below.any():
                break
            # As far towards the trial as all stay non-negative; what gets to 0 is held there.
            step = float(np.min(found[below] / (found[below] - trial[below])))
            found = found + step * (trial - found)
            free &= found > ROUNDING * np.abs(found).max(initial=0.0)
            found = np.where(free, found, 0.0)
        found = trial
    raise ValueError("its non-negative least squares do not converge")


class Intake(NamedTuple):
    """What the converter and the switch before it take at a bus voltage.

    `slope_S` is how the current changes with that voltage, 0 where it is not sustained.
    """

    current_A: Array
    converter_loss_W: Array
    window_loss_W: Array
    sustained: NDArray[np.bool_]
    slope_S: Array


def intake(
    bus_V: Real,
    output_W: Real,
    output_A: Real,
    *,
    on_resistance_ohm: Real,
    loss_W: Real,
    loss_per_input_V: Real,
    loss_per_input_A: Real,
    loss_per_input_A2: Real,
    loss_per_output_A: Real,
    loss_per_output_A2: Real,
) -> Intake:
    """Input current that carries `output_W` through a series resistance and the loss polynomial.

    The power balance of the converter behind the resistance R, `(V - R I) I = output + loss`, is
    quadratic in I; the smaller root is the one reached from light load. Where it has none, the bus
    cannot sustain the load: `sustained` is False and the current is that of the power maximum.
    All arguments broadcast; W, A, V, ohm.

    >>> lossless = dict.fromkeys(["loss_W", "loss_per_input_V", "loss_per_input_A",
    ...     "loss_per_input_A2", "loss_per_output_A", "loss_per_output_A2"], 0.0)
    >>> float(intake(10.0, 5.0, 1.0, on_resistance_ohm=0.0, **lossless).current_A)
    0.5
    """
    volts = np.asarray(bus_V, dtype=float)
    amps = np.asarray(output_A, dtype=float)
    ohm = np.asarray(on_resistance_ohm, dtype=float)
    fixed = loss_W + (loss_per_output_A + loss_per_output_A2 * amps) * amps
    square = loss_per_input_A2 + ohm
    linear = loss_per_input_A - loss_per_input_V * ohm - volts
    constant = np.asarray(output_W + fixed + loss_per_input_V * volts, dtype=float)
    discriminant = linear**2 - 4 * square * constant
    sustained = (discriminant >= 0) & (linear < 0)
    root = np.sqrt(np.maximum(discriminant, 0.0))
    # 2c/(-b + sqrt(D)) is the smaller root without cancellation, and holds for square = 0 too.
    least = 2 * constant / np.where(sustained, -linear + root, 1.0)
    most = np.maximum(-linear, 0.0) / np.maximum(2 * square, 1e-9)
    current = np.where(sustained, least, most)
    window = ohm * current**2
    converter = (
        fixed
        + loss_per_input_V * (volts - ohm * current)
        + (loss_per_input_A + loss_per_input_A2 * current) * current
    )
    # The balance `square I^2 + linear I + constant = 0` differentiated.
    falls = (current - loss_per_input_V) / np.maximum(root, 1e-9)
    return Intake(current, converter, window, sustained, np.where(sustained, -falls, 0.0))


def least_bus(
    output_W: Real,
    output_A: Real,
    *,
    on_resistance_ohm: Real,
    loss_W: Real,
    loss_per_input_V: Real,
    loss_per_input_A: Real,
    loss_per_input_A2: Real,
    loss_per_output_A: Real,
    loss_per_output_A2: Real,
) -> Array:
    """Lowest bus voltage that sustains an output, V: where the two roots of `intake` meet.

    Its discriminant `(V - B)^2 - 4 s (K + a V)` with `B = b - a R`, `s = c + R` and K the power
    that does not depend on the input is a parabola in V. Arguments as for `intake`; broadcasts.

    >>> lossless = dict.fromkeys(["loss_W", "loss_per_input_V", "loss_per_input_A",
    ...     "loss_per_input_A2", "loss_per_output_A", "loss_per_output_A2"], 0.0)
    >>> float(least_bus(10.0, 2.0, on_resistance_ohm=0.1, **lossless))
    2.0
    """
    amps = np.asarray(output_A, dtype=float)
    power = output_W + loss_W + (loss_per_output_A + loss_per_output_A2 * amps) * amps
    square = np.asarray(loss_per_input_A2 + on_resistance_ohm)
    base = np.asarray(loss_per_input_A - loss_per_input_V * on_resistance_ohm)
    half = 2 * square * loss_per_input_V
    under = half**2 + 4 * square * (power + loss_per_input_V * base)
    return np.asarray(base + half + np.sqrt(np.maximum(under, 0.0)))
