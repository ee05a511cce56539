"""Large inputs and old stores: seconds and memory of commands by size, which grow no faster.

    python -m tests.bench.load [--largest SHARE] [--json FILE] [STEP ...]

Each step runs one command on three sizes, each in a process of its own. `to_the` is the power of
the size with which its processor time grows from the middle size to the largest: 0 is flat, 1
linear. Exit status 1 where one grows faster than `MOST_POWER` or a process holds more than 2 GiB.
`--largest 0.1` goes to a tenth of the sizes, for a machine that is small or busy.
"""

from __future__ import annotations

import argparse
import csv
import json
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from math import log
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from explorer.commands.check import check_store, check_study
from explorer.commands.launch import launch_study
from explorer.commands.rerun import rerun_study
from explorer.decision import lock
from explorer.inputs.study import Project, load
from explorer.model.evaluation import Evaluation
from explorer.model.kernels.accounts import TERMS
from explorer.model.rules import RULES
from explorer.model.space import Rows
from explorer.store.builds import Draws
from explorer.store.keys import design_numbers, ids_of, path_of
from explorer.store.promises import builds_key
from explorer.store.results import BLOCK_ROWS, Store
from tests.bench import bench_results
from tests.helpers.invented import designs, results

ROOT = Path(__file__).parents[2]
DEMO, SMALL = ROOT / "studies", ROOT / "tests" / "data" / "small"
MOST_BYTES = 2 * 2**30
MOST_POWER = 1.25
"""A little more than linear: sorting does, and noise."""
EVALUATIONS = 200
STORED, ON_FRONT = 10_000, 900
"""Designs of a store with a long history, and of those that nothing beats, a third within limits:
without a front there is no page.
"""
DRAWS = 50
"""Builds of each design of a front, the fewest that a study may ask for."""


class Step(NamedTuple):
    """What is made large, up to which sizes, and the command that is timed on it."""

    says: str
    sizes: tuple[int, int, int]
    make: Callable[[Path, int], Path]
    command: Callable[[Path], Any]


def _copy(folder: Path, study: Path) -> Path:
    shutil.copytree(study.parent, folder / "study", ignore=shutil.ignore_patterns("*.sqlite*"))
    return folder / "study" / study.name


def _sampled(folder: Path) -> Path:
    """The small study, sampled a little."""
    study = _copy(folder, SMALL / "small.toml")
    text = study.read_text().replace("evaluations = 2000", f"evaluations = {EVALUATIONS}")
    study.write_text(text + 'method = "sample"\n')
    return study


def more_rows(folder: Path, times: int) -> Path:
    """So many rows of each part, under names of their own."""
    study = _sampled(folder)
    as_they_are = {"operators.csv", "packs.csv", "spreads.csv"}
    for table in [*study.parent.glob("parts/*.csv"), *study.parent.glob("bench/*.csv")]:
        with table.open(newline="") as stream:
            head, *rows = csv.reader(stream)
        grown = [
            [f"{name}_{k}" if k else name, *rest]
            for k in range(1 if table.name in as_they_are else times)
            for name, *rest in rows
        ]
        with table.open("w", newline="") as stream:
            csv.writer(stream).writerows([head, *grown])
    return study


def more_cases(folder: Path, cases: int) -> Path:
    """So many cases: people by four packs, or one person and pack."""
    study = _sampled(folder)
    packs, people = min(cases, 4), max(cases // 4, 1)
    for table, name, count in (
        ("operators.csv", "adult_one_arm", people), ("packs.csv", "telemetry_pack", packs),
    ):  # fmt: skip
        path = study.parent / "parts" / table
        with path.open(newline="") as stream:
            head, *rows = csv.reader(stream)
        first = next(row for row in rows if row[0] == name)
        with path.open("w", newline="") as stream:
            csv.writer(stream).writerows(
                [head, *([f"{name}_{k}", *first[1:]] for k in range(count))]
            )
    names = (
        json.dumps([f"{name}_{k}" for k in range(count)])
        for name, count in (("adult_one_arm", people), ("telemetry_pack", packs))
    )
    text = study.read_text()
    for old, new in zip(('["adult_one_arm"]', '["telemetry_pack"]'), names, strict=True):
        text = text.replace(old, new)
    study.write_text(text)
    return study


def _stored(folder: Path, count: int, front: int = 0) -> Path:
    """The demo with made-up results of so many designs, `front` of which nothing beats."""
    study = _copy(folder, DEMO / "flood_gauge.toml")
    text = study.read_text().replace("\ncost =", "\n# cost =")
    study.write_text(re.sub(r"(?m)^draws = \d+", f"draws = {DRAWS}", text))
    project = load(study)
    chosen = designs(project, count)
    with Store.open(path_of(project)) as store:
        for start in range(0, count, BLOCK_ROWS):
            some = results(project, chosen.take(np.arange(start, min(start + BLOCK_ROWS, count))))
            some = _whole(some, start)
            if front:
                # More energy takes more mass and effort: nobody is better in all.
                rank = np.arange(start, start + len(some)) < front
                effort = some.crank_effort_percent
                most = 1000 + 10 * some.mass_kg + effort
                energy = np.where(rank, most, 1.0)
                cases = tuple(
                    one._replace(delivered_energy_J=energy, crank_effort_percent=effort)
                    for one in some.cases
                )
                some = replace(some, delivered_energy_J=energy, cases=cases)
            store.append(project, some, "session")
            if front:
                keeps = np.flatnonzero(some.delivered_energy_J > 1.0)
                store.keep_draws(builds_key(project), _promised(project, some, keeps))
    return study


def _promised(project: Project, some: Evaluation, rows: Rows) -> Draws:
    """Odds of some designs whose builds all give the same: without a promise none is on a front."""
    count = len(rows)
    all_, none = np.full(count, DRAWS), np.zeros(count, np.int64)
    return Draws(
        numbers=design_numbers(project.catalogue, some.designs.take(rows)),
        draws=all_, hazards=none, kept=all_, in_time=all_, energies=all_, rules=(),
        broken=np.zeros((count, 0), np.int64),
        energies_J=np.repeat(some.delivered_energy_J[rows], DRAWS),
    )  # fmt: skip


def _whole(some: Evaluation, seed: int) -> Evaluation:
    """Results with as many numbers as a session has."""
    rng, count = np.random.default_rng(seed), len(some)
    return replace(
        some,
        margins={**{name: np.ones(count) for name in RULES}, **some.margins},
        ledger_J={name: rng.random(count) for name in ("crank_work", *TERMS)},
        readings={**some.readings, **{f"reading_{k}": rng.random(count) for k in range(9)}},
    )


def large_front(folder: Path, count: int) -> Path:
    """A front of about so many designs."""
    return _stored(folder, 3 * count, front=3 * count)  # a third keeps all limits


def many_decisions(folder: Path, count: int) -> Path:
    """So many designs are locked."""
    study = _stored(folder, STORED)
    project = load(study)
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        for name in ids_of(stored.numbers[stored.keeps_physics][:count]):
            lock.lock(project, store, name, stored=stored)
    return study


def many_reruns(folder: Path, count: int) -> Path:
    """So many reruns in the history, each a copy of the last but one."""
    study = _stored(folder, STORED, front=ON_FRONT)
    for _ in "12":
        rerun_study(study, quick=True, page=False)
    with Store.open(path_of(load(study))) as store:
        last = next(store.newest("rerun"))
        assert last.result is not None
        for _ in range(count):
            store.finish(store.begin("rerun", last.intent), last.result)
    return study


def many_prices(folder: Path, weeks: int) -> Path:
    """A rerun a week, each with other prices."""
    study = _stored(folder, STORED, front=ON_FRONT)
    table = study.parent / "parts" / "prices.csv"
    lines = table.read_text().splitlines(keepends=True)
    for week in range(weeks):
        changed = [line.replace(",EUR,", f"{week % 10},EUR,") for line in lines]
        table.write_text("".join(changed))
        rerun_study(study, quick=True, page=False)
    table.write_text("".join(lines))
    return study


def _check(study: Path) -> Any:
    return check_study(study)


def _launch(study: Path) -> Any:
    return launch_study(study, workers=1, page=False)


def _rerun(study: Path) -> Any:
    return rerun_study(study, quick=True, page=False)


def _page(study: Path) -> Any:
    return rerun_study(study, quick=True)


def _verify(study: Path) -> Any:
    return check_store(study)


def _pack(study: Path) -> Any:
    return check_store(study, compact=True)


BYTES_A_DESIGN = 650
"""As the demo's store has them."""
GIGABYTE = 10**9 // BYTES_A_DESIGN
STEPS = {
    "rows_check": Step("times the rows, check", (1, 3, 10), more_rows, _check),
    "rows_launch": Step("times the rows, launch of a sample", (1, 3, 10), more_rows, _launch),
    "cases": Step("people x packs, launch of a sample", (4, 12, 40), more_cases, _launch),
    "front": Step("designs on a front, rerun", (5_000, 15_000, 50_000), large_front, _rerun),
    "front_page": Step("designs on a front, its page", (5_000, 15_000, 50_000), large_front, _page),
    "decisions": Step("decisions, rerun", (20, 60, 200), many_decisions, _rerun),
    "reruns": Step("reruns in the history, rerun", (100, 300, 1_000), many_reruns, _rerun),
    "reruns_page": Step("reruns in the history, page", (100, 300, 1_000), many_reruns, _page),
    "prices": Step("weeks of prices, rerun", (26, 78, 260), many_prices, _rerun),
    "prices_page": Step("weeks of prices, page", (26, 78, 260), many_prices, _page),
    "store": Step(
        "designs stored, rerun", (GIGABYTE // 10, GIGABYTE // 3, GIGABYTE), _stored, _rerun
    ),
    "verify": Step(
        "designs stored, check --store", (GIGABYTE // 10, GIGABYTE // 3, GIGABYTE), _stored, _verify
    ),
    "pack": Step(
        "designs stored, packed", (GIGABYTE // 10, GIGABYTE // 3, GIGABYTE), _stored, _pack
    ),
}
"""Name of a step -> what it does, in the order in which they are done."""


def alone(name: str, study: Path) -> dict[str, Any]:
    """Time a step's command in this process."""
    begun = time.process_time()
    answer = STEPS[name].command(study)
    if STEPS[name].command is _page and not answer["report"]:
        raise AssertionError(f"{name}: no page was written")
    return {
        "front_size": answer.get("front_size"),
        "cpu_s": round(time.process_time() - begun, 3),
        "peak_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024,
    }


def _process(*words: object) -> str:
    """What this bench prints in a process of its own."""
    command = [sys.executable, "-m", "tests.bench.load", *map(str, words)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout


def measured(name: str, largest: float) -> dict[str, Any]:
    """A step at its sizes, and how it grows from the smallest to the largest."""
    rows = []
    for size in STEPS[name].sizes:
        count = max(round(size * largest), 1)
        with tempfile.TemporaryDirectory() as folder:
            study = _process("--make", name, folder, count).strip().splitlines()[-1]
            stored = sum(file.stat().st_size for file in Path(study).parent.glob("*.sqlite"))
            figures = json.loads(_process("--alone", name, study).splitlines()[-1])
            rows.append({"size": count, "store_bytes": stored, **figures})
    _, middle, last = rows
    if STEPS[name].make is large_front and not last["front_size"] > last["size"] / 4:
        raise AssertionError(f"{name}: the front has {last['front_size']} designs")
    power = log(last["cpu_s"] / middle["cpu_s"]) / log(last["size"] / middle["size"])
    return {
        "step": name, "what": STEPS[name].says, "sizes": rows, "to_the": round(power, 2),
        "peak_bytes": max(row["peak_bytes"] for row in rows),
    }  # fmt: skip


def main() -> None:
    """Print a line a step, and write all as JSON when a file is named."""
    if sys.argv[1:2] == ["--alone"]:
        print(json.dumps(alone(sys.argv[2], Path(sys.argv[3]))))
        return
    if sys.argv[1:2] == ["--make"]:
        print(STEPS[sys.argv[2]].make(Path(sys.argv[3]), int(sys.argv[4])))
        return
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("steps", nargs="*", metavar="STEP", help=", ".join(STEPS))
    words.add_argument("--largest", type=float, default=1.0, help="share of the sizes to go to")
    words.add_argument("--json", type=Path)
    asked, found = words.parse_args(), []
    for name in asked.steps or STEPS:
        found.append(row := measured(name, asked.largest))
        times = ", ".join(f"{one['size']:,}: {one['cpu_s']:g} s" for one in row["sizes"])
        print(f"{name} ({row['what']}): {times}; to the {row['to_the']:g}, "
              f"{row['peak_bytes'] / 2**20:.0f} MiB, store of "
              f"{row['sizes'][-1]['store_bytes'] / 1e6:.0f} MB", flush=True)  # fmt: skip
        bench_results.write(asked.json, found)
    sys.exit(any(row["to_the"] > MOST_POWER or row["peak_bytes"] > MOST_BYTES for row in found))


if __name__ == "__main__":
    main()
