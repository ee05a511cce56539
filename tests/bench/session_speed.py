"""How long sessions take: 200 designs of the demo for ten minutes, uneven hand, one core.

Run as `python tests/bench/session_speed.py [designs]`. The goal is 20 s for 200 designs.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from explorer import session
from explorer.config import load
from explorer.space import Space

DEMO = Path(__file__).parents[2] / "studies" / "flood_gauge.toml"


def main(count: int = 200, seed: int = 3) -> None:
    """Time random designs, with and without the stroke."""
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


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
