"""Mutated studies with fresh seeds: none may crash, hang, warn or put NaN on a front.

    python -m tests.bench.mutations [--checked N] [--launched N] [--notes N] [--seed N]
                                    [--json FILE]

Prints what was done in each case that failed, and its number: `--seed NUMBER --checked 1` does it
again. Exit status 1 when one failed.
"""

from __future__ import annotations

import secrets
import shutil
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from explorer.commands.check import check_study
from explorer.commands.launch import launch_study
from explorer.commands.measure import read_bench
from tests.bench import bench_results
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


def main() -> None:
    asked = bench_results.asked(__doc__, checked=2000, launched=40, notes=1000, seed=-1)
    first = asked.seed if asked.seed >= 0 else secrets.randbelow(10**9)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        sound = base(Path(folder) / "sound").parent
        warnings.simplefilter("error")
        for name, count, command in (
            ("check", asked.checked, check_study),
            ("launch", asked.launched, launched),
        ):
            numbers = range(first, first + count)
            rows.append({"command": name, **_tried(sound, Path(folder), numbers, command)})
            print(rows[-1])
        rows.append(
            {"command": "measure read", **_notes(Path(folder), range(first, first + asked.notes))}
        )
        print(rows[-1])
    bench_results.write(asked.json, rows)
    sys.exit(any(row["failed"] for row in rows))


def launched(study: Path) -> dict[str, Any]:
    """What a launch in this process answers."""
    return launch_study(study, workers=1, page=False)


def _tried(sound: Path, folder: Path, numbers: range, command: Command) -> dict[str, Any]:
    """How often each answer to a mutated study came, and the longest time to one."""
    full = command is launched

    def changed(home: Path, number: int) -> tuple[Path, str]:
        shutil.copytree(sound, home, symlinks=True)
        return home / "small.toml", mutate(home, number, plausible=full)

    return _answers(folder / "small", numbers, changed, command, LAUNCH_S if full else CLEAR_S)


def _notes(folder: Path, numbers: range) -> dict[str, Any]:
    """The same of notes from the bench."""

    def changed(home: Path, number: int) -> tuple[Path, str]:
        return write_note(home, number), mutate_note(home, number)

    return _answers(folder / "bench", numbers, changed, read_bench, CLEAR_S)


def _answers(
    home: Path,
    numbers: range,
    changed: Callable[[Path, int], tuple[Path, str]],
    command: Command,
    limit_s: float,
) -> dict[str, Any]:
    """How often each answer came, of a file in a folder that `changed` makes and mutates."""
    found: Counter[str] = Counter()
    longest = 0.0
    for number in numbers:
        file, what = changed(home, number)
        begun = time.process_time()
        try:
            found[answer_of(file, command, what, limit_s)] += 1
        except AssertionError as error:
            found["failed"] += 1
            print(error)
        longest = max(longest, time.process_time() - begun)
        shutil.rmtree(home)
    names = ("done", "refused", "failed")
    return {
        "first": numbers.start,
        **{name: found[name] for name in names},
        "longest_cpu_s": round(longest, 2),
    }


if __name__ == "__main__":
    main()
