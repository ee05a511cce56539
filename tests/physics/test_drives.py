"""Chains, belts, gears and axles: published formulas, worked examples, geometry, and limits."""

from __future__ import annotations

from math import acos, pi, radians, sin, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.physics.drives import (
    LEAST_GEAR_TEETH,
    PRESSURE_ANGLE,
    axle_m,
    belt_centre,
    belt_length,
    chain_centre,
    chain_links,
    pull_N,
)


def test_a_published_chain_drive() -> None:
    """20 and 63 teeth, 1,200 to 378 rpm: 114 pitches put the axles 35.6 pitches apart (worked
    example of a machine design text, taken up in a paper on optimal chain drives)."""
    assert chain_centre(114, 20, 63) == pytest.approx(35.6, abs=0.05)
    assert chain_links(chain_centre(114, 20, 63), 20, 63) == pytest.approx(114)


@pytest.mark.parametrize(("small", "large", "apart"), [(17, 51, 40.0), (13, 52, 30.0)])
def test_links_by_a_handbooks_formula(small: int, large: int, apart: float) -> None:
    """`2 a + (z1 + z2)/2 + (z2 - z1)^2/(39.6 a)`, a in pitches (engineers' handbooks round 4 pi^2,
    39.48, so)."""
    handbook = 2 * apart + (small + large) / 2 + (large - small) ** 2 / (39.6 * apart)
    assert chain_links(apart, small, large) == pytest.approx(handbook, rel=1e-3)


def test_a_belt_by_the_handbooks_approximation() -> None:
    """`2 C + pi (D + d)/2 + (D - d)^2/(4 C)`: good while the pulleys are alike or far apart."""
    for centre, small, large in ((0.4, 0.05, 0.08), (1.0, 0.03, 0.12)):
        near = 2 * centre + pi * (large + small) / 2 + (large - small) ** 2 / (4 * centre)
        assert belt_length(centre, small, large) == pytest.approx(near, rel=2e-4)


@given(small=st.floats(0.01, 0.1), more=st.floats(1.0, 6.0), room=st.floats(1.01, 8.0))
def test_a_belt_by_its_own_geometry(small: float, more: float, room: float) -> None:
    """The straight run is tangent to both circles: Pythagoras over the difference of radii; the
    arcs add up to a full turn. And the length leads back to the distance."""
    large = small * more
    centre = room * (small + large) / 2
    straight = sqrt(centre**2 - ((large - small) / 2) ** 2)
    lean = pi - 2 * acos((large - small) / (2 * centre))
    plain = 2 * straight + large / 2 * (pi + lean) + small / 2 * (pi - lean)
    length = belt_length(centre, small, large)
    assert length == pytest.approx(plain, rel=1e-12)
    assert belt_centre(length, small, large) == pytest.approx(centre, abs=1e-6)


def test_wheels_that_overlap_and_loops_too_short_are_refused() -> None:
    with pytest.raises(ValueError, match="overlap"):
        belt_length(0.05, 0.05, 0.06)
    with pytest.raises(ValueError, match="too short"):
        belt_centre(0.1, 0.05, 0.06)
    with pytest.raises(ValueError, match="too few"):
        chain_centre(30, 17, 51)


def test_axles_by_the_rule_of_greatest_shear_stress() -> None:
    """`tau = 16 sqrt(M^2 + T^2)/(pi d^3)` (handbooks, greatest shear stress): 50 kN m and 12 kN m
    at 80 MPa; the published rule put in again gives back the stress."""
    thick = axle_m(12e3, 50e3, 80e6)
    assert 16 / (pi * thick**3) * sqrt(12e3**2 + 50e3**2) == pytest.approx(80e6)
    assert axle_m(3.0, 4.0, 40e6) == pytest.approx(axle_m(4.0, 3.0, 40e6))
    assert axle_m(0.0, 8.0, 40e6) == pytest.approx(2 * axle_m(0.0, 1.0, 40e6))


def test_pull_and_teeth() -> None:
    """Torque over radius; 17.1 teeth are not undercut at 20 degrees (textbook: 2/sin^2)."""
    assert pull_N(10.0, 0.2) == 100.0
    assert radians(20) == PRESSURE_ANGLE
    assert int(2 / sin(PRESSURE_ANGLE) ** 2) == LEAST_GEAR_TEETH
