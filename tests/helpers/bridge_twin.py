"""The slow twin: the bridge's circuit in volts, amperes and seconds, integrated by SciPy.

Shares nothing with the package: no dimensionless numbers, no tables, no implicit stages of its
own. Each leg's terminal voltage is the closed form of two Shockley diodes, or +-V/2 for ideal
valves; LSODA integrates half a period, and a secant Newton on the initial currents finds the
periodic state (half-wave symmetry i(t + T/2) = -i(t)). Without inductance the currents of every
instant come from bisection. The bus may have a resistance of its own: what the phases give to it
at an instant then lifts it at that instant.
"""

from math import asinh, exp, hypot, log, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
from scipy.integrate import odeint, trapezoid

BLUR = 1e-6
"""An ideal valve switches over this share of the short-circuit current, not at once: a current of
1e-3 of it is pulses ten times as high, of which 1e-6 is a part in 1e4."""

SAMPLES = 1080
"""A half period; the mean of |i| over a corner is then right to 1e-5."""


class Truth(NamedTuple):
    """A, A, W, and W of heat in the junctions alone, computed from v and i, not as a remainder.

    `bus_rms_A` is the rms of what all phases give to the bus, `crest_A` the most in one phase.
    """

    bus_current_A: float
    phase_rms_A: float
    electromagnetic_power_W: float
    junction_W: float
    short_circuit_A: float
    bus_rms_A: float
    crest_A: float


def _terminal(saturation_A, emission_V, blur_A):
    """Leg voltage against the middle of the bus, of the current into the leg and the bus."""
    if saturation_A == 0 or emission_V == 0:
        return lambda i, bus_V: bus_V / 2 * i / sqrt(i * i + blur_A * blur_A)
    offset = log(2 * saturation_A)

    def diodes(i, bus_V):
        size = sqrt(i * i + blur_A * blur_A)
        log_x = log(size) + bus_V / (2 * emission_V) - offset
        v = log_x + log(2) if log_x > 20 else asinh(exp(log_x))
        return emission_V * v * i / size

    return diodes


def _algebraic(emf, resistance, leg, legs, peak):
    """No inductance: currents at each instant, by bisection inside bisection."""

    def currents(star):
        low, high = np.full(emf.shape, -2 * peak), np.full(emf.shape, 2 * peak)
        for _ in range(36):
            middle = (low + high) / 2
            over = resistance * middle + legs * leg(middle) > emf - star
            low, high = np.where(over, low, middle), np.where(over, middle, high)
        return (low + high) / 2

    if emf.shape[0] == 1:
        return currents(np.zeros(emf.shape[1]))
    low, high = emf.min(axis=0), emf.max(axis=0)
    for _ in range(36):
        middle = (low + high) / 2
        over = currents(middle).sum(axis=0) < 0
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return currents((low + high) / 2)


def wave(angle, harmonics):
    """The EMF over its fundamental's amplitude: a sine and signed shares of its 3rd, 5th, 7th."""
    return np.sin(angle) + sum(
        share * np.sin(order * angle) for order, share in zip((3, 5, 7), harmonics, strict=True)
    )


def _scalar(harmonics):
    """`wave` of one angle, many times faster."""
    terms = [(n, share) for n, share in zip((3, 5, 7), harmonics, strict=True) if share]
    return lambda angle: sin(angle) + sum(share * sin(n * angle) for n, share in terms)


def _flow_star(emf_peak, omega, series, inductance, leg, harmonics, bus):
    of, third = _scalar(harmonics), 2 * pi / 3

    def rate(x, t):
        a, b = x
        volts = bus((abs(a) + abs(b) + abs(a + b)) / 2)
        v_a, v_b, v_c = leg(a, volts), leg(b, volts), leg(-a - b, volts)
        e_a, e_b, e_c = (emf_peak * of(omega * t - k * third) for k in range(3))
        star = (v_a + v_b + v_c - e_a - e_b - e_c) / 3  # currents of a star sum to 0
        return (
            (e_a - series * a - v_a + star) / inductance,
            (e_b - series * b - v_b + star) / inductance,
        )

    return rate


def _flow_windings(emf_peak, omega, series, inductance, leg, harmonics, bus, count):
    """One winding, or two a quarter period apart."""
    of = _scalar(harmonics)

    def rate(x, t):
        volts = bus(sum(abs(i) for i in x))
        return [
            (emf_peak * of(omega * t - k * pi / 2) - series * x[k] - 2 * leg(x[k], volts))
            / inductance
            for k in range(count)
        ]

    return rate


def _periodic(rate, count, times, peak, rtol):
    """Currents of one half period, shape (count, len(times)). RuntimeError where LSODA gives up."""

    def run(x):
        path, told = odeint(
            rate, x, times, rtol=rtol, atol=1e-9 * peak, mxstep=2000, hmax=times[-1] / 40,
            full_output=True,
        )  # fmt: skip
        if told["message"] != "Integration successful.":
            raise RuntimeError(told["message"])
        return path.T

    x = np.zeros(count)
    size, best, plain = np.inf, None, True
    for _ in range(80):
        path = run(x)
        error = -path[:, -1] - x
        new = np.abs(error).max() / max(np.abs(path).max(), 1e-12 * peak)
        if new < size or plain:
            size, best, best_x, best_error = new, path, x, error
        if size < 3e-6:
            break
        plain = new > size
        if not plain:
            nudge = 1e-4 * peak * np.eye(count)
            jacobian = np.array([(-run(x + d)[:, -1] - x - d - error) for d in nudge]).T
            step = np.linalg.solve(jacobian / (1e-4 * peak), -error)
            x = x + step
        else:  # Newton did not help: half the plain step, which converges for a passive circuit
            x = best_x + 0.5 * best_error
    return best


def solve(
    emf_peak_V,
    electrical_rad_s,
    resistance_ohm,
    inductance_H,
    bus_V,
    diode_saturation_A,
    diode_emission_V,
    diode_resistance_ohm,
    *,
    phases=3,
    harmonics=(0.0, 0.0, 0.0),
    bus_ohm=0.0,
    rtol=1e-8,
):
    """Truth for one case. `phases` = 3: star on six diodes; 1: one winding on four diodes; 2: two
    such windings, a quarter period apart. `harmonics` are the signed third, fifth and seventh of
    the EMF over its fundamental, whose amplitude `emf_peak_V` is. `bus_V` stands behind `bus_ohm`;
    the mean at the bridge is higher by the drop of the bus current. That needs an inductance.
    """
    legs = 1 if phases == 3 else 2
    series = resistance_ohm + legs * diode_resistance_ohm
    peak = emf_peak_V / hypot(series, electrical_rad_s * inductance_H)
    leg = _terminal(diode_saturation_A, diode_emission_V, BLUR * peak)
    angle = np.linspace(0, pi, SAMPLES + 1)
    apart = {3: 2 * pi / 3, 2: pi / 2, 1: 0.0}[phases]
    emf = emf_peak_V * wave(angle - apart * np.arange(phases)[:, None], harmonics)
    if electrical_rad_s * inductance_H == 0:
        if bus_ohm:
            raise ValueError("a bus with a resistance needs an inductance")
        each = np.vectorize(lambda i: leg(i, bus_V), otypes=[float])
        currents = _algebraic(emf, series, each, legs, peak)
    else:
        circuit = (emf_peak_V, electrical_rad_s, series, inductance_H, leg, harmonics)
        count = 2 if phases == 3 else phases

        def bus(amps):
            return max(bus_V + bus_ohm * amps, 0.0)

        rate = _flow_star(*circuit, bus) if phases == 3 else _flow_windings(*circuit, bus, count)
        currents = _periodic(rate, count, angle / electrical_rad_s, peak, rtol)
        if phases == 3:
            currents = np.vstack([currents, -currents.sum(axis=0)])
    size = np.abs(currents)
    rectified = size.sum(axis=0) / (2 if phases == 3 else 1)
    volts = bus_V + bus_ohm * rectified
    junction = legs * size * (np.abs(np.vectorize(leg)(currents, volts)) - volts / 2)
    sums = (size, currents**2, emf * currents, junction)
    mean = [trapezoid(value.sum(axis=0), angle) / pi for value in sums]
    return Truth(
        mean[0] / 2 if phases == 3 else mean[0],
        sqrt(mean[1] / phases),
        mean[2],
        mean[3],
        peak * {3: 3 / pi, 2: 4 / pi, 1: 2 / pi}[phases],
        sqrt(trapezoid(rectified**2, angle) / pi),
        float(size.max()),
    )


# Saturation A and nVt V: Schottky, hot Schottky, silicon, active.
VALVES = ((3e-5, 0.035), (2e-3, 0.035), (7e-9, 0.046), (0.0, 0.0))
SPEED_RAD_S = 300.0


def random_case(rng, phases=3):
    """Keyword arguments of a bridge: EMF 0.2 to 60 V, q 0 to 50, bus from 0 V to no load."""
    emf = np.exp(rng.uniform(np.log(0.2), np.log(60)))
    ohm, valve_ohm = np.exp(rng.uniform(np.log(0.05), np.log(5))), rng.uniform(0, 0.06)
    saturation, emission = VALVES[rng.integers(len(VALVES))]
    q = rng.choice([0.0, np.exp(rng.uniform(np.log(0.02), np.log(50)))])
    legs = 1 if phases == 3 else 2
    return {
        "emf_peak_V": emf,
        "electrical_rad_s": SPEED_RAD_S,
        "resistance_ohm": ohm,
        "inductance_H": q * (ohm + legs * valve_ohm) / SPEED_RAD_S,
        "bus_V": emf * rng.uniform(0, 1.75 if phases == 3 else 1.0),
        "diode_saturation_A": saturation,
        "diode_emission_V": emission,
        "diode_resistance_ohm": valve_ohm,
    }
