"""Averaged model: designs a second where they share halves, and the ratio to a plain SciPy twin.

    python -m tests.bench.averaged_speed [--json FILE]

One process. Prints medians of seven runs, side by side with the twin on a few of the same designs.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from explorer.inputs.study import load
from explorer.model.evaluate import evaluate
from explorer.model.space import Designs, Space
from tests.bench import bench_results
from tests.helpers.chain_twin import Twin

DESIGNS, HALVES, TWINS, RUNS = 8000, 40, 4, 7


def seconds(work: Callable[[], object]) -> float:
    """Processor seconds of one run."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def main() -> None:
    asked = bench_results.asked(__doc__)
    project = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    generator = np.random.default_rng(1)
    drawn = Space.of(project).draw(DESIGNS, generator)
    # As in a population: many designs, few distinct front halves.
    parents = Space.of(project).draw(HALVES, generator)
    which = generator.integers(0, HALVES, DESIGNS)
    fronts = ("crank", "gearing", "generator", "lead", "rectifier")
    designs = Designs(
        {k: parents.parts[k][which] if k in fronts else rows for k, rows in drawn.parts.items()},
        {**drawn.settings, "cadence_rpm": parents.settings["cadence_rpm"][which]},
    )
    each, twins = [], []
    for run in range(RUNS):
        each.append(seconds(lambda: evaluate(project, designs)) / DESIGNS)
        row = run % TWINS
        twins.append(seconds(lambda row=row: Twin.of_design(project, designs, row).session()))
    found = {
        "designs_per_second": 1 / statistics.median(each),
        "seconds_per_twin": statistics.median(twins),
        "twin_over_averaged": statistics.median(twins) / statistics.median(each),
    }
    for name, value in found.items():
        print(f"{name:20s} {value:,.4g}")
    bench_results.write(asked.json, found)


if __name__ == "__main__":
    main()
