"""Compiled sessions: milliseconds of each, of the kernels' quicker model, of a machine's table.

    python -m tests.bench.session_speed [--json FILE]

One process, medians of seven runs side by side over random designs of the demo.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from explorer.inputs.study import load
from explorer.model import rows
from explorer.model.kernels.average import averages
from explorer.model.kernels.machine import tabulate
from explorer.model.kernels.motion import Settings
from explorer.model.kernels.session import sessions
from explorer.model.space import Space
from tests.bench import bench_results

DESIGNS, TABLES, RUNS = 200, 20, 7
HANDS = {
    "even": {"unevenness": 0.0},
    "uneven": {},
    "with_inertia": {"inertia_kg_m2": 0.046, "kappa_m_s": 0.6, "p_W_s2_m2": 7.5},
}
"""By what they differ from the demo's adult; the last as an arm of class values."""


def seconds(work: Callable[[], object]) -> float:
    """Processor seconds of one run."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def main() -> None:
    asked = bench_results.asked(__doc__)
    project = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    plan = project.study.session
    designs = Space.of(project).draw(DESIGNS, np.random.default_rng(1))
    load_ = rows.loads(project, designs, plan.packs[0])
    adult = rows.shift_of(project.catalogue.operators[plan.operators[0]], 60 * plan.minutes)
    settings = Settings(plan.ambient_C)
    begun = time.perf_counter()
    front = rows.rowed(project, designs)
    one = slice(0, 1)
    sessions(front.machines, front.trio[one], front.drives[one], load_[one], adult, settings)
    averages(front.machines, front.trio[one], front.drives[one], load_[one], adult, settings)
    first_s = time.perf_counter() - begun
    people = {name: adult.copy() for name in HANDS}
    for name, fields in HANDS.items():
        for field, value in fields.items():
            people[name][field] = value
    chains = front.machines, front.trio, front.drives, load_
    machines = rows.machines(project, designs.take(np.arange(TABLES)))
    works: dict[str, tuple[Callable[[], object], int]] = {
        **{
            f"{name}_median_ms": (lambda who=who: sessions(*chains, who, settings), DESIGNS)
            for name, who in people.items()
        },
        "filter_ms": (lambda: averages(*chains, adult, settings), DESIGNS),
        "table_ms": (lambda: tabulate(machines, np.full(TABLES, 100.0), plan.winding_C), TABLES),
    }
    taken: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(RUNS):
        for name, (work, count) in works.items():
            taken[name].append(1e3 * seconds(work) / count)
    found = {name: statistics.median(each) for name, each in taken.items()}
    found |= {"designs": DESIGNS, "first_s": first_s}
    for name, value in found.items():
        print(f"{name:24s} {value:,.4g}")
    bench_results.write(asked.json, found)


if __name__ == "__main__":
    main()
