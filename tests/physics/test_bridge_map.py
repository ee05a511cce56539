"""The bridge's tables against the switching-level twin, and against their own generator."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.physics import bridge, bridge_map
from explorer.physics.bridge import steady_state, two_phase_steady_state
from tests.helpers import bridge_twin


@pytest.mark.parametrize("phases", [3, 1])
def test_against_switching(phases: int) -> None:
    """Half a percent above 1 % of short circuit, 2 % down to 0.1 %: what a bench can tell."""
    rng = np.random.default_rng(phases)
    function, circuits = (steady_state, 1) if phases == 3 else (two_phase_steady_state, 2)
    conducting = 0
    while conducting < 15:
        case = bridge_twin.random_case(rng, phases)
        truth = bridge_twin.solve(**case, phases=phases)
        share = truth.bus_current_A / truth.short_circuit_A
        if share < 0.001:
            continue
        expected = np.array(truth[:3]) * [circuits, 1, circuits]
        bound = 0.005 if share > 0.01 else 0.02
        np.testing.assert_allclose(function(**case), expected, rtol=bound, err_msg=str(case))
        conducting += 1


@pytest.mark.parametrize("kind", [bridge.STAR, bridge.WINDING])
def test_the_generator_makes_these_tables(kind: bridge.Kind) -> None:
    """Random nodes solved again, from another start than beside their neighbours.

    Tolerance: a step's error gives up to 7e-4 in a current and 16 bits 2e-4, in logarithms.
    """
    rng = np.random.default_rng(5)
    with np.load(bridge.MAP_FILE) as data:
        name = f"phases_{kind.phases}"
        packed, low, high = data[name], data[f"{name}_low"], data[f"{name}_high"]
    assert packed.shape == (3, *bridge_map.COUNTS)
    at = [rng.integers(count // 8, count, 24) for count in bridge_map.COUNTS]
    at[2] = np.maximum(at[2], 1)  # the ideal bridge is told by its neighbours, and by the twin
    along, turn, place = (
        index / (count - 1) for index, count in zip(at, bridge_map.COUNTS, strict=True)
    )
    s = bridge_map.spread_of_node(place)
    h = bridge_map.knee_of_node(bridge_map.along_of_node(along), s, kind)
    again, _ = bridge_map.entries(h, np.pi / 2 * turn**2, s, kind)
    stored = low[:, None] + (high - low)[:, None] * packed[:, *at] / bridge_map.LEVELS
    np.testing.assert_allclose(stored[:2], again[:2], atol=0.002)
