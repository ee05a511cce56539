"""How hot a touchable surface gets, against a published correlation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.constants import Stefan_Boltzmann as SIGMA
from scipy.constants import g

from explorer.physics.surface import STILL_AIR_W_PER_M2_K, surface_rise

AIR_45C = {"nu": 1.77e-5, "k": 0.0277, "Pr": 0.705}
"""Air at a film temperature of 45 °C: m2/s, W/(m K) and Prandtl number (handbook, from memory)."""


def plate_W_per_m2_K(height_m: float, rise_K: float, emissivity: float) -> float:
    """Natural convection of a vertical plate (Churchill and Chu, Int. J. Heat Mass Transfer 18,
    1975, from memory) and radiation to walls as warm as the air at 298 K."""
    film_K = 298 + rise_K / 2
    rayleigh = g / film_K * rise_K * height_m**3 * AIR_45C["Pr"] / AIR_45C["nu"] ** 2
    inner = (1 + (0.492 / AIR_45C["Pr"]) ** (9 / 16)) ** (8 / 27)
    nusselt = (0.825 + 0.387 * rayleigh ** (1 / 6) / inner) ** 2
    radiated = emissivity * SIGMA * ((298 + rise_K) ** 4 - 298**4) / rise_K
    return nusselt * AIR_45C["k"] / height_m + radiated


@pytest.mark.parametrize("height_m", [0.03, 0.1, 0.3])
@pytest.mark.parametrize("rise_K", [30, 40, 60])
def test_no_dull_plate_gets_hotter(height_m: float, rise_K: float) -> None:
    """What is assumed of still air lies below what plates of 3 to 30 cm give off, by up to a half:
    the surface is said to be hotter than it gets, never colder."""
    gives = plate_W_per_m2_K(height_m, rise_K, emissivity=0.9)
    assert STILL_AIR_W_PER_M2_K < gives < 1.9 * STILL_AIR_W_PER_M2_K


@given(st.floats(0, 1e3), st.floats(1e-4, 10))
def test_heat_leaves_by_the_surface(heat_W: float, area_m2: float) -> None:
    """What leaves through the surface is the heat; half the surface, twice the rise."""
    rise = float(surface_rise(heat_W, area_m2))
    assert rise * STILL_AIR_W_PER_M2_K * area_m2 == pytest.approx(heat_W)
    assert float(surface_rise(heat_W, area_m2 / 2)) == pytest.approx(2 * rise)


def test_ends() -> None:
    assert float(surface_rise(1.0, 0.0)) == np.inf
    assert surface_rise([0.0, 5.0], [0.0, np.inf]).tolist() == [0.0, 0.0]
