"""Readings of a built chain against the model: in band, out of it, and what that does."""

from __future__ import annotations

from math import pi, sqrt
from pathlib import Path

import numpy as np
import pytest

from explorer.commands.compare import compare_readings
from explorer.commands.measured_words import compared
from explorer.errors import InputError
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import load
from explorer.measuring.built_readings import READING_KINDS, Built, as_read, judged
from explorer.model.design_file import read_design
from tests.helpers.chains import SOUND


@pytest.fixture
def design(tmp_path: Path) -> Path:
    parts = "\n".join(f'{link} = "{SOUND[link]}"' for link in LINKS)
    settings = "\n".join(f"{name} = {SOUND[name]}" for name in SETTINGS)
    file = tmp_path / "mine.toml"
    file.write_text(f"[parts]\n{parts}\n\n[settings]\n{settings}\n")
    return file


@pytest.fixture
def built(small_study: Path, design: Path) -> Built:
    project = load(small_study)
    return Built(project, read_design(project, design))


def readings(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "readings.toml"
    file.write_text(text)
    return file


@pytest.mark.slow
def test_the_form_once_filled_in_finds_nothing_wrong(
    small_study: Path, design: Path, tmp_path: Path, built: Built
) -> None:
    form = compare_readings(small_study, design=design)["form"]
    filled = "\n".join(
        line.removeprefix("# ") if " = " in line else line for line in form.splitlines()
    )
    answer = compare_readings(small_study, readings(tmp_path, filled), design=design)
    assert answer["in_band_share"] == 1
    assert answer["suspect"] is None
    assert answer["broken"] == list(built.broken)
    assert answer["stands"] == (not built.broken)
    energy = answer["delivered_energy_J"]
    assert energy["as_read"] == energy["designed"]
    assert len(answer["readings"]) >= 8
    assert ("the design stands" in compared(answer)) == answer["stands"]


def test_readings_are_those_of_the_laws(built: Built) -> None:
    """By hand from the tables' values: true rms is peak over sqrt(2) (textbook)."""
    generator, ratio = built.part("generator"), built.part("gearing").ratio
    speed = SOUND["cadence_rpm"] * 2 * pi / 60 * ratio
    machine = generator.machine
    line = generator.emf_phase_V_s * machine.emf_leads_per_phase * speed
    expected = {kind.key: kind.expected(built) for kind in READING_KINDS}
    share = 1.0 if machine.direct else 1 / sqrt(2)
    assert expected["winding_V"] == pytest.approx(line * share)
    leads = machine.phases_between_leads
    assert expected["winding_ohm"] == pytest.approx(leads * generator.resistance_phase_ohm)
    assert 0 < line * machine.knee / machine.emf_leads_per_phase - expected["open_bus_V"] < 2


def test_a_wrong_threshold_breaks_a_rule_and_is_named(
    small_study: Path, design: Path, tmp_path: Path
) -> None:
    """The load is let go below the converter's least input, where its output can run wild."""
    file = readings(tmp_path, "[readings]\noff_V = 2.0\nconverter_V = 5.08\n")
    answer = compare_readings(small_study, file, design=design)
    assert not answer["stands"]
    assert answer["suspect"]["link"] == "window"
    assert answer["suspect"]["chance"] > 0.99
    assert "undervoltage_guard_V" in answer["broken"]
    assert any("connect no pack" in line for line in compared(answer))
    assert answer["in_band_share"] in (0.0, 0.5)


def test_a_weaker_machine_delivers_less(built: Built) -> None:
    """What is read off goes into the model: half the EMF is the energy of a row with half of it."""
    volts = {kind.key: kind.expected(built) for kind in READING_KINDS}["winding_V"]
    found = judged(built, {"winding_V": 0.5 * volts})
    assert not found[0].in_band
    after = as_read(built, found)
    assert after.part("generator").emf_phase_V_s == pytest.approx(
        0.5 * built.part("generator").emf_phase_V_s
    )
    assert after.energy_J < 0.9 * built.energy_J
    assert built.project.catalogue.parts["generator"] != after.project.catalogue.parts["generator"]


def test_an_error_within_its_band_changes_nothing(built: Built) -> None:
    volts = {kind.key: kind.expected(built) for kind in READING_KINDS}["winding_V"]
    found = judged(built, {"winding_V": 1.01 * volts})
    assert found[0].in_band
    assert as_read(built, found) is built


def test_one_in_twenty_sound_readings_is_out_of_its_band(built: Built) -> None:
    """95 % bands, over draws of what the band says may differ."""
    rng = np.random.default_rng(1)
    kind = next(one for one in READING_KINDS if one.key == "winding_ohm")
    value = kind.expected(built)
    low, high = kind.band(built, value)
    draws = rng.normal(value, (high - low) / 2 / 1.96, 4000)
    share = np.mean([judged(built, {"winding_ohm": float(one)})[0].in_band for one in draws])
    assert share == pytest.approx(0.95, abs=0.012)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[readings]\nwinding_v = 3.0\n", ["readings.winding_v", "nearest: winding_V", "line 2"]),
        ("[readings]\nwinding_V = \"3\"\n", ["must be a number", "3"]),
        ("[readings]\nwinding_V = -3\n", ["at least 0", "-3"]),
        ("[readings]\nwinding_V = nan\n", ["finite"]),
        ("[readings]\n", ["must be a table with at least one reading"]),
        ("[reading]\nwinding_V = 3\n", ["unknown key", "readings"]),
        ("[readings\n", ["is not TOML"]),
        ("[readings]\non_V = 3.5\n", ["line 2, readings.on_V", "above off_V, 5 V", "3.5"]),
        ("[readings]\noff_V = 7.0\n", ["readings.off_V", "on_V at 6.8 V", "7.0"]),
        ("[readings]\non_V = 5\noff_V = 5\n", ["on_V at 5 V", "above off_V, 5 V"]),
    ],
)  # fmt: skip
def test_wrong_readings_are_refused(
    small_study: Path, design: Path, tmp_path: Path, text: str, words: list[str]
) -> None:
    with pytest.raises(InputError) as error:
        compare_readings(small_study, readings(tmp_path, text), design=design)
    for word in words:
        assert word in str(error.value)


def test_which_design_must_be_said(small_study: Path) -> None:
    with pytest.raises(InputError, match="give --lock ID or --design"):
        compare_readings(small_study)
    with pytest.raises(InputError, match="names no locked design"):
        compare_readings(small_study, lock="123456789abc")
