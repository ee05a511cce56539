"""Studies, tables, price lists and locks as slips, spreadsheets and broken disks leave them.

`base` makes a small study with all kinds of files, `mutate` changes a copy of it at random, and
`answer_of` runs a command on it: it may succeed or refuse its input in clear lines, nothing else.
"""

from __future__ import annotations

import json
import random
import re
import shutil
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from explorer.commands.launch import launch_study
from explorer.commands.lock import lock_design
from explorer.errors import InputError
from explorer.inputs.plausible import RANGES
from explorer.measuring.blank_note import filled_example
from explorer.measuring.note_kinds import NOTE_KINDS

SMALL = Path(__file__).parents[1] / "data" / "small"
CLEAR_S = 10.0
"""No answer of `check` takes longer; it needs a hundredth of a second."""
LAUNCH_S = 30.0
"""A launch of the unchanged study needs two to four seconds of a core, mostly for its builds."""
CHOICES = """
[choices]
gearing = ["belt_4"]
generator = ["stepper_long"]
rectifier = ["schottky_3a", "active_8"]
lead = ["lead_plain"]
cell = ["cell_25f"]
window = ["window_plain"]
converter = ["buckboost_middle"]
[[prices.offers]]
file = "shop.csv"
separator = ";"
decimal = ","
currency = "EUR"
columns = { part = "Article", price = "Unit price", dated = "Seen" }
names = { "GB-4" = "belt_4", "SC-25" = "cell_25f" }
"""
SHOP = (
    "Article;Text;Unit price;Seen\nGB-4;Belt, 4:1;17,50;2026-11-12\nSC-25;Cell;1,10;2026-11-12\n"
    "X-1;Other;1.200,00;2026-11-12\n"
)
CELLS = (
    "", " ", "0", "-0", "-1", "1", "nan", "-inf", "1e999", "1e308", "1e-320", "5e-324", "1e-12",
    "1e12", "0x10", "1_000", "1,5", "1,000", "1.000", "1 000", "½", "٣", "1e", "--1", "none",
    "None", "true", "../x", "/etc", "<script>alert(1)</script>", "=1+1", "@x", "'", '"', '""',
    "\x1b[2J", "\u2028", "\u202e", "\ufeff", "\0", "\r", "\n", "a\nb", "🙂", "É", "\udcff",
    "2026-02-30", "2099-01-01", "0001-01-01", "cell_25f", "belt_4", "a" * 300, "9" * 400,
)  # fmt: skip
VALUES = (
    "true", '""', '"all"', '"../x"', "nan", "inf", "-1", "0", "0.5", "1", "7", "1e308", "1e-308",
    "2026-11-25", "07:30:00", "[]", "[[1]]", "{}", "[1, 2, 3]", '["a"]', '["belt_4"]', "9" * 400,
    "{ low = 1, high = 2, step = 0.5 }", "{ low = 1, high = 1e8, sweep_points = 3 }", '"<b>"',
    '"\\u001b[2J"', '"E24"', '"worst"', '["adult_one_arm", "child_one_arm"]', "a." * 150 + "a = 1",
    '"""\n"""', '["retrying_pack", "regulating_pack"]', '"tcp://10.0.0.5:1"', "[" * 300,
)  # fmt: skip
ENCODINGS = ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252", "utf-32")

Command = Callable[[Path], Any]
"""Takes a study and answers with what `--json` prints."""
Mutation = Callable[[Path, random.Random], str]


def base(home: Path) -> Path:
    """A study with tables, a supplier's list and a locked design; the study file."""
    shutil.copytree(SMALL, home)
    study = home / "small.toml"
    study.write_text(study.read_text("utf-8") + CHOICES, "utf-8")
    (home / "shop.csv").write_text(SHOP, "utf-8")
    found = launch_study(study, workers=1, page=False)
    lock_design(study, found["front"][0]["design_id"], page=False)
    (home / "small.store.sqlite").unlink()
    return study


def mutate(home: Path, number: int, *, plausible: bool = False) -> str:
    """Change the files of a study at random; what was done, by which it can be done again.

    `plausible` keeps to changes that a study mostly survives, for what comes after reading it.
    """
    draw = random.Random(number)
    kinds = (_scaled, _edge, _setting) if plausible else MUTATIONS
    done = [draw.choice(kinds)(home, draw) for _ in range(draw.choice((1, 1, 2, 3)))]
    return f"mutation {number}: {'; '.join(done)}"


def answer_of(study: Path, command: Command, what: str, within_s: float = CLEAR_S) -> str:
    """ "done", or "refused" with lines that name the files; AssertionError for anything else."""
    begun = time.process_time()  # of this process: how busy a machine is says nothing of it
    try:
        answer = command(study)
    except InputError as error:
        _clear(study, error, what)
        answer = None
    except Exception as error:
        raise AssertionError(f"{what}:\n{''.join(traceback.format_exception(error))}") from None
    seconds = time.process_time() - begun
    assert seconds < within_s, f"{what}: {seconds:.1f} s"
    if answer is None:
        return "refused"
    json.dumps(answer, allow_nan=False)  # ValueError for NaN and infinity
    return "done"


def _clear(study: Path, error: InputError, what: str) -> None:
    """Every fault names a file of the study, and what is wrong there."""
    lines = str(error).split("\n")
    assert 0 < len(lines) <= 51, what
    assert all(line.isprintable() for line in lines), f"{what}: {lines}"
    for fault in error.faults:
        named = Path(fault.file)
        assert named.is_relative_to(study.parent), f"{what}: {fault}"
        assert fault.rule, f"{what}: {fault}"


def _any_file(home: Path, draw: random.Random) -> Path:
    return draw.choice(sorted(path for path in home.rglob("*.*") if path.is_file()))


def _table(home: Path, draw: random.Random) -> Path:
    return draw.choice(sorted(path for path in home.rglob("*.csv") if path.is_file()))


def _rows(table: Path) -> list[list[str]]:
    """Cells as they stand, with their quotes; a comma inside quotes ends none."""
    lines = table.read_bytes().decode("utf-8", "surrogateescape").split("\n")
    return [re.findall(r'(?:"[^"]*"|[^,])+|(?<=,)(?=,|$)|^(?=,)', line) or [""] for line in lines]


def _write(table: Path, rows: list[list[str]]) -> None:
    text = "\n".join(",".join(row) for row in rows)
    table.write_bytes(text.encode("utf-8", "surrogateescape"))


def _cell(home: Path, draw: random.Random) -> str:
    table = _table(home, draw)
    rows = _rows(table)
    row = draw.randrange(len(rows))
    column = draw.randrange(len(rows[row]))
    cell = draw.choice(CELLS)
    rows[row][column] = f'"{cell}"' if draw.random() < 0.3 else cell
    _write(table, rows)
    return f"{table.name} row {row + 1} cell {column + 1} = {cell!r}"


def _numbers(home: Path, draw: random.Random) -> tuple[Path, list[list[str]], int, int, str]:
    """A number of a table: table, rows, its row and column, the column's name."""
    while True:
        table = _table(home, draw)
        rows = _rows(table)
        row = draw.randrange(1, max(len(rows), 2))
        if row >= len(rows) or len(rows[row]) != len(rows[0]):
            continue
        chosen = [other[0] for other in rows if f'"{other[0]}"' in CHOICES]
        if chosen and rows[row][0] not in chosen and draw.random() < 0.9:
            continue  # no design has it
        column = draw.randrange(len(rows[0]))
        if re.fullmatch(r"[0-9.e-]+", rows[row][column]) and rows[0][column] in RANGES:
            return table, rows, row, column, rows[0][column]


def _scaled(home: Path, draw: random.Random) -> str:
    """A slip of a unit or of the pen that leaves a number."""
    table, rows, row, column, name = _numbers(home, draw)
    value = float(rows[row][column]) * 10 ** draw.uniform(-2, 2)
    whole = name in ("pole_pairs", "from_quantity")
    rows[row][column] = str(max(round(value), 1)) if whole else f"{value:.4g}"
    _write(table, rows)
    return f"{table.name} row {row + 1} {name} = {rows[row][column]}"


def _edge(home: Path, draw: random.Random) -> str:
    """The least or most that is plausible."""
    table, rows, row, column, name = _numbers(home, draw)
    rows[row][column] = f"{draw.choice(RANGES[name]):.10g}"
    _write(table, rows)
    return f"{table.name} row {row + 1} {name} = {rows[row][column]}"


def _setting(home: Path, draw: random.Random) -> str:
    """Another value of a setting or of the session."""
    study = home / "small.toml"
    if not study.is_file():
        return "nothing"
    text = study.read_text("utf-8", "replace")
    name, values = draw.choice(
        (
            ("minutes", ("0.01", "1", "90")),
            ("packs", ('["retrying_pack"]', '["regulating_pack", "telemetry_pack"]')),
            ("operators", ('["child_one_arm"]',)),
            ("cells_series", ("[1, 2]", "[4]", "[30]", "[10000]")),
            ("cells_parallel", ("[3]", "[10000]")),
            ("cadence_rpm", ("[1]", "[30, 120]", "[1000]")),
            ("undervoltage_off_V", ("[3.2]", "[7.5]")),
            ("undervoltage_band_V", ("[0.01]", "[0.2]", "[4]")),
            ("overvoltage_off_V", ("[7]", "[14]", "[10000]")),
            ("cost", ("1e12", "90")),
            ("first_charge_s", ("1e12", "30")),
        )
    )
    value = draw.choice(values)
    study.write_text(re.sub(rf"(?m)^{name} = .*$", f"{name} = {value}", text), "utf-8")
    return f"{name} = {value}"


def _line(home: Path, draw: random.Random) -> str:
    """A line lost, doubled or moved."""
    path = _any_file(home, draw)
    lines = path.read_bytes().split(b"\n")
    at = draw.randrange(len(lines))
    kind = draw.choice(("lost", "doubled", "moved"))
    line = lines[at] if kind == "doubled" else lines.pop(at)
    if kind != "lost":
        lines.insert(draw.randint(0, len(lines)), line)
    path.write_bytes(b"\n".join(lines))
    return f"{path.name} line {at + 1} {kind}"


def _column(home: Path, draw: random.Random) -> str:
    """A column lost, doubled, moved or named otherwise."""
    table = _table(home, draw)
    rows = _rows(table)
    at = draw.randrange(len(rows[0]))
    kind = draw.choice(("lost", "doubled", "moved", "renamed"))
    to = draw.randint(0, len(rows[0]) - 1)
    for number, row in enumerate(rows):
        if at >= len(row):
            continue
        if kind == "renamed":
            row[at] = (
                draw.choice((row[at].upper(), f" {row[at]} ", "price")) if not number else row[at]
            )
            continue
        cell = row[at] if kind == "doubled" else row.pop(at)
        if kind != "lost":
            row.insert(to, cell)
    _write(table, rows)
    return f"{table.name} column {at + 1} {kind}"


def _bytes(home: Path, draw: random.Random) -> str:
    """Bytes lost, changed or put in."""
    path = _any_file(home, draw)
    content = path.read_bytes()
    start = draw.randint(0, len(content))
    lost = draw.choice((0, 1, 3, 40, len(content)))
    put = draw.randbytes(draw.choice((0, 0, 1, 4)))
    path.write_bytes(content[:start] + put + content[start + lost :])
    return f"{path.name} byte {start}: {lost} lost, {put!r} put in"


def _encoded(home: Path, draw: random.Random) -> str:
    """Another encoding, other ends of lines, another separator, other decimals."""
    path = _any_file(home, draw)
    text = path.read_bytes().decode("utf-8", "replace")
    old, new = draw.choice(
        ((",", ";"), (",", "\t"), ("\n", "\r\n"), ("\n", "\r"), (".", ","), ("", ""))
    )
    text = text.replace(old, new) if old else text + "é"
    encoding = draw.choice(("utf-8", "utf-8", *ENCODINGS))
    path.write_bytes(text.encode(encoding, "replace"))
    return f"{path.name} with {new!r} for {old!r} in {encoding}"


def _value(home: Path, draw: random.Random) -> str:
    """Another value of a key of a TOML file, or another key or section."""
    path = draw.choice([path for path in sorted(home.glob("*.toml")) if path.is_file()] or [home])
    if path == home:
        return "nothing"
    lines = path.read_text("utf-8", "replace").split("\n")
    at = draw.choice([n for n, line in enumerate(lines) if "=" in line or "[" in line] or [0])
    key, equals, _ = lines[at].partition("=")
    put = draw.choice(VALUES)
    lines[at] = (
        f"{key}= {put}" if equals and draw.random() < 0.8 else lines[at].replace("s", "t", 1)
    )
    path.write_text("\n".join(lines), "utf-8")
    return f"{path.name} line {at + 1}: {lines[at][:60]!r}"


def _place(home: Path, draw: random.Random) -> str:
    """A file that is gone, empty, doubled, a folder or a link to itself."""
    path = _any_file(home, draw)
    kind = draw.choice(("gone", "empty", "doubled", "folder", "loop"))
    content = path.read_bytes()
    path.unlink()
    if kind == "empty":
        path.touch()
    elif kind == "doubled":
        path.write_bytes(content * 2)
    elif kind == "folder":
        path.mkdir()
    elif kind == "loop":
        path.symlink_to(path.name)
    return f"{path.name} {kind}"


MUTATIONS: tuple[Mutation, ...] = (
    _cell, _cell, _cell, _scaled, _edge, _setting, _line, _column, _bytes, _encoded, _value, _value,
    _place,
)  # fmt: skip


def write_note(home: Path, number: int) -> Path:
    """A folder with a note of some kind as a person fills it in; the note's file."""
    kinds = list(NOTE_KINDS.values())
    home.mkdir()
    note = home / "note.toml"
    note.write_text(filled_example(kinds[number % len(kinds)]), "utf-8")
    return note


def mutate_note(home: Path, number: int) -> str:
    """Change a note at random; what was done, by which it can be done again."""
    draw = random.Random(number)
    done: list[str] = []
    for _ in range(draw.choice((1, 1, 2, 3))):
        if (home / "note.toml").is_file():
            done.append(draw.choice(OF_NOTES)(home, draw))
    return f"note {number}: {'; '.join(done)}"


def _reading(home: Path, draw: random.Random) -> str:
    """A number of a note that is off by a slip, or is none that anybody reads."""
    path = _any_file(home, draw)
    text = path.read_bytes().decode("utf-8", "replace")
    lines = text.split("\n")
    places = [
        (n, found)
        for n, line in enumerate(lines)
        if not line.startswith("#")
        for found in re.finditer(r"(?<![\w.-])\d+(\.\d+)?(?![\w.-])", line)
    ]
    if not places:
        return "nothing"
    at, found = draw.choice(places)
    number = float(found.group())
    put = draw.choice(
        [f"{number * by:.10g}" for by in (0, -1, 1.05, 0.8, 2, 10, 1e-3, 1e3, 1e9, 1e-9)]
        + [word for word in VALUES if len(word) < 20]
    )
    lines[at] = lines[at][: found.start()] + put + lines[at][found.end() :]
    path.write_bytes("\n".join(lines).encode("utf-8", "replace"))
    return f"{path.name} line {at + 1}: {found.group()} became {put}"


OF_NOTES: tuple[Mutation, ...] = (
    _reading, _reading, _reading, _reading, _line, _bytes, _encoded, _value, _place,
)  # fmt: skip
