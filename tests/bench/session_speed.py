"""How long sessions take: 200 designs of the demo for ten minutes, uneven hand, one core.

Run as `python -m tests.bench.session_speed [--designs N] [--json FILE]`. The goal is 20 s for 200
designs.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from explorer.inputs.study import load
from explorer.model import session
from explorer.model.space import Space
from tests.bench import bench_results

GOAL_DESIGNS, GOAL_S = 200, 20.0
DEMO = Path(__file__).parents[2] / "studies" / "flood_gauge.toml"


def main() -> None:
    """Time random designs, with and without the stroke."""
    asked = bench_results.asked(__doc__, designs=200, seed=3)
    count, seed, rows = asked.designs, asked.seed, []
    project = load(DEMO)
    designs = Space.of(project).draw(count, np.random.default_rng(seed))
    operator, pack = project.study.session.operators[0], project.study.session.packs[0]
    for even in (True, False):
        wall, cpu = time.perf_counter(), time.process_time()
        result = session.simulate(project, designs, operator, pack, even_hand=even)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        work = result.ledger_J["crank_work"]
        rest = sum(v for name, v in result.ledger_J.items() if name != "crank_work")
        open_J = np.abs(work - rest).max() / work.max()
        print(
            f"{'even' if even else 'uneven'} hand: {count} designs in {cpu:.1f} s of one core"
            f" ({wall:.1f} s by the clock), ledger open {open_J:.0e}"
        )
        rows.append(
            {"even_hand": even, "designs": count, "processor_s": cpu, "seconds": wall,
             "ledger_open_share": float(open_J),
             "share_of_goal_time": cpu / count * GOAL_DESIGNS / GOAL_S}
        )  # fmt: skip
    bench_results.write(asked.json, rows)


if __name__ == "__main__":
    main()
