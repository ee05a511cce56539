"""Shifts in a row on one bank: what carries over, what is each person's own, and a SciPy twin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from explorer.inputs.session_section import Shift
from explorer.inputs.study import Project
from explorer.model import regimes, rows
from explorer.model.kernels import accounts as acc
from explorer.model.kernels.records import Records
from explorer.physics.bank import stored_energy
from explorer.physics.operator import equivalent_limit, external_excess, reserve_after
from tests.helpers.chain_twin import Twin, in_a_row
from tests.model.kernels.chains_of_study import ADULT, WINDING_C, Chains, chains
from tests.model.kernels.test_session_kernel import COLD, HAND, WARM, run

CHILD = "child_one_arm"
STEPPED = COLD._replace(jumps=False)


def crew(project: Project, *shifts: tuple[str, float], **fields: float) -> Records:
    people = rows.shifts_of(
        project, tuple(Shift(operator=name, minutes=minutes) for name, minutes in shifts)
    )
    for name, value in fields.items():
        people[name] = value
    return people


def test_each_paces_for_all_own_shifts(demo_project: Project) -> None:
    people = crew(demo_project, (ADULT, 2), (CHILD, 3), (ADULT, 4), (ADULT, 1))
    assert people["seconds"].tolist() == [120, 180, 240, 60]
    assert people["pace_s"].tolist() == [420, 180, 420, 420]
    assert people["follows"].tolist() == [0, 0, 1, 3]


@settings(
    max_examples=10, deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(
    st.lists(st.tuples(st.sampled_from([ADULT, CHILD]), st.floats(0.2, 6)), min_size=1, max_size=4),
    st.sampled_from(["telemetry_pack", "regulating_pack", "retrying_pack"]),
    st.sampled_from(["held", "real"]),
)
def test_no_joule_is_lost_between_shifts(
    demo_chains: Chains, warm_chains: Chains, shifts: list, pack: str, hand: str
) -> None:
    """Each shift's ledger closes, and what all of them stored is what the bank holds at the end."""
    some, heat = (warm_chains, WARM) if hand == "real" else (demo_chains, COLD)
    people = crew(some.project, *shifts, **(HAND if hand == "real" else {}))
    found = run(some, people, pack, heat)
    for k in range(len(shifts)):
        one, work = found[:, k], found["crank_work_J"][:, k]
        terms = {name: one[f"{name}_J"] for name in acc.TERMS}
        total = np.sum(list(terms.values()), axis=0)
        assert (np.abs(total - work) <= 1e-6 * np.maximum(np.abs(work), 1.0)).all()
        flows = np.stack([terms[name] for name in acc.FLOWS])
        assert flows.min() >= -1e-9 * max(work.max(), 1.0)
    farad = some.loads[pack]["capacitance_F"]
    held_J = stored_energy(farad, found["end_inner_V"][:, -1])
    np.testing.assert_allclose(found["stored_J"].sum(axis=1), held_J, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("hand", ["held", "real"])
def test_who_goes_on_is_one_session(demo_chains: Chains, warm_chains: Chains, hand: str) -> None:
    """Two shifts of half the time by one person are one of the whole: speed, heat and reserve go
    on, so that only the step that the change falls into is cut in two."""
    some, heat = (warm_chains, WARM) if hand == "real" else (demo_chains, COLD)
    fields = HAND if hand == "real" else {}
    heat = heat._replace(jumps=False)
    one = run(some, crew(some.project, (ADULT, 4), **fields), settings=heat)[:, 0]
    two = run(some, crew(some.project, (ADULT, 2), (ADULT, 2), **fields), settings=heat)
    tame = (one["regime"] != regimes.CHATTERING) & (one["fault"] == acc.SOUND)
    assert (tame & (one["delivered_J"] > 20)).sum() > 8
    for name in ("crank_work_J", "copper_J", "bridge_J"):
        both = two[name].sum(axis=1)[tame]
        np.testing.assert_allclose(both, one[name][tame], rtol=4e-3, atol=0.05)
    spell_J = one["delivered_J"] / np.maximum(one["turn_ons"], 1)
    off = np.abs(two["delivered_J"].sum(axis=1) - one["delivered_J"])
    assert (off <= np.maximum(0.3 * spell_J, 2e-3 * one["delivered_J"] + 0.05))[tame].all()
    np.testing.assert_allclose(
        two["end_reserve_J"][:, 1][tame], one["end_reserve_J"][tame], rtol=1e-3, atol=1.0
    )
    np.testing.assert_allclose(two["winding_C"][:, 1][tame], one["winding_C"][tame], atol=0.05)


def test_one_shift_is_a_session(demo_chains: Chains) -> None:
    one = run(demo_chains, demo_chains.shift(600.0))
    assert run(demo_chains, crew(demo_chains.project, (ADULT, 10))).tobytes() == one.tobytes()


def test_a_reserve_is_each_persons_own_and_returns(demo_chains: Chains) -> None:
    """Skiba et al. 2015 at rest: exponentially, with the deficit below critical power."""
    people = crew(
        demo_chains.project, (ADULT, 2), (CHILD, 3), (ADULT, 1e-4), power_share=1.0,
        comfort_force_N=500.0, unevenness=0.0,
    )  # fmt: skip
    people["pace_s"] = 30.0  # all too hasty
    found = run(demo_chains, people, settings=STEPPED)
    left_J, full_J = found["end_reserve_J"][:, 0], people["reserve_J"]
    assert (left_J < 0.5 * full_J[0]).sum() > 5
    person = demo_chains.project.catalogue.operators[ADULT]
    returned = reserve_after(
        left_J, 0.0, 180.0, critical_power_W=person.critical_power_W, full_reserve_J=full_J[0]
    )
    np.testing.assert_allclose(found["end_reserve_J"][:, 2], returned, atol=1.0)
    # The child has not cranked before: tired adults take nothing from the child's reserve.
    alone = run(demo_chains, crew(demo_chains.project, (CHILD, 1e-4)))
    other = run(demo_chains, crew(demo_chains.project, (ADULT, 2), (CHILD, 1e-4)))
    np.testing.assert_allclose(other["end_reserve_J"][:, 1], alone["end_reserve_J"][:, 0], atol=1.0)


def test_arms_that_cost_recover_by_what_they_cost() -> None:
    """At rest nothing is moved: the deficit is critical power and what the test's arms cost."""
    at_rest_W = external_excess(0.0, equivalent_limit(40.0, 0.6, 7.5), 0.6)
    assert at_rest_W < -40.0


def test_two_shifts_against_scipy(demo_project: Project) -> None:
    """Adult, then child, on one bank: the plain twin of the tests, one session after the other."""
    some = chains(demo_project, 60, 8)
    people = crew(demo_project, (ADULT, 4), (CHILD, 3), unevenness=0.0)
    found = run(some, people)
    judged = spent = 0
    for row in range(len(some.drives)):
        one, load = found[row], some.loads["telemetry_pack"][row]
        if (one["regime"] == regimes.CHATTERING).any() or one["delivered_J"].sum() < 5:
            continue
        if load["esr_ohm"] > 0.2 or load["least_V"] > load["off_V"] or judged >= 8:
            continue  # the twin's bus is stiff within a pulse, and its collapse 20 mV wide
        if one["turn_ons"].sum() > 60 or (one["regime"] == regimes.FLOODED).any():
            continue
        catalogue, twins = demo_project.catalogue, []
        for name, minutes in ((ADULT, 4), (CHILD, 3)):
            even = catalogue.operators[name].model_copy(update={"unevenness": 0.0})
            twin = Twin.of_design(demo_project, some.designs, row)
            twins.append(
                Twin(twin.p, twin.s, even, twin.pack, minutes=minutes, winding_C=WINDING_C)
            )
        for k, (delivered_J, inner_V) in enumerate(in_a_row(*twins)):
            spells = max(int(one["turn_ons"][k]), 1)
            spell_J = one["delivered_J"].sum() / max(one["turn_ons"].sum(), 1)
            allowed = max(spell_J, 5.0) if spells < 10 else max(0.01 * delivered_J, 0.6 * spell_J)
            assert abs(delivered_J - one["delivered_J"][k]) <= allowed, (row, k)
            if one["regime"][k] in (regimes.STEADY, regimes.STARVED):
                assert inner_V == pytest.approx(one["end_inner_V"][k], rel=0.01)
        judged += 1
        spent += bool(one["stored_J"][1] < 0)
    assert judged >= 5
    assert spent >= 1, "in some, the child must live on what the adult stored"
