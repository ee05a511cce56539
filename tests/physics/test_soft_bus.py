"""The bridges on a bus with a resistance, against the switching-level twin, limits and balances."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy.integrate import ODEintWarning

from explorer.physics import bridge
from tests.helpers import bridge_twin
from tests.helpers.soft_bus import soft_bus_steady_state

KINDS = {3: bridge.STAR, 2: bridge.WINDING}
STIFF = {3: bridge.steady_state, 2: bridge.two_phase_steady_state}


def soft_case(rng, phases, most_ohm, least_V=0.0):
    """A bridge with inductance, a bus resistance up to `most_ohm` of a phase's impedance.

    The voltage behind it lies from `least_V` to 1 of what the open machine reaches.
    """
    case = bridge_twin.random_case(rng, 3 if phases == 3 else 1)
    ohm = case["resistance_ohm"] + (1 if phases == 3 else 2) * case["diode_resistance_ohm"]
    reactance = ohm * np.exp(rng.uniform(np.log(0.05), np.log(3)))
    case["inductance_H"] = reactance / bridge_twin.SPEED_RAD_S
    case["bus_V"] = case["emf_peak_V"] * (1.73 if phases == 3 else 1.0) * rng.uniform(least_V, 1)
    impedance = np.hypot(ohm, reactance)
    return case, impedance * np.exp(rng.uniform(np.log(0.1), np.log(most_ohm)))


def truths(seed, phases, most_ohm, count, least_V=0.0):
    """Random cases that the twin solved: arguments at the mean voltage of the bus, truth."""
    rng, found = np.random.default_rng(seed), []
    while len(found) < count:
        case, bus_ohm = soft_case(rng, phases, most_ohm, least_V)
        behind_V = case.pop("bus_V")
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ODEintWarning)  # it is told by the error
                truth = bridge_twin.solve(**case, bus_V=behind_V, phases=phases, bus_ohm=bus_ohm)
        except RuntimeError:  # ideal valves are steep
            continue
        if truth.bus_current_A < 0.005 * truth.short_circuit_A:
            continue
        mean_V = behind_V + bus_ohm * truth.bus_current_A
        found.append(({**case, "bus_V": mean_V, "bus_ohm": bus_ohm}, truth))
    cases, solved = zip(*found, strict=True)
    return {name: np.array([c[name] for c in cases]) for name in cases[0]}, np.array(solved)


def stiff(phases, cases):
    return STIFF[phases](**{name: value for name, value in cases.items() if name != "bus_ohm"})


@pytest.mark.parametrize("phases", [3, 2])
def test_without_resistance_the_bus_is_stiff(phases: int) -> None:
    rng = np.random.default_rng(1)
    drawn = [soft_case(rng, phases, 1.0)[0] for _ in range(50)]
    cases = {name: np.array([case[name] for case in drawn]) for name in drawn[0]}
    soft = soft_bus_steady_state(KINDS[phases], **cases, bus_ohm=0.0)
    np.testing.assert_allclose(soft[:3], stiff(phases, cases), rtol=1e-12)


@pytest.mark.parametrize("phases", [3, 2])
def test_parted_pulses_pass_the_bus_in_series(phases: int) -> None:
    """Where nothing overlaps, two valves and the bus are one loop: the equivalence is exact."""
    cases, truth = truths(2, phases, 10.0, 40, least_V=0.8)
    form = (truth[:, 1] / truth[:, 0]) ** 2
    parted = form > (0.80 if phases == 3 else 0.75)
    assert parted.sum() > 12
    cases, truth = {name: value[parted] for name, value in cases.items()}, truth[parted]
    soft = soft_bus_steady_state(KINDS[phases], **cases)
    hard = stiff(phases, cases)
    # The map's own half a percent above 1 % of short circuit and two below, as it stands in its
    # test, met halfway: most of these cases lie above.
    np.testing.assert_allclose(soft.bus_current_A, truth[:, 0], rtol=0.01)
    np.testing.assert_allclose(soft.phase_rms_A, truth[:, 1], rtol=0.01)
    np.testing.assert_allclose(soft.electromagnetic_power_W, truth[:, 2], rtol=0.01)
    # A variance is a difference of squares: twice that of both, and where pulses nearly meet the
    # bend between smooth and parted adds a percent.
    variance = truth[:, 5] ** 2 - truth[:, 0] ** 2
    np.testing.assert_allclose(soft.bus_variance_A2, variance, rtol=0.03)
    assert np.abs(hard.bus_current_A / truth[:, 0] - 1).max() > 0.1


@pytest.mark.parametrize(("phases", "most_ohm", "share"), [(3, 5.0, 0.008), (2, 0.6, 0.006)])
def test_pulses_of_every_shape(phases: int, most_ohm: float, share: float) -> None:
    """Smooth, overlapping and parted pulses; a bus of up to what banks of the demo have.

    Of 180 cases that nothing was fitted to, 95 in 100 within 0.4 % for a star and 0.3 % for
    windings, all within 1.4 % (a stiff bus: 2.8 to 10 %, and 40 %).
    """
    cases, truth = truths(101, phases, most_ohm, 50)  # `JUNCTION` was fitted to others
    soft = soft_bus_steady_state(KINDS[phases], **cases)
    hard = stiff(phases, cases)
    off, stiff_off = (np.abs(s.bus_current_A / truth[:, 0] - 1) for s in (soft, hard))
    assert np.percentile(off, 95) < share
    assert off.max() < 0.02
    assert stiff_off.max() > 0.1
    variance = truth[:, 5] ** 2 - truth[:, 0] ** 2
    heat_off = cases["bus_ohm"] * np.abs(soft.bus_variance_A2 - variance)
    assert np.all(heat_off < 0.004 * truth[:, 2])


def test_power_balances_with_losses_that_are_losses() -> None:
    rng = np.random.default_rng(4)
    count = 2000
    ohm, henry = rng.uniform(0.05, 3, count), rng.uniform(1e-5, 1e-3, count)
    emf, speed, bus_ohm = (
        rng.uniform(2, 30, count), rng.uniform(20, 2000, count), rng.uniform(0, 3, count)
    )  # fmt: skip
    bus = rng.uniform(0, 1.6, count) * emf
    found = soft_bus_steady_state(
        bridge.STAR,
        emf_peak_V=emf,
        electrical_rad_s=speed,
        resistance_ohm=ohm,
        inductance_H=henry,
        bus_V=bus,
        diode_saturation_A=2e-6,
        diode_emission_V=0.027,
        diode_resistance_ohm=0.03,
        bus_ohm=bus_ohm,
    )
    assert np.isfinite(found).all()
    assert (found.bus_variance_A2 >= 0).all()
    assert (found.bus_current_A >= 0).all()
    heat = 3 * found.phase_rms_A**2 * (ohm + 0.03) + bus_ohm * found.bus_variance_A2
    junction = found.electromagnetic_power_W - bus * found.bus_current_A - heat
    conducts = found.bus_current_A > 1e-3 * emf / np.hypot(ohm, speed * henry)
    assert conducts.mean() > 0.5
    # Two diodes carry the current, at no less than a tenth of a volt each above the trickles.
    assert (junction[conducts] > 0.2 * found.bus_current_A[conducts]).all()


def test_nothing_turns_nothing_flows() -> None:
    for kind in KINDS.values():
        found = soft_bus_steady_state(
            kind,
            emf_peak_V=0.0,
            electrical_rad_s=0.0,
            resistance_ohm=0.2,
            inductance_H=1e-4,
            bus_V=np.array([0.0, 5.0]),
            diode_saturation_A=2e-6,
            diode_emission_V=0.027,
            diode_resistance_ohm=0.03,
            bus_ohm=1.0,
        )
        np.testing.assert_array_equal(found, 0.0)
