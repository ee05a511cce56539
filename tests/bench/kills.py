"""Kills at random moments during rerun, lock, review and launch, and what is wrong after each.

    python -m tests.bench.kills [--kills N] [--seed N] [--json FILE]

Exit status 1 when something was lost, changed or half-written; `--seed` does the same kills again,
as far as the machine is as busy.
"""

from __future__ import annotations

import secrets
import shutil
import sys
import tempfile
import time
from pathlib import Path

from tests.bench import bench_results
from tests.helpers import kills

SMALL = Path(__file__).parents[1] / "data" / "small"


def main() -> None:
    asked = bench_results.asked(__doc__, kills=100, seed=-1)
    seed = asked.seed if asked.seed >= 0 else secrets.randbelow(10**9)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        sound = Path(folder) / "sound"
        shutil.copytree(SMALL, sound)
        kills.launched(sound / "small.toml")
        for kind in kills.KINDS:
            home = Path(folder) / kind / "small"
            shutil.copytree(sound, home)
            begun = time.perf_counter()
            found = kills.attack(kind, home / "small.toml", asked.kills, seed)
            seconds = round(time.perf_counter() - begun, 1)
            rows.append({**found._asdict(), "wrong": len(found.wrong), "seconds": seconds})
            print(rows[-1], *found.wrong, sep="\n  ", flush=True)
    bench_results.write(asked.json, [{**row, "seed": seed} for row in rows])
    sys.exit(any(row["wrong"] for row in rows))


if __name__ == "__main__":
    main()
