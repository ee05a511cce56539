"""What must hold for any chain at all, on random designs of random parts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import rows as row_tables
from explorer.model.costing import bill, costs, mass_kg, quantities
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.kernels.accounts import TERMS as LEDGER
from explorer.model.kernels.curve import AT_EFFORT, AT_SPEED, AT_TORQUE
from explorer.model.kernels.points import curves
from explorer.model.regimes import CHATTERING, CYCLING, FLOODED, STARVED
from explorer.model.simulate import Care, solve
from explorer.model.space import Designs, Space
from explorer.model.unloaded import Fronts
from tests.helpers.chains import pick, with_pack, with_part, with_person, with_study
from tests.helpers.invented import at_prices

SPREAD = {
    "gearing": ("drag_torque_N_m",),
    "generator": (
        "emf_phase_V_s", "resistance_phase_ohm", "inductance_phase_H", "drag_torque_N_m",
        "drag_viscous_N_m_s",
    ),
    "lead": ("resistance_ohm", "drag_torque_N_m"),
    "rectifier": ("saturation_A", "resistance_ohm", "leakage_A", "supply_A"),
    "cell": ("capacitance_F", "esr_ohm", "leakage_A", "balancing_ohm"),
    "clamp": ("resistance_ohm",),
    "window": ("on_resistance_ohm", "supply_A"),
    "converter": ("loss_W", "loss_per_input_V", "loss_per_input_A", "loss_per_input_A2"),
    "pack_lead": ("resistance_ohm",),
}  # fmt: skip
"""Fields that random parts have up to threefold or a third of."""
few = settings(
    max_examples=6,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
seeds = st.integers(0, 2**32 - 1)


def at_random(project: Project, seed: int, count: int = 40) -> tuple[Project, Designs]:
    """Parts with random values, and random designs of them."""
    rng = np.random.default_rng(seed)
    parts = dict(project.catalogue.parts)
    for link, fields in SPREAD.items():
        parts[link] = tuple(
            part.model_copy(update={f: getattr(part, f) * 3 ** rng.uniform(-1, 1) for f in fields})
            for part in parts[link]
        )
    project = replace(project, catalogue=replace(project.catalogue, parts=parts))
    return project, Space.of(project).draw(count, rng)


def work(found: Evaluation) -> np.ndarray:
    return np.asarray(found.ledger_J["crank_work"])


@few
@given(seed=seeds, pack=st.sampled_from(["telemetry_pack", "regulating_pack", "retrying_pack"]))
@example(seed=26, pack="retrying_pack")  # its mean comes below what the converter can hold
@example(seed=10586, pack="retrying_pack")  # open above any voltage that may be touched
@example(seed=99, pack="retrying_pack")  # and one whose window opens for good
def test_ledger_closes_and_no_link_gives_more_than_it_takes(
    small_project: Project, seed: int, pack: str
) -> None:
    project, designs = at_random(with_study(small_project, "session", packs=(pack,)), seed)
    found = evaluate(project, designs)
    terms = [found.ledger_J[name] for name in LEDGER]
    np.testing.assert_allclose(sum(terms), work(found), rtol=1e-6, atol=1e-9)
    # Rounding apart, every term is a loss or a gain of the pack or the bank: an efficiency above 1
    # would need a negative one.
    for name, term in zip(LEDGER, terms, strict=True):
        assert np.all(term >= -1e-9 * (1 + work(found))), name
    assert all(np.all(np.isfinite(term)) for term in terms)
    person = project.catalogue.operators[project.study.session.operators[0]]
    most = person.critical_power_W * 60 * project.study.session.minutes + person.reserve_J
    assert np.all(found.delivered_energy_J <= work(found) * (1 + 1e-9))
    # The hand is held at its share, to the accuracy of the speed, along lines between voltages; the
    # ripple of its own stroke comes on top, and ends in the bank's resistance.
    held = person.power_share * most * 1.001
    assert np.all(work(found) - found.ledger_J["esr"] <= held)
    stepped = evaluate(project, designs, Care.SESSION)
    assert np.all(work(stepped) - stepped.ledger_J["esr"] <= held)
    even = evaluate(with_person(project, unevenness=0.0), designs)
    assert np.all(work(even) <= held)
    assert np.all(found.delivered_energy_J < most)


@few
@given(seed=seeds)
@example(seed=64137064)  # two designs that flood and rest just over a clamp's knee
@example(seed=2523)  # one whose last node moves down to where its bridge wakes
@pytest.mark.parametrize("care", [Care.FILTER, Care.SESSION])
def test_stored_energy_is_that_of_the_bank(small_project: Project, seed: int, care: Care) -> None:
    """C V^2/2 (textbook), none excepted; and a bus at rest is one where nothing is left over."""
    project, designs = at_random(small_project, seed, 30)
    (done,) = solve(project, designs, care).values()
    bank_F, result = done.need["capacitance_F"][:, 0], done.result
    stored = result["stored_J"]
    np.testing.assert_allclose(stored, bank_F * result["end_inner_V"] ** 2 / 2, rtol=1e-9)
    most_V = np.maximum(result["highest_V"], result["end_inner_V"])
    assert np.all(stored <= bank_F * most_V**2 / 2 * (1 + 1e-9))
    assert np.all(stored >= 0)
    found = evaluate(project, designs, care)
    np.testing.assert_allclose(found.ledger_J["stored"], stored)
    flooded = result["regime"] == FLOODED
    assert np.all(result["end_bus_V"][flooded] <= result["idle_V"][flooded] + 0.5)


@few
@given(seed=seeds)
def test_hardly_turning_gives_nothing(small_project: Project, seed: int) -> None:
    project, designs = at_random(small_project, seed)
    slow = Designs(designs.parts, {**designs.settings, "cadence_rpm": np.full(len(designs), 1e-3)})
    found = evaluate(project, slow)
    assert np.all(found.delivered_energy_J == 0)
    assert np.all(found.regime == STARVED)
    assert np.all(np.isinf(found.time_to_first_charge_s))
    # A thousandth of a turn a minute against drag for ten minutes: under a joule.
    assert np.all(work(found) < 1.0)


@few
@given(seed=seeds)
def test_prices_never_change_physics(small_project: Project, seed: int) -> None:
    project, designs = at_random(small_project, seed, 10)
    rng = np.random.default_rng(seed)
    names = list(project.catalogue.prices.breaks)
    dear = at_prices(project, {name: float(rng.uniform(1, 100)) for name in names})
    one, other = evaluate(project, designs), evaluate(dear, designs)
    for name in ("delivered_energy_J", "mass_kg", "crank_effort_percent", "regime"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    for name in one.margins:
        np.testing.assert_array_equal(one.margins[name], other.margins[name])


BETTER = {
    "generator": ("resistance_phase_ohm", "drag_torque_N_m", "drag_viscous_N_m_s"),
    "lead": ("resistance_ohm",),
    "rectifier": ("resistance_ohm",),
    "cell": ("leakage_A",),
    "window": ("on_resistance_ohm", "supply_A"),
    "converter": ("loss_W", "loss_per_input_A", "loss_per_input_A2"),
    "pack_lead": ("resistance_ohm",),
}


def rises(project: Project, designs: Designs) -> np.ndarray:
    """Where the torque at the crank rises with its speed, so that a hand has one speed, (n,)."""
    one = halves(project, designs)
    rows, cadence = np.arange(len(one)), one.drives["cadence_rad_s"]
    found = np.ones(len(one), dtype=bool)
    for bus_V in (0.0, 2.0, 4.0, 6.0, 9.0):
        bus = np.full(len(one), bus_V)
        torques = [
            one.pushed(rows, share * cadence, bus).torque_N_m for share in np.linspace(0.05, 1, 20)
        ]
        found &= np.all(np.diff(torques, axis=0) >= -0.005 * np.max(torques, axis=0), axis=0)
    return found


@pytest.mark.parametrize(("link", "field"), [(k, f) for k, fs in BETTER.items() for f in fs])
def test_a_better_part_never_delivers_less(small_project: Project, link: str, field: str) -> None:
    """Overvoltage cut-off out of reach, one torque root, and a session of many cycles.

    The hand is even: of an uneven one a window opens at the stroke's crest or trough, so that a
    better part may shift a switch by half a stroke either way.

    With the cut-off it can: less loss floods the bus. Within one cycle it can, too: the session may
    end just after the worse part's draw.
    """
    project = with_study(small_project, "session", minutes=2000.0)
    project = with_person(project, unevenness=0.0)
    designs = Space.of(project).draw(60, np.random.default_rng(31))
    far = np.full(len(designs), 63.0)
    designs = Designs(designs.parts, {**designs.settings, "overvoltage_off_V": far})
    better = project
    for part in project.catalogue.parts[link]:
        better = with_part(better, link, part.id, **{field: getattr(part, field) * 0.7})
    worse, found = evaluate(project, designs), evaluate(better, designs)
    # A pack behind less resistance is given more power, which the bank may not bear.
    power = found.delivered_energy_J, worse.delivered_energy_J
    able = rises(project, designs) & rises(better, designs)
    able &= (worse.regime != CHATTERING) & (found.regime != CHATTERING)
    assert able.sum() > 20
    cycle = np.where(np.isfinite(found.readings["cycle_s"]), found.readings["cycle_s"], 0.0)
    # One cycle, and what lines between voltages may be off.
    slack = 0.002 + np.minimum(cycle / (2000 * 60), 1.0)
    assert np.all((power[0] >= power[1] * (1 - slack))[able])


@few
@given(seed=seeds)
def test_duty_falls_with_what_the_pack_takes(small_project: Project, seed: int) -> None:
    """A cycling load that takes more is connected for a smaller share of the time.

    With an even hand: an uneven one's switches keep to its strokes.
    """
    project, designs = at_random(small_project, seed)
    project = with_person(with_study(project, "session", minutes=500.0), unevenness=0.0)
    shares, regimes = [], []
    for amps in (0.5, 1.0, 1.5, 2.0):
        found = evaluate(with_pack(project, current_A=amps), designs, Care.SESSION)
        shares.append(found.readings["on_share"])
        regimes.append(found.regime)
    for k in range(3):
        both = (regimes[k] == CYCLING) & (regimes[k + 1] == CYCLING)
        assert np.all((shares[k + 1] <= shares[k] * 1.002 + 1e-3)[both])


def halves(project: Project, designs: Designs) -> Fronts:
    return Fronts.of(project, designs, project.study.session.operators[0])


def scaled(one: Fronts, **factors: float) -> Fronts:
    """Front halves with some numbers of machine and drive times a factor."""
    machines, drives = one.machines.copy(), one.drives.copy()
    for name, factor in factors.items():
        rows = machines if name in (machines.dtype.names or ()) else drives
        rows[name] *= factor
    return replace(one, machines=machines, drives=drives)


def same_power(one: Fronts, other: Fronts, volts: float, speeds: float) -> None:
    """At `volts` and `speeds` times those of the first, the second gives the same powers."""
    rows = np.arange(len(one))
    for bus_V in (0.0, 3.0, 6.0, 9.0):
        bus = np.full(len(one), bus_V)
        for share in (0.2, 0.6, 1.0):
            speed = share * one.drives["cadence_rad_s"]
            a = one.pushed(rows, speed, bus)
            b = other.pushed(rows, speed * speeds, bus * volts)
            # The bridge depends on ratios alone: equal but for rounding.
            np.testing.assert_allclose(b.torque_N_m * speeds, a.torque_N_m, rtol=1e-9)
            np.testing.assert_allclose(b.current_A * volts, a.current_A, rtol=1e-9, atol=1e-12)


@few
@given(seed=seeds)
def test_twice_the_turns(small_project: Project, seed: int) -> None:
    """Ke x 2 with R, L x 4 at the same speed is twice the turns: twice the volts, half the amperes.

    Diodes and leads are scaled along, so that the whole circuit is the same in other units.
    """
    one = scaled(halves(*at_random(small_project, seed, 20)), body_saturation_A=0.0)
    other = scaled(
        one, emf_V_s=2, copper_ohm=4, circuit_ohm=4, inductance_H=4, lead_ohm=4, valve_ohm=4,
        emission_V=2, saturation_A=0.5,
    )  # fmt: skip
    same_power(one, other, 2.0, 1.0)


@few
@given(seed=seeds)
def test_twice_the_constant_at_half_the_speed(small_project: Project, seed: int) -> None:
    """Ke x 2 at half the speed needs also L x 2 (or twice the pole pairs), T_c x 2, k x 4."""
    one = halves(*at_random(small_project, seed, 20))
    # Half the gearing's ratio turns the shaft half as fast; its own drag stays at the crank.
    slow = scaled(one, ratio=0.5, emf_V_s=2, drag_N_m=1, viscous_N_m_s=4)
    slow.machines["drag_N_m"] *= 2
    same_power(one, scaled(slow, inductance_H=2), 1.0, 1.0)
    same_power(one, scaled(slow, pole_pairs=2), 1.0, 1.0)


@few
@given(seed=seeds)
def test_power_asked_rises_with_speed(small_project: Project, seed: int) -> None:
    """At a fixed bus voltage, which torque may not: why power has one limit and force several."""
    one = halves(*at_random(small_project, seed, 20))
    rows, cadence = np.arange(len(one)), one.drives["cadence_rad_s"]
    for bus_V in (0.0, 5.0, 10.0):
        bus = np.full(len(one), bus_V)
        powers = [
            share * cadence * one.pushed(rows, share * cadence, bus).torque_N_m
            for share in np.linspace(0, 1, 25)
        ]
        # Interpolation in the bridge's table may ripple by its accuracy of half a percent.
        assert np.all(np.diff(powers, axis=0) >= -0.005 * np.max(powers, axis=0) - 1e-9)


@few
@given(seed=seeds)
def test_held_speed_never_asks_too_much(small_project: Project, seed: int) -> None:
    """By torques straight from the bridge's map, where the speed was found in a machine's table."""
    project, designs = at_random(small_project, seed, 20)
    one, front = halves(project, designs), row_tables.rowed(project, designs)
    hand = row_tables.shift_of(one.person, 600.0)
    found = curves(front.machines, front.trio, front.drives, hand, 60)
    rows, radius = np.arange(len(one)), one.drives["radius_m"]
    held_W = one.person.critical_power_W + one.person.reserve_J / 600.0
    for node in (0, 15, 30, 45):
        speed, bus_V = found.columns[:, node, AT_SPEED], found.volts[:, node]
        turning = speed > 0
        assert np.all(speed <= one.drives["cadence_rad_s"] * (1 + 1e-12))
        torque = one.pushed(rows, speed, bus_V).torque_N_m
        # Lines between a table's nodes: at start-up, far below the knee, up to three percent.
        np.testing.assert_allclose(
            found.columns[turning, node, AT_TORQUE], torque[turning], rtol=0.03, atol=0.01
        )
        torque = found.columns[:, node, AT_TORQUE]
        effort = np.maximum(
            torque * speed / (one.person.power_share * held_W),
            torque / (one.person.comfort_force_N * radius),
        )
        np.testing.assert_allclose(
            found.columns[turning, node, AT_EFFORT], np.minimum(effort, 1.0)[turning], rtol=1e-6
        )
        assert np.all(effort[turning] <= 1 + 1e-6)
        # Below the cadence one of the two is what holds the hand back.
        slower = turning & (speed < one.drives["cadence_rad_s"] * (1 - 1e-9))
        assert np.all(effort[slower] >= 1 - 1e-6)


def frozen(designs: Designs) -> Designs:
    for array in (*designs.parts.values(), *designs.settings.values()):
        array.setflags(write=False)
    return designs


def test_inputs_are_not_touched(small_project: Project) -> None:
    designs = Space.of(small_project).draw(50, np.random.default_rng(3))
    copies = {name: array.copy() for name, array in {**designs.parts, **designs.settings}.items()}
    evaluate(small_project, frozen(designs))
    costs(small_project, designs)
    mass_kg(small_project, designs)
    for name, array in {**designs.parts, **designs.settings}.items():
        np.testing.assert_array_equal(array, copies[name])


def test_a_design_does_not_depend_on_its_company(small_project: Project) -> None:
    """Stored results are kept by content, so that batches and their order must not matter."""
    designs = Space.of(small_project).draw(40, np.random.default_rng(4))
    together = evaluate(small_project, designs)
    order = np.random.default_rng(5).permutation(40)
    shuffled = evaluate(small_project, designs.take(order))
    names = ("delivered_energy_J", "crank_effort_percent", "mass_kg", "time_to_first_charge_s")
    for name in names:
        # The order of summation may differ by rounding.
        np.testing.assert_allclose(
            getattr(shuffled, name), getattr(together, name)[order], rtol=1e-9
        )
    for row in range(0, 40, 4):
        alone = evaluate(small_project, designs.take(np.array([row])))
        assert alone.regime[0] == together.regime[row]
        for name in names:
            assert getattr(alone, name)[0] == pytest.approx(getattr(together, name)[row], rel=1e-9)


@few
@given(seed=seeds, kits=st.integers(1, 20))
def test_bill_is_quantities_times_prices(small_project: Project, seed: int, kits: int) -> None:
    project = with_study(small_project, "prices", build_quantity=kits)
    designs = Space.of(project).draw(15, np.random.default_rng(seed))
    total, mass = costs(project, designs), mass_kg(project, designs)
    taken = quantities(project.catalogue, designs)
    for row in range(len(designs)):
        lines: list[dict[str, Any]] = bill(project, designs, row)
        assert [line["link"] for line in lines] == list(LINKS)
        assert [line["quantity"] for line in lines] == [int(taken[link][row]) for link in LINKS]
        money = sum(line["bought"] * line["unit_price"] for line in lines) / kits
        assert float(total[row]) == pytest.approx(money, abs=5e-10)  # nine digits after the point
        assert float(mass[row]) == pytest.approx(sum(line["mass_kg"] for line in lines), rel=1e-12)


def test_quantities_by_hand(small_project: Project) -> None:
    """Six valves of a three-phase bridge, eight of two single-phase ones, one blocking diode."""
    designs = pick(
        small_project,
        {"cells_series": 6, "cells_parallel": 2},
        {"generator": "stepper_long"},
        {"generator": "treadmill_dc", "clamp": "bus_clamp"},
    )
    taken = quantities(small_project.catalogue, designs)
    assert taken["rectifier"].tolist() == [6, 8, 1]
    assert taken["cell"].tolist() == [12, 5, 5]
    assert taken["clamp"].tolist() == [1, 1, 1]
    assert taken["crank"].tolist() == [1, 1, 1]


def test_owned_parts_are_free_and_breaks_count(small_project: Project) -> None:
    designs = pick(small_project)
    (total,) = costs(small_project, designs)
    (less,) = costs(replace(small_project, what_if={"hub_small": None}), designs)
    assert total - less == pytest.approx(14.00)
    many = with_study(small_project, "prices", build_quantity=10)
    # Sixty diodes at 0.19 instead of 0.28 from 50 on; six in each kit.
    assert total - costs(many, designs)[0] == pytest.approx(6 * 0.09)
