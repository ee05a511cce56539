"""Mutated studies, tables, price lists and locks: done or refused in clear lines, nothing else.

The seeds are fixed; `python -m tests.bench.mutations` draws fresh ones.
"""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from explorer.commands.check import check_study
from explorer.commands.launch import launch_study
from explorer.commands.measure import read_bench
from explorer.errors import InputError
from explorer.measuring.note_kinds import NOTE_KINDS
from tests.helpers.mutations import (
    CLEAR_S,
    LAUNCH_S,
    Command,
    answer_of,
    base,
    mutate,
    mutate_note,
    write_note,
)

CHECKED, CHECKED_SLOW = 400, 10_000
LAUNCHED_SLOW, LAUNCHED_AT_ONCE = 200, 50
NOTES, NOTES_SLOW = 150, 2000


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that is mutated."""
    return base(tmp_path_factory.mktemp("sound") / "small").parent


def answers(
    sound: Path, home: Path, numbers: range, command: Command, plausible: bool
) -> Counter[str]:
    """How often each answer came."""
    found: Counter[str] = Counter()
    for number in numbers:
        shutil.copytree(sound, home, symlinks=True)
        what = mutate(home, number, plausible=plausible)
        limit_s = LAUNCH_S if plausible else CLEAR_S
        found[answer_of(home / "small.toml", command, what, limit_s)] += 1
        shutil.rmtree(home)
    return found


def launched(study: Path) -> dict[str, Any]:
    """What a launch in this process answers."""
    return launch_study(study, workers=1, page=False)


def test_the_sound_study_is_done(sound: Path) -> None:
    assert answer_of(sound / "small.toml", check_study, "unchanged") == "done"


def test_check_answers_some_mutations(sound: Path, tmp_path: Path) -> None:
    found = answers(sound, tmp_path / "small", range(CHECKED), check_study, plausible=False)
    assert min(found["done"], found["refused"]) > CHECKED / 10


def notes(home: Path, numbers: range) -> Counter[str]:
    """How often each answer to a mutated note came."""
    found: Counter[str] = Counter()
    for number in numbers:
        note = write_note(home, number)
        what = mutate_note(home, number)
        found[answer_of(note, read_bench, what)] += 1
        shutil.rmtree(home)
    return found


def test_every_sound_note_is_done(tmp_path: Path) -> None:
    for number in range(len(NOTE_KINDS)):
        note = write_note(tmp_path / str(number), number)
        assert answer_of(note, read_bench, f"unchanged {number}") == "done"


def test_measure_read_answers_some_mutated_notes(tmp_path: Path) -> None:
    found = notes(tmp_path / "bench", range(NOTES))
    assert min(found["done"], found["refused"]) > NOTES / 10


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("mass_kg = 2.3", 'mass_kg = "two"', "given.mass_kg: must be a number"),
        ("mass_kg = 2.3", "mass_kg = -1", "given.mass_kg: must"),
        ("rpm = 120", "rpm = 1e308", r"drag\[1\].rpm: is no number that anybody reads"),
        ("kg = 0.6", "kg = 600", "undetermined|contradicts|slip"),
    ],
)
def test_notes_that_crashed_a_fit_are_refused(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    """What mutations found."""
    note = write_note(tmp_path / "bench", list(NOTE_KINDS).index("generator"))
    note.write_text(note.read_text().replace(old, new, 1))
    with pytest.raises(InputError, match=words):
        read_bench(note)


@pytest.mark.slow
def test_measure_read_answers_two_thousand_mutated_notes(tmp_path: Path) -> None:
    found = notes(tmp_path / "bench", range(NOTES, NOTES + NOTES_SLOW))
    assert min(found["done"], found["refused"]) > NOTES_SLOW / 10


@pytest.mark.slow
def test_check_answers_ten_thousand_mutations(sound: Path, tmp_path: Path) -> None:
    numbers = range(CHECKED, CHECKED + CHECKED_SLOW)
    found = answers(sound, tmp_path / "small", numbers, check_study, plausible=False)
    assert min(found["done"], found["refused"]) > CHECKED_SLOW / 10


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, LAUNCHED_SLOW, LAUNCHED_AT_ONCE))
def test_launch_answers_mutations(sound: Path, tmp_path: Path, first: int) -> None:
    numbers = range(first, first + LAUNCHED_AT_ONCE)
    found = answers(sound, tmp_path / "small", numbers, launched, plausible=True)
    assert found["done"] > LAUNCHED_AT_ONCE / 10
