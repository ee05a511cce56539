"""How many of the 95 % bands of synthetic benches hold the truth, by kind of bench and column.

    python -m tests.bench.note_bands [--benches N] [--first SEED] [--bridged 1] [--json FILE]

The benches are those of tests/helpers/benches.py; `first` is the seed of the first one, so that
other numbers than those of the tests can be drawn. `refused`: notes that contradict themselves by
chance. Benches with loads behind a bridge are slow and drawn with `--bridged 1` only.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

from tests.bench import bench_results
from tests.helpers.benches import BENCHES, held, measured

SLOW = frozenset({"bridged"})


def table(benches: int, first: int, names: list[str]) -> list[dict[str, Any]]:
    """A row for each column of each kind of bench."""
    rows = []
    for name in names:
        inside, refused = Counter[str](), 0
        for seed in range(first, first + benches):
            try:
                row, truth = measured(name, seed)
            except ValueError:
                refused += 1
                continue
            inside.update({column: int(within) for column, within in held(row, truth)})
        for column, number in inside.items():
            share = number / (benches - refused)
            one = {"bench": name, "column": column, "held_share": share, "refused": refused}
            rows.append(one)
            print(f"{name:16s} {column:24s} {100 * share:5.1f} %  refused {refused}", flush=True)
    return rows


def main() -> None:
    """Print the table."""
    asked = bench_results.asked(__doc__, benches=1000, first=0, bridged=0)
    names = [name for name in BENCHES if asked.bridged or name not in SLOW]
    bench_results.write(asked.json, table(asked.benches, asked.first, names))


if __name__ == "__main__":
    main()
