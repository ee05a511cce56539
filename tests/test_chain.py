"""The two halves joined at the bus: every watt that enters it leaves it, in every switch state."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from explorer.model.chain import HEAT, LEDGER, Chain, State
from explorer.model.supply import TERMS, Corner, asked, held_speed, pulses

from explorer.inputs.study import Project
from explorer.model.evaluate import solve
from explorer.model.space import Space
from tests.helpers.chains import pick

STATES: tuple[State, ...] = ("open", "idle", "loaded")
VOLTS = np.linspace(0.3, 12.0, 30)


@pytest.fixture
def chain(small_project: Project) -> Chain:
    designs = Space.of(small_project).draw(25, np.random.default_rng(61))
    case = small_project.study.session.operators[0], small_project.study.session.packs[0]
    return solve(small_project, designs, *case).chain


def at_bus(chain: Chain) -> np.ndarray:
    return np.tile(VOLTS, (len(chain), 1))


@pytest.mark.parametrize("state", STATES)
def test_heats_below_the_bus_are_what_the_bus_gives_up(chain: Chain, state: State) -> None:
    """Front current at the bus voltage feeds drains, load and bank, and nothing else."""
    bus_V = at_bus(chain)
    heats, delivered, net_A, *_ = chain.powers(bus_V, state)
    after = HEAT.index("reverse_leakage")
    below = sum(heats[after:]) + delivered + bus_V * net_A
    front_A = chain.net_current(bus_V, state) + chain.taken_A(bus_V, state)
    np.testing.assert_allclose(below, bus_V * front_A, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(net_A, chain.net_current(bus_V, state), rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("state", STATES)
def test_inner_voltage_is_behind_the_series_resistance(chain: Chain, state: State) -> None:
    bus_V = at_bus(chain)
    drop = bus_V - chain.inner_V(bus_V, state)
    expected = chain.demand["esr_ohm"] * chain.net_current(bus_V, state)
    np.testing.assert_allclose(drop, expected, rtol=1e-9, atol=1e-12)


def test_states_differ_by_their_load(chain: Chain) -> None:
    """Open, idle, loaded: each takes more than the one before."""
    bus_V = at_bus(chain)
    nets = [chain.net_current(bus_V, state) for state in STATES]
    assert np.all(nets[1] <= nets[0])
    assert np.all(nets[2] < nets[1])
    heats, delivered, *_ = chain.powers(bus_V, "open")
    for name in ("converter", "pack_lead"):
        assert np.all(heats[HEAT.index(name)] == 0)
    assert np.all(delivered == 0)


def test_the_front_half_does_not_know_the_switch(chain: Chain) -> None:
    """The bus voltage is the only thing the halves share."""
    bus_V = at_bus(chain)
    front = [chain.powers(bus_V, state)[0][: HEAT.index("reverse_leakage")] for state in STATES]
    for other in front[1:]:
        for one, two in zip(front[0], other, strict=True):
            np.testing.assert_array_equal(one, two)


def test_below_the_threshold_the_load_goes_on_along_a_tangent(chain: Chain) -> None:
    """Where only the mean of an uneven hand's bus comes; its powers still add up."""
    least_V = chain.least_V
    here, below = (chain.powers(least_V - d, "loaded") for d in (0.0, 0.05))
    amps = [chain.taken_A(least_V - d, "loaded") for d in (1e-4, 0.0, -1e-4)]
    load = chain.demand.load(least_V)
    # At the least voltage that a converter's resistance carries a power at, its own tangent is
    # upright.
    constant_S = -load.current_A / least_V
    slope = np.maximum(load.slope_S, constant_S)
    drains = [chain.demand.drain(least_V - d).total_A for d in (1e-4, 0.0, -1e-4)]
    loads = [a - b for a, b in zip(amps, drains, strict=True)]
    assert (loads[1] - loads[0]) / 1e-4 == pytest.approx(slope, rel=1e-3, abs=1e-6)
    assert np.all((loads[2] - loads[1]) / 1e-4 <= slope + 1e-3)
    # A constant power along its tangent is the same to first order.
    held = np.isclose(slope, 0) | (here.delivered_W == 0)
    assert below.delivered_W[~held] == pytest.approx(here.delivered_W[~held], rel=0.01)
    assert chain.supply.unevenness > 0


def test_pulses_take_off_what_the_bridge_on_a_soft_bus_says(demo_project: Project) -> None:
    """The current into each bank against the bridge solved over that bank, near no load too."""
    designs = Space.of(demo_project).draw(200, np.random.default_rng(8))
    session = demo_project.study.session
    chain, halves, _ = solve(demo_project, designs, session.operators[0], session.packs[0])
    rows = np.flatnonzero(pulses(halves)[chain.half])
    esr = chain.demand["esr_ohm"][:, 0]
    share = np.random.default_rng(1).uniform(0.5, 0.99, (len(designs), 8))
    bus_V = share * np.minimum(chain.supply.top_V[chain.half], 16.0)[:, None]
    told, stiff = chain.front(bus_V)[0], chain.supply.read(chain.half, bus_V)
    off, without = [], []
    for row in rows:
        soft = replace(halves, bank_ohm=np.full(len(halves), esr[row]))
        half = np.full(8, chain.half[row])
        speed, _ = held_speed(soft, half, bus_V[row])
        true = asked(soft, half, speed, bus_V[row]).current_A
        flows = true > 0.01 * chain.supply.worst_bus_A[chain.half[row], -1]
        off.append((told[row] / np.maximum(true, 1e-9) - 1)[flows])
        without.append((stiff[row] / np.maximum(true, 1e-9) - 1)[flows])
    found, blind = (np.abs(np.concatenate(some)) for some in (off, without))
    # A law of two resistances, a line between nodes, and a hand that turns a little faster.
    assert np.quantile(found, 0.95) < 0.006
    felt = blind > 0.02
    assert felt.sum() > 20
    assert np.median(found[felt]) < 0.2 * np.median(blind[felt])


def stepped_net(chain: Chain, bus_V: float, steps: int = 200) -> tuple[float, float]:
    """Mean bus voltage near one, and mean current into the bank there, of a chain with its load on
    stepped through strokes; some more current holds the bank where it is.
    """
    need, a = chain.demand, chain.supply.unevenness
    farad, esr = float(need["capacitance_F"][0, 0]), float(need["esr_ohm"][0, 0])
    volts = np.linspace(0.5 * bus_V, 1.5 * bus_V, 4001)
    front = chain.front(volts[None])
    current, rad_s = front[0][0], front[TERMS.index("rad_s")][0]
    taken = chain.taken_A(volts[None], "loaded")[0]

    def net(v: float, angle: float, held_A: float) -> float:
        brings = np.interp(v, volts, current) * (1 + a * np.cos(angle))
        return float(brings - np.interp(v, volts, taken) + held_A)

    held_A = 0.0
    for _ in range(15):
        inner, v, turn = bus_V - esr * net(bus_V, np.pi / 2, 0.0), bus_V, 2 * np.pi / steps
        seen = []
        for step in range(3 * steps):
            middle = inner
            for share in (0.0, 0.5):  # the midpoint rule
                angle = (step + share) * turn
                for _ in range(6):
                    into_A = net(v, angle, held_A)
                    steep = (net(v + 1e-3, angle, held_A) - net(v - 1e-3, angle, held_A)) / 2e-3
                    v -= (v - esr * into_A - middle) / max(1 - esr * steep, 0.1)
                pace = into_A / (farad * np.interp(v, volts, rad_s))
                middle = inner + pace * turn / 2
            inner += pace * turn
            seen.append((v, into_A - held_A, turn / np.interp(v, volts, rad_s)))
        bus, into, seconds = np.array(seen[-steps:]).T
        drift_A = np.average(into + held_A, weights=seconds)
        held_A -= 0.6 * drift_A
        if abs(drift_A) < 2e-4:
            break
    return float(np.average(bus, weights=seconds)), float(np.average(into, weights=seconds))


@pytest.mark.parametrize("cadence_rpm", [50.0, pytest.param(60.0, marks=pytest.mark.slow)])
def test_a_ripple_over_the_corner_of_the_hands_limit(
    small_project: Project, cadence_rpm: float
) -> None:
    """The mean current over a stroke, by stepping through strokes at some mean voltages."""
    design = pick(small_project, {"cadence_rpm": cadence_rpm})
    case = small_project.study.session.operators[0], small_project.study.session.packs[0]
    told, blind, true = [], [], []
    chain = solve(small_project, design, *case).chain
    corner_V = chain.supply.corner.bus_V[0]
    assert chain.supply.corner.leap_S[0] < -0.1
    no_corner = Corner(*np.zeros((3, len(chain.supply.top_V))))
    smooth = Chain(replace(chain.supply, corner=no_corner), chain.half, chain.demand)
    for share in (0.94, 0.98, 1.0, 1.02, 1.06):
        bus_V, net_A = stepped_net(chain, share * corner_V)
        at = np.array([[bus_V]])
        even_A = chain.front(at)[0] - chain.taken_A(at, "loaded")
        true.append(net_A - even_A[0, 0])
        told.append(chain.net_current(at, "loaded")[0, 0] - even_A[0, 0])
        blind.append(smooth.net_current(at, "loaded")[0, 0] - even_A[0, 0])
    # What a second harmonic does is left out.
    assert np.abs(np.subtract(told, true)).max() < 0.15 * np.abs(true).max()
    assert np.abs(np.subtract(told, true)).mean() < 0.5 * np.abs(np.subtract(blind, true)).mean()


def test_taking_rows_is_computing_them(chain: Chain) -> None:
    rows = np.array([3, 3, 17])
    bus_V = at_bus(chain)
    whole, part = chain.powers(bus_V, "loaded"), chain.take(rows).powers(bus_V[rows], "loaded")
    assert len(chain.take(rows)) == 3
    for one, two in zip((*whole[0], *whole[1:]), (*part[0], *part[1:]), strict=True):
        np.testing.assert_allclose(two, one[rows], rtol=1e-12, atol=1e-15)


def test_ledger_names_each_term_once() -> None:
    assert len(set(LEDGER)) == len(LEDGER)
    assert LEDGER[: len(HEAT)] == HEAT
    assert set(LEDGER) - set(HEAT) == {"esr", "delivered", "stored"}
