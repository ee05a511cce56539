"""The compiled look-up against the universal map, whose own tests hold the published values."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.model.kernels import bridge
from explorer.model.kernels.junction import wright_omega
from explorer.physics import bridge as physics
from tests.helpers.bridge_twin import random_case

SOLVERS = {
    physics.SIX_PULSE: (physics.steady_state, 3, 3, 1),
    physics.FULL_BRIDGES: (physics.two_phase_steady_state, 1, 2, 2),
    physics.ONE_DIODE: (physics.blocking_diode_steady_state, 3, 1, 1),
}


def looked_up(kind: int, circuits: np.ndarray) -> np.ndarray:
    found = np.zeros((len(circuits), 3))
    bridge.rectify_all(bridge.map_of(kind), kind, circuits, found)
    return found


@pytest.mark.parametrize("kind", SOLVERS)
def test_reads_the_universal_map(kind: int) -> None:
    solve, shape, phases, in_path = SOLVERS[kind]
    rng = np.random.default_rng(11)
    cases = [random_case(rng, shape) for _ in range(2000)]
    columns = {name: np.array([case[name] for case in cases]) for name in cases[0]}
    circuits = np.stack(list(columns.values()), axis=1)
    amps, phase_A, junction_W = looked_up(kind, circuits).T
    truth = solve(**columns)
    # Coefficients of 24 bits, and what depends on nVt/Em alone between 4,000 nodes.
    assert amps == pytest.approx(truth.bus_current_A, rel=2e-4)
    assert phase_A == pytest.approx(truth.phase_rms_A, rel=2e-4)
    ohm = columns["resistance_ohm"] + in_path * columns["diode_resistance_ohm"]
    passed = columns["bus_V"] * amps + phases * ohm * phase_A**2
    # In a trickle that both valves of a leg share, "bus current" counts more than reaches the bus:
    # no heat is left for the junctions then.
    expected = np.maximum(truth.electromagnetic_power_W, passed)
    assert passed + junction_W == pytest.approx(expected, rel=3e-4, abs=1e-9)


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ((6, 100, 0.2, 4e-4, 7.0, 2e-6, 0.02714, 0.03), (4.5915, 3.7222, 45.339)),
        ((6, 100, 0.2, 4e-4, 9.0, 2e-6, 0.02714, 0.03), (0.6513, 0.6495, 6.613)),
        ((10, 400, 0.3, 5e-4, 14.0, 2e-6, 0.02714, 0.03), (2.2357, 1.8262, 36.287)),
    ],
)
def test_exponential_diodes(case: tuple[float, ...], expected: tuple[float, ...]) -> None:
    """Brute force by time stepping, derived for this project."""
    amps, phase_A, junction_W = looked_up(physics.SIX_PULSE, np.array([case], dtype=float))[0]
    power = case[4] * amps + 3 * (case[2] + case[7]) * phase_A**2 + junction_W
    assert (amps, phase_A, power) == pytest.approx(expected, rel=5e-3)


def test_omega_solves_its_equation() -> None:
    """`y + ln y = x` (Corless & Jeffrey 2002), over what circuits ask for."""
    x = np.concatenate([np.linspace(-40, 40, 801), np.geomspace(50, 1e6, 20)])
    y = np.array([wright_omega(float(one)) for one in x])
    assert y + np.log(y) == pytest.approx(x, rel=1e-11, abs=1e-11)


def test_nothing_turns_nothing_flows() -> None:
    for kind in SOLVERS:
        still = np.array([[0.0, 0.0, 0.2, 4e-4, 0.0, 2e-6, 0.027, 0.03]])
        assert not looked_up(kind, still).any()
