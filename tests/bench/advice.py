"""How much better it is to measure what `measure next` names than something else.

    python -m tests.bench.advice [--benches N] [--json FILE]

Made-up choices between five designs with eight uncertain numbers (tests/helpers/choices.py): mean
regret after one and after two measurements, by advice, in random order and in the order of the
variance that numbers explain; paired differences with their 95 % intervals.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.bench import bench_results
from tests.helpers.choices import WAYS, paired, regrets


def table(benches: int) -> list[dict[str, Any]]:
    """A row for each number of measurements."""
    found = [regrets(seed) for seed in range(benches)]
    rows = []
    for after in (1, 2):
        mean = {way: np.array([one[way][after - 1] for one in found]) for way in WAYS}
        row: dict[str, Any] = {"measurements": after, "benches": benches}
        row |= {f"regret_{way}_J": float(values.mean()) for way, values in mean.items()}
        for way in WAYS[1:]:
            gap, low, high = paired(mean["advice"] - mean[way])
            row |= {f"over_{way}_J": gap, f"over_{way}_low_J": low, f"over_{way}_high_J": high}
        rows.append(row)
    return rows


def main() -> None:
    """Print the table."""
    asked = bench_results.asked(__doc__, benches=50)
    rows = table(asked.benches)
    for row in rows:
        print(
            "  ".join(
                f"{k} {v:.1f}" if isinstance(v, float) else f"{k} {v}" for k, v in row.items()
            )
        )
    bench_results.write(asked.json, rows)


if __name__ == "__main__":
    main()
