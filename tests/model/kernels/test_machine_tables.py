"""Tables of a trio against the map they were made from, between their nodes."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.model.kernels import machine
from explorer.physics import bridge, generator
from tests.helpers.soft_bus import soft_bus_steady_state
from tests.model.kernels.chains_of_study import Chains

SOLVERS = (
    bridge.steady_state, bridge.two_phase_steady_state, bridge.blocking_diode_steady_state,
)  # fmt: skip
LEAST_V = 2.0
"""Below, no window closes and hardly a joule passes."""


def points(chains: Chains, number: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    row = chains.tables.rows[number]
    fastest = 400 * row["slowest_rad_s"]
    rad_s = np.exp(rng.uniform(np.log(fastest / 60), np.log(fastest), 300))
    return rad_s, rng.uniform(0, 1, 300) * row["open_V_s"] * rad_s


def circuit(chains: Chains, number: int, rad_s: np.ndarray, bus_V: np.ndarray, winding_C: float):
    row = chains.tables.rows[number]
    copper = generator.copper_resistance(row["circuit_ohm"], winding_C)
    return {
        "emf_peak_V": row["emf_V_s"] * rad_s,
        "electrical_rad_s": row["pole_pairs"] * rad_s,
        "resistance_ohm": copper + row["lead_ohm"],
        "inductance_H": row["inductance_H"],
        "bus_V": bus_V,
        "diode_saturation_A": row["saturation_A"],
        "diode_emission_V": row["emission_V"],
        "diode_resistance_ohm": row["valve_ohm"],
    }


@pytest.mark.parametrize("warm_K", [0.0, 35.0, 90.0])
def test_current_and_power_between_nodes(warm_chains: Chains, warm_K: float) -> None:
    rng, currents, powers = np.random.default_rng(3), [], []
    for number in range(20):
        rad_s, bus_V = points(warm_chains, number, rng)
        row = warm_chains.tables.rows[number]
        kind = int(row["bridge"])
        values = circuit(warm_chains, number, rad_s, bus_V, 25.0 + warm_K)
        truth = SOLVERS[kind](**values)
        short = SOLVERS[kind](**values | {"bus_V": 0 * bus_V}).bus_current_A
        counts = (truth.bus_current_A > 0.02 * short) & (bus_V > LEAST_V) & (bus_V < 64)
        found = machine.read_all(warm_chains.tables, number, rad_s, bus_V, warm_K / 90, 0.0)
        ohm = values["resistance_ohm"] + row["valves_in_path"] * row["valve_ohm"]
        power = bus_V * found[:, 0] + row["phases"] * found[:, 1] ** 2 * ohm
        power += found[:, 0] * found[:, 2]
        currents.append(np.abs(found[:, 0] / truth.bus_current_A - 1)[counts])
        powers.append(np.abs(power / truth.electromagnetic_power_W - 1)[counts])
    for off in (np.concatenate(currents), np.concatenate(powers)):
        assert len(off) > 1000
        assert np.median(off) < 1e-3
        assert np.percentile(off, 95) < 5e-3
        assert off.max() < 0.06


def test_pulses_on_a_bank(demo_chains: Chains) -> None:
    """Against the bridge solved over the bank, between the two that tables were solved for."""
    rng, currents, powers = np.random.default_rng(4), [], []
    for number in range(30):
        row = demo_chains.tables.rows[number]
        kind = int(row["bridge"])
        if kind == 2:
            continue
        rad_s, bus_V = points(demo_chains, number, rng)
        ohm = float(np.exp(rng.uniform(np.log(0.05), np.log(1.5))))
        values = circuit(demo_chains, number, rad_s, bus_V, 60.0)
        which = (bridge.STAR, bridge.WINDING)[kind]
        truth = soft_bus_steady_state(which, **values, bus_ohm=ohm)
        found = machine.read_all(demo_chains.tables, number, rad_s, bus_V, 0.0, ohm)
        counts = (truth.bus_current_A > 0.05) & (bus_V > LEAST_V) & (bus_V < 64)
        counts &= ohm * truth.bus_current_A < 0.98 * bus_V  # more leaves a bank below 0 V
        series = values["resistance_ohm"] + row["valves_in_path"] * row["valve_ohm"]
        power = bus_V * found[:, 0] + row["phases"] * found[:, 1] ** 2 * series
        power += found[:, 0] * found[:, 2] + ohm * found[:, 3] * found[:, 0] ** 2
        currents.append(np.abs(found[:, 0] / truth.bus_current_A - 1)[counts])
        powers.append(np.abs(power / truth.electromagnetic_power_W - 1)[counts])
    for off in (np.concatenate(currents), np.concatenate(powers)):
        assert np.median(off) < 1.5e-3
        assert np.percentile(off, 95) < 0.02


def test_a_crank_at_rest_has_no_current(demo_chains: Chains) -> None:
    found = machine.read_all(demo_chains.tables, 0, np.full(3, 1e-9), np.array([0.0, 1, 5]), 0, 0)
    assert np.abs(found[:, 0]).max() < 1e-9
