"""How long a rerun takes: read, re-cost, filter, judge; 10,000 and 1,000,000 stored designs.

Run `python -m tests.bench.reprice_speed [--json FILE]`. The results are made up (no physics is
part of a rerun); the designs, the tables and the prices are the demo's. Goals: 50 ms and 5 s,
reading included. The plain loop is the same re-costing and filtering, one design at a time.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from explorer.decision import price_sensitivity
from explorer.decision.repricing import reprice
from explorer.inputs.study import Project, load
from explorer.model import costing, objectives
from explorer.store.results import Store
from tests.bench import bench_results
from tests.helpers.invented import at_prices, designs, results

GOALS_S = {10_000: 0.05, 1_000_000: 5.0}
LOOPED = 1000


def measure(project: Project, count: int, folder: Path) -> dict[str, Any]:
    """Medians of five reruns of `count` stored designs, each from opening the file."""
    made = results(project, designs(project, count))
    path = folder / f"bench_{count}.store.sqlite"
    begun = time.perf_counter()
    with Store.open(path) as store:
        store.append(project, made, "bench")
    written = time.perf_counter() - begun
    dear = at_prices(project, {project.study.choices["generator"][0]: 99.0})
    whole, reading = [], []
    for _ in range(5):
        begun = time.perf_counter()
        with Store.open(path, read_only=True) as store:
            stored, _ = store.load(dear)
        reading.append(time.perf_counter() - begun)
        found = reprice(dear, stored)
        whole.append(time.perf_counter() - begun)
    begun = time.perf_counter()
    weights = price_sensitivity.price_weights(dear, stored, found.cost)
    weighed = time.perf_counter() - begun
    return {
        "designs": count,
        "front": len(found.front),
        "bytes_per_design": path.stat().st_size / count,
        "append_s": written,
        "read_s": median(reading),
        "rerun_s": median(whole),
        "goal_s": GOALS_S[count],
        "share_of_goal": median(whole) / GOALS_S[count],
        "prices_weighed": len(weights),
        "weigh_s": weighed,
    }


def plain_loop(project: Project) -> float:
    """Seconds a design when costs are added up and dominance is asked one by one."""
    made = results(project, designs(project, LOOPED))
    begun = time.perf_counter()
    cost = [
        sum(
            line["quantity"] * line["unit_price"] for line in costing.bill(project, made.designs, k)
        )
        for k in range(LOOPED)
    ]
    points = objectives.points_of(project, made, np.array(cost)).tolist()
    for one in points:
        any(all(a <= b for a, b in zip(other, one, strict=True)) and other != one
            for other in points)  # fmt: skip
    return (time.perf_counter() - begun) / LOOPED


def main() -> None:
    """Print the table, and write it as JSON when a file is named."""
    asked = bench_results.asked(__doc__)
    project = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    with tempfile.TemporaryDirectory() as folder:
        rows = [measure(project, count, Path(folder)) for count in GOALS_S]
    loop = plain_loop(project)
    for row in rows:
        row["times_faster_than_loop"] = loop / (row["rerun_s"] / row["designs"])
        print(
            f"{row['designs']:>9,} designs: rerun {row['rerun_s']:.3f} s of {row['goal_s']:g} s "
            f"allowed (reading {row['read_s']:.3f} s), front {row['front']}, "
            f"{row['times_faster_than_loop']:.0f} times a plain loop of {LOOPED}; "
            f"append {row['append_s']:.2f} s, {row['bytes_per_design']:.0f} bytes a design; "
            f"{row['prices_weighed']} prices weighed in {row['weigh_s']:.2f} s"
        )
    bench_results.write(asked.json, rows)


if __name__ == "__main__":
    main()
