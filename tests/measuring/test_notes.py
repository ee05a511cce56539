"""Notes as people write them: read, refused with line and key, filed whole or not at all."""

from __future__ import annotations

import csv
import json
import re
import shutil
import tomllib
from pathlib import Path

import pytest

from explorer.commands.check import check_study
from explorer.commands.measure import read_bench, write_note
from explorer.errors import DiskError, InputError
from explorer.inputs.machine_classes import likely_slip
from explorer.inputs.row_doubts import row_doubts
from explorer.inputs.study import load
from explorer.measuring import filing
from explorer.measuring.blank_note import blank_note, filled_example
from explorer.measuring.fit_figure import residual_figure
from explorer.measuring.note_kinds import ALIASES, NOTE_KINDS
from explorer.measuring.notes import read_notes

ROOT = Path(__file__).parents[2]
HUB = """\
[generator.my_hub]
class = "three_phase"
cycles_per_turn = 15
open = [
    { volts = 7.62, meter = "true_rms", turns = 60, seconds = 20.9 },
    { volts = 12.4, meter = "true_rms", turns = 100, seconds = 21.4 },
]
resistance = [ { volts = 0.44, amps = 1.0 } ]
drag = [ { kg = 0.19, radius_m = 0.08, rpm = 8 }, { kg = 0.21, radius_m = 0.08, rpm = 170 } ]
given = { mass_kg = 2.4 }
"""
LEAD = '[lead.my_lead]\ndrop = [ { volts = 0.02, amps = 1.0 } ]\nlike = "lead_plain"\n'


@pytest.fixture
def notes(tmp_path: Path) -> Path:
    return tmp_path / "notes.toml"


def refused(notes: Path, text: str, into: Path | None = None) -> str:
    notes.write_text(text)
    with pytest.raises(InputError) as error:
        read_bench(notes, into)
    assert error.value.exit_status == 2
    return str(error.value)


@pytest.mark.parametrize("kind", NOTE_KINDS.values(), ids=lambda kind: kind.name)
def test_an_empty_note_reads_once_its_example_is_in_force(kind, notes: Path) -> None:
    blank = blank_note(kind)
    assert tomllib.loads(blank) == {kind.name: {f"my_{kind.name}": {}}}
    for words in (*kind.steps, *kind.cautions):
        assert words[:30] in " ".join(blank.replace("#", " ").split())
    assert "local codes" in blank
    notes.write_text(filled_example(kind))
    (row,) = read_notes(notes).measured
    assert row.doubts == ()
    assert row.relative_sd


def test_an_empty_note_is_refused_for_what_is_missing(notes: Path) -> None:
    for kind in NOTE_KINDS.values():
        words = refused(notes, blank_note(kind))
        assert "must be filled in" in words or "too few readings" in words, kind.name


def test_a_note_is_written_to_a_new_file_only(notes: Path) -> None:
    for alias, name in ALIASES.items():
        assert write_note(alias)["kind"] == name
    assert write_note("cell", notes)["file"] == str(notes)
    assert notes.read_text() == blank_note(NOTE_KINDS["cell"])
    with pytest.raises(InputError, match="exists already"):
        write_note("cell", notes)
    with pytest.raises(InputError, match="nearest: generator"):
        write_note("generatr")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("volts = 0.44", 'volts = "440 mV"', ["line 8", "[0].volts", "must be a number", "440 mV"]),
        ("volts = 0.44", "millivolts = 440", ["resistance[0].millivolts", "unknown key", "volts"]),
        ("volts = 0.44, amps = 1.0", "volts = 0.44",
         ["resistance[0]", "needs volts and amps, or ohms"]),
        ("resistance = [ { volts = 0.44, amps = 1.0 } ]\n", "", ["too few", "resistance"]),
        ("12.4", "124.0", ["open[1]", "open[0]", "contradicts", "124", "12.4", "a slip by ten?"]),
        ("12.4", "15.0", ["open[1]", "open[0]", "contradicts", "15"]),
        ('"true_rms", turns = 60', '"rms", turns = 60', ["open[0].meter", "must be", "true_rms"]),
        ("turns = 60, seconds = 20.9", "turns = 60",
         ["open[0]", "turns and seconds stand together"]),
        ("turns = 60, seconds = 20.9", "turns = 60, seconds = 0",
         ["open[0].seconds", "greater than 0"]),
        ('"three_phase"', '"three_phases"', ["class", "three_phase"]),
        ("seconds = 20.9", "seconds = 0.35", ["open[0].seconds", "minutes instead of seconds?"]),
        ("kg = 0.19", "kg = 1.9", ["drag[0]", "drag[1]", "contradicts", "a slip by ten?"]),
        ("cycles_per_turn = 15\n", "", ["my_hub", "needs cycles_per_turn"]),
        ("cycles_per_turn = 15", "cycles_per_turn = 15\nmagnets = 15", ["magnets", "15"]),
        ("cycles_per_turn = 15", "cycles_per_turn = 15\nmagnets = 28", ["magnets", "contradicts"]),
        ("mass_kg = 2.4", "mass = 2.4", ["given.mass", "unknown column", "mass_kg"]),
        ("mass_kg = 2.4", "mass_kg = 2400", ["mass_kg", "2400", "grams"]),
        ("[generator.my_hub]", "[generator.My_Hub]", ["generator.My_Hub", "lower-case"]),
        ("[generator.my_hub]", "[generators.my_hub]", ["generators", "unknown kind", "generator"]),
        ("[generator", "dated = 2026\n[generator", ["dated", "must be a date"]),
        ("[generator", "[instruments.volts_ac]\nmost = 10\n[generator",
         ["open[1].volts", "beyond the instrument's range of 10", "12.4"]),
        ("[generator", "[instruments.voltmeter]\nmost = 10\n[generator", ["unknown instrument"]),
        ("volts = 7.62", "volts = nan", ["open[0].volts", "finite"]),
        ("volts = 7.62", "volts = -7.62", ["open[0].volts", "greater than 0"]),
    ],
)  # fmt: skip
def test_bad_notes_are_refused(notes: Path, old: str, new: str, words: list[str]) -> None:
    assert old in HUB
    found = refused(notes, HUB.replace(old, new, 1))
    assert str(notes) in found
    for word in words:
        assert word in found, found
    assert len(found.splitlines()) <= 2


def test_a_slip_by_ten_of_a_whole_quantity_is_refused_unless_the_note_is_sure(notes: Path) -> None:
    """All volts ten times too much contradict nothing but the machine's class."""
    wrong = HUB.replace("7.62", "76.2").replace("12.4", "124.0")
    words = refused(notes, wrong)
    assert "small hub" in words
    assert "slip by ten?" in words
    notes.write_text(wrong.replace("[generator.my_hub]", "[generator.my_hub]\nsure = true"))
    (doubt,) = read_bench(notes)["doubts"]
    assert "slip by ten?" in doubt


def test_volts_for_each_turn_are_doubted_by_name(notes: Path) -> None:
    """The slip that a new user made: 4.4 times the usual EMF."""
    wrong = HUB.replace("7.62", "33.9").replace("12.4", "55.1")
    notes.write_text(wrong)
    (doubt,) = read_bench(notes)["doubts"]
    assert "4.4 times" in doubt
    assert "rms volts for each turn a second instead of peak volts" in doubt


@pytest.mark.parametrize(
    ("quantity", "usual", "factor", "words"),
    [
        ("emf_V_s", (0.55, 0.65), 4.443, "rms volts for each turn a second"),
        ("emf_V_s", (0.55, 0.65), 0.105, "turn a minute"),
        ("emf_V_s", (0.55, 0.65), 0.707, "rms instead of peak"),
        ("emf_V_s", (0.55, 0.65), 1.732, "between leads"),
        ("emf_V_s", (0.55, 0.65), 60.0, "turns a minute"),
        ("emf_V_s", (0.55, 0.65), 10.0, "ten"),
        ("resistance_ohm", (0.15, 0.3), 1000.0, "milliohms"),
        ("inductance_H", (3e-4, 6e-4), 1000.0, "millihenries"),
    ],
)
def test_likely_slips_have_their_names(
    quantity: str, usual: tuple[float, float], factor: float, words: str
) -> None:
    middle = (usual[0] * usual[1]) ** 0.5
    assert words in likely_slip(quantity, middle * factor, usual)
    assert likely_slip(quantity, middle * 3333.0, usual) == ""


def test_rows_typed_by_hand_are_doubted_by_check(small_study: Path) -> None:
    assert check_study(small_study)["notes"] == []
    table = small_study.parent / "parts" / "cells.csv"
    with table.open() as stream:
        rows = list(csv.reader(stream))
    column = rows[0].index("esr_ohm")
    rows[1][column] = str(1000 * float(rows[1][column]))
    with table.open("w") as stream:
        csv.writer(stream).writerows(rows)
    (note,) = check_study(small_study)["notes"]
    assert "column esr_ohm" in note
    assert "milliohms" in note
    assert [c for c, *_ in row_doubts("pack", {"hold_V": 44.0, "current_A": 2.0})] == ["hold_V"]


def test_rows_go_into_a_study_and_are_never_overwritten_unsaid(
    small_study: Path, notes: Path
) -> None:
    tables = small_study.parent / "parts"
    before = {file: file.read_bytes() for file in tables.iterdir()}
    notes.write_text(HUB)
    written = read_bench(notes, small_study)["written"]
    assert [(Path(c["file"]).name, c["id"], c["new"]) for c in written] == [
        ("generators.csv", "my_hub", True), ("spreads.csv", "my_hub", False)
    ]  # fmt: skip
    old, new = before[tables / "generators.csv"], (tables / "generators.csv").read_bytes()
    assert new.startswith(old.rstrip())
    assert b"measured: open volts" in new
    others = [f for f in before if f.name not in ("generators.csv", "spreads.csv")]
    assert all(file.read_bytes() == before[file] for file in others)
    assert read_bench(notes, small_study)["written"] == []  # the same notes again
    state = {file: file.read_bytes() for file in tables.iterdir()}
    words = refused(notes, HUB.replace("0.44", "0.45"), small_study)
    assert "my_hub" in words
    assert "--replace" in words
    assert "resistance_line_ohm 0.44 -> 0.45" in words
    assert {file: file.read_bytes() for file in tables.iterdir()} == state
    changed = read_bench(notes, small_study, replace=True)["written"]
    assert changed[0]["columns"]["resistance_line_ohm"] == ["0.44", "0.45"]
    assert not changed[0]["new"]


DIODE = """
[rectifier.my_diode]
kind = "schottky"
forward = [
    { volts = 0.29, amps = 0.1 }, { volts = 0.368, amps = 0.5 }, { volts = 0.578, amps = 3.0 },
]
like = "schottky_3a"
"""


def test_a_wave_is_not_fitted_as_a_sine(small_study: Path, notes: Path) -> None:
    """Two constants stand for a wave; its harmonics beside them would count twice."""
    shaped = HUB.replace("mass_kg = 2.4", "mass_kg = 2.4, emf_h5 = 0.05")
    words = refused(notes, shaped, small_study)
    assert "my_hub" in words
    assert "column emf_h5 must be empty or 0" in words


def test_a_diode_keeps_to_which_current_it_was_measured(small_study: Path, notes: Path) -> None:
    """A table from before the column gets it, blank in all other rows, whose names in stores and
    locks stay."""
    table = small_study.parent / "parts" / "rectifiers.csv"
    before = table.read_text().splitlines()
    hashes = load(small_study).catalogue.row_hashes["rectifier"]
    notes.write_text(DIODE)
    written = read_bench(notes, small_study)["written"]
    assert written[0]["columns"]["measured_to_A"] == ["", "3"]
    after = table.read_text().splitlines()
    assert [line for line in after if "my_diode" not in line] == [
        line + ("" if line.startswith("#") else ",measured_to_A" if line.startswith("id,") else ",")
        for line in before
    ]
    with (small_study.parent / "parts" / "prices.csv").open("a") as stream:
        stream.write("my_diode,0,EUR,2026-11-27,\n")
    catalogue = load(small_study).catalogue
    mine = next(one for one in catalogue.parts["rectifier"] if one.id == "my_diode")
    assert mine.model_dump()["measured_to_A"] == 3.0
    assert hashes.items() <= catalogue.row_hashes["rectifier"].items()
    assert read_bench(notes, small_study)["written"] == []


@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+31 6", "-x"])
def test_a_name_that_a_spreadsheet_would_run_is_not_filed(
    small_study: Path, notes: Path, text: str
) -> None:
    table = small_study.parent / "parts" / "rectifiers.csv"
    before = table.read_text()
    named = DIODE.replace("kind =", f'name = "{text}"\nkind =', 1)
    assert "column name begins as a formula" in refused(notes, named, small_study)
    assert table.read_text() == before


def test_a_row_with_phase_columns_keeps_them(small_study: Path, notes: Path) -> None:
    """A table whose header has no line columns gets the values of a phase."""
    table = small_study.parent / "parts" / "generators.csv"
    with table.open() as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        for name, factor in (
            ("emf_{}_V_s", 3**-0.5), ("resistance_{}_ohm", 0.5), ("inductance_{}_H", 0.5)
        ):  # fmt: skip
            line = row.pop(name.format("line"))
            if line:
                row[name.format("phase")] = str(float(line) * factor)
    with table.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    notes.write_text(HUB)
    answer = read_bench(notes, small_study)
    ohm = answer["rows"]["generators"]["my_hub"]["resistance_line_ohm"]
    with table.open() as stream:
        mine = next(row for row in csv.DictReader(stream) if row["id"] == "my_hub")
    assert float(mine["resistance_phase_ohm"]) == pytest.approx(ohm / 2, rel=1e-4)
    spreads = (small_study.parent / "parts" / "spreads.csv").read_text()
    assert "my_hub,resistance_phase_ohm," in spreads
    columns = [row["column"] for row in csv.DictReader(spreads.splitlines())]
    assert not [column for column in columns if "_line_" in column]


def test_what_was_not_measured_is_like_another_row(small_study: Path, notes: Path) -> None:
    words = refused(notes, LEAD.replace('like = "lead_plain"\n', ""), small_study)
    assert "mass_kg was not measured" in words
    assert "like" in words
    words = refused(notes, LEAD.replace("lead_plain", "lead_plane"), small_study)
    assert "is no row of leads.csv" in words
    notes.write_text(LEAD)
    (change, _) = read_bench(notes, small_study)["written"]
    assert change["columns"]["resistance_ohm"] == ["", "0.02"]
    assert change["columns"]["mass_kg"][1] != ""


def test_nothing_is_written_where_one_of_several_rows_is_wrong(
    small_study: Path, notes: Path
) -> None:
    tables = small_study.parent / "parts"
    state = {file: file.read_bytes() for file in tables.iterdir()}
    refused(notes, LEAD + HUB.replace("my_hub", "hub_small"), small_study)
    refused(notes, HUB + LEAD.replace("my_lead", "hub_small"), small_study)
    assert {file: file.read_bytes() for file in tables.iterdir()} == state


def test_a_full_disk_leaves_the_tables_as_they_were(
    small_study: Path, notes: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = small_study.parent / "parts"
    state = {file: file.read_bytes() for file in tables.iterdir()}
    write = filing.write_atomic

    def full(path: Path, content: str | bytes) -> Path:
        if Path(path).name == "spreads.csv":
            raise DiskError(f"{path}: cannot be written: no space left")
        return write(path, content)

    monkeypatch.setattr(filing, "write_atomic", full)
    notes.write_text(HUB)
    with pytest.raises(DiskError):
        read_bench(notes, small_study)
    assert {file: file.read_bytes() for file in tables.iterdir()} == state


def test_points_of_a_converter_go_to_its_bench_table(small_study: Path, notes: Path) -> None:
    converter = NOTE_KINDS["converter"]
    table = small_study.parent / "parts" / "converters.csv"
    there = table.read_text().splitlines()[1].split(",")[0]
    notes.write_text(re.sub(r'like = "\w+"', f'like = "{there}"', filled_example(converter)))
    written = read_bench(notes, small_study)["written"]
    assert [Path(c["file"]).name for c in written] == [
        "converters.csv", "converter_points.csv", "spreads.csv"
    ]  # fmt: skip
    with (small_study.parent / "parts" / "prices.csv").open("a") as stream:
        stream.write("my_converter,5,EUR,2026-11-10,\n")
    check_study(small_study)


def test_the_commands_answer_with_json_or_words(notes: Path, monkeypatch, capsys) -> None:
    from explorer import cli

    def run(*words: object) -> tuple[int, str]:
        monkeypatch.setattr("sys.argv", ["genchain", *map(str, words)])
        with pytest.raises(SystemExit) as stopped:
            cli.main()
        return int(stopped.value.code or 0), capsys.readouterr().out

    notes.write_text(HUB)
    status, out = run("measure", "read", notes, "--json")
    answer = json.loads(out)
    assert status == 0
    assert {"rows", "uncertainty", "doubts", "written"} <= set(answer)
    assert answer["rows"]["generators"]["my_hub"]["emf_line_V_s"] == pytest.approx(0.597, abs=2e-3)
    assert 0.005 < answer["uncertainty"]["generators"]["my_hub"]["emf_line_V_s"] < 0.02
    status, out = run("measure", "read", notes)
    assert "emf_line_V_s" in out
    assert "(95 %)" in out
    status, out = run("measure", "note", "pack")
    assert out == blank_note(NOTE_KINDS["pack"])
    notes.write_text(HUB.replace("0.44", "-1"))
    assert run("measure", "read", notes)[0] == 2


@pytest.fixture
def readme_note() -> str:
    """The note of the worked example."""
    page = (ROOT / "README.md").read_text()
    block = re.search(r"\n\n((?:    .*\n|\n)*?    \[generator\.skip_hub\]\n(?:    .*\n)+)", page)
    assert block
    return "\n".join(line[4:] for line in block[1].splitlines()) + "\n"


def test_the_readme_gives_what_the_notes_come_to(readme_note: str, notes: Path) -> None:
    notes.write_text(readme_note)
    answer = read_bench(notes)
    row = answer["rows"]["generators"]["skip_hub"]
    sds = answer["uncertainty"]["generators"]["skip_hub"]
    text = " ".join((ROOT / "README.md").read_text().split())
    assert (
        f"EMF comes out as {row['emf_line_V_s']:.3f} V s between two leads within "
        f"{196 * sds['emf_line_V_s']:.1f} %, resistance as {row['resistance_line_ohm']:.3f} ohm "
        f"at 20 C within {196 * sds['resistance_line_ohm']:.1f} %, inductance within "
        f"{196 * sds['inductance_line_H']:.0f} %, drag within "
        f"{196 * sds['drag_torque_N_m']:.0f} % (95 % bands)"
    ) in text
    assert list(answer["assumed"]["generators"]["skip_hub"]) == ["heat_capacity_J_per_K"]
    assert answer["doubts"] == []


def test_from_notes_to_a_locked_design(readme_note: str, tmp_path: Path, notes: Path) -> None:
    """The README's evening, in a flood-gauge study narrowed so that it takes no evening."""
    from explorer.commands.launch import launch_study
    from explorer.commands.lock import lock_design

    home = tmp_path / "studies"
    shutil.copytree(ROOT / "studies", home)
    study = home / "flood_gauge.toml"
    narrow = {
        "crank": ["crank_mid"], "gearing": ["no_gearing", "belt_2", "chain_3"],
        "generator": ["skip_hub"], "lead": ["lead_heavy"],
        "rectifier": ["schottky_3a", "active_20"], "cell": ["cell_25f", "cell_50f"],
        "clamp": "all", "window": ["window_fine"],
        "converter": ["buckboost_wide", "buckboost_sync"], "pack_lead": ["usb_lead_short"],
    }  # fmt: skip
    text = study.read_text()
    start, end = text.index("[choices]"), text.index("# Numbers that may be set")
    choices = "\n".join(f"{link} = {json.dumps(ids)}" for link, ids in narrow.items())
    text = f"{text[:start]}[choices]\n{choices}\n\n{text[end:]}"
    cadence = re.search(r"cadence_rpm = .*", text)
    assert cadence
    study.write_text(text.replace(cadence[0], "cadence_rpm = [70, 78]"))
    notes.write_text(readme_note)
    read_bench(notes, study)
    with pytest.raises(InputError, match=r"skip_hub.*has no price"):
        check_study(study)
    with (home / "parts" / "prices.csv").open("a") as stream:
        stream.write("skip_hub,0,EUR,2026-11-27,\n")
    assert check_study(study)["notes"] == []
    answer = launch_study(study, page=False)
    chosen = answer["picks"]["recommended"]
    assert chosen is not None, answer["why_none"]
    locked = lock_design(study, chosen, note="the one from the skip", page=False)["locked"]
    assert locked["parts"]["generator"] == "skip_hub"
    assert locked["feasible"]
    assert locked["delivered_energy_J"] > 1000


def test_the_figure_has_a_line_for_every_reading(readme_note: str, notes: Path) -> None:
    notes.write_text(readme_note + LEAD)
    figure = notes.with_suffix(".svg")
    assert read_bench(notes, figure=figure)["figure"] == str(figure)
    drawn = residual_figure(read_notes(notes).measured)
    assert figure.read_text() == drawn
    (hub, lead) = read_notes(notes).measured
    errors = {**hub.fits["generator"].residuals, **lead.fits["drop"].residuals}
    assert len(errors) == 10
    assert drawn.count('<g id="line2d_') >= 2 * len(errors)


def test_hertz_of_a_brushed_machine_are_refused(notes: Path) -> None:
    text = (
        '[generator.dc]\nclass = "brushed_dc"\nopen = [ { volts = 6.0, hertz = 20 } ]\n'
        "resistance = [ { ohms = 1.0 } ]\n"
    )
    assert "open[0].hertz: is for machines with alternating voltage" in refused(notes, text)
