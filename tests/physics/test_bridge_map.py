"""The bridge's tables against the switching-level twin, and against their own generator."""

from __future__ import annotations

import bridge_twin
import numpy as np
import pytest

from explorer.physics import bridge, bridge_map
from explorer.physics.bridge import steady_state, two_phase_steady_state

# Saturation A and nVt V: Schottky, hot Schottky, silicon, active.
VALVES = ((3e-5, 0.035), (2e-3, 0.035), (7e-9, 0.046), (0.0, 0.0))
SPEED_RAD_S = 300.0


def random_cases(seed: int):
    rng = np.random.default_rng(seed)
    while True:
        emf = np.exp(rng.uniform(np.log(0.2), np.log(60)))
        ohm, valve_ohm = np.exp(rng.uniform(np.log(0.05), np.log(5))), rng.uniform(0, 0.06)
        saturation, emission = VALVES[rng.integers(len(VALVES))]
        q = rng.choice([0.0, np.exp(rng.uniform(np.log(0.02), np.log(50)))])
        yield {
            "emf_peak_V": emf,
            "electrical_rad_s": SPEED_RAD_S,
            "resistance_ohm": ohm,
            "inductance_H": q * (ohm + valve_ohm) / SPEED_RAD_S,
            "bus_V": emf * rng.uniform(0, 1.75),
            "diode_saturation_A": saturation,
            "diode_emission_V": emission,
            "diode_resistance_ohm": valve_ohm,
        }


@pytest.mark.parametrize("phases", [3, 1])
def test_against_switching(phases: int) -> None:
    """Half a percent above 1 % of short-circuit current, 2 % down to 0.1 %: what a bench can tell.

    Bus voltages of a single winding reach 1 Em instead of sqrt(3).
    """
    solved = {3: 0, 1: 0}
    for case in random_cases(phases):
        if phases == 1:
            case["bus_V"] *= 0.55
        truth = bridge_twin.solve(**case, phases=phases)
        share = truth.bus_current_A / truth.short_circuit_A
        if share < 0.001:
            continue
        function, circuits = (steady_state, 1) if phases == 3 else (two_phase_steady_state, 2)
        found = function(**case)
        expected = np.array(truth[:3]) * [circuits, 1, circuits]
        bound = 0.005 if share > 0.01 else 0.02
        np.testing.assert_allclose(found, expected, rtol=bound, err_msg=str(case))
        solved[phases] += 1
        if solved[phases] == 15:
            break


@pytest.mark.parametrize("kind", [bridge.STAR, bridge.WINDING])
def test_the_generator_makes_these_tables(kind: bridge.Kind) -> None:
    """Random nodes solved again, from another start than beside their neighbours.

    Tolerance: a step's error gives up to 7e-4 in a current and 16 bits 2e-4, in logarithms.
    """
    rng = np.random.default_rng(5)
    with np.load(bridge.TABLES) as data:
        name = f"phases_{kind.phases}"
        packed, low, high = data[name], data[f"{name}_low"], data[f"{name}_high"]
    assert packed.shape == (3, *bridge_map.COUNTS)
    at = [rng.integers(count // 8, count, 24) for count in bridge_map.COUNTS]
    at[2] = np.maximum(at[2], 1)  # the ideal bridge is told by its neighbours, and by the twin
    along, turn, place = (
        index / (count - 1) for index, count in zip(at, bridge_map.COUNTS, strict=True)
    )
    s = bridge_map.spread_of_node(place)
    h = bridge_map.knee_of_node(along, s, kind)
    again, _ = bridge_map.entries(h, np.pi / 2 * turn**2, s, kind)
    stored = low[:, None] + (high - low)[:, None] * packed[:, *at] / bridge_map.LEVELS
    np.testing.assert_allclose(stored[:2], again[:2], atol=0.002)
