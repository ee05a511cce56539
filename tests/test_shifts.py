"""People who crank in a row: one session of the study, from its file to a design's record."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from explorer.commands import terminal
from explorer.errors import InputError
from explorer.inputs.session_section import Shift
from explorer.inputs.study import Project, load
from explorer.model import costing
from explorer.model.bounds import energy_bound
from explorer.model.cases import CaseName
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.fidelities import at_fidelity
from explorer.model.kernels.accounts import TERMS
from explorer.model.record import design_record
from explorer.model.simulate import Care
from explorer.model.space import Space
from explorer.model.stepped import traced
from explorer.report import whose
from explorer.search.sweep import Sweep
from explorer.search.workers import run_blocks
from explorer.store.keys import path_of
from explorer.store.results import Store
from tests.helpers.chains import pick, with_study
from tests.search.test_sweep import everything, front_points
from tests.test_store import same

ADULT, CHILD = "adult_one_arm", "child_one_arm"
PACKS = ("telemetry_pack", "retrying_pack")
OWN = 'minutes = 10\noperators = ["adult_one_arm"]\npacks = ["telemetry_pack"]\n'


def in_a_row(project: Project, *shifts: tuple[str, float], **session: object) -> Project:
    """The project with these shifts: who, and minutes."""
    row = tuple(Shift(operator=name, minutes=minutes) for name, minutes in shifts)
    people = tuple(dict.fromkeys(name for name, _ in shifts))
    minutes = sum(minutes for _, minutes in shifts)
    return with_study(project, "session", shifts=row, operators=people, minutes=minutes, **session)


def drawn(project: Project, count: int = 30):
    return Space.of(project).draw(count, np.random.default_rng(71))


@pytest.mark.parametrize("care", list(Care))
def test_one_shift_is_no_shift(small_project: Project, care: Care) -> None:
    designs = drawn(small_project, 12)
    plain = evaluate(small_project, designs, care)
    one = evaluate(in_a_row(small_project, (ADULT, 10)), designs, care)
    same(one, plain)


@pytest.mark.parametrize("over", ["mean", "worst"])
def test_what_shifts_and_packs_come_to(small_project: Project, over: str) -> None:
    """Energies add up over the shifts, effort is the hardest's; packs by their mean or worst."""
    project = in_a_row(small_project, (ADULT, 5), (CHILD, 3), packs=PACKS, over_cases=over)
    found = evaluate(project, drawn(project), Care.SESSION)
    names = [CaseName(who, pack, k) for pack in PACKS for k, who in enumerate((ADULT, CHILD))]
    assert [case.name for case in found.cases] == names
    energy = np.array([case.delivered_energy_J for case in found.cases]).reshape(2, 2, -1)
    effort = np.array([case.crank_effort_percent for case in found.cases]).reshape(2, 2, -1)
    by_pack, hardest = energy.sum(axis=1), effort.max(axis=1)
    combined = {
        "mean": (by_pack.mean(axis=0), hardest.mean(axis=0)),
        "worst": (by_pack.min(axis=0), hardest.max(axis=0)),
    }[over]
    np.testing.assert_allclose(found.delivered_energy_J, combined[0])
    np.testing.assert_allclose(found.crank_effort_percent, combined[1])
    firsts = [case.time_to_first_charge_s for case in found.cases]
    np.testing.assert_array_equal(found.time_to_first_charge_s, np.maximum(firsts[1], firsts[3]))
    assert (firsts[1] <= firsts[0]).all()
    # Alone, the adult does what the first shift did: nobody looks ahead.
    alone = with_study(small_project, "session", operators=(ADULT,), minutes=5.0, packs=PACKS)
    before = evaluate(alone, found.designs, Care.SESSION)
    for k in (0, 1):
        np.testing.assert_allclose(
            found.cases[2 * k].delivered_energy_J, before.cases[k].delivered_energy_J
        )


def test_the_second_lives_on_what_the_first_stored(small_project: Project) -> None:
    """A child after an adult gets a full bank, a child alone an empty one."""
    designs = pick(small_project, {"cadence_rpm": 35.0})
    both = evaluate(in_a_row(small_project, (ADULT, 5), (CHILD, 3)), designs, Care.SESSION)
    alone = evaluate(in_a_row(small_project, (CHILD, 3)), designs, Care.SESSION)
    assert both.cases[1].delivered_energy_J > alone.delivered_energy_J
    # The time to first charge is the session's, which began with the adult.
    assert both.time_to_first_charge_s == both.cases[0].time_to_first_charge_s
    # A short first shift charges nothing, and knows no time; the next one's runs from its begin.
    short = evaluate(in_a_row(small_project, (ADULT, 0.1), (CHILD, 5)), designs, Care.SESSION)
    assert short.cases[0].time_to_first_charge_s == np.inf
    assert short.time_to_first_charge_s[0] > 6.0
    assert np.isfinite(short.time_to_first_charge_s[0])


def test_a_record_of_shifts_says_whose_each_number_is(small_project: Project) -> None:
    project = in_a_row(small_project, (ADULT, 5), (CHILD, 3), (ADULT, 2), packs=PACKS)
    (record,) = at_fidelity(project, pick(project), "session")
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    shown = [(c["operator"], c["shift"], c["minutes"]) for c in record["cases"]]
    assert shown == 2 * [(ADULT, 1, 5), (CHILD, 2, 3), (ADULT, 3, 2)]
    by_pack = {
        pack: sum(c["delivered_energy_J"] for c in record["cases"] if c["pack"] == pack)
        for pack in PACKS
    }
    assert record["delivered_energy_J"] == pytest.approx(sum(by_pack.values()) / 2)
    named = record["ledger_case"]
    assert named["pack"] == min(by_pack, key=by_pack.__getitem__)
    assert (named["operator"], named["shift"]) == (ADULT, 3)
    (case,) = [c for c in record["cases"] if all(c[k] == v for k, v in named.items())]
    assert record["ledger_J"]["delivered"] == pytest.approx(case["delivered_energy_J"])
    assert record["regime"] == case["regime"]
    for ledger in (record["ledger_J"], record["session_ledger_J"]):
        rest = sum(ledger[name] for name in TERMS)
        assert rest == pytest.approx(ledger["crank_work"], rel=1e-6)
        assert all(ledger[name] >= 0 for name in TERMS if name != "stored")
    assert record["session_ledger_J"]["stored"] >= 0
    assert record["session_ledger_J"]["delivered"] == pytest.approx(by_pack[named["pack"]])
    words = "\n".join(terminal.evaluated(record))
    assert "energy the sum and effort the hardest of 3 shifts, mean of 2 packs" in words
    assert f"where the work at the crank goes, all shifts into {named['pack']}:" in words
    for case in record["cases"]:
        lead = f"{case['operator']} into {case['pack']}, shift {case['shift']}"
        assert f"{lead}, {case['minutes']:g} minutes: {case['delivered_energy_J']:.0f} J" in words
    assert len(set(whose.case_lines(project, record))) == 6
    scope = whose.scope(project)
    for name in ("5 minutes", "3 minutes", "2 minutes", "mean of 2 packs"):
        assert name in scope


def test_energy_stays_below_what_physics_allows(small_project: Project) -> None:
    project = in_a_row(small_project, (CHILD, 3), (ADULT, 5), packs=PACKS, over_cases="worst")
    bound = energy_bound(project)
    found = evaluate(project, drawn(project, 60))
    assert (found.delivered_energy_J <= bound.energy_J).all()
    people = project.catalogue.operators
    arms = sum(
        people[name].power_share * (people[name].critical_power_W * s + people[name].reserve_J)
        for name, s in ((CHILD, 180), (ADULT, 300))
    )
    assert bound.arm_J == pytest.approx(arms)
    assert {one.arm_J for one in bound.cases} == {bound.arm_J}


def test_a_course_goes_through_all_shifts(small_project: Project) -> None:
    project = in_a_row(small_project, (ADULT, 2), (CHILD, 2), (ADULT, 1))
    designs = pick(project)
    found, whole = evaluate(project, designs, Care.SESSION), traced(
        project, designs, CHILD, PACKS[0]
    )  # fmt: skip
    assert whole.time_s[-1] == pytest.approx(300.0, abs=1e-6)
    assert (np.diff(whole.time_s) > 0).all()
    joules = (whole.pack_W * np.diff(whole.time_s, prepend=0.0)).sum()
    assert joules == pytest.approx(float(found.delivered_energy_J[0]), rel=0.02)
    assert whole.pack_W.min() >= 0
    # The bank goes on where it was, whoever cranks.
    for change_s in (120.0, 240.0):
        near = np.abs(whole.time_s - change_s) < 1.0
        assert np.ptp(whole.inner_V[near]) < 0.3


def test_shifts_come_back_from_the_store(small_project: Project) -> None:
    """One person twice in a row, too: each shift keeps numbers of its own."""
    project = in_a_row(small_project, (ADULT, 2), (CHILD, 3), (ADULT, 2), packs=PACKS)
    done = evaluate(project, drawn(project, 20))
    assert done.session_ledger_J.keys() == done.ledger_J.keys()
    with Store.open(path_of(project)) as store:
        store.append(project, done, "sweep")
    with Store.open(path_of(project), read_only=True) as store:
        stored, _ = store.load(project)
        again = store.evaluation(project, stored)
        same(again, done)
    one = design_record(project, again, 3, float(costing.costs(project, done.designs)[3]))
    other = design_record(project, done, 3, float(costing.costs(project, done.designs)[3]))
    assert one == other


def test_take_and_concatenate_keep_shifts(small_project: Project) -> None:
    project = in_a_row(small_project, (ADULT, 2), (CHILD, 3))
    done = evaluate(project, drawn(project, 8))
    same(Evaluation.concatenate([done.take(np.arange(3)), done.take(np.arange(3, 8))]), done)
    assert {field.name for field in fields(done)} >= {"session_ledger_J", "cases"}


@pytest.mark.parametrize("limits", [{}, {"delivered_energy_J": 700.0, "first_charge_s": 60.0}])
def test_a_sweep_of_shifts_loses_no_design_of_the_front(
    small_project: Project, limits: dict[str, float]
) -> None:
    """What the sweep bounds away, and shares among twins, it may."""
    project = in_a_row(small_project, (CHILD, 3), (ADULT, 5), packs=PACKS)
    project = with_study(project, "limits", **{"first_charge_s": 300.0, **limits})
    sweep = Sweep.of(project)
    results = list(run_blocks(sweep, np.arange(len(sweep))))
    every = everything(project)
    assert every.feasible.any()
    assert sum(r.feasible for r in results) == every.feasible.sum()
    found = Evaluation.concatenate([r.kept for r in results if r.kept is not None])
    np.testing.assert_allclose(
        front_points(project, found), front_points(project, every), rtol=1e-9, atol=1e-9
    )


# ---- the file


def shifts(*rows: str) -> str:
    return "".join(f"[[session.shifts]]\n{row}\n" for row in rows)


def of_file(study: Path, own: str, rows: str) -> Project:
    """The small study with other keys of who cranks, and shifts."""
    text = study.read_text("utf-8")
    assert OWN in text
    packs = 'packs = ["telemetry_pack"]\n'
    study.write_text(text.replace(OWN, own + packs + rows), "utf-8")
    return load(study)


def test_shifts_of_a_file(small_study: Path) -> None:
    before = load(small_study)
    rows = shifts(
        'operator = "adult_one_arm"\nminutes = 5', 'operator = "child_one_arm"\nminutes = 3'
    )
    project = of_file(small_study, "", rows)
    session = project.study.session
    assert session.minutes == 8
    assert session.operators == (ADULT, CHILD)
    assert [len(crew) for crew in session.crews] == [2]
    assert (session.own_minutes(ADULT), session.own_minutes(CHILD)) == (5, 3)
    # Who cranks when decides every result: no stored one stands.
    assert project.scenario_hash != before.scenario_hash


@pytest.mark.parametrize(
    ("own", "rows", "says"),
    [
        (
            "",
            ['operator = "adult"\nminutes = 5'],
            "session.shifts.0.operator: unknown id, got adult",
        ),
        (
            "",
            ['operator = "adult_one_arm"\nminutes = 5', 'operator = "child_one_arm"\nminutes = 0'],
            "session.shifts.1.minutes: must be greater than 0, got 0",
        ),
        ("", ['operator = "adult_one_arm"'], "session.shifts.0.minutes: is missing"),
        ("", ["minutes = 4"], "session.shifts.0.operator: is missing"),
        ("", ['operator = "adult_one_arm"\nminutes = "5"'], "must be a number, got 5"),
        ("", ['operator = "adult_one_arm"\nminutes = 5\nrpm = 3'], "shifts.0.rpm: unknown key"),
        (
            "minutes = 10\n",
            ['operator = "adult_one_arm"\nminutes = 5'],
            "must have either shifts, or minutes and operators; has also minutes = 10",
        ),
        (
            'operators = ["adult_one_arm"]\n',
            ['operator = "adult_one_arm"\nminutes = 5'],
            "has also operators = ['adult_one_arm']",
        ),
        (
            "",
            ['operator = "adult_one_arm"\nminutes = 800'] * 2,
            "session.shifts: must not last more than 1440 minutes together, last 1600",
        ),
        ("", ['operator = "adult_one_arm"\nminutes = 1'] * 25, "must be at most 24, are 25"),
        ("shifts = []\n", [], "session: shifts must not be empty"),
        ("shifts = 3\n", [], "session.shifts: must be a list in brackets, got 3"),
        ("", [], "session.minutes: is missing"),
    ],
)
def test_faults_name_the_shift(small_study: Path, own: str, rows: list[str], says: str) -> None:
    with pytest.raises(InputError) as caught:
        of_file(small_study, own, shifts(*rows))
    assert says in str(caught.value)
    assert "line " in str(caught.value)
    others = [line for line in str(caught.value).splitlines() if says not in line]
    assert len(others) <= 1, others  # where both are missing, both are named
