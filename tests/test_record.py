"""What is told of one design: no energy from nothing, and every number says whose it is."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from explorer.commands import terminal
from explorer.errors import InputError
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import fidelities
from explorer.model.costing import costs
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.record import design_record
from explorer.model.simulate import simulate
from explorer.model.space import Designs
from explorer.model.stepped import sessions_of
from tests.helpers.chains import pick, with_part, with_study

RANGES = {
    "cadence_rpm": (30.0, 90.0), "undervoltage_off_V": (2.0, 8.0),
    "undervoltage_band_V": (0.3, 3.0), "overvoltage_off_V": (5.0, 16.0),
}  # fmt: skip
PEOPLE = ("adult_one_arm", "child_one_arm")
PACKS = ("telemetry_pack", "retrying_pack")


def any_part(project: Project) -> Project:
    """The study with every part of the catalogue among its choices."""
    every = {link: tuple(part.id for part in project.catalogue.parts[link]) for link in LINKS}
    return replace(project, study=replace(project.study, choices=every))


def of_the_catalogue(project: Project, seed: int, count: int = 400) -> Designs:
    """Random designs of the whole catalogue, sensible or not."""
    rng = np.random.default_rng(seed)
    parts = {link: rng.integers(0, len(project.catalogue.parts[link]), count) for link in LINKS}
    settings = {name: rng.integers(1, high, count).astype(float)
                for name, high in (("cells_series", 8), ("cells_parallel", 4))}  # fmt: skip
    spread = {name: rng.uniform(low, high, count) for name, (low, high) in RANGES.items()}
    delta = {"delta": rng.integers(0, 2, count).astype(float)}
    return Designs(parts, settings | spread | delta)


def capacitance_F(project: Project, designs: Designs) -> np.ndarray:
    cell = designs.chosen(project.catalogue, "cell", "capacitance_F")
    return cell * designs.settings["cells_parallel"] / designs.settings["cells_series"]


def with_tiny_cells(project: Project) -> tuple[Project, Designs]:
    """Cells of 0.2 F, and the sound chain with them."""
    return with_part(project, "cell", "cell_25f", capacitance_F=0.2), pick(project)


def several(project: Project, over: str = "mean") -> Project:
    return with_study(project, "session", operators=PEOPLE, packs=PACKS, over_cases=over)


@pytest.mark.parametrize(
    "seed", [1, pytest.param(7, marks=pytest.mark.slow), pytest.param(4, marks=pytest.mark.slow)]
)
def test_no_energy_from_nothing(demo_project: Project, seed: int) -> None:
    """The ledger of any chain of the catalogue, none excepted: it closes, no term is negative, and
    the bank holds no more than C V^2/2 of the highest voltage (textbook)."""
    project = any_part(demo_project)
    designs = of_the_catalogue(project, seed)
    done = sessions_of(project, designs)
    bank_F = capacitance_F(project, designs)
    for row in range(len(designs)):
        record = design_record(project, done, row, 1.0)
        ledger = record["ledger_J"]
        assert min(ledger.values()) >= 0
        rest = sum(value for name, value in ledger.items() if name != "crank_work")
        assert ledger["crank_work"] == pytest.approx(rest, rel=1e-6, abs=1e-9)
        held = float(bank_F[row]) * float(done.readings["peak_V"][row]) ** 2 / 2
        assert ledger["stored"] <= held * (1 + 1e-9) + 1e-12
        assert ledger["delivered"] <= ledger["crank_work"]


def test_a_bank_too_small_for_the_stroke_breaks_its_rule(small_project: Project) -> None:
    """Four hundredths of a farad between two strokes."""
    project, tiny = with_tiny_cells(small_project)
    record = design_record(project, sessions_of(project, tiny), 0, 1.0)
    assert record["margins"]["stroke_ripple_V"] < 0
    assert not record["feasible"]
    assert "bank_energy_J" not in record["margins"]


def test_a_fidelity_that_is_gone_names_the_one_that_answers(small_project: Project) -> None:
    with pytest.raises(InputError, match="session"):
        fidelities.at_fidelity(small_project, pick(small_project), "averaged")


def test_a_window_at_switching_level_agrees_with_the_session(small_project: Project) -> None:
    (answer,) = fidelities.at_fidelity(small_project, pick(small_project), "waveform")
    assert answer["fidelity"] == "waveform"
    assert answer["waveform"]["bus_energy_J"] > 0
    assert abs(answer["waveform"]["difference_percent"]) < 1  # what the model asks for
    assert "at switching level" in "\n".join(terminal.evaluated(answer))
    json.dumps(answer, allow_nan=False)


def test_a_session_answers_every_case_and_the_limits(small_project: Project) -> None:
    """Energy, effort, ledger and the study's limits of a refused design are all the session's."""
    two = {"operators": PEOPLE, "packs": PACKS[:1], "over_cases": "worst", "minutes": 3.0}
    project = with_study(with_study(small_project, "session", **two), "limits",
                         delivered_energy_J=1e5)  # fmt: skip
    project, tiny = with_tiny_cells(project)
    record = design_record(project, sessions_of(project, tiny), 0, 1.0)
    cases = {(case["operator"], case["pack"]): case for case in record["cases"]}
    crew_of = project.study.session.crew_of
    alone = {
        (person, pack): simulate(project, tiny, crew_of(person), pack)[0, 0]
        for person, pack in cases
    }
    for who, one in alone.items():
        assert cases[who]["delivered_energy_J"] == pytest.approx(float(one["delivered_J"]))
        assert cases[who]["crank_effort_percent"] == pytest.approx(100 * float(one["effort"]))
    least = min(float(one["delivered_J"]) for one in alone.values())
    assert record["delivered_energy_J"] == pytest.approx(least)
    assert record["margins"]["limit_energy_J"] == pytest.approx(least - 1e5)


# ---- whose number


def test_each_case_of_a_record_is_its_own(small_project: Project) -> None:
    """Minutes for one percent by hand: 19.25 Wh is 693 J a percent."""
    project = several(small_project)
    designs = pick(project, {"cadence_rpm": 35.0})
    found = sessions_of(project, designs)
    record = design_record(project, found, 0, float(costs(project, designs)[0]))
    assert len(record["cases"]) == 4
    for case in record["cases"]:
        alone = with_study(
            small_project, "session", operators=(case["operator"],), packs=(case["pack"],)
        )
        single = design_record(alone, sessions_of(alone, designs), 0, 1.0)
        for name in (
            "delivered_energy_J", "crank_effort_percent", "time_to_first_charge_s", "regime",
        ):  # fmt: skip
            assert case[name] == (
                single[name] if isinstance(single[name], str) else pytest.approx(single[name])
            )
        assert case["minutes"] == 10
        pack = project.catalogue.packs[case["pack"]]
        percent_J = 36 * pack.capacity_Wh
        assert case["minutes_per_percent"] == pytest.approx(
            10 * percent_J / case["delivered_energy_J"]
        )
    least = min(record["cases"], key=lambda case: case["delivered_energy_J"])
    assert record["ledger_case"] == {"operator": least["operator"], "pack": least["pack"]}
    assert record["ledger_J"]["delivered"] == pytest.approx(least["delivered_energy_J"])
    assert record["regime"] == least["regime"]


def test_the_command_line_says_whose_numbers_they_are(small_project: Project) -> None:
    project = several(small_project)
    (answer,) = fidelities.at_fidelity(project, pick(project, {"cadence_rpm": 35.0}), "session")
    lines = terminal.evaluated(answer)
    own = [line for line in lines if line.startswith("  ") and " into " in line]
    assert len(own) == 4
    for case, line in zip(answer["cases"], own, strict=True):
        assert line.startswith(f"  {case['operator']} into {case['pack']}, 10 minutes: ")
        assert f"{case['delivered_energy_J']:.0f} J" in line
        assert f"{case['minutes_per_percent']:.2g} minutes for 1 %" in line
        assert f"{case['crank_effort_percent']:.0f} % effort" in line
        assert f"first charge after {case['time_to_first_charge_s']:.0f} s" in line
    whose = f"{answer['ledger_case']['operator']} into {answer['ledger_case']['pack']}"
    assert f"where the work at the crank goes, {whose}:" in lines
    assert any("are the mean of 4 cases" in line for line in lines)


def test_a_pack_that_gets_nothing_has_no_minutes(small_project: Project) -> None:
    designs = pick(small_project, {"cadence_rpm": 20.0})
    record = design_record(small_project, sessions_of(small_project, designs), 0, 1.0)
    (case,) = record["cases"]
    assert case["minutes_per_percent"] is None
    assert case["time_to_first_charge_s"] is None


def test_evaluations_joined_and_taken_keep_whose_first_charge(small_project: Project) -> None:
    project = several(small_project)
    found = evaluate(project, pick(project, {"cadence_rpm": 35.0}, {"cadence_rpm": 50.0}))
    again = Evaluation.concatenate([found.take(np.array([1])), found.take(np.array([0]))])
    for one, two in zip(found.cases, again.cases, strict=True):
        np.testing.assert_array_equal(one.time_to_first_charge_s, two.time_to_first_charge_s[::-1])
