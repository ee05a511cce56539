"""Chains, belts, gears and axles between crank and generator: lengths, pulls and thicknesses."""

from __future__ import annotations

from math import asin, cos, pi, radians, sqrt

PRESSURE_ANGLE = radians(20.0)
"""Of usual involute gears (ISO 53)."""
LEAST_GEAR_TEETH = 17
"""Fewest teeth of a spur gear that are not undercut: `2/sin^2 20 deg` is 17.1 (textbook)."""


def chain_links(centre_pitches: float, small: int, large: int) -> float:
    """Links of an open chain around two sprockets whose axles are so many pitches apart.

    `2 C + (z1 + z2)/2 + ((z2 - z1)/(2 pi))^2/C` (ISO 10823). Not rounded.

    >>> chain_links(40.0, 17, 17)
    97.0
    """
    reach = ((large - small) / (2 * pi)) ** 2
    return 2 * centre_pitches + (small + large) / 2 + reach / centre_pitches


def chain_centre(links: float, small: int, large: int) -> float:
    """Distance of the axles in pitches that so many links ask for: `chain_links` turned round.

    ValueError where the links are too few to go round.
    """
    straight = links - (small + large) / 2
    root = straight**2 - 8 * ((large - small) / (2 * pi)) ** 2
    if straight <= 0 or root < 0:
        raise ValueError(f"{links:g} links are too few for {small} and {large} teeth")
    return (straight + sqrt(root)) / 4


def belt_length(centre_m: float, small_m: float, large_m: float) -> float:
    """Length of an open belt along its pitch line around two pulleys of pitch diameters, m; exact.

    `2 C cos a + pi (D + d)/2 + a (D - d)` with `sin a = (D - d)/(2 C)`. ValueError where the
    pulleys overlap.

    >>> round(belt_length(0.5, 0.1, 0.1), 4)
    1.3142
    """
    if 2 * centre_m <= large_m + small_m:
        raise ValueError(f"pulleys of {small_m:g} and {large_m:g} m overlap at {centre_m:g} m")
    angle = asin((large_m - small_m) / (2 * centre_m))
    straight = 2 * centre_m * cos(angle)
    return straight + pi * (large_m + small_m) / 2 + angle * (large_m - small_m)


def belt_centre(length_m: float, small_m: float, large_m: float) -> float:
    """Distance of the axles for a belt of a pitch length, m: `belt_length` turned round.

    By bisection to 0.1 micrometre. ValueError where the belt is too short.
    """
    low, high = (small_m + large_m) / 2 * (1 + 1e-12), length_m / 2
    if low >= high or belt_length(low * (1 + 1e-9), small_m, large_m) > length_m:
        raise ValueError(f"a belt of {length_m:g} m is too short for these pulleys")
    while high - low > 1e-7:
        middle = (low + high) / 2
        if belt_length(middle, small_m, large_m) < length_m:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def pull_N(torque_N_m: float, diameter_m: float) -> float:
    """What a chain, a belt or a tooth pulls with at a pitch circle, N."""
    return 2 * torque_N_m / diameter_m


def axle_m(bending_N_m: float, torsion_N_m: float, shear_Pa: float) -> float:
    """Thinnest solid round axle under bending and torsion at a shear stress it may have, m.

    Greatest shear stress: `d^3 = 16 sqrt(M^2 + T^2)/(pi tau)` (machine design handbooks).

    >>> round(1000 * axle_m(0.0, 1000.0, 50e6), 1)
    46.7
    """
    return float((16 * sqrt(bending_N_m**2 + torsion_N_m**2) / (pi * shear_Pa)) ** (1 / 3))
