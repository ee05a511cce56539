"""What one process of a sweep holds at its peak: bounded by the block, whatever the space.

Run `python -m tests.bench.memory [--json FILE]`. Three blocks of spaces with more and more back
halves are swept, each space by a process of its own; what it holds before the first block
(libraries, tables, the list of back halves) is measured apart. Flat is good: the space grows a
hundredfold.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from explorer.inputs.study import load
from explorer.search.sweep import Sweep
from tests.bench import bench_results
from tests.bench.sweep_scale import widened

BLOCKS = 3
BAND = [0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.4]
SPACES: dict[str, tuple[dict[str, int | None], dict[str, list[float]]]] = {
    "a third of the demo's back halves": ({"converter": 1}, {}),
    "the demo": ({}, {}),
    "ten times": ({"cell": 10}, {"undervoltage_band_V": BAND}),
    "a hundred times": (
        {"cell": 10, "converter": 6, "window": 5},
        {"undervoltage_band_V": BAND, "undervoltage_off_V": [3.4, 3.6, 3.8, 5.0]},
    ),
}


def peak() -> int:
    """Most bytes this process ever held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def alone(name: str) -> dict[str, Any]:
    """Sweep some blocks in this process."""
    demo = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    sweep = Sweep.of(widened(demo, *SPACES[name]))
    before, kept = peak(), 0
    # Blocks from the middle of the space: cheap front halves stand at its ends.
    for number in np.linspace(0, len(sweep) - 1, BLOCKS + 2).astype(int)[1:-1]:
        found = sweep.block(int(number)).kept
        kept = max(kept, 0 if found is None else len(found))
    return {"space": name, "combinations": sweep.size, "back_halves": sweep.backs.size,
            "before_bytes": before, "peak_bytes": peak(), "most_kept_in_a_block": kept}  # fmt: skip


def main() -> None:
    """Print the table, and write it as JSON when a file is named."""
    if len(sys.argv) == 3 and sys.argv[1] == "--alone":
        print(json.dumps(alone(sys.argv[2])))
        return
    asked, rows = bench_results.asked(__doc__), []
    for name in SPACES:
        done = subprocess.run(
            [sys.executable, "-m", "tests.bench.memory", "--alone", name],
            cwd=Path(__file__).parents[2], capture_output=True, text=True, check=True,
        )  # fmt: skip
        row = json.loads(done.stdout)
        row["block_bytes"] = row["peak_bytes"] - row["before_bytes"]
        row["block_to_the_first"] = row["block_bytes"] / (rows[0] if rows else row)["block_bytes"]
        rows.append(row)
        print(
            f"{row['combinations']:>13,} combinations, {row['back_halves']:>7,} back halves "
            f"({name}): {row['before_bytes'] / 2**20:.0f} MiB before, "
            f"{row['peak_bytes'] / 2**20:.0f} MiB at the peak; a block takes "
            f"{row['block_bytes'] / 2**20:.0f} MiB, {row['block_to_the_first']:.2f} of the "
            f"first's, and keeps up to {row['most_kept_in_a_block']:,} designs",
            flush=True,
        )
    bench_results.write(asked.json, rows)


if __name__ == "__main__":
    main()
