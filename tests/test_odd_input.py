"""What other programs, other machines and slips of the hand make of a study's files."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from datetime import date
from pathlib import Path

import pytest

from explorer.commands.measure import write_note
from explorer.commands.start import start
from explorer.errors import MOST_FAULTS, DiskError, InputError
from explorer.inputs.plausible import RANGES
from explorer.inputs.study import Project, load

TODAY = date(2026, 11, 25)
ROOT = Path(__file__).parent.parent
CLEAR_S = 10.0
"""Within this time any answer must come; a busy machine needs a tenth of it."""


def lines_of(study: Path) -> list[str]:
    """The lines that a study's faults make, with paths as seen from its folder."""
    with pytest.raises(InputError) as caught:
        load(study, today=TODAY)
    return [line.replace(f"{study.parent}/", "") for line in str(caught.value).split("\n")]


def rewritten(study: Path, stem: str, separator: str, decimal: str) -> Path:
    """A table as a spreadsheet saves it elsewhere; names and sources without marks."""
    table = study.parent / "parts" / f"{stem}.csv"
    rows = [line.split(",") for line in re.sub('"[^"]*"', "text", table.read_text()).splitlines()]
    rows = [[re.sub(r"(?<=\d)\.(?=\d)", decimal, cell) for cell in row] for row in rows]
    table.write_text("".join(separator.join(row) + "\n" for row in rows))
    return table


def physics(project: Project) -> object:
    """What a project computes with."""
    return project.catalogue.row_hashes, project.catalogue.prices


@pytest.mark.parametrize("separator", [";", "\t", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_tables_of_other_places_are_read_as_they_are_meant(
    small_study: Path, separator: str, decimal: str
) -> None:
    usual = load(small_study, today=TODAY)
    for stem in ("cells", "leads", "prices"):
        rewritten(small_study, stem, separator, decimal)
    project = load(small_study, today=TODAY)
    assert physics(project) == physics(usual)
    assert [note.split(": ")[1] for note in project.catalogue.notes] == [
        f"is read with {separator!r} between cells and {decimal!r} before decimals"
    ] * 3


def test_a_first_line_that_names_the_separator_is_passed_over(small_study: Path) -> None:
    usual = load(small_study, today=TODAY)
    table = rewritten(small_study, "cells", ";", ",")
    table.write_text("sep=;\n" + table.read_text())
    assert physics(load(small_study, today=TODAY)) == physics(usual)


def test_a_number_that_may_be_two_is_named_and_how_to_save_it(small_study: Path) -> None:
    table = rewritten(small_study, "cranks", ";", ".")
    header, row = table.read_text().splitlines()
    table.write_text(f"{header}\n{row.replace('0.17;60', '1;1.234').replace('0.48', '1')}\n")
    assert lines_of(small_study) == [
        "parts/cranks.csv: row 2 (crank_mid), column torque_limit_N_m: may mean another number in "
        "a table with ';' between cells: save it as CSV in UTF-8 with commas between cells and "
        "points before decimals, got 1.234"
    ]


@pytest.mark.parametrize(
    ("mass", "radius", "rule"),
    [
        ("0,48", "0.17", "may mean another number"),
        ("0,48", "1.234", "must be a number with ',' before its decimals"),
        ("0.48", "1,234", "must be a number with '.' before its decimals"),
    ],
)
def test_two_marks_in_a_table_are_no_guess(
    small_study: Path, mass: str, radius: str, rule: str
) -> None:
    table = rewritten(small_study, "cranks", ";", ".")
    table.write_text(table.read_text().replace("0.48", mass).replace("0.17", radius))
    (line,) = lines_of(small_study)
    assert rule in line


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-be"])
def test_marked_unicode_is_read(small_study: Path, encoding: str) -> None:
    usual = load(small_study, today=TODAY)
    for table in (small_study.parent / "parts").glob("*.csv"):
        mark = "\ufeff" if encoding == "utf-16-be" else ""
        table.write_bytes((mark + table.read_text()).encode(encoding))
    project = load(small_study, today=TODAY)
    assert project.catalogue.parts == usual.catalogue.parts
    assert physics(project) == physics(usual)


def test_a_byte_order_mark_in_a_price_is_no_part_of_it(small_study: Path) -> None:
    table = small_study.parent / "parts" / "prices.csv"
    table.write_text(table.read_text().replace("belt_4,19.00", "\ufeffbelt_4,\ufeff19.00\ufeff"))
    assert load(small_study, today=TODAY).catalogue.prices.unit_price("belt_4") == 19


@pytest.mark.parametrize("name", ["sm\x1b[2Jall", "two\nlines", "two  blanks", "\udcff"])
def test_a_folder_may_have_any_name(small_study: Path, name: str) -> None:
    home = small_study.parent.rename(small_study.parent.with_name(name))
    study = home / small_study.name
    load(study, today=TODAY)
    study.write_text(study.read_text().replace("minutes = 10", "minutes = -1"))
    with pytest.raises(InputError) as caught:
        load(study, today=TODAY)
    assert str(caught.value).isprintable()
    assert "small.toml: line 8, session.minutes: must be greater than 0" in str(caught.value)
    if name.isprintable():
        assert str(study) in str(caught.value)


@pytest.mark.parametrize("key", ["tables", "bench"])
def test_an_unprintable_folder_of_tables_is_named(small_study: Path, key: str) -> None:
    text = small_study.read_text()
    small_study.write_text(text.replace("title =", f'{key} = "a\\u001bb"\ntitle =', 1))
    (line,) = lines_of(small_study)
    assert f"study.{key}: must be a printable name" in line


@pytest.mark.parametrize("mark", ["\\u001b[31m", "\\u0000", "\\u202e", "\\u2028"])
def test_a_heading_that_a_terminal_or_page_would_follow_is_refused(
    small_study: Path, mark: str
) -> None:
    text = small_study.read_text()
    text = text.replace('title = "', f'title = "A{mark}').replace("What is", f"What{mark} is")
    small_study.write_text(text)
    title, question = lines_of(small_study)
    assert "study.title: must be printable text on one line" in title
    assert "study.question: must be printable text" in question


def test_a_heading_may_have_lines_signs_and_spaces_of_any_language(small_study: Path) -> None:
    title, question = "Kurbel \u2013 combien\u00a0? \U0001f469\u200d\U0001f527", "One.\n\tTwo."
    text = re.sub('title = ".*"', f'title = "{title}"', small_study.read_text())
    small_study.write_text(re.sub('question = ".*"', f'question = """{question}"""', text))
    study = load(small_study, today=TODAY).study
    assert (study.title, study.question) == (title, "One. Two.")


def test_thousands_of_faults_take_no_time_and_are_counted(small_study: Path) -> None:
    """Each has a hint with the nearest of thousands of names; in full that took 22 s."""
    names = [f"crank_{number:05d}" for number in range(4000)]
    table = small_study.parent / "parts" / "cranks.csv"
    header, row = table.read_text().splitlines()
    rows = [row.replace("crank_mid", name) for name in names]
    table.write_text("\n".join([header, *rows]))
    prices = small_study.parent / "parts" / "prices.csv"
    prices.write_text(prices.read_text() + "".join(f"x{n},1,EUR,2026-11-10,\n" for n in names))
    keys = "".join(f"key_{number} = 1\n" for number in range(4000))
    small_study.write_text(small_study.read_text().replace("[settings]", f"[settings]\n{keys}"))
    start = time.perf_counter()
    lines = lines_of(small_study)
    assert time.perf_counter() - start < CLEAR_S
    assert len(lines) == MOST_FAULTS + 1
    # 4,000 keys, as many prices of no part, as many cranks without one, and crank_mid's.
    assert lines[-1] == "and 11,951 more, 12,001 faults in all"


def test_a_table_of_many_parts_is_read_in_a_moment(small_study: Path) -> None:
    names = [f"crank_{number:05d}" for number in range(20_000)]
    table = small_study.parent / "parts" / "cranks.csv"
    header, row = table.read_text().splitlines()
    table.write_text("\n".join([header, *(row.replace("crank_mid", name) for name in names)]))
    prices = small_study.parent / "parts" / "prices.csv"
    text = prices.read_text().replace("crank_mid", names[0])
    prices.write_text(text + "".join(f"{name},1,EUR,2026-11-10,\n" for name in names[1:]))
    start = time.perf_counter()
    project = load(small_study, today=TODAY)
    assert time.perf_counter() - start < CLEAR_S
    assert len(project.study.choices["crank"]) == len(names)


@pytest.mark.parametrize("text", ["y" * 200_000, '\\"' * 100_000, "a." * 100_000])
def test_a_very_long_text_in_a_study_is_named_in_a_moment(small_study: Path, text: str) -> None:
    # Backslashes and quotes, too: a search that begins anew at each letter takes the square.
    lines = small_study.read_text().splitlines()
    line = next(i for i, one in enumerate(lines) if one.startswith("cadence_rpm"))
    lines[line] = f'cadence_rpm = "{text}"'
    small_study.write_text("\n".join(lines))
    begun = time.process_time()
    (fault,) = lines_of(small_study)
    assert time.process_time() - begun < CLEAR_S / 5
    assert fault.startswith(f"small.toml: line {line + 1}, settings.cadence_rpm: ")
    assert len(fault) < 300


def test_a_very_long_word_in_a_study_is_named_in_a_moment(small_study: Path) -> None:
    last = len(small_study.read_text().splitlines()) + 1
    small_study.write_text(f"{small_study.read_text()}{'z' * 200_000}")
    begun = time.process_time()
    (fault,) = lines_of(small_study)
    assert time.process_time() - begun < CLEAR_S / 5
    assert fault.startswith(f"small.toml: line {last}: is not TOML")


@pytest.mark.parametrize(
    ("parts", "refused"), [(99, False), (100, True)], ids=["99 parts", "100 parts"]
)
def test_a_name_of_very_many_parts_is_refused_wherever_it_stands(
    small_study: Path, parts: int, refused: bool
) -> None:
    name = ".".join(["a"] * parts)
    small_study.write_text(
        f'{small_study.read_text()}\n# {name}\nx = {{ y = """b"""", {name} = 1 }}\n'
    )
    last = len(small_study.read_text().splitlines())
    (fault,) = lines_of(small_study)
    rule = f"small.toml: line {last}: must have names of less than 100 parts"
    assert (fault == rule) is refused


def test_a_name_that_no_file_can_have_is_a_fault_like_others(
    small_study: Path, tmp_path: Path
) -> None:
    long = "y" * 300
    text = small_study.read_text().replace("[study]\n", f'[study]\ntables = "{long}"\n')
    small_study.write_text(text)
    assert any("study.tables: must have at most 200" in line for line in lines_of(small_study))
    with pytest.raises(DiskError, match="cannot be written"):
        write_note("cell", tmp_path / long)
    with pytest.raises(DiskError, match="cannot be written"):
        start("short", home=tmp_path / long)


def test_too_many_columns_are_one_fault(small_study: Path) -> None:
    table = small_study.parent / "parts" / "cranks.csv"
    table.write_text(",".join(f"c{n}" for n in range(200_000)) + "\n" + table.read_text())
    assert lines_of(small_study) == [
        "parts/cranks.csv: row 1: must have at most 1000 columns, has 200000"
    ]


@pytest.mark.parametrize("value", ["1e308", "101", "1e-7", "1e-300"])
def test_a_mass_that_no_part_has_is_refused(small_study: Path, value: str) -> None:
    table = small_study.parent / "parts" / "leads.csv"
    table.write_text(table.read_text().replace(",0.06,0.035,", f",{value},0.035,"))
    assert lines_of(small_study) == [
        f"parts/leads.csv: row 2 (lead_plain), column mass_kg: must be plausible, that is "
        f"1e-06 to 100, got {value}"
    ]


def test_zero_stays_allowed_where_the_record_takes_it(small_study: Path) -> None:
    table = small_study.parent / "parts" / "leads.csv"
    table.write_text(table.read_text().replace(",0.06,0.035,", ",0,0,"))
    assert load(small_study, today=TODAY).catalogue.parts["lead"][0].mass_kg == 0


@pytest.mark.parametrize("column", ["emf_line_V_s", "emf_phase_V_s"])
def test_values_between_leads_have_limits_of_their_own(small_study: Path, column: str) -> None:
    table = small_study.parent / "parts" / "generators.csv"
    old, new = {
        "emf_line_V_s": ("three_phase,0.6,", "three_phase,600,"),
        "emf_phase_V_s": ("two_phase,,0.7,", "two_phase,,700,"),
    }[column]
    table.write_text(table.read_text().replace(old, new))
    (line,) = lines_of(small_study)
    assert f"column {column}: must be plausible, that is {RANGES[column]}, got" in line


def test_a_setting_that_nobody_turns_is_refused(small_study: Path) -> None:
    small_study.write_text(small_study.read_text().replace("[50, 65]", "[50, 65000]"))
    assert lines_of(small_study) == [
        "small.toml: line 15, settings.cadence_rpm: must be plausible, that is 1 to 1000, "
        "got [50, 65000]"
    ]


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "utf-8"])
@pytest.mark.parametrize("as_json", [False, True])
def test_any_terminal_and_any_file_takes_the_answer(
    small_study: Path, encoding: str, as_json: bool
) -> None:
    """Notes name a file, and its folder has letters that few code pages know."""
    home = small_study.parent.rename(small_study.parent.with_name("Öl \u2603 \U0001f600"))
    rewritten(home / "small.toml", "cells", ";", ".")
    arguments = [sys.executable, "-X", "warn_default_encoding", "-W", "error", "-m", "explorer"]
    done = subprocess.run(
        [*arguments, "check", str(home / "small.toml"), *(["--json"] if as_json else [])],
        capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": encoding},
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode(encoding)
    if as_json:
        (note,) = json.loads(text)["notes"]
        assert note.startswith(str(home))
    else:
        assert "is read with ';' between cells" in text
        assert ("\u2603" if encoding == "utf-8" else r"\u2603") in text
