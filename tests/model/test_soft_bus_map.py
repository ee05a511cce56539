"""The shipped tables of overlapping pulses are what their solver gives, and keep their limits."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.model import shape_maps, soft_bus_map
from explorer.physics import soft_bus
from explorer.physics.bridge import STAR, WINDING, Kind

SINES, SHAPES = (STAR, WINDING), shape_maps.SHIPPED


def named(kind: Kind) -> str:
    return "_".join(f"{value:g}" for value in (kind.phases, *kind.shape))


@pytest.mark.slow
@pytest.mark.parametrize("kind", [*SINES, SHAPES[0], SHAPES[2]], ids=named)
def test_a_turn_of_the_table_solved_again(kind: Kind) -> None:
    table = shape_maps.overlaps_of(kind)
    nodes, volts = (
        (soft_bus_map.SINE_NODES, soft_bus_map.SINE_VOLTS) if kind in SINES
        else (soft_bus_map.SHAPE_NODES, soft_bus_map.SHAPE_VOLTS)
    )  # fmt: skip
    assert table.shape == (*nodes, soft_bus.FACTORS)
    middle = nodes[0] // 2
    again = soft_bus_map._at_turn(kind, middle / (nodes[0] - 1), nodes, volts)
    np.testing.assert_allclose(table[middle], again, atol=1e-6)


@pytest.mark.parametrize("kind", [*SINES, *SHAPES], ids=named)
def test_limits_of_the_tables(kind: Kind) -> None:
    """Overlap takes current and makes it wider, the more the larger the bus's part of the
    resistance; a stiff bus is its own shared bridge, and pulses that part are exact."""
    left, wider, rest = np.moveaxis(shape_maps.overlaps_of(kind), -1, 0)
    assert (left[:, 0] == 0).all()
    assert (wider[:, 0] == 0).all()
    assert left.max() < 1e-4
    assert wider.min() > -2e-3
    assert np.diff(left, axis=1).max() < 1e-3
    scarce = 2  # places of next to no current
    for quantity in (left, wider, rest):
        assert np.abs(quantity[:, :, :scarce]).max() < 0.01
