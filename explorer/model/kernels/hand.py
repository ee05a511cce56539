"""The person at the crank, one number at a time: limits, effort, the torque of a turn."""

from __future__ import annotations

from math import cos, exp, pi, sin

from explorer.model.kernels.compiled import law, scalar
from explorer.model.kernels.records import Fields
from explorer.physics import operator

equivalent_power = scalar(operator.equivalent_power)
equivalent_limit = scalar(operator.equivalent_limit)
external_excess = scalar(operator.external_excess)

KEEPS_UP, RUNS_AHEAD = 1.5, 2.0
"""Speeds over the cadence from which on a hand falls behind its handle, and gives it nothing."""
TABLED_RADIUS_M = 0.17
"""Crank radius that a person's inertia is given for; it grows with the radius squared."""


@law
def set_limits(setup: Fields, person: Fields, radius_m: float) -> None:
    """Fill in the limits of one row of `PERSON` on a crank.

    Comfort is a share of the endurance power `CP + W'/t` (Monod & Scherrer 1965) at the test's
    hand speed, at which arms and force have their price on both sides.
    """
    held_W = person.critical_power_W + person.reserve_J / person.pace_s
    kappa, p = person.kappa_m_s, person.p_W_s2_m2
    setup.comfort_W = equivalent_limit(person.power_share * held_W, kappa, p)
    setup.tired_W = equivalent_limit(person.critical_power_W, kappa, p)
    setup.torque_N_m, setup.radius_m = person.comfort_force_N * radius_m, radius_m
    setup.kappa_m_s, setup.p_W_s2_m2 = kappa, p


@law
def effort(setup: Fields, torque_N_m: float, rad_s: float) -> float:
    """Share of what is comfortable, of power or of force, at a mean torque and speed."""
    asked_W = equivalent_power(
        torque_N_m / setup.radius_m, rad_s * setup.radius_m, setup.kappa_m_s, setup.p_W_s2_m2
    )
    return max(asked_W / setup.comfort_W, torque_N_m / setup.torque_N_m)


@law
def excess(setup: Fields, most_W: float, torque_N_m: float, rad_s: float) -> float:
    """By how much a mean torque at a speed is too hard: above 0 the hand slows."""
    asked_W = equivalent_power(
        torque_N_m / setup.radius_m, rad_s * setup.radius_m, setup.kappa_m_s, setup.p_W_s2_m2
    )
    return max(asked_W / most_W, torque_N_m / setup.torque_N_m) - 1


@law
def most_torque(setup: Fields, most_W: float, rad_s: float) -> float:
    """Mean torque at which the limit of power or of force is reached at a mean speed, N m.

    Mean over the turn's angle, so that its work in a turn is that torque times the angle.
    """
    hand_m_s = rad_s * setup.radius_m
    left_W = max(most_W - setup.p_W_s2_m2 * hand_m_s * hand_m_s, 0.0)
    cost = hand_m_s + setup.kappa_m_s
    if left_W * setup.radius_m >= setup.torque_N_m * cost:
        return setup.torque_N_m
    return left_W * setup.radius_m / cost


@law
def reserve_left(reserve_J: float, full_J: float, excess_W: float, seconds: float) -> float:
    """Work left above critical power: `physics.operator.reserve_after` of one spell."""
    if excess_W >= 0:
        return reserve_J - excess_W * seconds
    if full_J <= 0:
        return reserve_J
    return full_J - (full_J - reserve_J) * exp(excess_W * seconds / full_J)


@law
def pattern(person: Fields, angle: float, swing: float) -> float:
    """Torque of the hand at a crank angle over its mean: once and twice a turn.

    `swing` is how much of the pattern there is: a hand that turns slower than its cadence pushes
    more evenly, and evenly from rest (assumed: patterns were measured at a cadence).
    """
    return 1 + swing * (person.unevenness_turn * sin(angle) + person.unevenness * sin(2 * angle))


@law
def follows(person: Fields, cadence_rad_s: float, rad_s: float) -> float:
    """Share of its torque that a hand still gives to a handle that runs ahead of its cadence.

    All of it up to half as fast again, none at twice the cadence (assumed), nor beyond the speed at
    which the sprint line ends.
    """
    ahead = (RUNS_AHEAD * cadence_rad_s - rad_s) / ((RUNS_AHEAD - KEEPS_UP) * cadence_rad_s)
    line = 1 - rad_s / person.sprint_speed_rad_s
    return max(min(ahead, 1.0, 4 * line), 0.0)


@law
def crest(person: Fields) -> tuple[float, float]:
    """The largest value of the pattern, and the crank angle that it is at."""
    best, at = -1.0, 0.0
    for k in range(256):
        value = pattern(person, 2 * pi * k / 256, 1.0)
        if value > best:
            best, at = value, 2 * pi * k / 256
    return best, at


@law
def stroke(setup: Fields, angle: float) -> float:
    """Current of a held speed through the turn over its mean, from its crest."""
    return 1 + setup.swing * cos(angle) if setup.swing > 0 else 1.0
