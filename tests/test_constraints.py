"""Margins recomputed by hand for chains of the small study, with formulas written down here."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model import margins as rule_margins
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.kernels import accounts
from explorer.model.kernels.records import Records
from explorer.model.margins import EXTRA_LOW_VOLTAGE_V, LEAST_CYCLE_S
from explorer.model.regimes import CHATTERING, CYCLING, FLOODED, STEADY
from explorer.model.rules import RULES
from explorer.model.simulate import Care, simulate, solve
from explorer.model.space import Space
from tests.helpers.chain_twin import Run, Twin
from tests.helpers.chains import pick, with_pack, with_part, with_person, with_study

LINE = 0.005
"""Curves are read along lines between voltages up to a few tenths apart: half a percent."""


def one(project: Project, **change: object) -> Evaluation:
    return evaluate(project, pick(project, dict(change)))


def mean_session(project: Project, **change: object) -> tuple[Records, dict[str, np.ndarray]]:
    """The filtered session, which follows the mean of the strokes as the twin does, and margins."""
    designs = pick(project, dict(change))
    (done,) = solve(project, designs, Care.FILTER).values()
    return done.result, rule_margins.margins(project, designs, done)


def margin(found: Evaluation, name: str) -> float:
    return float(found.margins[name][0])


def test_every_rule_has_a_margin_and_every_margin_a_rule(small_project: Project) -> None:
    project = with_study(small_project, "limits", mass_kg=5.0, crank_effort_percent=100.0,
                         delivered_energy_J=10.0)  # fmt: skip
    found = one(project)
    assert set(found.margins) == set(RULES) - {"limit_cost"}
    for name, rule in RULES.items():
        assert name.endswith(rule.unit.replace("N m", "N_m").replace("%", "percent")), name
        assert rule.description.endswith(".")
    np.testing.assert_array_equal(
        found.feasible, np.all([m >= 0 for m in found.margins.values()], axis=0)
    )


def test_extra_low_voltage_is_60_V_dc_dry() -> None:
    """IEC 61140 and IEC 60364-4-41: ripple-free DC, dry."""
    assert EXTRA_LOW_VOLTAGE_V == 60
    assert LEAST_CYCLE_S == 2


def test_margins_of_the_front_half(small_project: Project) -> None:
    found = one(small_project)  # hub_small behind belt_4 at 50 rpm, 170 mm: let go, 150 rpm
    # Drag from rest: 0.14 N m at the hub, through 4:1 with 96 %, and 0.1 N m of the belt.
    drag = 0.14 * 4 / 0.96 + 0.1
    assert margin(found, "turnable_N_m") == pytest.approx(40 * 0.17 - drag, rel=1e-9)
    assert margin(found, "generator_speed_rpm") == pytest.approx(900 - 150 * 4, rel=1e-9)
    shaft = 150 * 4 * np.pi / 30
    open_V = 0.6 * shaft  # line to line, peak: the bus of the open chain
    assert margin(found, "extra_low_voltage_V") == pytest.approx(60 - open_V, rel=1e-9)
    assert margin(found, "diode_reverse_V") == pytest.approx(40 - open_V - 1.0, rel=1e-9)
    # Five cells of 2.7 V: one 2.5 % low and four 2.5 % high for the rating, 95 % of it for life.
    fullest = 5 * (1 / 0.975) / (1 / 0.975 + 4 / 1.025)
    assert margin(found, "cell_voltage_V") == pytest.approx(5 * 2.7 - fullest * open_V, rel=1e-9)
    assert margin(found, "cell_life_V") == pytest.approx(5 * 2.7 * 0.95 - open_V, rel=1e-9)
    # The window bears 20 V; the converter 22 V, but it is cut off at 10.5 V and 3.7 %.
    assert margin(found, "input_voltage_V") == pytest.approx(
        min(20 - open_V, 22 - min(highest(10.5), open_V)), rel=1e-9
    )


def test_a_brushed_machine_turned_backwards(small_project: Project) -> None:
    """The one diode in line stands between a full bus and an EMF of the other sign."""
    brushed = with_part(
        small_project, "generator", "hub_small", kind="brushed_dc", emf_phase_V_s=0.3
    )
    open_V = 0.3 * 150 * 4 * np.pi / 30
    assert margin(one(brushed), "diode_reverse_V") == pytest.approx(40 - 2 * open_V, rel=1e-9)


def lowest(volts: float) -> float:
    """A threshold of the 1.3 V comparators (3.5 %) with 1 % resistors, all low but the bottom."""
    return 0.965 * (1.3 + (volts - 1.3) * 0.99 / 1.01)


def highest(volts: float) -> float:
    return 1.035 * (1.3 + (volts - 1.3) * 1.01 / 0.99)


def test_unturnable_chain_is_told(small_project: Project) -> None:
    heavy = with_part(small_project, "generator", "hub_small", drag_torque_N_m=2.0)
    found = one(heavy)
    assert margin(found, "turnable_N_m") == pytest.approx(40 * 0.17 - (2.0 * 4 / 0.96 + 0.1))
    assert margin(found, "turnable_N_m") < 0
    assert found.delivered_energy_J[0] == 0
    assert found.ledger_J["crank_work"][0] == pytest.approx(0, abs=1e-12)


def test_margins_of_the_back_half(small_project: Project) -> None:
    found = one(small_project)
    twin = Twin.of_design(small_project, pick(small_project), 0)
    intake = float(np.interp(5.0, twin.volts, twin.drawn["current_A"]))
    # Off 5 V at its lowest, less the switch's drop, above the converter's least 3 V.
    assert margin(found, "undervoltage_guard_V") == pytest.approx(
        lowest(5) - 0.06 * intake - 3.0, rel=1e-4
    )
    assert margin(found, "overvoltage_order_V") == pytest.approx(lowest(10.5) - highest(6.8))
    esr = 5 * 0.042
    assert margin(found, "chatter_V") == pytest.approx(
        lowest(6.8) - highest(5) - 1.5 * esr * intake, rel=1e-4
    )
    # The window limits at 6 A less 15 %, the converter at 4.5 A.
    assert margin(found, "converter_current_A") == pytest.approx(4.5 - intake, rel=1e-4)
    assert margin(found, "converter_output_A") == pytest.approx(2.2 - 2.0)
    assert margin(found, "pack_input_V") == pytest.approx(5.1 - 2 * 0.055 - 4.4)
    assert margin(found, "pack_lead_current_A") == pytest.approx(3 - 2.0)


def test_a_load_that_the_bus_cannot_sustain_breaks_every_rule_on_its_current(
    small_project: Project,
) -> None:
    weak = with_part(small_project, "window", "window_plain", on_resistance_ohm=2.0)
    found = one(weak)
    for name in ("chatter_V", "converter_current_A"):
        assert margin(found, name) == -np.inf
    assert not found.feasible[0]


def test_regulating_pack_is_never_too_much(small_project: Project) -> None:
    found = one(with_pack(small_project, kind="regulating", hold_V=4.5))
    assert margin(found, "converter_current_A") == np.inf
    assert margin(found, "pack_input_V") == np.inf


def test_margins_on_the_way_up(small_project: Project) -> None:
    """Currents, torque and heat at their worst between the empty bank and the highest bus."""
    found = one(small_project)
    twin = Twin.of_design(small_project, pick(small_project), 0)
    seen = twin.volts <= float(found.readings["peak_V"][0])
    stroke = 1.7
    worst = {name: float(values[seen].max()) for name, values in twin.front.items()}
    about = {"rel": LINE, "abs": 0.01}
    assert margin(found, "generator_current_A") == pytest.approx(
        12 - stroke * worst["phase_A"], **about
    )
    assert margin(found, "lead_current_A") == pytest.approx(6 - stroke * worst["phase_A"], **about)
    assert margin(found, "diode_current_A") == pytest.approx(3 - worst["current_A"] / 3, **about)
    assert margin(found, "crank_torque_N_m") == pytest.approx(
        60 - stroke * worst["torque_N_m"], **about
    )
    assert margin(found, "gear_torque_N_m") == pytest.approx(
        22 - stroke * worst["torque_N_m"], **about
    )
    junction = 25 + worst["bridge"] / 6 * 40
    assert margin(found, "diode_junction_K") == pytest.approx(125 - junction, **about)
    start = float(twin.front["torque_N_m"][0]) / 0.17
    assert margin(found, "peak_handle_force_N") == pytest.approx(150 - stroke * start, **about)


def test_margins_of_the_session(small_project: Project) -> None:
    done, margins = mean_session(small_project)
    twin = Twin.of_design(small_project, pick(small_project), 0)
    outcome = twin.session()
    net = twin.net_A("open")
    idle = twin.volts[np.flatnonzero(net <= 0)[0]]
    # Where the last milliamperes meet the leakage; lines between voltages 0.3 V apart overstate.
    assert margins["reaches_window_V"][0] == pytest.approx(idle - 6.8 * 1.037, abs=0.15)
    assert 300 - done["first_charge_s"][0] == pytest.approx(
        300 - outcome.first_charge_s, abs=LINE * outcome.first_charge_s
    )
    power = outcome.energies_J["crank_work"] / 600
    assert margins["endurance_W"][0] == pytest.approx(51 - power, abs=LINE * power)
    # The study's limit on the first charge is 300 s.
    found = one(small_project)
    assert margin(found, "first_charge_s") == 300 - found.time_to_first_charge_s[0]


def test_ripple_of_a_steady_and_of_a_cycling_chain(small_project: Project) -> None:
    """dV = (a P/V) hypot(1/(pi f C), 2 ESR), C at its low end of 90 %.

    A resting bus: at its lowest, above the off threshold and the balance that the load falls from.
    A cycling one: amid the window.
    """
    seen = set()
    for cadence in (30.0, 35.0, 40.0):
        for cell in ("cell_25f", "cell_100f"):
            change = {"cadence_rpm": cadence, "cell": cell}
            done, margins = mean_session(small_project, **change)
            regime = int(done["regime"][0])
            if regime not in (STEADY, CYCLING):
                continue
            seen.add(regime)
            twin = Twin.of_design(small_project, pick(small_project, change), 0)
            rest_V, lowest_V = float(done["hold_V"][0]), 0.0
            bus_V = 5.9
            if regime == STEADY:
                # The load pulls the bus down from 6.8 V at once; then it goes up or down to rest.
                run = Run(twin)
                run.phase("open", upto=6.8)
                run.step("loaded", run.bus_V)
                bus_V, lowest_V = rest_V, min(run.bus_V, rest_V)
            amps, speed = (
                float(np.interp(bus_V, twin.volts, a))
                for a in (twin.front["current_A"], twin.speed)
            )
            stored = 1 / (np.pi * speed / (2 * np.pi) * 0.9 * twin.farad)
            swing = 0.7 * amps * np.hypot(stored, 2 * twin.esr)
            short = twin.volts[(twin.net_A("loaded") < 0) & (twin.volts < lowest_V - 0.05)]
            least = max(highest(5), *short) if short.size else highest(5)
            steady = min(lowest_V - swing / 2 - least, 10.5 - rest_V - swing / 2)
            expected = steady if regime == STEADY else 0.9 - swing
            # Half the 20 mV between the twin's voltages, twice.
            assert margins["stroke_ripple_V"][0] == pytest.approx(expected, abs=0.02)
    assert seen == {STEADY, CYCLING}


def test_a_session_has_seen_the_ripple_of_its_own_bank(small_project: Project) -> None:
    """What the filter adds to the mean as ripple, a session has in its lowest voltage; both count
    the rest of what a bank at the low end of its tolerance ripples more.
    """
    designs = pick(small_project, {"cadence_rpm": 40.0, "cell": "cell_100f"})
    quick, full = (evaluate(small_project, designs, care) for care in (Care.FILTER, Care.SESSION))
    # The load comes on at a crest, and the first trough after it is the deepest.
    assert quick.regime[0] == full.regime[0] == STEADY
    assert margin(full, "stroke_ripple_V") == pytest.approx(
        margin(quick, "stroke_ripple_V"), abs=0.1
    )


def test_an_even_hand_has_no_ripple(small_project: Project) -> None:
    found = one(with_person(small_project, unevenness=0.0), cadence_rpm=30.0)
    assert found.regime[0] == CYCLING
    assert margin(found, "stroke_ripple_V") == pytest.approx(0.9)


def test_cycles_must_last(small_project: Project) -> None:
    slow = one(small_project, cadence_rpm=30.0, cell="cell_100f")
    assert slow.regime[0] == CYCLING
    cycle = float(slow.readings["cycle_s"][0])
    assert margin(slow, "cycle_time_s") == pytest.approx(cycle - 2)
    steady = one(small_project, cadence_rpm=65.0)
    assert steady.regime[0] in (STEADY, FLOODED)
    assert margin(steady, "cycle_time_s") == np.inf


def test_a_chattering_window_fails_by_its_cycle(small_project: Project) -> None:
    """5 F cells from six in a row with three times their series resistance open at the load."""
    weak = with_part(small_project, "cell", "cell_5f", esr_ohm=0.6)
    found = one(weak, cell="cell_5f", cells_series=6)
    assert found.regime[0] == CHATTERING
    assert margin(found, "chatter_V") < 0
    assert found.delivered_energy_J[0] == 0


def test_limits_of_the_study(small_project: Project) -> None:
    limits = {"mass_kg": 3.0, "crank_effort_percent": 40.0, "delivered_energy_J": 900.0}
    free, bound = one(small_project), one(with_study(small_project, "limits", **limits))
    assert margin(bound, "limit_mass_kg") == pytest.approx(3 - float(free.mass_kg[0]))
    assert margin(bound, "limit_effort_percent") == pytest.approx(
        40 - float(free.crank_effort_percent[0])
    )
    assert margin(bound, "limit_energy_J") == pytest.approx(float(free.delivered_energy_J[0]) - 900)
    assert "limit_mass_kg" not in free.margins


def test_hazards_are_those_that_can_hurt() -> None:
    hazards = {name for name, rule in RULES.items() if rule.hazard}
    assert {"cell_voltage_V", "undervoltage_guard_V", "extra_low_voltage_V"} <= hazards
    assert {"clamp_burst_J", "clamp_power_W"} <= hazards
    assert not hazards & {"cell_life_V", "limit_mass_kg", "first_charge_s", "cycle_time_s"}


def highest_on(volts: float = 6.8) -> float:
    """What the window closes at, at the most: the turn-on threshold, or its return from a cut."""
    return max(highest(volts), 0.93 * 10.5)


def test_inrush_into_an_empty_converter(small_project: Project) -> None:
    """Common practice: bank, switch and nothing else limit the pulse, unless the switch is slow."""
    assert margin(one(small_project), "inrush_A") == np.inf  # nobody knows the converter's input
    full = with_part(small_project, "converter", "buckboost_wide", input_capacitance_F=220e-6)
    volts, ohm = highest_on(), 5 * 0.042 + 0.06
    assert margin(one(full), "inrush_A") == pytest.approx(4 * 6 - volts / ohm, rel=1e-6)
    assert margin(one(full), "inrush_J") == np.inf
    strong = with_part(full, "window", "window_plain", pulse_limit_A=60.0)
    assert margin(one(strong), "inrush_A") == pytest.approx(60 - volts / ohm, rel=1e-6)
    slow = with_part(full, "window", "window_plain", soft_start_s=0.005)
    found = one(slow)
    twin = Twin.of_design(slow, pick(slow), 0)
    load = float(np.interp(volts, twin.volts, twin.drawn["current_A"]))
    filling = 220e-6 * volts / 0.005 + load
    assert margin(found, "inrush_A") == pytest.approx(6 * 0.85 - filling, rel=1e-3)
    heat = 220e-6 * volts**2 / 2 + volts * load * 0.005 / 2
    assert margin(found, "inrush_J") == pytest.approx(0.05 - heat, rel=1e-3)


def test_a_cold_pack_is_not_charged(small_project: Project) -> None:
    """Lithium cells below freezing plate metal (common practice): the pack's row says how cold."""
    assert margin(one(small_project), "pack_temperature_K") == np.inf
    cold = with_study(with_pack(small_project, charge_min_C=0.0), "session", ambient_C=-5.0)
    found = one(cold)
    assert margin(found, "pack_temperature_K") == -5
    assert not found.feasible[0]


def test_a_hot_clamp_is_covered_or_large(small_project: Project) -> None:
    """Worked by hand: what the clamp burns for long, through its surface at 10 W/(m2 K), against
    65 °C, where bare metal burns within a second; a cover or an unknown surface says nothing."""
    clamped = with_part(
        small_project, "clamp", "no_clamp", kind="bus", threshold_V=8.0, resistance_ohm=0.25,
        power_limit_W=200.0,
    )  # fmt: skip
    heat_W = 200.0 - margin(one(clamped), "clamp_power_W")
    assert heat_W > 1
    assert margin(one(clamped), "hot_surface_K") == np.inf
    bare = with_part(clamped, "clamp", "no_clamp", surface_cm2=200.0)
    ambient_C = small_project.study.session.ambient_C
    expected = 65 - ambient_C - heat_W / (10 * 0.02)
    assert margin(one(bare), "hot_surface_K") == pytest.approx(expected, rel=1e-9)
    covered = with_part(bare, "clamp", "no_clamp", guarded=True)
    assert margin(one(covered), "hot_surface_K") == np.inf
    by_cell = with_part(bare, "clamp", "no_clamp", kind="cell", threshold_V=1.6)
    heat_W = 5 * 200.0 - margin(one(by_cell), "clamp_power_W")
    expected = 65 - ambient_C - heat_W / (10 * 0.02 * 5)
    assert margin(one(by_cell), "hot_surface_K") == pytest.approx(expected, rel=1e-9)


def test_an_overloaded_output_rises_or_not(small_project: Project) -> None:
    """A module that holds its current bears any pack; one whose output rises must give all that the
    pack may ask for; of one that nobody knows nothing is said."""
    assert margin(one(small_project), "output_overload_A") == np.inf
    rises = with_part(small_project, "converter", "buckboost_wide", overload="rises")
    row = int(pick(rises).parts["converter"][0])
    gives_A = rises.catalogue.parts["converter"][row].output_current_limit_A
    pack_A = next(iter(rises.catalogue.packs.values())).current_A
    assert margin(one(rises), "output_overload_A") == pytest.approx(gives_A - pack_A)
    greedy = with_pack(rises, current_most_A=gives_A + 0.5)
    assert margin(one(greedy), "output_overload_A") == pytest.approx(-0.5)
    assert not one(greedy).feasible[0]
    limits = with_part(greedy, "converter", "buckboost_wide", overload="limits")
    assert margin(one(limits), "output_overload_A") == np.inf


def test_protection_fits_together(small_project: Project) -> None:
    """Worked by hand at both hops: a limit at or below the next rating protects it, otherwise a
    fuse of the series between 1.5 times the working current and that rating."""
    assert margin(one(small_project), "protection_A") == np.inf
    chosen = pick(small_project)
    lead, part, window = (
        small_project.catalogue.parts[link][int(chosen.parts[link][0])]
        for link in ("pack_lead", "converter", "window")
    )
    taken_A = next(iter(small_project.catalogue.packs.values())).current_A
    known = with_part(
        small_project, "converter", part.id, overload="limits",
        output_current_limit_A=lead.current_limit_A - 0.3, input_current_limit_A=50.0,
    )  # fmt: skip
    most_A = window.current_limit_A * (1 + window.current_limit_tolerance)
    assert 50 - most_A > 0.3
    assert margin(one(known), "protection_A") == pytest.approx(0.3)
    rises = with_part(known, "converter", part.id, overload="rises")
    thick = with_part(rises, "pack_lead", lead.id, current_limit_A=4.9)
    assert margin(one(thick), "protection_A") == pytest.approx(4 / 1.5 - taken_A)
    weak = with_part(known, "converter", part.id, input_current_limit_A=5.5)
    twin = Twin.of_design(weak, pick(weak), 0)
    off_V = float(pick(weak).settings["undervoltage_off_V"][0])
    intake_A = float(np.interp(off_V, twin.volts, twin.drawn["current_A"]))
    expected = max(5 / 1.5 - intake_A, 5.5 - most_A)
    assert margin(one(weak), "protection_A") == pytest.approx(min(expected, 0.3), abs=2e-3)


def test_what_may_be_touched(small_project: Project) -> None:
    """IEC 60364-4-41, 414.4.5: 60 V DC where it is dry, 30 V elsewhere; insulated leads are
    extra-low voltage up to 50 V AC (IEC 61140), half of it where it is wet."""
    dry = one(small_project)
    wet = one(with_study(small_project, "session", wet=True))
    open_V = 0.6 * 150 * 4 * np.pi / 30  # peak between two leads
    assert margin(dry, "open_leads_V") == pytest.approx(50 - open_V / np.sqrt(2), rel=1e-9)
    assert margin(wet, "open_leads_V") == pytest.approx(25 - open_V / np.sqrt(2), rel=1e-9)
    assert margin(wet, "extra_low_voltage_V") == pytest.approx(30 - open_V, rel=1e-9)
    direct = with_part(small_project, "generator", "hub_small", kind="brushed_dc")
    assert margin(one(direct), "open_leads_V") == 50


def test_a_hand_that_stalls_breaks_a_rule(demo_project: Project) -> None:
    """Random chains turned by a light hand with a pattern: some stall, break away or hunt, and
    none of these may stand; a held hand turns them all, since it has no dead point."""
    real = with_person(demo_project, inertia_kg_m2=0.01, unevenness=0.9, unevenness_turn=0.6)
    designs = Space.of(real).draw(60, np.random.default_rng(8))
    fault = simulate(real, designs, real.study.session.crews[0], real.study.session.packs[0])[
        "fault"
    ][:, 0]
    lost = fault != accounts.SOUND
    assert {accounts.STALLS, accounts.BREAKS_AWAY} & set(fault.tolist())
    found = evaluate(real, designs, Care.SESSION)
    kept = found.margins["keeps_turning_rpm"]
    np.testing.assert_allclose(kept[lost], -designs.settings["cadence_rpm"][lost])
    assert np.all(kept[~lost] >= 0)
    assert not found.feasible[lost].any()
    held = evaluate(demo_project, designs, Care.SESSION).margins["keeps_turning_rpm"]
    assert (held >= 0).sum() > (kept >= 0).sum()
