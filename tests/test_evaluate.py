"""Designs to objectives over every operator and pack, and the record that is told of one."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import evaluate as module
from explorer.model.costing import costs
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.kernels.accounts import TERMS as LEDGER
from explorer.model.objectives import points_of
from explorer.model.record import design_record
from explorer.model.regimes import REGIMES, STEADY
from explorer.model.space import Designs, Space
from tests.helpers.chains import pick, with_study

PACKS = ("telemetry_pack", "retrying_pack")
PEOPLE = ("adult_one_arm", "child_one_arm")
CONTRACT = {
    "design_id", "parts", "settings", "delivered_energy_J", "cost", "currency", "mass_kg",
    "crank_effort_percent", "regime", "feasible", "margins", "ledger_J", "time_to_first_charge_s",
    "bill", "cases",
}  # fmt: skip


def drawn(project: Project, count: int = 30, seed: int = 71) -> Designs:
    return Space.of(project).draw(count, np.random.default_rng(seed))


def several(project: Project, over: str) -> Project:
    return with_study(project, "session", operators=PEOPLE, packs=PACKS, over_cases=over)


def single(project: Project, person: str, pack: str) -> Project:
    return with_study(project, "session", operators=(person,), packs=(pack,))


@pytest.mark.parametrize("over", ["mean", "worst"])
def test_cases_are_those_of_studies_with_one_each(small_project: Project, over: str) -> None:
    designs = drawn(small_project)
    found = evaluate(several(small_project, over), designs)
    apart = {
        (person, pack): evaluate(single(small_project, person, pack), designs)
        for person in PEOPLE
        for pack in PACKS
    }
    assert [case.name[:2] for case in found.cases] == list(apart)
    energies = np.array([one.delivered_energy_J for one in apart.values()])
    efforts = np.array([one.crank_effort_percent for one in apart.values()])
    for case, energy, effort in zip(found.cases, energies, efforts, strict=True):
        np.testing.assert_allclose(case.delivered_energy_J, energy, rtol=1e-9)
        np.testing.assert_allclose(case.crank_effort_percent, effort, rtol=1e-9)
    mean = over == "mean"
    np.testing.assert_allclose(
        found.delivered_energy_J, energies.mean(axis=0) if mean else energies.min(axis=0)
    )
    np.testing.assert_allclose(
        found.crank_effort_percent, efforts.mean(axis=0) if mean else efforts.max(axis=0)
    )
    # Margins are the worst of all: what fails for the child fails.
    for name, margin in found.margins.items():
        worst = np.min([one.margins[name] for one in apart.values()], axis=0)
        np.testing.assert_allclose(margin, worst, rtol=1e-9)
    first = np.max([one.time_to_first_charge_s for one in apart.values()], axis=0)
    np.testing.assert_allclose(found.time_to_first_charge_s, first, rtol=1e-9)
    # Ledger and regime are of the case that delivers least.
    weakest = energies.argmin(axis=0)
    for row, which in enumerate(weakest):
        least = list(apart.values())[which]
        assert found.regime[row] == least.regime[row]
        for name in ("crank_work", *LEDGER):
            assert found.ledger_J[name][row] == pytest.approx(least.ledger_J[name][row], rel=1e-9)


def test_blocks_do_not_show(small_project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    designs = drawn(small_project, 25)
    whole = evaluate(small_project, designs)
    monkeypatch.setattr(module, "BLOCK", 7)
    cut = evaluate(small_project, designs)
    assert len(cut) == 25
    np.testing.assert_allclose(cut.delivered_energy_J, whole.delivered_energy_J, rtol=1e-9)
    np.testing.assert_array_equal(cut.feasible, whole.feasible)
    assert cut.margins.keys() == whole.margins.keys()


def test_no_designs_are_no_results(small_project: Project) -> None:
    empty = evaluate(small_project, drawn(small_project).take(np.array([], dtype=int)))
    assert len(empty) == 0
    assert empty.feasible.shape == (0,)


def test_objectives_are_all_minimised(small_project: Project) -> None:
    designs = drawn(small_project)
    found, cost = evaluate(small_project, designs), costs(small_project, designs)
    points = points_of(small_project, found, cost)
    np.testing.assert_array_equal(points[:, 0], -found.delivered_energy_J)
    np.testing.assert_array_equal(points[:, 1], cost)
    np.testing.assert_array_equal(points[:, 2], found.mass_kg)
    np.testing.assert_array_equal(points[:, 3], found.crank_effort_percent)


def test_take_and_concatenate(small_project: Project) -> None:
    found = evaluate(several(small_project, "mean"), drawn(small_project, 10))
    halves = [found.take(np.arange(4)), found.take(np.arange(10) >= 4)]
    again = Evaluation.concatenate(halves)
    np.testing.assert_array_equal(again.delivered_energy_J, found.delivered_energy_J)
    np.testing.assert_array_equal(again.designs.parts["cell"], found.designs.parts["cell"])
    for one, two in zip(again.cases, found.cases, strict=True):
        assert one.name == two.name
        np.testing.assert_array_equal(one.delivered_energy_J, two.delivered_energy_J)
    for name in found.margins:
        np.testing.assert_array_equal(again.margins[name], found.margins[name])


def test_record_has_the_keys_that_scripts_rely_on(small_project: Project) -> None:
    designs = pick(small_project, {"cadence_rpm": 35.0, "cell": "cell_100f"}, {"cadence_rpm": 20.0})
    found, cost = evaluate(small_project, designs), costs(small_project, designs)
    for row in range(2):
        record = design_record(small_project, found, row, float(cost[row]))
        assert record.keys() >= CONTRACT
        # Plain JSON, without the infinities and NaNs that JSON does not know.
        assert json.loads(json.dumps(record, allow_nan=False)) == record
        assert record["parts"].keys() == set(LINKS)
        assert record["settings"].keys() == set(SETTINGS)
        assert record["regime"] in REGIMES
        rest = sum(v for k, v in record["ledger_J"].items() if k != "crank_work")
        assert rest == pytest.approx(record["ledger_J"]["crank_work"], rel=1e-6)
        money = sum(line["quantity"] * line["unit_price"] for line in record["bill"])
        assert record["cost"] == pytest.approx(money)
        assert record["feasible"] == all(v >= 0 for v in record["margins"].values())
    # The second never charges: no number stands for that.
    assert record["time_to_first_charge_s"] is None
    assert record["margins"]["first_charge_s"] < -1e5


def test_a_cost_over_the_limit_is_not_feasible(small_project: Project) -> None:
    designs = pick(small_project)
    found = evaluate(small_project, designs)
    kept = replace(found, margins={"one": np.array([1.0])})
    assert design_record(small_project, kept, 0, 149.0)["feasible"]
    dear = design_record(small_project, kept, 0, 151.0)
    assert not dear["feasible"]
    assert dear["margins"]["limit_cost"] == pytest.approx(-1)


def test_readings_of_a_steady_chain(small_project: Project) -> None:
    """What a person would measure: pack power, handle force, cadence, mean crank power."""
    found = evaluate(small_project, pick(small_project, {"cadence_rpm": 35.0}))
    assert found.regime[0] == STEADY
    read = {name: float(value[0]) for name, value in found.readings.items()}
    assert read["pack_power_W"] == pytest.approx((5.1 - 2 * 0.055) * 2)
    assert read["crank_power_W"] == pytest.approx(found.ledger_J["crank_work"][0] / 600)
    assert read["cadence_held_rpm"] <= 35.0 + 1e-6
    # Force times handle speed is the power at the resting bus, most of the session.
    speed = read["cadence_held_rpm"] * np.pi / 30 * 0.17
    assert read["handle_force_N"] * speed == pytest.approx(read["crank_power_W"], rel=0.05)
    assert 0 < read["on_share"] <= 1
