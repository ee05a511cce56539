"""What a motor's values usually are, and a table's row that looks like a slip of the pen."""

from __future__ import annotations

from math import pi, sqrt
from pathlib import Path
from typing import Any

import pytest

from explorer.commands.check import check_study
from explorer.inputs.csv_tables import TableReader
from explorer.inputs.front_parts import Generator
from explorer.inputs.machine_classes import CLASSES, FAR, doubts, emf_constant
from explorer.inputs.study import load

HUB = {
    "id": "my_hub", "name": "My hub", "source": "measured", "dated": "2026-11-25", "mass_kg": 2.3,
    "kind": "three_phase", "emf_line_V_s": "0.6", "resistance_line_ohm": "0.44",
    "inductance_line_H": "0.00084", "pole_pairs": "15", "drag_torque_N_m": "0.14",
    "drag_viscous_N_m_s": "0.0012", "current_limit_A": "12", "speed_limit_rpm": "900",
    "heat_capacity_J_per_K": "420",
}  # fmt: skip


def doubted(**change: Any) -> list[tuple[str, float, str]]:
    cells = {k: v for k, v in {**HUB, **change}.items() if v is not None}
    return list(doubts(Generator.model_validate(cells), {k: str(v) for k, v in cells.items()}))


def test_the_worked_example() -> None:
    """4.6 V true rms is 6.505 V peak, 3 turns a second are 18.85 rad/s."""
    assert emf_constant(4.6, 3.0) == pytest.approx(6.5054 / 18.8496, rel=1e-4)
    assert round(emf_constant(4.6, 3.0), 3) == 0.345


def test_a_row_within_three_times_its_class_is_left_alone() -> None:
    """Small hub: 0.55 to 0.65 V s/rad (class range from memory, low confidence)."""
    assert doubted() == []
    assert doubted(emf_line_V_s=0.65 * FAR * 0.99) == []
    assert doubted(emf_line_V_s=0.55 / FAR * 1.01) == []


@pytest.mark.parametrize("slip", [2 * pi / sqrt(2), 2 * pi / 60, 60 / (2 * pi)])
def test_a_slip_of_units_is_doubted(slip: float) -> None:
    ((column, value, why),) = doubted(emf_line_V_s=0.6 * slip)
    assert column == "emf_line_V_s"
    assert value == pytest.approx(0.6 * slip)
    assert "small hub motor, direct has there (0.55 to 0.65)" in why
    assert "peak volts between two leads for each radian a second" in why
    for words in ("rms volts for each turn a second", "rms instead of peak", "a phase", "0.345"):
        assert words in why


def test_a_phase_value_is_held_against_a_phase() -> None:
    """0.6 V s between two leads is 0.346 V s of a phase; resistance 0.22 of 0.44 ohm."""
    assert doubted(emf_line_V_s=None, emf_phase_V_s=0.346) == []
    ((column, value, why),) = doubted(emf_line_V_s=None, emf_phase_V_s=2.0)
    assert (column, value) == ("emf_phase_V_s", pytest.approx(2.0))
    assert "(0.318 to 0.375)" in why
    ((column, value, why),) = doubted(resistance_line_ohm=4.4)
    assert (column, value) == ("resistance_line_ohm", pytest.approx(4.4))
    assert "(0.3 to 0.6)" in why


@pytest.mark.parametrize("one", CLASSES, ids=lambda one: one.name)
def test_the_middle_of_every_class_is_its_own(one: Any) -> None:
    middle = {name: sqrt(low * high) for name, (low, high) in one.ranges.items()}
    leads = sqrt(3) if one.kind == "three_phase" else 1.0
    cells = {
        "kind": one.kind, "mass_kg": middle["mass_kg"], "emf_phase_V_s": middle["emf_V_s"] / leads,
        "resistance_phase_ohm": middle["resistance_ohm"],
        "inductance_phase_H": middle["inductance_H"], "pole_pairs": round(middle["pole_pairs"]),
        "drag_torque_N_m": middle["drag_torque_N_m"],
    }  # fmt: skip
    none = dict.fromkeys(("emf_line_V_s", "resistance_line_ohm", "inductance_line_H"))
    assert doubted(**none, **cells) == []
    low, high = one.ranges["emf_V_s"]
    cells["emf_phase_V_s"] = FAR * high / leads * 1.01
    assert [column for column, *_ in doubted(**none, **cells)] == ["emf_phase_V_s"]
    cells["emf_phase_V_s"] = low / FAR / leads * 0.99
    assert [column for column, *_ in doubted(**none, **cells)] == ["emf_phase_V_s"]


def test_a_machine_of_no_class_is_left_alone() -> None:
    """A toy: a hundredth of a hub's mass, drag and inductance."""
    toy = {"mass_kg": 0.02, "drag_torque_N_m": 0.001, "inductance_line_H": 1e-6}
    assert doubted(**toy, emf_line_V_s=0.01) == []


def test_check_says_what_the_constant_is_and_warns(small_study: Path) -> None:
    table = small_study.parent / "parts" / "generators.csv"
    clean = check_study(small_study)
    assert clean["notes"] == []
    assert "peak volts between two leads" in clean["columns"]["emf_line_V_s"]
    assert "0.345" in clean["columns"]["emf_line_V_s"]
    text = table.read_text()
    assert ",three_phase,0.6," in text
    table.write_text(text.replace(",three_phase,0.6,", ",three_phase,2.66,", 1))
    (note,) = check_study(small_study)["notes"]
    assert "row 2 (hub_small), column emf_line_V_s: 2.66 is far from" in note


def test_lines_above_the_header_that_begin_with_a_hash_are_comments(small_study: Path) -> None:
    table = small_study.parent / "parts" / "cranks.csv"
    before, text = load(small_study), table.read_text()
    table.write_text('# radius_m: axle to "handle, in m\n\n  # another, and "one\n' + text)
    after = load(small_study)
    assert after.catalogue.parts == before.catalogue.parts
    assert after.catalogue.row_hashes == before.catalogue.row_hashes
    header, first, *_ = text.splitlines()
    broken = first.replace(first.split(",")[0], "Not an id", 1)
    table.write_text(f"# one\n# two\n{header}\n{broken}\n")
    reader = TableReader(small_study.parent, before.catalogue.parts["crank"][0].dated)
    lines = reader.lines("parts/cranks.csv", ",")
    assert lines is not None
    assert [number for number, _ in lines] == [3, 4]  # as an editor counts them


def test_a_hash_that_is_a_column_or_stands_below_is_no_comment(tmp_path: Path) -> None:
    from datetime import date

    (tmp_path / "list.csv").write_text("#;Article;Price\n1;A-100;3\n# 2;A-200;4\n")
    lines = TableReader(tmp_path, date(2026, 11, 25)).lines("list.csv", separator=";")
    assert lines == [
        (1, ["#", "Article", "Price"]),
        (2, ["1", "A-100", "3"]),
        (3, ["# 2", "A-200", "4"]),
    ]
