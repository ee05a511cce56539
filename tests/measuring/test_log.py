"""Logs of running chains: read, judged against builds, planted faults found."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from explorer.cli import app
from explorer.commands.compare_log import compare_log
from explorer.commands.measured_words import log_compared
from explorer.errors import InputError
from explorer.inputs.links import LINKS as CHAIN
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.measuring.log_judgement import Reference, judged_log
from explorer.measuring.log_signs import SIGNS, signs_of
from explorer.measuring.plug_log import PlugLog, as_logged, read_log
from explorer.model.design_file import checked_design
from explorer.model.space import Designs
from explorer.model.stepped import course, traced
from tests.helpers.chains import SOUND, pick
from tests.helpers.logs import FAULTS, GAUGE, LINKS, one_log, times_s


@pytest.fixture(scope="module")
def gauge(demo_project: Project) -> Designs:
    return checked_design(demo_project, GAUGE, "gauge")


@pytest.fixture(scope="module")
def reference(demo_project: Project, gauge: Designs) -> Reference:
    return Reference.of(demo_project, gauge, times_s(), builds=80)


def written(log: PlugLog, file: Path, *left_out: str) -> Path:
    names = [name for name in log.columns if name not in left_out]
    lines = [",".join(["time_s", *names])]
    for row in zip(log.time_s, *(log.columns[name] for name in names), strict=True):
        lines.append(",".join(f"{value:.5g}" for value in row))
    file.write_text("\n".join(lines) + "\n")
    return file


@pytest.mark.parametrize("fault", ["", *FAULTS])
def test_one_log_of_each(
    demo_project: Project, gauge: Designs, reference: Reference, fault: str
) -> None:
    judged = judged_log(one_log(demo_project, gauge, fault, 1), reference)
    if not fault:
        assert judged.suspect is None
    else:
        assert judged.suspect is not None
        assert judged.suspect.sign.links[0] in LINKS[fault]
        assert judged.suspect.meaning
        assert judged.chance > 0.9


@pytest.mark.slow
def test_faults_are_found_and_sound_chains_left_alone(
    demo_project: Project, gauge: Designs
) -> None:
    """As the benchmark, with fewer logs: at least nine of ten found, hardly a sound one accused."""
    reference = Reference.of(demo_project, gauge, times_s())
    for fault in ("", *FAULTS):
        found = 0
        for number in range(100, 120):
            suspect = judged_log(one_log(demo_project, gauge, fault, number), reference).suspect
            found += suspect is not None and (not fault or suspect.sign.links[0] in LINKS[fault])
        assert found >= 17 if fault else found <= 2, fault


def test_the_bank_is_read_off_its_first_charge(
    demo_project: Project, gauge: Designs, reference: Reference
) -> None:
    """Capacitance and series resistance of a bank that is known: a straight line through made-up
    numbers, V = Q/C + R I.
    """
    time_s = times_s()
    amps = 3 + np.sin(time_s)
    charge = 3 * time_s + 1 - np.cos(time_s)
    volts = charge / 5.0 + 0.3 * amps
    signs = signs_of(PlugLog(time_s, {"bus_V": volts, "bus_A": amps}), reference.read_by)
    assert signs["bank_F"] == pytest.approx(5.0, rel=0.02)
    assert signs["bank_ohm"] == pytest.approx(0.3, rel=0.05)
    assert np.isnan(signs["out_V"])


def test_a_log_averages_what_a_session_steps(demo_project: Project, gauge: Designs) -> None:
    """Energy of the log is that of the session, and both have one course."""
    plan = demo_project.study.session
    stepped = traced(demo_project, gauge, plan.operators[0], plan.packs[0])
    log = as_logged(stepped, np.arange(0.0, 600.1, 0.5), esr_ohm=0.2, output_V=5.0, lead_ohm=0.1)
    watts = np.interp(log.time_s, stepped.time_s, stepped.pack_W)
    energy_J = float(np.sum(log.columns["out_V"][1:] * log.columns["out_A"][1:]) * 0.5)
    spans = np.diff(stepped.time_s, prepend=0.0)
    assert energy_J == pytest.approx(float(np.sum(spans * stepped.pack_W)), rel=0.03)
    assert watts.max() > 0
    whole = course(demo_project, gauge, plan.operators[0], plan.packs[0])
    np.testing.assert_allclose(
        stepped.bus_V[:100], whole.bus_V[:100], rtol=1e-9, err_msg="the same session"
    )


@pytest.fixture
def design(tmp_path: Path) -> Path:
    parts = "\n".join(f'{link} = "{SOUND[link]}"' for link in CHAIN)
    settings = "\n".join(f"{name} = {SOUND[name]}" for name in SETTINGS)
    file = tmp_path / "mine.toml"
    file.write_text(f"[parts]\n{parts}\n\n[settings]\n{settings}\n")
    return file


def test_the_command(
    small_study: Path, small_project: Project, design: Path, tmp_path: Path
) -> None:
    log = one_log(small_project, pick(small_project), "lossy_lead", 2)
    file = written(log, tmp_path / "evening.csv", "cadence_rpm")
    answer = compare_log(small_study, file, design=design, builds=40)
    assert answer["suspect"]["link"] == "pack_lead"
    assert 0 <= answer["in_band_share"] <= 1
    assert answer["residual_rms_W"] > 0
    assert answer["delivered_energy_J"]["as_read"] < answer["delivered_energy_J"]["designed"]
    assert answer["stands"] == (not answer["broken"])
    assert (tmp_path / "evening.svg").read_text().startswith("<?xml")
    assert {one["sign"] for one in answer["signs"]} < {sign.key for sign in SIGNS}
    assert any(line.startswith("look first at the pack_lead") for line in log_compared(answer))
    assert set(answer["promise"]) == {"designed", "as_read"}
    json.dumps(answer, allow_nan=False)
    both = ["measure", "compare", str(small_study), str(file), "--readings", str(file)]
    assert CliRunner().invoke(app, [*both, "--design", str(design)]).exit_code == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("time_s\n0\n", "needs one of bus_V"),
        ("seconds,bus_V\n0,1\n", "is no column of a log"),
        ("time_s,bus_V,bus_V\n0,1,1\n", "stands twice"),
        ("time_s,bus_V\n0,1\n1,x\n", "line 3, bus_V: must be a number"),
        ("time_s,bus_V\n0,1\n1,1e9\n", "within 10000, got 1e9"),
        ("time_s,bus_V\n0,1\n0,1\n", "must be later than the row before it"),
        ("time_s,bus_V\n0,1\n1\n", "must have 2 cells"),
        ("time_s,bus_V\n0,1\n1,2\n", "needs 30 rows"),
        ("time_s,bus_V\r0,1\r1,2\r", "needs 30 rows"),
        (f"time_s,bus_V\n0,{'1' * 200_000}\n", "is not a CSV table: field larger"),
    ],
)
def test_bad_logs(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(text, newline="")
    with pytest.raises(InputError, match=words):
        read_log(file)
    with pytest.raises(InputError, match="is missing"):
        read_log(tmp_path / "none.csv")
