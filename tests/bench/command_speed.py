"""Processor time of whole commands on the demo's store, imports and start included.

Run `python -m tests.bench.command_speed [--times N] [--study FILE] [--json FILE]`. A copy of the
study's folder is launched first, with its page (what it has stored already is not searched again),
and three designs are locked. Goals: a quick rerun within 1 s, a lock within 3 s without its sheet.
"""

from __future__ import annotations

import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

from tests.bench import bench_results

ROOT = Path(__file__).parents[2]
GOALS_S = {"rerun --quick --no-page": 1.0, "lock --no-page": 3.0}
LOCKED = 3


def used_s() -> float:
    """Processor time of all commands until now."""
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def command(*words: object) -> dict[str, Any]:
    """Run a command; its answer, `cpu_s` and `seconds`."""
    before, begun = used_s(), time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "explorer", *map(str, words), "--json"],
        cwd=ROOT, capture_output=True, check=True,
    )  # fmt: skip
    found = {"cpu_s": used_s() - before, "seconds": time.perf_counter() - begun}
    return {"answer": json.loads(done.stdout), **found}


def main() -> None:
    asked = bench_results.asked(__doc__, times=5, study=ROOT / "studies" / "flood_gauge.toml")
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "studies"
        shutil.copytree(asked.study.parent, home)
        study = home / asked.study.name
        launch = command("launch", study)
        ids = iter([one["design_id"] for one in launch["answer"]["front"]])
        tried = {
            "lock --no-page": lambda: command("lock", study, next(ids), "--no-page"),
            "lock": lambda: command("lock", study, next(ids)),
            "rerun --quick --no-page": lambda: command("rerun", study, "--quick", "--no-page"),
            "rerun --quick": lambda: command("rerun", study, "--quick"),
            "review": lambda: command("review", study),
            "check": lambda: command("check", study),
        }
        for _ in range(LOCKED):
            tried["lock --no-page"]()  # the first of them may compile
        for name, run in tried.items():
            some = [run() for _ in range(asked.times)]
            rows.append(
                {
                    "command": name,
                    "cpu_s": round(median(one["cpu_s"] for one in some), 3),
                    "seconds": round(median(one["seconds"] for one in some), 3),
                    "goal_s": GOALS_S.get(name),
                }
            )
            print(rows[-1], flush=True)
    bench_results.write(asked.json, rows)


if __name__ == "__main__":
    main()
