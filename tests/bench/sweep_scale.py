"""How a sweep grows: combinations a second, share evaluated, memory, from 1 million to 100 million.

Run `python -m tests.bench.sweep_scale [--json FILE] [--beyond 1]`. The spaces are the demo's tables
with more or fewer of their rows and settings; `--beyond` adds one of over a thousand million. Time
is that of the whole search by two processes, the store included. Goals: 100 million within 120 s on
two free cores and 2 GiB, cost a combination flat or falling. The processors' time stands beside
the clock's: on a busy machine only the former can be compared.
"""

from __future__ import annotations

import os
import resource
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project, load
from explorer.model import costing, evaluate
from explorer.model.space import Space
from explorer.search import run
from explorer.store.results import Store
from explorer.store.standing import front_rows
from tests.bench import bench_results

GOAL_SIZE, GOAL_S, GOAL_BYTES = 100_000_000, 120.0, 2 * 2**30
PLAIN = 4096
"""Designs that are evaluated one after the other for comparison."""
ALL = None
WIDTHS: dict[str, tuple[dict[str, int | None], dict[str, list[float]]]] = {
    "1 million": ({"generator": 3, "gearing": 3, "rectifier": 3, "lead": 2}, {}),
    "13 million, the demo": ({}, {}),
    "100 million": (
        {"generator": 13, "gearing": 8, "rectifier": 6, "cell": 7, "window": 3},
        {},
    ),
}
BEYOND = ("a thousand million", (dict.fromkeys(LINKS, ALL), {}))


def widened(project: Project, rows: dict[str, int | None], values: dict[str, Any]) -> Project:
    """The demo with other numbers of rows: its own choices first, then the table's others."""
    study = project.study
    choices = dict(study.choices)
    for link, count in rows.items():
        others = [p.id for p in project.catalogue.parts[link] if p.id not in choices[link]]
        choices[link] = (*choices[link], *others)[:count]
    settings = {
        **study.settings,
        **{name: Setting.model_validate(value) for name, value in values.items()},
    }
    search = study.search.model_copy(update={"method": "sweep", "minutes": 600.0})
    return replace(project, study=replace(study, choices=choices, settings=settings, search=search))


class Memory(threading.Thread):
    """Most memory that this process and its children hold together, looked at five times a second.

    Proportional set size: a page that several processes share counts once.
    """

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.most, self.done = 0, threading.Event()

    def run(self) -> None:
        while not self.done.wait(0.2):
            self.most = max(self.most, sum(map(held, family())))


def family() -> list[int]:
    """Process numbers of this process and everything it started."""
    parents = {}
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parents[int(entry.name)] = int(
                (entry / "stat").read_text().rsplit(")", 1)[1].split()[1]
            )
        except (OSError, IndexError):
            continue
    found = [os.getpid()]
    for one in found:
        found += [child for child, parent in parents.items() if parent == one]
    return found


def held(process: int) -> int:
    """Bytes a process holds."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return next((int(x.split()[1]) * 1024 for x in lines if x.startswith("Pss:")), 0)


def spent() -> float:
    """Processors' time of this process and of its ended children, s."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def measure(project: Project, name: str, folder: Path) -> dict[str, Any]:
    """One sweep of a whole space by two processes, the store included."""
    from joblib.externals.loky import get_reusable_executor

    memory = Memory()
    memory.start()
    begun, before = time.perf_counter(), spent()
    path = folder / "bench.store.sqlite"
    with Store.open(path) as store:
        summary = run.launch(project, store, workers=2)
        searched = time.perf_counter() - begun
        get_reusable_executor().shutdown(wait=True)  # its time counts when it has ended
        processors = spent() - before
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs)
        front = front_rows(project, stored, cost)
    memory.done.set()
    memory.join()
    row = {
        "space": name,
        "combinations": summary.designs_considered,
        "exact": summary.exact,
        "seconds": searched,
        "processor_s": processors,
        "combinations_per_s": summary.designs_considered / searched,
        "processor_us_per_combination": 1e6 * processors / summary.designs_considered,
        "evaluated_share": summary.designs_evaluated / summary.designs_considered,
        "feasible_share": summary.designs_feasible / summary.designs_considered,
        "stored": len(stored),
        "front": len(front),
        "memory_bytes": memory.most,
        "store_bytes": path.stat().st_size,
        "read_cost_filter_s": time.perf_counter() - begun - searched,
    }
    path.unlink()
    return row


def plain_us(project: Project) -> float:
    """Processor microseconds that one random design takes when its whole chain is evaluated, the
    curves of its own front half included.
    """
    designs = Space.of(project).draw(PLAIN, np.random.default_rng(1))
    begun = time.process_time()
    evaluate.evaluate(project, designs)
    return 1e6 * (time.process_time() - begun) / PLAIN


def described(row: dict[str, Any], cost: float, plain: float) -> str:
    """A row of the table in words."""
    return (
        f"{row['combinations']:>13,} combinations ({row['space']}): {row['seconds']:.1f} s, "
        f"processors {row['processor_s']:.1f} s = {cost:.2f} us each, "
        f"{row['cost_to_the_smallest']:.2f} of the smallest's, "
        f"{row['times_faster_than_plain']:.0f} times a design alone ({plain:.0f} us); "
        f"{row['evaluated_share']:.2%} evaluated, {row['feasible_share']:.2%} feasible, "
        f"{row['stored']:,} stored, {row['front']:,} on the front; "
        f"{row['memory_bytes'] / 2**20:.0f} MiB, store {row['store_bytes'] / 2**20:.0f} MiB; "
        f"read, cost and filter {row['read_cost_filter_s']:.1f} s"
    )


def main() -> None:
    """Print the table with its ratios, and write it as JSON when a file is named."""
    asked = bench_results.asked(__doc__, beyond=0)
    demo = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    widths = dict(WIDTHS) | (dict([BEYOND]) if asked.beyond else {})
    plain = plain_us(demo)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for name, (parts, values) in widths.items():
            row = measure(widened(demo, parts, values), name, Path(folder))
            first = rows[0] if rows else row
            cost = row["processor_us_per_combination"]
            row["cost_to_the_smallest"] = cost / first["processor_us_per_combination"]
            row["times_faster_than_plain"] = plain / cost
            row["share_of_goal_time"] = row["seconds"] / row["combinations"] * GOAL_SIZE / GOAL_S
            row["share_of_goal_memory"] = row["memory_bytes"] / GOAL_BYTES
            rows.append(row)
            print(described(row, cost, plain), flush=True)
    bench_results.write(asked.json, rows)


if __name__ == "__main__":
    main()
