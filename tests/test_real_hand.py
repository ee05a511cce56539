"""Columns of a real hand, of rotors and of warm windings, from the tables to the energies."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from explorer.commands.check import check_study
from explorer.errors import InputError
from explorer.inputs.front_parts import Generator
from explorer.inputs.records import Operator
from explorer.inputs.study import Project, load
from explorer.model.evaluate import evaluate
from explorer.model.simulate import Care
from explorer.model.unloaded import Fronts
from tests.helpers.chains import pick, with_part, with_person

ROW = {
    "id": "me", "name": "Me", "source": "assumed", "dated": "2026-11-25", "critical_power_W": "40",
    "reserve_J": "4200", "comfort_force_N": "40", "force_limit_N": "150", "power_share": "0.5",
    "sprint_torque_N_m": "95", "sprint_speed_rad_s": "21.7", "unevenness": "0.7",
}  # fmt: skip
CHAIN = {"cadence_rpm": 30.0, "cell": "cell_100f"}
"""Of the small study: it cycles, so that every loss shows."""


def energy(project: Project, care: Care = Care.SESSION) -> float:
    return float(evaluate(project, pick(project, CHAIN), care).delivered_energy_J[0])


def test_a_row_without_the_new_columns_is_a_held_hand() -> None:
    person = Operator.model_validate(ROW)
    assert person.inertia_kg_m2 == person.kappa_m_s == person.p_W_s2_m2 == 0
    assert person.unevenness_turn == 0


def test_short_headings_of_the_cost_of_an_empty_crank() -> None:
    person = Operator.model_validate({**ROW, "kappa": "0.6", "p": "7.5"})
    assert (person.kappa_m_s, person.p_W_s2_m2) == (0.6, 7.5)
    with pytest.raises(ValueError, match="fill kappa or kappa_m_s, not both"):
        Operator.model_validate({**ROW, "kappa": "0.6", "kappa_m_s": "0.6"})


def test_a_table_may_have_the_new_columns(small_study: Path) -> None:
    table = small_study.parent / "parts" / "operators.csv"
    head, *rows = table.read_text("utf-8").splitlines()
    values = {"inertia_kg_m2": "0.046", "unevenness_turn": "0.3", "kappa": "0.6", "p": "7.5"}
    lines = [",".join([head, *values]), *(",".join([row, *values.values()]) for row in rows)]
    table.write_text("\n".join(lines) + "\n", "utf-8")
    person = load(small_study).catalogue.operators["adult_one_arm"]
    assert (person.inertia_kg_m2, person.kappa_m_s) == (0.046, 0.6)
    table.write_text("\n".join(lines).replace("0.046", "4600"), "utf-8")
    with pytest.raises(InputError, match="inertia_kg_m2"):
        load(small_study)


def test_much_inertia_is_a_held_speed(small_project: Project) -> None:
    """Of an even pattern: nothing is left that could swing, but what it takes to spin it up."""
    even = with_person(small_project, unevenness=0.0)
    heavy = with_person(even, inertia_kg_m2=2.0)
    assert energy(heavy) == pytest.approx(energy(even), rel=0.02)


def test_inertia_of_rotor_and_crank_counts_at_the_crank(small_project: Project) -> None:
    """I N^2 at the crank (textbook): a rotor behind 4:1 is sixteen times as much crank."""
    real = with_person(small_project, inertia_kg_m2=0.02, unevenness_turn=0.3)
    rotor = with_part(real, "generator", "hub_small", inertia_kg_m2=0.01)
    crank = with_part(real, "crank", "crank_mid", inertia_kg_m2=0.16)
    assert energy(rotor) == pytest.approx(energy(crank), rel=1e-9)
    assert energy(rotor) != pytest.approx(energy(real), rel=1e-6)


def test_an_empty_crank_has_its_price(small_project: Project) -> None:
    """Effort rises by what arms and force cost, at the reference page's order of size."""
    priced = with_person(small_project, kappa_m_s=0.6, p_W_s2_m2=7.5)
    plain, dear = (evaluate(one, pick(one, CHAIN), Care.SESSION) for one in (small_project, priced))
    assert dear.crank_effort_percent[0] > plain.crank_effort_percent[0]


def test_a_warm_winding_gives_less(small_project: Project) -> None:
    """A winding with a heat capacity begins at the air's 25 C, one without keeps the study's 60 C;
    the less it can take, the warmer it gets and the less it gives."""
    kept = energy(small_project)
    cool, warm = (
        energy(with_part(small_project, "generator", "hub_small", heat_capacity_J_per_K=capacity))
        for capacity in (1e6, 4.0)
    )
    assert cool > kept > warm
    found = evaluate(
        with_part(small_project, "generator", "hub_small", heat_capacity_J_per_K=400.0),
        pick(small_project, CHAIN), Care.SESSION,
    )  # fmt: skip
    rise_K = found.ledger_J["copper"][0] / 400.0
    assert found.readings["winding_C"][0] == pytest.approx(25.0 + rise_K, rel=1e-6)


def test_an_equivalent_resistance_limits_current_and_not_heat(small_project: Project) -> None:
    """At a speed and a voltage: the current is that of the equivalent resistance, and what the
    shaft gives beyond the bus and the diodes heats the copper that is there."""
    fitted = with_part(
        small_project, "generator", "hub_small", resistance_equivalent_phase_ohm=0.33
    )
    other = with_part(small_project, "generator", "hub_small", resistance_phase_ohm=0.33)
    found = []
    for project in (fitted, other):
        fronts = Fronts.of(project, pick(project, CHAIN), "adult_one_arm")
        found.append(fronts.pushed(np.zeros(1, np.int64), np.array([5.0]), np.array([6.0])))
    assert found[0].current_A == pytest.approx(found[1].current_A, rel=1e-9)
    assert found[0].current_A[0] > 0.5
    assert found[0].torque_N_m < found[1].torque_N_m
    same = with_part(small_project, "generator", "hub_small", resistance_equivalent_phase_ohm=0.22)
    assert energy(same) == pytest.approx(energy(small_project), rel=1e-9)


def test_what_a_maker_cannot_measure_may_be_empty(small_study: Path) -> None:
    """Stand-ins are careful, and check says them."""
    table = small_study.parent / "parts" / "generators.csv"
    lines = table.read_text("utf-8").splitlines()
    (at,) = [n for n, line in enumerate(lines) if line.startswith("hub_small,")]
    before = load(small_study).catalogue.parts["generator"][0]
    assert isinstance(before, Generator)
    lines[at] = lines[at].replace(",0.00084,", ",,").replace(",12,900,", ",,,")
    table.write_text("\n".join(lines) + "\n", "utf-8")
    project = load(small_study)
    hub = project.catalogue.parts["generator"][0]
    assert isinstance(hub, Generator)
    assert hub.inductance_phase_H is None
    assert 0.5 < hub.inductance_H / before.inductance_H < 2
    assert hub.bears_A < before.bears_A
    assert hub.bears_rpm < before.bears_rpm
    (note,) = [note for note in check_study(small_study)["notes"] if "for want of a value" in note]
    for words in ("hub_small", "inductance of", "current limit of", "speed limit of"):
        assert words in note
    assert np.isfinite(energy(project))
