"""Wrong input of every sort: one clear line a fault, all of them at once, nothing else raised."""

from __future__ import annotations

import shutil
import tempfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from explorer.errors import InputError
from explorer.inputs.study import Project, load

TODAY = date(2026, 11, 25)
SMALL = Path(__file__).parent / "data" / "small"


def faults_of(study: Path) -> list[str]:
    """The lines that a study's faults make, with paths as seen from its folder."""
    with pytest.raises(InputError) as caught:
        load(study, today=TODAY)
    assert caught.value.exit_status == 2
    lines = str(caught.value).split("\n")
    assert len(lines) == len(caught.value.faults)
    return [line.replace(f"{study.parent}/", "") for line in lines]


def change(study: Path, file: str, old: str, new: str) -> None:
    path = study.parent / file
    text = path.read_text()
    assert old in text, f"{old!r} is not in {file}: the test would change nothing"
    path.write_text(text.replace(old, new, 1))


def test_the_small_study_has_no_fault(small_study: Path) -> None:
    assert load(small_study, today=TODAY).catalogue.notes == ()


# file, text, what stands in its place, the one line that must follow
ONE_FAULT = {
    "unknown part": (
        "small.toml",
        "[settings]",
        '[choices]\ngearing = ["belt_44"]\n[settings]',
        "small.toml: line 13, choices.gearing: unknown id, got belt_44 (nearest: belt_4)",
    ),
    "wrong unit of a column": (
        "parts/cells.csv",
        "esr_ohm",
        "esr_mohm",
        "parts/cells.csv: row 1: unknown column, got esr_mohm (nearest: esr_ohm)",
    ),
    "wrong unit of a mass": (
        "parts/cells.csv",
        "mass_kg",
        "mass_g",
        "parts/cells.csv: row 1: unknown column, got mass_g (nearest: mass_kg)",
    ),
    "negative price": (
        "parts/prices.csv",
        "belt_4,19.00",
        "belt_4,-19.00",
        "parts/prices.csv: row 4 (belt_4), column price: must be at least 0, got -19.00",
    ),
    "price not given": (
        "parts/prices.csv",
        "belt_4,19.00",
        "belt_4,",
        "parts/prices.csv: row 4 (belt_4), column price: must be filled in",
    ),
    "price is no number": (
        "parts/prices.csv",
        "belt_4,19.00",
        "belt_4,nan",
        "parts/prices.csv: row 4 (belt_4), column price: must be a finite number, got nan",
    ),
    "price row missing": (
        "parts/prices.csv",
        "belt_4,19.00,EUR,2026-11-10,\n",
        "",
        "parts/prices.csv: part belt_4: has no price, yet the study may choose this gearing",
    ),
    "price of an unknown part": (
        "parts/prices.csv",
        "\nbelt_4,",
        "\nbelt_5,1,EUR,2026-11-10,\nbelt_4,",
        "parts/prices.csv: row 4 (belt_5), column part: is in no table of parts, got belt_5 "
        "(nearest: belt_4)",
    ),
    "price twice": (
        "parts/prices.csv",
        "\nbelt_4,",
        "\nbelt_4,18,EUR,2026-11-10,1\nbelt_4,",
        "parts/prices.csv: row 5 (belt_4), column part: must be unique for a quantity, "
        "row 4 has it too, got belt_4",
    ),
    "price of many only": (
        "parts/prices.csv",
        "belt_4,19.00,EUR,2026-11-10,",
        "belt_4,19.00,EUR,2026-11-10,10",
        "parts/prices.csv: row 4 (belt_4), column from_quantity: must also have a price from "
        "quantity 1",
    ),
    "mixed currencies": (
        "parts/prices.csv",
        "belt_4,19.00,EUR",
        "belt_4,19.00,USD",
        "parts/prices.csv: row 4 (belt_4), column currency: must be EUR or have a rate in the "
        "study's [prices] rates, got USD",
    ),
    "no currency code": (
        "parts/prices.csv",
        "belt_4,19.00,EUR",
        "belt_4,19.00,E",
        "parts/prices.csv: row 4 (belt_4), column currency: must be a currency code of three "
        "capitals, got E",
    ),
    "NaN": (
        "parts/cranks.csv",
        "0.17,60",
        "NaN,60",
        "parts/cranks.csv: row 2 (crank_mid), column radius_m: must be a finite number, got NaN",
    ),
    "infinity": (
        "parts/cranks.csv",
        "0.17,60",
        "1e999,60",
        "parts/cranks.csv: row 2 (crank_mid), column radius_m: must be a finite number, got 1e999",
    ),
    "negative": (
        "parts/cranks.csv",
        "0.17,60",
        "-0.17,60",
        "parts/cranks.csv: row 2 (crank_mid), column radius_m: must be greater than 0, got -0.17",
    ),
    "decimal comma": (
        "parts/cranks.csv",
        "0.17,60",
        '"0,17",60',
        "parts/cranks.csv: row 2 (crank_mid), column radius_m: must be a number, got 0,17 "
        "(with a point, not a comma)",
    ),
    "one cell too many": (
        "parts/cranks.csv",
        "0.17,60",
        "0,17,60",
        "parts/cranks.csv: row 2 (crank_mid): must have 7 cells as the header has, got 8",
    ),
    "share above one": (
        "parts/gearings.csv",
        "4,0.96,",
        "4,96,",
        "parts/gearings.csv: row 3 (belt_4), column efficiency: must be at most 1, got 96",
    ),
    "unknown kind": (
        "parts/generators.csv",
        "brushed_dc",
        "brushed",
        "parts/generators.csv: row 4 (treadmill_dc), column kind: must be 'three_phase', "
        "'two_phase' or 'brushed_dc', got brushed",
    ),
    "line value of a machine without lines": (
        "parts/generators.csv",
        "two_phase,,0.7,",
        "two_phase,0.7,,",
        "parts/generators.csv: row 3 (stepper_long): emf_line_V_s is for three_phase only, "
        "a two_phase has phases",
    ),
    "negative line value": (
        "parts/generators.csv",
        "three_phase,0.6,",
        "three_phase,-0.6,",
        "parts/generators.csv: row 2 (hub_small), column emf_line_V_s: must be greater than 0, "
        "got -0.6",
    ),
    "part of a pole": (
        "parts/generators.csv",
        ",15,0.14,",
        ",15.5,0.14,",
        "parts/generators.csv: row 2 (hub_small), column pole_pairs: must be a whole number, "
        "got 15.5",
    ),
    "row without source": (
        "parts/cells.csv",
        '\ncell_25f,Supercapacitor cell 25 F 2.7 V,"class value, most DC ESR and leakage of the '
        'class",',
        "\ncell_25f,Supercapacitor cell 25 F 2.7 V,,",
        "parts/cells.csv: row 3 (cell_25f), column source: must be filled in",
    ),
    "row without date": (
        "parts/cells.csv",
        "2026-11-03",
        "",
        "parts/cells.csv: row 2 (cell_5f), column dated: must be filled in",
    ),
    "date of another style": (
        "parts/cells.csv",
        "2026-11-03",
        "3.11.2026",
        "parts/cells.csv: row 2 (cell_5f), column dated: must be a date such as 2026-11-25, "
        "got 3.11.2026",
    ),
    "number for a date": (
        "parts/cells.csv",
        "2026-11-03",
        "20261103",
        "parts/cells.csv: row 2 (cell_5f), column dated: must be a date such as 2026-11-25, "
        "got 20261103",
    ),
    "id with a tag": (
        "parts/packs.csv",
        "\nretrying_pack,",
        "\n<b>pack</b>,",
        "parts/packs.csv: row 4 (<b>pack</b>), column id: must be lower-case letters, digits and "
        "_, a letter first, at most 48, got <b>pack</b>",
    ),
    "name over two lines": (
        "parts/packs.csv",
        "Pack 5 V 2 A that regulates its input",
        '"Pack\nof two lines"',
        "parts/packs.csv: row 3 (regulating_pack), column name: must be printable text on one "
        r"line, got Pack\nof two lines",
    ),
    "converter range upside down": (
        "parts/converters.csv",
        "5.05,3,12,",
        "5.05,12,3,",
        "parts/converters.csv: row 2 (buckboost_middle): input_min_V 12.0 must be below "
        "input_max_V 3.0",
    ),
    "efficiency above one": (
        "bench/converter_points.csv",
        "buckboost_middle,9,1,0.901",
        "buckboost_middle,9,1,90.1",
        "bench/converter_points.csv: row 18 (buckboost_middle), column efficiency: must be less "
        "than 1, got 90.1",
    ),
    "bench point of an unknown converter": (
        "bench/converter_points.csv",
        "buckboost_middle,",
        "buckbost_middle,",
        "bench/converter_points.csv: row 2 (buckbost_middle), column converter: is not in "
        "converters.csv, got buckbost_middle (nearest: buckboost_middle)",
    ),
    "TOML": (
        "small.toml",
        "cells_parallel = [1]",
        "cells_parallel = [1",
        "small.toml: line 15: is not TOML: Unclosed array",
    ),
    "empty choice": (
        "small.toml",
        "[settings]",
        "[choices]\ncell = []\n[settings]",
        'small.toml: line 13, choices.cell: must name at least one part, or be "all"',
    ),
    "choice of a wrong type": (
        "small.toml",
        "[settings]",
        "[choices]\ncell = 5\n[settings]",
        'small.toml: line 13, choices.cell: must be "all" or a list of ids in quotes, got 5',
    ),
    "unknown link": (
        "small.toml",
        "[settings]",
        '[choices]\ncells = "all"\n[settings]',
        "small.toml: line 13, choices.cells: unknown key (nearest: cell)",
    ),
    "range upside down": (
        "small.toml",
        "cadence_rpm = [50, 65]",
        "cadence_rpm = { low = 80, high = 40, step = 5 }",
        "small.toml: line 15, settings.cadence_rpm: low 80 must not be above high 40",
    ),
    "no step": (
        "small.toml",
        "cadence_rpm = [50, 65]",
        "cadence_rpm = { low = 40, high = 80, step = 0 }",
        "small.toml: line 15, settings.cadence_rpm.step: must be greater than 0, got 0",
    ),
    "step backwards": (
        "small.toml",
        "cadence_rpm = [50, 65]",
        "cadence_rpm = { low = 40, high = 80, step = -5 }",
        "small.toml: line 15, settings.cadence_rpm.step: must be greater than 0, got -5",
    ),
    "grid or not": (
        "small.toml",
        "cadence_rpm = [50, 65]",
        "cadence_rpm = { low = 40, high = 80 }",
        "small.toml: line 15, settings.cadence_rpm: needs either step (a grid) or sweep_points "
        "(continuous)",
    ),
    "gigantic setting": (
        "small.toml",
        "cadence_rpm = [50, 65]",
        "cadence_rpm = { low = 40, high = 80, step = 1e-9 }",
        "small.toml: line 15, settings.cadence_rpm: makes more than 10000 values, the step is "
        "too small",
    ),
    "gigantic space": (
        "small.toml",
        "cells_series = [5, 6]\ncells_parallel = [1]\ncadence_rpm = [50, 65]",
        "cells_series = { low = 1, high = 9000, step = 1 }\n"
        "cells_parallel = { low = 1, high = 9000, step = 1 }\n"
        "cadence_rpm = { low = 1, high = 90, step = 0.009 }",
        "small.toml: line 12, settings: must not make more than 1e+15 combinations with the parts, "
        "got 1.04e+15",
    ),
    "no value": (
        "small.toml",
        "cadence_rpm = [50, 65]",
        "cadence_rpm = []",
        "small.toml: line 15, settings.cadence_rpm: must hold 1 to 10000 values, holds 0",
    ),
    "value is not finite": (
        "small.toml",
        "cadence_rpm = [50, 65]",
        "cadence_rpm = [50, nan]",
        "small.toml: line 15, settings.cadence_rpm: must be numbers above 0 and below 1e9",
    ),
    "part of a cell": (
        "small.toml",
        "cells_series = [5, 6]",
        "cells_series = [5, 5.5]",
        "small.toml: line 13, settings.cells_series: must be whole numbers, a list or "
        "{low, high, step}, got [5, 5.5]",
    ),
    "setting left out": (
        "small.toml",
        "cadence_rpm = [50, 65]\n",
        "",
        "small.toml: line 12, settings.cadence_rpm: is missing",
    ),
    "setting of another unit": (
        "small.toml",
        "undervoltage_band_V = [1.8]",
        "undervoltage_band_V = [1.8]\nundervoltage_band_mV = [1200]",
        "small.toml: line 18, settings.undervoltage_band_mV: unknown key "
        "(nearest: undervoltage_band_V)",
    ),
    "window below the converter's minimum": (
        "small.toml",
        "undervoltage_off_V = [5.0]",
        "undervoltage_off_V = [2.4, 3.05]",
        "small.toml: line 16, settings.undervoltage_off_V: must somewhere be above the least input "
        "3 V of the chosen converters (buckboost_middle) with comparator and resistors at their "
        "worst, got at most 3.05, at worst 2.94",
    ),
    "a threshold that no divider can set": (
        "small.toml",
        "undervoltage_off_V = [5.0]",
        "undervoltage_off_V = [1.2, 5.0]",
        "small.toml: line 16, settings.undervoltage_off_V: must be above the reference 1.3 V of "
        "window_plain, below which no resistors can set it, got at least 1.2",
    ),
    "window upside down": (
        "small.toml",
        "overvoltage_off_V = [10.5]",
        "overvoltage_off_V = [5]",
        "small.toml: line 18, settings.overvoltage_off_V: must somewhere be above the lowest "
        "undervoltage_off_V + undervoltage_band_V 6.8, got at most 5",
    ),
    "nobody cranks": (
        "small.toml",
        'operators = ["adult_one_arm"]',
        "operators = []",
        "small.toml: line 9, session.operators: must not be empty, got []",
    ),
    "nothing to charge": (
        "small.toml",
        'packs = ["telemetry_pack"]',
        "",
        "small.toml: line 7, session.packs: is missing",
    ),
    "the same operator twice": (
        "small.toml",
        'operators = ["adult_one_arm"]',
        'operators = ["adult_one_arm", "adult_one_arm"]',
        "small.toml: line 9, session.operators: must name each once",
    ),
    "the same part twice": (
        "small.toml",
        "[settings]",
        '[choices]\ncrank = ["crank_mid", "crank_mid"]\n[settings]',
        "small.toml: line 13, choices.crank: must name each once, got ['crank_mid', 'crank_mid']",
    ),
    "unknown operator": (
        "small.toml",
        'operators = ["adult_one_arm"]',
        'operators = ["adult_two_arm"]',
        "small.toml: line 9, session.operators: unknown id, got adult_two_arm "
        "(nearest: adult_one_arm)",
    ),
    "number in quotes": (
        "small.toml",
        "minutes = 10",
        'minutes = "10"',
        "small.toml: line 8, session.minutes: must be a number, got 10",
    ),
    "no time": (
        "small.toml",
        "minutes = 10",
        "minutes = 0",
        "small.toml: line 8, session.minutes: must be greater than 0, got 0",
    ),
    "unknown key": (
        "small.toml",
        "minutes = 10",
        "minutes = 10\novercases = 'mean'",
        "small.toml: line 9, session.overcases: unknown key (nearest: over_cases)",
    ),
    "unknown section": (
        "small.toml",
        "[limits]",
        "[limit]",
        "small.toml: line 20, limit: unknown section (nearest: limits)",
    ),
    "section is no table": (
        "small.toml",
        "[limits]\ncost = 150\nfirst_charge_s = 300",
        "[[limits]]\ncost = 150",
        "small.toml: line 20, limits: must be a table, got [{'cost': 150}]",
    ),
    "limit below zero": (
        "small.toml",
        "cost = 150",
        "cost = -150",
        "small.toml: line 21, limits.cost: must be greater than 0, got -150",
    ),
    "study name with a path": (
        "small.toml",
        'name = "small"',
        'name = "../small"',
        "small.toml: line 3, study.name: must be lower-case letters, digits and _, a letter first, "
        "at most 48, got ../small",
    ),
    "study name of another file": (
        "small.toml",
        'name = "small"',
        'name = "smaller"',
        "small.toml: line 3, study.name: must equal the file's name small, got smaller",
    ),
    "tables elsewhere": (
        "small.toml",
        'title = "Small study for tests"',
        'title = "Small study for tests"\ntables = "../parts"',
        "small.toml: line 5, study.tables: must lie inside the study's folder, got ../parts",
    ),
    "rates without a date": (
        "small.toml",
        'currency = "EUR"',
        'currency = "EUR"\nrates = { USD = 0.92 }',
        "small.toml: line 24, prices: rates need rates_dated, the day they were taken",
    ),
    "rate below zero": (
        "small.toml",
        'currency = "EUR"',
        'currency = "EUR"\nrates_dated = 2026-11-01\nrates = { USD = -0.92 }',
        "small.toml: line 27, prices.rates.USD: must be greater than 0, got -0.92",
    ),
    "unknown sampler": (
        "small.toml",
        "seed = 7",
        'seed = 7\nsampler = "nsga4"',
        "small.toml: line 29, search.sampler: must be 'nsga2', 'nsga3', 'tpe' or 'random', "
        "got nsga4",
    ),
}


@pytest.mark.parametrize("case", ONE_FAULT)
def test_one_fault_is_one_line(small_study: Path, case: str) -> None:
    file, old, new, line = ONE_FAULT[case]
    change(small_study, file, old, new)
    assert faults_of(small_study) == [line]


def test_a_missing_column_is_named_once(small_study: Path) -> None:
    table = small_study.parent / "parts" / "pack_leads.csv"
    table.write_text(
        "id,name,source,dated,mass_kg,current_limit_A\n"
        "usb_lead_short,Short lead,measured,2026-11-03,0.018,3\n"
        "usb_lead_long,Long lead,measured,2026-11-03,-0.03,3\n"
    )
    assert faults_of(small_study) == [
        "parts/pack_leads.csv: row 1: column resistance_ohm is missing",
        "parts/pack_leads.csv: row 3 (usb_lead_long), column mass_kg: must be at least 0, "
        "got -0.03",
        "parts/prices.csv: part usb_lead_long: has no price, yet the study may choose this "
        "pack_lead",
    ]


def test_prices_are_refused_in_any_other_table(small_study: Path) -> None:
    table = small_study.parent / "parts" / "cranks.csv"
    header, row = table.read_text().splitlines()
    table.write_text(f"{header},price_EUR\n{row},9.00\n")
    assert faults_of(small_study) == [
        "parts/cranks.csv: row 1: prices stand in prices.csv alone, got price_EUR"
    ]


def test_an_id_stands_once_in_all_tables_of_parts(small_study: Path) -> None:
    for file in ("cells", "clamps"):
        path = small_study.parent / "parts" / f"{file}.csv"
        lines = path.read_text().splitlines()
        lines.append(lines[1].replace("no_clamp", "cell_5f"))
        path.write_text("\n".join(lines))
    assert faults_of(small_study) == [
        "parts/cells.csv: row 5 (cell_5f), column id: must be unique, row 2 has it too, "
        "got cell_5f",
        "parts/clamps.csv: row 4 (cell_5f), column id: must be unique, row 2 of "
        "parts/cells.csv has it too, got cell_5f",
    ]


SAVE_IT = "if it is Latin-1 or Windows-1252, save it as UTF-8"
NOT_A_TABLE = {
    "empty": (b"", "is empty, it needs a row of column names"),
    "blank": (b"\n\n ,\n", "is empty, it needs a row of column names"),
    "not UTF-8": (
        "id,name\nb\u00fcgel".encode("latin-1"),
        f"is not UTF-8 text, see byte 10, 0xfc in line 2; {SAVE_IT}",
    ),
    "UTF-16 without its mark": ("id,name".encode("utf-16-le"), "is UTF-16 text, save it as UTF-8"),
    "half of UTF-16": (b"\xff\xfei", "is broken UTF-16 text, save it as UTF-8"),
    "binary": (
        b"\x89PNG\r\n\x1a\n\0\0",
        f"is not UTF-8 text, see byte 1, 0x89 in line 1; {SAVE_IT}",
    ),
    "zero bytes": (b"id\0name", "is not a text file"),
    "open quote": (b'id,name\n"crank', "is not a CSV table: unexpected end of data"),
}


@pytest.mark.parametrize("case", NOT_A_TABLE)
def test_a_foreign_file_is_one_fault(small_study: Path, case: str) -> None:
    content, rule = NOT_A_TABLE[case]
    (small_study.parent / "parts" / "cranks.csv").write_bytes(content)
    assert faults_of(small_study) == [f"parts/cranks.csv: {rule}"]


def test_a_table_without_rows_is_a_fault(small_study: Path) -> None:
    table = small_study.parent / "parts" / "operators.csv"
    table.write_text(table.read_text().splitlines()[0])
    assert faults_of(small_study)[0] == ("parts/operators.csv: has no rows under its column names")


def test_a_missing_table_is_one_fault(small_study: Path) -> None:
    parts = small_study.parent / "parts"
    (parts / "gearings.csv").rename(parts / "gearing.csv")
    assert faults_of(small_study) == ["parts/gearings.csv: is missing (nearest: gearing.csv)"]


def test_a_folder_in_place_of_a_table_is_one_fault(small_study: Path) -> None:
    table = small_study.parent / "parts" / "gearings.csv"
    table.unlink()
    table.mkdir()
    assert faults_of(small_study) == ["parts/gearings.csv: is not a file"]


def test_an_unreadable_table_is_one_fault(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = Path.read_bytes

    def refuse(path: Path) -> bytes:
        if path.name == "gearings.csv":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert faults_of(small_study) == ["parts/gearings.csv: cannot be read: Permission denied"]


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (None, "is missing"),
        (b"\x80", "line 1: is not UTF-8 text, see byte 1; save it as UTF-8"),
        ("a = 1".encode("utf-16"), "line 1: is not UTF-8 text, see byte 1; save it as UTF-8"),
        (b"\n" + b"a." * 100_000 + b"a = 1", "line 2: must have names of less than 100 parts"),
        (b"a = " + b"[" * 5000, "is nested too deeply"),
        (b"a = " + b"9" * 5000, "is not TOML: Exceeds the limit (4300 digits) for integer string"),
        (b"#" * 1_000_001, "is over 1 MB, too large for a study"),
    ],
)
def test_a_study_that_cannot_be_read(small_study: Path, content: bytes | None, rule: str) -> None:
    small_study.unlink()
    if content is not None:
        small_study.write_bytes(content)
    (line,) = faults_of(small_study)
    assert line.startswith(f"small.toml: {rule}")


def test_an_empty_study_names_all_that_it_lacks(small_study: Path) -> None:
    small_study.write_text("")
    lines = faults_of(small_study)
    for key in (
        "study.name",
        "study.title",
        "study.question",
        "session.minutes",
        "session.operators",
        "session.packs",
        "settings.cadence_rpm",
    ):
        assert f"small.toml: {key}: is missing" in lines


def test_all_faults_of_all_files_come_at_once(small_study: Path) -> None:
    change(small_study, "small.toml", "minutes = 10", "minutes = -10")
    change(small_study, "small.toml", "[settings]", '[choices]\ncrank = ["crank_mit"]\n[settings]')
    change(small_study, "parts/cells.csv", "esr_ohm", "esr_mohm")
    change(small_study, "parts/cells.csv", ",supercapacitor,5,", ",supercapacitor,-5,")
    change(small_study, "parts/leads.csv", ",0.06,0.035,", ",nan,inf,")
    change(small_study, "parts/prices.csv", "belt_4,19.00", "belt_4,-19.00")
    (small_study.parent / "bench" / "converter_points.csv").unlink()
    assert faults_of(small_study) == [
        "small.toml: line 8, session.minutes: must be greater than 0, got -10",
        "small.toml: line 13, choices.crank: unknown id, got crank_mit (nearest: crank_mid)",
        "bench/converter_points.csv: is missing",
        "parts/cells.csv: row 1: unknown column, got esr_mohm (nearest: esr_ohm)",
        "parts/cells.csv: row 2 (cell_5f), column capacitance_F: must be greater than 0, got -5",
        "parts/leads.csv: row 2 (lead_plain), column mass_kg: must be a finite number, got nan",
        "parts/leads.csv: row 2 (lead_plain), column resistance_ohm: must be a finite number, "
        "got inf",
        "parts/prices.csv: row 4 (belt_4), column price: must be at least 0, got -19.00",
    ]


def test_a_converter_needs_bench_points(small_study: Path) -> None:
    table = small_study.parent / "bench" / "converter_points.csv"
    lines = table.read_text().splitlines()
    kept = [line for line in lines if not line.startswith("buckboost_wide")]
    table.write_text("\n".join([*kept, lines[-1]]))
    assert faults_of(small_study) == [
        "parts/converters.csv: row 3 (buckboost_wide): needs 6 points in converter_points.csv, "
        "got 1"
    ]


def test_text_with_tags_is_text(small_study: Path) -> None:
    """A page escapes it; a name may well say R < 5 ohm."""
    change(small_study, "parts/cranks.csv", "Bicycle", "<script>alert(1)</script>")
    name = load(small_study, today=TODAY).catalogue.parts["crank"][0].name
    assert name.startswith("<script>")


# What a slip of the hand, a spreadsheet or a broken disk leaves behind.
CELLS = st.one_of(
    st.sampled_from(
        [
            "",
            "0",
            "-1",
            "nan",
            "inf",
            "1e999",
            "-0",
            "1e-320",
            "0x10",
            "1_0",
            "1,5",
            "none",
            "../x",
            "<b>",
            "=1+1",
            "'",
            '"',
            "\x1b[2J",
            "\u2028",
            "2026-02-30",
            "cell_5f",
            "no_gearing",
        ]
    ),
    st.floats(allow_nan=True).map(repr),
    st.integers().map(str),
    st.text(max_size=12),
)
FILES = sorted(str(path.relative_to(SMALL)) for path in SMALL.rglob("*.*"))


def only_lines_of_faults(study: Path) -> None:
    """Either a Project, or faults of one line each that name a file of the study."""
    faults = None
    try:
        project = load(study, today=TODAY)
    except InputError as error:
        faults = error.faults
    if faults is None:
        assert isinstance(project, Project)
        return
    assert faults
    for fault in faults:
        assert str(fault).isprintable()  # so it is one line, whatever the terminal
        assert fault.file.removeprefix(f"{study.parent}/") in FILES


@given(
    file=st.sampled_from([name for name in FILES if name.endswith(".csv")]),
    row=st.integers(0, 20),
    column=st.integers(0, 16),
    cell=CELLS,
    quoted=st.booleans(),
)
@settings(max_examples=150, deadline=None)
@example(file="parts/cells.csv", row=1, column=0, cell="\x1b[2J", quoted=True)
@example(file="bench/converter_points.csv", row=1, column=1, cell="1e-320", quoted=False)
@example(file="bench/converter_points.csv", row=1, column=2, cell="1e300", quoted=False)
def test_any_cell_of_any_table_may_hold_anything(
    file: str, row: int, column: int, cell: str, quoted: bool
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        home = Path(shutil.copytree(SMALL, Path(folder) / "small"))
        lines = (home / file).read_text().splitlines()
        cells = lines[row % len(lines)].split(",")
        cells[column % len(cells)] = '"' + cell.replace('"', '""') + '"' if quoted else cell
        lines[row % len(lines)] = ",".join(cells)
        (home / file).write_text("\n".join(lines), errors="surrogatepass")
        only_lines_of_faults(home / "small.toml")


@given(file=st.sampled_from(FILES), data=st.data())
@settings(max_examples=100, deadline=None)
def test_any_bytes_may_be_lost_or_changed(file: str, data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as folder:
        home = Path(shutil.copytree(SMALL, Path(folder) / "small"))
        content = (home / file).read_bytes()
        start = data.draw(st.integers(0, len(content)), label="from")
        length = data.draw(st.integers(0, 40) | st.just(len(content)), label="bytes lost")
        put = data.draw(st.binary(max_size=20) | st.text(max_size=8).map(str.encode), label="put")
        (home / file).write_bytes(content[:start] + put + content[start + length :])
        only_lines_of_faults(home / "small.toml")


TOML_VALUES = st.recursive(
    st.one_of(
        st.sampled_from(
            [
                "true",
                '""',
                '"all"',
                '"../x"',
                "nan",
                "inf",
                "-inf",
                "1e308",
                "2026-11-25",
                "0",
                "07:30:00",
                "[[1]]",
                "1" + "0" * 400,
                '"<b>"',
                '"\\u001b[2J"',
            ]
        ),
        st.floats(allow_nan=False, allow_infinity=False).map(repr),
        st.integers(-(2**63), 2**63 - 1).map(str),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[" + ", ".join(items) + "]"),
        st.dictionaries(
            st.sampled_from(["low", "high", "step", "sweep_points", "USD", "listed"]),
            inner,
            max_size=4,
        ).map(lambda d: "{" + ", ".join(f"{key} = {value}" for key, value in d.items()) + "}"),
    ),
    max_leaves=5,
)


@given(line=st.integers(0, 40), value=TOML_VALUES)
@settings(max_examples=150, deadline=None)
@example(line=14, value="{low = 1e8, high = 2e8, step = 1e-300}")
@example(line=7, value="1" + "0" * 400)
def test_any_key_of_the_study_may_hold_anything(line: int, value: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        home = Path(shutil.copytree(SMALL, Path(folder) / "small"))
        lines = (home / "small.toml").read_text().splitlines()
        keys = [number for number, text in enumerate(lines) if " = " in text]
        at = keys[line % len(keys)]
        lines[at] = lines[at].split(" = ")[0] + " = " + value
        (home / "small.toml").write_text("\n".join(lines))
        only_lines_of_faults(home / "small.toml")
