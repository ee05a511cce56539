"""Every bench one after the other, their tables gathered in one JSON.

Run `python -m tests.bench.run [--json FILE] [NAME ...]`; without names all of them, without a file
`reports/bench.json`. A bench is a module beside this one that takes `--json FILE`. What came of the
benches that are done is written after each of them; a bench that fails stops no other, and the exit
status is 1. Compare ratios and medians within one run, not the seconds of two machines.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
BENCHES = {
    "session_speed": "throughput of the sessions",
    "reprice_speed": "repricing of stored designs",
    "command_speed": "processor time of whole commands on the demo's store",
    "page_speed": "the page under a dragged slider",
    "bridge_accuracy": "the bridge's map against its switching-level twin",
    "filter_agreement": "how far the search's filter is from sessions, and how much hands matter",
    "note_bands": "95 % bands of synthetic benches that hold the truth",
    "advice": "regret after measuring what is named, against other orders",
    "log_faults": "planted faults found in logs, and sound logs accused",
    "mutations": "mutated studies with fresh seeds",
    "kills": "what is left after kills at random moments",
    "load": "large inputs and old stores",
    "memory": "what a block of a sweep holds",
    "sweep_scale": "throughput and growth of sweeps",
    "search_table": "samplers side by side",
}
"""Name of each bench's file -> what it measures, quick ones first."""


def run(name: str) -> dict[str, Any]:
    """One bench in a process of its own."""
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        written = Path(folder) / "figures.json"
        done = subprocess.run(
            [sys.executable, "-m", f"tests.bench.{name}", "--json", str(written)], cwd=ROOT
        )
        rows = json.loads(written.read_text()) if written.exists() else None
    return {
        "measures": BENCHES[name],
        "failed": done.returncode != 0 or rows is None,
        "seconds": round(time.perf_counter() - begun, 1),
        "figures": rows,
    }


def main() -> None:
    """Run the benches that are asked for."""
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("names", nargs="*", metavar="NAME", help=", ".join(BENCHES))
    words.add_argument("--json", type=Path, default=ROOT / "reports" / "bench.json")
    asked = words.parse_args()
    unknown = [name for name in asked.names if name not in BENCHES]
    if unknown:
        words.error(f"no bench named {', '.join(unknown)}; there are {', '.join(BENCHES)}")
    results: dict[str, Any] = {
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "python": platform.python_version(),
        "processors": os.cpu_count(),
        "libraries": {name: version(name) for name in ("numpy", "scipy", "optuna", "pymoo")},
        "benches": {},
    }
    for name in asked.names or BENCHES:
        print(f"\n--- {name}: {BENCHES[name]}", flush=True)
        results["benches"][name] = run(name)
        asked.json.parent.mkdir(parents=True, exist_ok=True)
        asked.json.write_text(json.dumps(results, indent=1) + "\n")
    failed = [name for name, one in results["benches"].items() if one["failed"]]
    print(f"\nwritten to {asked.json}")
    if failed:
        sys.exit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
