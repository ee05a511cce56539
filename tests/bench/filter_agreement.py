"""How far the search's quicker model is from sessions stepped through time.

    python -m tests.bench.filter_agreement [--designs N] [--json FILE]

Random designs of the demo inside the quicker model's range, by the regime of their session: how far
energy and effort are apart, and how many keep within the band that the search leaves.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from explorer.inputs.study import load
from explorer.model.evaluate import evaluate
from explorer.model.regimes import REGIMES
from explorer.model.space import Space
from explorer.model.stepped import sessions_of
from explorer.search.settle import BAND
from tests.bench import bench_results

LEAST_J = 50.0
"""Designs that deliver less stand on nobody's front."""


def main() -> None:
    asked = bench_results.asked(__doc__, designs=4000)
    project = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    designs = Space.of(project).draw(asked.designs, np.random.default_rng(11))
    quick = evaluate(project, designs)
    kept = np.flatnonzero(quick.in_range & (quick.delivered_energy_J > LEAST_J))
    quick, done = quick.take(kept), sessions_of(project, designs.take(kept))
    found: list[dict[str, Any]] = []
    for what in ("delivered_energy_J", "crank_effort_percent"):
        apart = np.abs(getattr(done, what) / getattr(quick, what) - 1)
        for number, regime in enumerate(REGIMES):
            mine = apart[done.regime == number]
            if not len(mine):
                continue
            half, most, nearly = np.percentile(100 * mine, [50, 90, 97])
            found.append(
                {
                    "what": what,
                    "regime": regime,
                    "designs": len(mine),
                    "median_percent": half,
                    "percent_90": most,
                    "percent_97": nearly,
                    "most_percent": 100 * mine.max(),
                    "within_band": int((mine <= BAND).sum()),
                }
            )
    for row in found:
        print(
            f"{row['what']:22s} {row['regime']:12s} {row['within_band']:5d} of {row['designs']:5d} "
            f"within the band, median {row['median_percent']:.2g} %, 97 % {row['percent_97']:.2g} %"
        )
    bench_results.write(asked.json, found)


if __name__ == "__main__":
    main()
