"""A phase's current through its resistance and valves, for the voltage that drives it.

With kappa the resistance, that of an inductance within a step included.
"""

from __future__ import annotations

from math import exp, log, log1p
from typing import NamedTuple

from explorer.model.kernels.compiled import law


@law
def wright_omega(x: float) -> float:
    """The solution of `y + ln y = x`: Lambert's W of e^x (Corless & Jeffrey 2002), by Newton."""
    if x < -30.0:
        return exp(x)
    y = x - log(x) if x > 2.0 else log1p(exp(x)) * 0.9 + 1e-300
    for _ in range(6):
        miss = y + log(y) - x
        step = miss * y / (1 + y)
        y = max(y - step, 0.1 * y)
        if abs(miss) < 1e-13 * max(1.0, abs(x)):
            break
    return y


class Branch(NamedTuple):
    """A phase's current, and how it changes with what drives it and with the bus voltage."""

    amps: float
    by_drive: float
    by_bus: float


@law
def through_legs(
    drive_V: float, kappa: float, bus_V: float, saturation_A: float, emission_V: float, legs: float
) -> Branch:
    """`kappa i + legs nVt asinh(i e^(V/2nVt)/(2 Is)) = drive`, one phase through its legs."""
    size, sign = abs(drive_V), 1.0 if drive_V >= 0 else -1.0
    if saturation_A <= 0:
        over = size - 0.5 * legs * bus_V
        if over <= 0:
            return Branch(0.0, 1e-12, 0.0)
        return Branch(sign * over / kappa, 1 / kappa, -sign * 0.5 * legs / kappa)
    nvt = legs * emission_V
    c = log(2 * saturation_A) - bus_V / (2 * emission_V)
    total = size / nvt
    log_k = log(kappa / nvt) + c
    k = exp(max(log_k, -700.0))
    z = total - wright_omega(total + log_k - 0.6931471805599453)
    if z < 1.5:
        z = min(total / (1 + k), 2.0)
    for _ in range(8):
        if z > 30:
            step = (z + 0.5 * exp(log_k + z) - total) / (1 + 0.5 * exp(log_k + z))
        else:
            rise = exp(z)
            step = (z + k * 0.5 * (rise - 1 / rise) - total) / (1 + k * 0.5 * (rise + 1 / rise))
        z = max(z - step, 0.0)
        if abs(step) < 1e-11 * (1 + z):
            break
    fall = exp(-2 * z)
    half = 0.5 * exp(c + z)
    amps, root = half * (1 - fall), half * (1 + fall)
    by_drive = root / (kappa * root + nvt)
    return Branch(sign * amps, by_drive, -sign * 0.5 * legs * amps / (kappa * root + nvt))


@law
def blocking(drive_V: float, kappa: float, saturation_A: float, emission_V: float) -> Branch:
    """`kappa i + nVt ln(1 + i/Is) = drive`, one diode that lets nothing back."""
    if drive_V <= 0:
        return Branch(0.0, 0.0, 0.0)
    if saturation_A <= 0:
        return Branch(drive_V / kappa, 1 / kappa, -1 / kappa)
    leak = kappa * saturation_A
    omega = wright_omega((drive_V + leak) / emission_V + log(leak / emission_V))
    amps = max((emission_V * omega - leak) / kappa, 0.0)
    slope = 1 / (kappa + emission_V / (amps + saturation_A))
    return Branch(amps, slope, -slope)
