"""The front half: curves over bus voltage against direct solution, and what a hand may be asked."""

from __future__ import annotations

import numpy as np
import pytest
from explorer.model.supply import (
    LOSSES,
    TERMS,
    TOP_V,
    Halves,
    Spacing,
    Supply,
    asked,
    curves,
    distinct,
    held_speed,
    no_load_V,
)
from scipy.optimize import brentq

from explorer.inputs.study import Project
from explorer.model.space import Designs, Space
from explorer.physics import bridge
from tests.helpers.chain_twin import Twin
from tests.helpers.chains import pick, with_part, with_person


def solved(project: Project, designs: Designs) -> tuple[Halves, Supply]:
    person = project.catalogue.operators[project.study.session.operators[0]]
    front = Halves.of(project.catalogue, designs, person, 600.0, project.study.session.winding_C)
    return front, curves(front)


def test_nodes_reach_beyond_no_load_and_are_fine_at_a_packs_level(small_project: Project) -> None:
    designs = Space.of(small_project).draw(60, np.random.default_rng(40))
    front, supply = solved(small_project, designs)
    volts, every = supply.volts, np.arange(60)
    assert np.all(volts[:, 0] == 0)
    assert np.all(np.diff(volts, axis=1) > 0)
    open_V = no_load_V(front, every, front.cadence_rad_s)
    assert np.all(supply.top_V > np.minimum(open_V, TOP_V - 1e-9))
    # Where a bank of such a chain lives, whatever the half can reach; a node that is moved down to
    # a bend leaves up to two steps behind.
    steps, low = np.diff(volts, axis=1), volts[:, :-1] < 12
    assert steps[low].max() < 2 * 0.4
    assert np.median(steps[low]) < 0.2
    assert steps[low & (open_V < 16)[:, None]].max() < 2 * 0.2
    rng = np.random.default_rng(1)
    bus_V = rng.uniform(0, 1, (60, 30)) * supply.top_V[:, None]
    left = supply.locate(every, bus_V)
    for row in every:
        expected = np.searchsorted(volts[row], bus_V[row], side="right") - 1
        np.testing.assert_array_equal(left[row], np.minimum(expected, volts.shape[1] - 2))
    # Outside it stands at its ends.
    outside = supply.locate(every[:1], np.array([[-1.0, 1000.0]]))
    assert outside.tolist() == [[0, volts.shape[1] - 2]]
    assert supply.read(every, np.full((60, 1), 1000.0))[open_V < TOP_V - 2] == pytest.approx(0)


def test_no_line_cuts_the_corners_of_the_curves(small_project: Project) -> None:
    """Between nodes against solving there: the bends where the hand's limit changes are nodes."""
    designs = Space.of(small_project).draw(200, np.random.default_rng(45))
    front, supply = solved(small_project, designs)
    every = np.flatnonzero(supply.unique)
    rng = np.random.default_rng(2)
    share = rng.uniform(0.02, 0.98, (len(every), 40))
    bus_V = share * np.minimum(supply.top_V, 16.0)[every, None]
    half = np.repeat(every, 40)
    speed, _ = held_speed(front, half, bus_V.reshape(-1))
    direct = asked(front, half, speed, bus_V.reshape(-1)).current_A.reshape(bus_V.shape)
    off = np.abs(supply.read(every, bus_V) - direct)
    most = supply.worst_bus_A[every, -1:]
    # A smooth curve over a fifth of a volt, and the exponential foot of the curve at no load.
    assert (off / most).max() < 0.02
    assert np.quantile(off / most, 0.99) < 0.004


def test_curves_against_the_twin(small_project: Project) -> None:
    """At nodes, where nothing is read along a line: speed, current and every loss."""
    designs = Space.of(small_project).draw(5, np.random.default_rng(41))
    _, supply = solved(small_project, designs)
    names = ("current_A", "gearing", "drag", "copper", "lead", "bridge", "effort")
    terms = [TERMS.index(name) if name in TERMS else TERMS.index(f"{name}_W") for name in names]
    for row in range(len(designs)):
        twin = Twin.of_design(small_project, designs, row)
        for node in (0, 5, 25, 50, 75):
            volts = supply.volts[row, node]
            near = round(volts / 0.02)
            if near >= len(twin.volts) - 1:
                continue
            # The twin stands at multiples of 20 mV; between them along a line.
            told = supply.lower[row, node]
            work = np.interp(volts, twin.volts, twin.front["crank_work"])
            for term, name in zip(terms, names, strict=True):
                expected = np.interp(volts, twin.volts, twin.front[name])
                assert told[term] == pytest.approx(expected, rel=3e-3, abs=1e-3 * work + 1e-3), (
                    row, node, name
                )  # fmt: skip
            speed = np.interp(volts, twin.volts, twin.speed)
            assert told[TERMS.index("rad_s")] == pytest.approx(speed, rel=1e-3, abs=1e-4)


def test_reading_between_nodes_is_a_line(small_project: Project) -> None:
    designs = pick(small_project, {}, {"generator": "treadmill_dc", "gearing": "planetary_8"})
    _, supply = solved(small_project, designs)
    node, half = 17, np.array([0, 1, 0])
    low, high = (supply.volts[half, at, None] for at in (node, node + 1))
    shares = np.array([0.0, 0.3, 1 - 1e-12])
    read = supply.read(half, low + (high - low) * shares, slice(None))
    ends = supply.at_nodes[half, node], supply.at_nodes[half, node + 1]
    expected = ends[0][:, None] + (ends[1] - ends[0])[:, None] * shares[:, None]
    np.testing.assert_allclose(read, expected, rtol=1e-9, atol=1e-12)
    current, everything = (supply.read(half, np.full((3, 1), 6.0), t) for t in (0, slice(None)))
    np.testing.assert_array_equal(current[:, 0], everything[:, 0, 0])


def test_an_active_bridge_wakes_at_its_start_voltage(small_project: Project) -> None:
    """Below, its body diodes carry: the current jumps there, and no line blurs the jump.

    A strong hand, that keeps its cadence: one at the limit of its force would only turn slower.
    """
    project = with_person(small_project, comfort_force_N=1e4, critical_power_W=1e4)
    designs = pick(project, {"rectifier": "active_8"}, {"rectifier": "schottky_3a"})
    front, supply = solved(project, designs)
    assert supply.start_V.tolist() == [4.0, 0.0]
    eps = 1e-6
    around = np.tile([4 - eps, 4 + eps], (2, 1))
    read = supply.read(np.array([0, 1]), around)
    speed, _ = held_speed(front, np.array([0, 0]), around[0])
    direct = asked(front, np.array([0, 0]), speed, around[0]).current_A
    np.testing.assert_allclose(read[0], direct, rtol=1e-3)
    assert read[0, 1] > read[0, 0]
    assert read[1, 1] == pytest.approx(read[1, 0], rel=1e-4)
    # From a bank lifted that far its valves drop millivolts, the Schottky diodes half a volt.
    at_6 = supply.read(np.array([0, 1]), np.full((2, 1), 6.0), slice(None))[:, 0]
    assert at_6[0, TERMS.index("bridge_W")] < 0.2 * at_6[1, TERMS.index("bridge_W")]


def test_power_at_the_crank_is_torque_times_speed(small_project: Project) -> None:
    designs = Space.of(small_project).draw(30, np.random.default_rng(42))
    front, _ = solved(small_project, designs)
    rows, bus = np.arange(30), np.full(30, 4.0)
    need = asked(front, rows, front.cadence_rad_s, bus)
    np.testing.assert_allclose(need.torque_N_m * front.cadence_rad_s, need.crank_W, rtol=1e-12)
    parts = need.gearing_W + need.drag_W + need.copper_W + need.lead_W + need.bridge_W
    np.testing.assert_allclose(parts + bus * need.current_A, need.crank_W, rtol=1e-12)
    assert TERMS[LOSSES] == ("gearing_W", "drag_W", "copper_W", "lead_W", "bridge_W")


def test_electromagnetic_power_is_what_the_shaft_gives(small_project: Project) -> None:
    """The bridge's own power, for an even hand: copper, lead, valves and bus take all of it."""
    project = with_person(small_project, unevenness=0.0)
    designs = Space.of(project).draw(30, np.random.default_rng(43))
    front, _ = solved(project, designs)
    rows, bus = np.arange(30), np.full(30, 5.5)
    need = asked(front, rows, front.cadence_rad_s, bus)
    for row in rows[front.kind == 0]:
        shaft = front.cadence_rad_s[row] * front.ratio[row]
        state = bridge.steady_state(
            emf_peak_V=front.emf_V_s[row] * shaft,
            electrical_rad_s=shaft * front.pole_pairs[row],
            resistance_ohm=front.copper_ohm[row] + front.lead_ohm[row],
            inductance_H=front.inductance_H[row],
            bus_V=5.5,
            diode_saturation_A=front.saturation_A[row],
            diode_emission_V=front.emission_V[row],
            diode_resistance_ohm=front.valve_ohm[row],
        )
        taken = need.copper_W[row] + need.lead_W[row] + need.bridge_W[row]
        taken += 5.5 * need.current_A[row]
        assert taken == pytest.approx(float(state.electromagnetic_power_W), rel=1e-9, abs=1e-12)


def test_an_uneven_hand_adds_half_a_square_of_ohmic_heat(small_project: Project) -> None:
    """Mean of (1 + a sin)^2 is 1 + a^2/2 (textbook): 24.5 % more copper loss for a = 0.7."""
    even, _ = solved(with_person(small_project, unevenness=0.0), pick(small_project))
    uneven, _ = solved(with_person(small_project, unevenness=0.7), pick(small_project))
    rows, speed, bus = np.array([0]), np.array([5.0]), np.array([4.0])
    a, b = asked(even, rows, speed, bus), asked(uneven, rows, speed, bus)
    for name in ("copper_W", "lead_W"):
        assert getattr(b, name)[0] == pytest.approx(1.245 * getattr(a, name)[0], rel=1e-12)
    angle = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    assert np.mean((1 + 0.7 * np.sin(angle)) ** 2) == pytest.approx(1.245, rel=1e-12)
    assert b.current_A[0] == a.current_A[0]


def test_lowest_root_is_taken_and_told(small_project: Project) -> None:
    """Short-circuit torque peaks at w_e L = R: a weak hand stays below the peak.

    A machine of much inductance, shorted: T = 3/2 p psi^2 w_e R/(R^2 + (w_e L)^2) (textbook).
    """
    project = with_part(
        small_project, "generator", "hub_small", inductance_phase_H=0.01, drag_torque_N_m=0.0,
        drag_viscous_N_m_s=0.0,
    )  # fmt: skip
    project = with_part(
        project, "rectifier", "active_8", resistance_ohm=1e-6, body_drop_V=0.0, start_V=0.0
    )
    project = with_part(project, "gearing", "belt_4", drag_torque_N_m=0.0, efficiency=1.0)
    project = with_person(project, unevenness=0.0, comfort_force_N=9.0, power_share=1.0)
    front, _ = solved(project, pick(project, {"rectifier": "active_8", "cadence_rpm": 120.0}))
    speed, unique = held_speed(front, np.array([0]), np.array([0.0]))
    ohm = front.copper_ohm[0] + front.lead_ohm[0] + front.valve_ohm[0]
    flux, pairs, henry = front.emf_V_s[0] / 15, 15, 0.01

    def torque(crank: float) -> float:
        electrical = crank * 4 * pairs
        at_shaft = 1.5 * pairs * flux**2 * electrical * ohm / (ohm**2 + (electrical * henry) ** 2)
        return float(4 * at_shaft)

    limit = 9.0 * 0.17
    peak = ohm / henry / (4 * pairs)
    assert torque(peak) > limit > torque(front.cadence_rad_s[0])
    lowest = brentq(lambda w: torque(w) - limit, 0.0, peak)
    # The exact bridge at a short circuit, half a percent.
    assert speed[0] == pytest.approx(lowest, rel=5e-3)
    assert not unique[0]


def test_stuck_chain_stands_still(small_project: Project) -> None:
    project = with_person(small_project, comfort_force_N=1.0)
    _, supply = solved(project, pick(project, {"generator": "hub_small"}))
    assert np.all(supply.at_nodes[0, :, TERMS.index("rad_s")] == 0)
    assert np.all(supply.at_nodes[0, :, TERMS.index("current_A")] == 0)
    # It is asked for its static drag all the same.
    assert supply.start_torque_N_m[0] == pytest.approx(0.14 * 4 / 0.96 + 0.1)


def test_no_load_voltage_bounds_what_a_bus_reaches(small_project: Project) -> None:
    designs = Space.of(small_project).draw(40, np.random.default_rng(44))
    front, supply = solved(small_project, designs)
    rows = np.arange(40)
    bound = no_load_V(front, rows, front.cadence_rad_s)
    flowing = supply.at_nodes[:, :, 0] > 1e-3
    highest = np.where(flowing, supply.volts, 0.0).max(axis=1)
    assert np.all(highest <= bound)
    faster = no_load_V(front, rows, 1.25 * front.cadence_rad_s)
    np.testing.assert_allclose(faster, 1.25 * bound)


def test_winding_is_warm(small_project: Project) -> None:
    """IEC 60028: 40 K above 20 C is 15.7 % more resistance."""
    front, _ = solved(small_project, pick(small_project))
    assert small_project.study.session.winding_C == 60
    assert front.copper_ohm[0] == pytest.approx(0.22 * (1 + 0.00393 * 40))


def test_leads_of_a_phase(small_project: Project) -> None:
    """One conductor of a star's three, both of a winding of its own."""
    designs = pick(small_project, {}, {"generator": "stepper_long"}, {"generator": "treadmill_dc"})
    front, _ = solved(small_project, designs)
    np.testing.assert_allclose(front.lead_ohm, [0.035, 0.07, 0.07])


def test_halves_are_shared(small_project: Project) -> None:
    designs = pick(
        small_project, {}, {"cell": "cell_5f"}, {"cadence_rpm": 51.0}, {"crank": "crank_mid"}
    )
    first, half = distinct(designs)
    assert len(first) == 2
    assert half[0] == half[1] == half[3] != half[2]
    for row, where in enumerate(half):
        for link in ("crank", "gearing", "generator", "lead", "rectifier"):
            assert designs.parts[link][first[where]] == designs.parts[link][row]


def test_more_cadence_is_never_less_current_while_the_hand_can(small_project: Project) -> None:
    """Without a limit of the hand; the torque of a stiff bus has one root then."""
    project = with_person(small_project, comfort_force_N=1e4, critical_power_W=1e4)
    designs = pick(project, *({"cadence_rpm": rpm} for rpm in (30.0, 50.0, 70.0, 90.0)))
    _, supply = solved(project, designs)
    bus_V = np.tile(np.linspace(0.0, 20.0, 80), (4, 1))
    assert np.all(np.diff(supply.read(np.arange(4), bus_V), axis=0) >= -1e-3)
    assert supply.unique.all()


def test_every_voltage_is_read_in_its_own_piece(small_project: Project) -> None:
    """Also where the last node has moved down to where an active bridge wakes."""
    designs = pick(small_project, {"rectifier": "active_8"})
    _, usual = solved(small_project, designs)
    late = with_part(small_project, "rectifier", "active_8", start_V=float(usual.top_V[0]) * 0.999)
    _, supply = solved(late, designs)
    assert supply.top_V[0] < usual.top_V[0]
    row = np.zeros(1, dtype=np.int64)
    for volts in supply.top_V * np.linspace(0.0, 0.9999, 997)[:, None]:
        left = int(supply.locate(row, volts[:, None])[0, 0])
        assert supply.volts[0, left] <= volts[0] < supply.volts[0, left + 1]


def test_nodes_are_found_from_their_voltages(small_project: Project) -> None:
    """Place and voltage are each other's inverse, on both sides of the foot and in it."""
    designs = Space.of(small_project).draw(60, np.random.default_rng(3))
    halves, _ = solved(small_project, designs)
    top_V = no_load_V(halves, np.arange(len(halves)), halves.cadence_rad_s) + 0.3
    spacing = Spacing.of(halves, top_V)
    places = np.linspace(0.0, 1.0, 400) * spacing.place(top_V)[:, None]
    volts = spacing.volts(places)
    assert np.all(np.diff(volts, axis=1) > 0)
    assert volts[:, -1] == pytest.approx(top_V, rel=1e-12)
    np.testing.assert_allclose(spacing.place(volts), places, rtol=1e-9, atol=1e-9)
