"""Sessions: laws that hold for any chain, closed forms, and a plain twin integrated by SciPy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model import regimes
from explorer.model.kernels import accounts as acc
from explorer.model.kernels import average
from explorer.model.kernels.motion import Settings
from explorer.model.kernels.records import Records
from explorer.model.kernels.session import sessions
from explorer.model.space import Space
from explorer.model.stepped import sessions_of
from explorer.physics.bank import stored_energy
from tests.helpers.chain_twin import Twin
from tests.model.kernels.chains_of_study import (
    ADULT,
    WINDING_C,
    Chains,
    anything,
    chains,
    of_designs,
)

COLD = Settings(25.0)
WARM = Settings(25.0)
HAND = {"inertia_kg_m2": 0.046, "unevenness_turn": 0.3, "kappa_m_s": 0.6, "p_W_s2_m2": 7.5}
HANDS = {
    "even": {"unevenness": 0.0},
    "uneven": {},
    "costly": {"kappa_m_s": 0.6, "p_W_s2_m2": 7.5},
    "real": HAND,
}


def run(chains: Chains, people: Records, pack: str = "telemetry_pack", settings=COLD) -> Records:
    found, _ = sessions(
        chains.tables, chains.trio, chains.drives, chains.loads[pack], people, settings
    )
    return found


def closed(found: Records) -> None:
    """Every term from its own law, none below 0, and together the work at the crank."""
    work = found["crank_work_J"]
    terms = np.stack([found[f"{name}_J"] for name in acc.TERMS])
    assert (np.abs(terms.sum(axis=0) - work) <= 1e-6 * np.maximum(work, 1.0)).all()
    assert terms.min() >= -1e-9 * work.max()


@pytest.mark.parametrize("hand", HANDS)
@pytest.mark.parametrize("pack", ["telemetry_pack", "regulating_pack", "retrying_pack"])
def test_ledger_closes(demo_chains: Chains, warm_chains: Chains, hand: str, pack: str) -> None:
    for some, settings in ((demo_chains, COLD), (warm_chains, WARM)):
        found = run(some, some.shift(**HANDS[hand]), pack, settings)[:, 0]
        closed(found)
        farad = some.loads[pack]["capacitance_F"]
        assert found["stored_J"] == pytest.approx(
            stored_energy(farad, found["end_inner_V"]), rel=1e-9, abs=1e-9
        )


def test_shifts_share_one_bank(demo_chains: Chains) -> None:
    """Two shifts of half the time are one of the whole, but for the crank's coming to speed."""
    halves = np.concatenate([demo_chains.shift(300.0, pace_s=600.0)] * 2)
    two, one = run(demo_chains, halves), run(demo_chains, demo_chains.shift(600.0))[:, 0]
    for k in range(2):
        work = two["crank_work_J"][:, k]
        terms = np.stack([two[f"{name}_J"][:, k] for name in acc.TERMS])
        assert terms.sum(axis=0) == pytest.approx(work, abs=1e-6 * max(work.max(), 1))
    stored = two["stored_J"].sum(axis=1)
    farad = demo_chains.loads["telemetry_pack"]["capacitance_F"]
    assert stored == pytest.approx(stored_energy(farad, two["end_inner_V"][:, 1]), abs=1e-6)
    steady = (one["regime"] != regimes.CHATTERING) & (one["delivered_J"] > 200)
    assert steady.sum() > 8
    both = two["delivered_J"].sum(axis=1)
    off = np.abs(both / np.where(steady, one["delivered_J"], 1.0) - 1)[steady]
    assert np.median(off) < 5e-3
    assert off.max() < 0.06  # the stroke begins anew at its crest: a spell more or less


@pytest.mark.parametrize(
    ("drawn", "seed", "least", "esr_ohm", "share"),
    [(40, 8, 5, None, 3.5e-3), pytest.param(260, 9, 60, 1e-4, 3e-3, marks=pytest.mark.slow)],
)
def test_even_hand_against_scipy(
    demo_project: Project, drawn: int, seed: int, least: int, esr_ohm: float | None, share: float
) -> None:
    """The plain twin of the tests: dense speeds, root finding, `solve_ivp` with events. Where a
    session has more than ten spells a share of its energy, otherwise within one spell.

    The twin's bus is stiff within a pulse, which costs it up to 0.8 % with a bank's resistance: of
    125 designs with more than ten spells 7 were off by more than 0.3 %, and each of these by less
    than 0.04 % once the bank had none. So the many are judged with cells that have next to none.
    """
    project = demo_project if esr_ohm is None else with_esr(demo_project, esr_ohm)
    some = chains(project, drawn, seed)
    found = run(some, some.shift(unevenness=0.0))[:, 0]
    judged = 0
    for row in range(drawn):
        if found["regime"][row] == regimes.CHATTERING or found["delivered_J"][row] < 5:
            continue
        load = some.loads["telemetry_pack"][row]
        if load["esr_ohm"] > 0.2 or load["least_V"] > load["off_V"]:
            continue  # the twin's bus is stiff within a pulse, and its collapse 20 mV wide
        person = project.catalogue.operators[ADULT].model_copy(update={"unevenness": 0.0})
        twin = Twin.of_design(project, some.designs, row)
        twin = Twin(twin.p, twin.s, person, twin.pack, minutes=10, winding_C=WINDING_C)
        done = twin.session()
        spells = int(found["turn_ons"][row])
        spell_J = found["delivered_J"][row] / max(spells, 1)
        allowed = max(share * done.delivered_J, 2.0) if spells > 10 else max(spell_J, 5.0)
        assert abs(done.delivered_J - found["delivered_J"][row]) <= allowed, row
        # Up to 2.3 % where the hand is at its limit from an empty bank on; else below 0.5 %.
        near = 0.01 if esr_ohm is None else 0.025
        assert done.first_charge_s == pytest.approx(found["first_charge_s"][row], rel=near)
        judged += 1
    assert judged >= least


def with_esr(project: Project, esr_ohm: float) -> Project:
    """The project with cells of one resistance."""
    parts = dict(project.catalogue.parts)
    parts["cell"] = tuple(
        one.model_copy(update={"esr_ohm": esr_ohm}) if hasattr(one, "esr_ohm") else one
        for one in parts["cell"]
    )
    return replace(project, catalogue=replace(project.catalogue, parts=parts))


def test_jumps_stand_for_what_they_jump(demo_chains: Chains) -> None:
    for hand in ("uneven", "real"):
        person = demo_chains.shift(**HANDS[hand])
        quick = run(demo_chains, person)[:, 0]
        whole = run(demo_chains, person, settings=COLD._replace(jumps=False))[:, 0]
        assert quick["jumps"].sum() > 20
        assert whole["jumps"].sum() == 0
        many = (whole["turn_ons"] > 10) & (whole["delivered_J"] > 100)
        off = np.abs(quick["delivered_J"] / np.maximum(whole["delivered_J"], 1) - 1)
        assert np.median(off[whole["delivered_J"] > 100]) < 2e-3
        spell_J = whole["delivered_J"] / np.maximum(whole["turn_ons"], 1)
        allowed = np.maximum(0.01 * whole["delivered_J"], 1.05 * spell_J)
        keeps = np.abs(quick["delivered_J"] - whole["delivered_J"]) <= allowed
        assert keeps[many].mean() > 0.9
        tame = whole["fault"] != acc.BREAKS_AWAY  # no two strokes of a hand that does are alike
        assert tame.sum() > 35
        assert quick["crank_work_J"][tame] == pytest.approx(
            whole["crank_work_J"][tame], rel=0.01, abs=5
        )


def test_a_bank_alone_discharges_exponentially(demo_chains: Chains) -> None:
    """Textbook RC: `V = V0 exp(-t/((R + ESR) C))` with the balancing resistors as the only load."""
    still = demo_chains.drives.copy()
    still["cadence_rad_s"] = 0.0
    bare = demo_chains.loads["telemetry_pack"].copy()
    bare["balancing_S"] = 0.01
    for name in ("leakage_S", "reverse_leakage_A", "bridge_supply_A", "window_supply_A", "clamp_S"):
        bare[name] = 0.0
    settings = COLD._replace(frozen=True, start_V=6.0)
    found, _ = sessions(
        demo_chains.tables, demo_chains.trio, still, bare, demo_chains.shift(30.0), settings
    )
    seconds = (100.0 + bare["esr_ohm"]) * bare["capacitance_F"]
    expected = 6.0 * np.exp(-30.0 / seconds)
    assert found["end_inner_V"][:, 0] == pytest.approx(expected, rel=1e-3)


def test_nobody_turning_brings_nothing(demo_chains: Chains) -> None:
    still = demo_chains.drives.copy()
    still["cadence_rad_s"] = 0.0
    found, _ = sessions(
        demo_chains.tables, demo_chains.trio, still, demo_chains.loads["telemetry_pack"],
        demo_chains.shift(), COLD,
    )  # fmt: skip
    assert np.abs(found["crank_work_J"]).max() < 1e-9
    assert np.isinf(found["first_charge_s"]).all()


def test_a_great_inertia_is_held_speed(demo_project: Project) -> None:
    """Speed then hardly changes within a turn, nor the current: an even hand's session.

    Once the crank is at speed, and for a hand that is never at its limit: one that is slows with
    the bus of the moment at held speed, and with that of some turns behind a heavy crank.
    """
    some = chains(demo_project, 120, 11)
    giant = {"critical_power_W": 1e3, "comfort_force_N": 2e3, "force_limit_N": 5e3,
             "sprint_torque_N_m": 2e3}  # fmt: skip
    held = run(some, some.shift(unevenness=0.0, **giant))[:, 0]
    heavy = run(some, some.shift(inertia_kg_m2=20.0, **giant))[:, 0]
    # A crank that is still coming to speed, or that overshoots, may settle in another regime.
    alike = np.isin(held["regime"], (regimes.CYCLING, regimes.STEADY))
    alike &= (held["delivered_J"] > 300) & (heavy["regime"] == held["regime"])
    alike &= held["at_limit_s"] < 6
    assert alike.sum() >= 12
    watts = [
        found["delivered_J"][alike] / (600 - found["first_charge_s"][alike])
        for found in (held, heavy)
    ]
    off = np.abs(watts[1] / watts[0] - 1)
    assert np.percentile(off, 90) < 2e-3
    assert off.max() < 0.02
    assert heavy["swing_share"][alike].max() < 0.05


def test_a_great_heat_capacity_is_a_fixed_temperature(demo_project: Project) -> None:
    warm = chains(demo_project, 16, 2, heat=True)
    warm.tables.rows["heat_capacity_J_per_K"] = 1e12
    warm.tables.rows["thermal_K_per_W"] = 0.0
    fixed = warm.tables._replace(rows=warm.tables.rows.copy())
    fixed.rows["heat_capacity_J_per_K"] = 0.0
    one = run(warm, warm.shift(unevenness=0.0), settings=WARM)[:, 0]
    other = run(warm._replace(tables=fixed), warm.shift(unevenness=0.0), settings=WARM)[:, 0]
    # Cycles are jumped on the first that is like the one before, or weighed where windings warm.
    assert one["delivered_J"] == pytest.approx(other["delivered_J"], rel=2e-6, abs=1e-6)


def test_no_window_wide_enough_is_given_up_as_chattering(demo_project: Project) -> None:
    """The session finds by its steps what the rule says of the band against the bank's drop."""
    found = sessions_of(demo_project, Space.of(demo_project).draw(400, np.random.default_rng(2024)))
    given_up = found.regime == regimes.CHATTERING
    assert given_up.sum() > 20
    assert (found.margins["chatter_V"] >= 0).sum() > 20
    assert found.margins["chatter_V"][given_up].max() < 0


@pytest.mark.parametrize("pack", ["telemetry_pack", "retrying_pack", "regulating_pack"])
def test_jumped_cycles_of_an_even_hand_are_those_stepped(demo_chains: Chains, pack: str) -> None:
    """Also where the first cycle is unlike the others: a window that closes at once after it has
    opened, since the bus springs up, meets a bank that is fuller than the first time."""
    even = COLD._replace(even=True)
    jumped, stepped = (
        run(demo_chains, demo_chains.shift(), pack, even._replace(jumps=jumps))[:, 0]
        for jumps in (True, False)
    )
    # A window that chatters is stepped until it is sure to.
    cycles = (stepped["turn_ons"] > 3) & (stepped["regime"] != regimes.CHATTERING)
    assert cycles.sum() >= 2
    np.testing.assert_array_equal(jumped["regime"], stepped["regime"])
    # Two cycles count as alike within 0.1 mV.
    assert jumped["delivered_J"] == pytest.approx(stepped["delivered_J"], rel=2e-5, abs=1e-6)
    assert (jumped["steps"] < stepped["steps"])[cycles].all()


def test_windings_warm_by_their_copper(warm_chains: Chains) -> None:
    found = run(warm_chains, warm_chains.shift(), settings=WARM)[:, 0]
    rows = warm_chains.tables.rows
    expected = 25 + found["copper_J"] / rows["heat_capacity_J_per_K"]
    assert found["winding_C"] == pytest.approx(expected, rel=1e-6)
    assert found["winding_C"].max() > 40


def test_the_filter_is_near_the_session_of_an_even_hand(demo_chains: Chains) -> None:
    person = demo_chains.shift(unevenness=0.0)
    load = demo_chains.loads["telemetry_pack"]
    rough = average.averages(
        demo_chains.tables, demo_chains.trio, demo_chains.drives, load, person, COLD
    )[:, 0]
    fine = run(demo_chains, person)[:, 0]
    assert (rough["regime"] == fine["regime"]).all()
    counts = fine["delivered_J"] > 50
    off = np.abs(rough["delivered_J"] / np.maximum(fine["delivered_J"], 1) - 1)[counts]
    assert np.percentile(off, 90) < 0.015  # half of the band that is left to sessions
    # Where the curve of held speed jumps, its nodes are a quarter of a volt apart.
    assert rough["effort"] == pytest.approx(fine["effort"], rel=0.03, abs=1e-3)
    assert rough["effort"][counts] == pytest.approx(fine["effort"][counts], rel=0.01)


def test_more_of_a_person_delivers_no_less(demo_chains: Chains) -> None:
    weak = run(demo_chains, demo_chains.shift(critical_power_W=30.0, unevenness=0.0))[:, 0]
    strong = run(demo_chains, demo_chains.shift(critical_power_W=60.0, unevenness=0.0))[:, 0]
    # Who is stronger may lose the load for good, or chatter.
    goes = (weak["regime"] <= regimes.STEADY) & (strong["regime"] <= regimes.STEADY)
    assert goes.sum() > 20
    spell_J = weak["delivered_J"] / np.maximum(weak["turn_ons"], 1)
    allowed = 0.995 * weak["delivered_J"] - spell_J
    assert (strong["delivered_J"] >= allowed)[goes].all()


def test_work_stays_within_critical_power_and_reserve(demo_chains: Chains) -> None:
    """Monod & Scherrer 1965: no more than CP t + W' in a time t."""
    for more in ({"unevenness": 0.0}, {"inertia_kg_m2": 0.046}):
        hasty = demo_chains.shift(power_share=1.0, comfort_force_N=500.0, pace_s=60.0, **more)
        found = run(demo_chains, hasty)[:, 0]
        most_J = 45 * 600 + 3600
        assert found["crank_work_J"].max() <= 1.02 * most_J
        assert (found["least_reserve_J"] < 30).any()


@pytest.mark.parametrize("factor", [0.25, 1.0, 4.0])
def test_nobody_turns_faster_than_asked_for_long(demo_chains: Chains, factor: float) -> None:
    real = demo_chains.shift(**HAND | {"inertia_kg_m2": 0.046 * factor})
    found = run(demo_chains, real)[:, 0]
    cadence = demo_chains.drives["cadence_rad_s"]
    turns = found["regime"] != regimes.CHATTERING
    assert (found["cadence_rad_s"] <= 1.02 * cadence)[turns].all()
    assert (found["effort"] <= 1.005).all()


@pytest.mark.slow
@pytest.mark.parametrize("pack", ["telemetry_pack", "regulating_pack", "retrying_pack"])
def test_the_whole_catalogue_keeps_its_ledger(demo_project: Project, pack: str) -> None:
    """A thousand chains of any parts and settings, none excepted."""
    for heat, settings in ((False, COLD), (True, WARM)):
        some = of_designs(demo_project, anything(demo_project, 500, 1 + heat), heat=heat)
        farad = some.loads[pack]["capacitance_F"]
        for hand in ("even", "uneven", "real"):
            found = run(some, some.shift(**HANDS[hand]), pack, settings)[:, 0]
            closed(found)
            assert (found["stored_J"] >= 0).all()
            held_J = stored_energy(farad, found["end_inner_V"])
            assert found["stored_J"] == pytest.approx(held_J, rel=1e-9, abs=1e-9)
            assert (found["fault"] == acc.UNFINISHED).mean() <= 0.002
            assert (found["effort"] <= 1.005).all()
