"""How far the search's filter is from sessions stepped through time, and how much hands matter.

    python -m tests.bench.filter_agreement [--designs N] [--json FILE]

Random designs of the demo that the filter says may stand, with the demo's held hand and with one
of class inertia and pattern: how far energy and effort are apart, how often by more than the doubt
that the search leaves. Then by how much energies move with what is assumed of a real hand.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from explorer.inputs.study import Project, load
from explorer.model.doubt import effort_doubt, energy_doubt, may_keep
from explorer.model.evaluate import evaluate
from explorer.model.space import Designs, Space
from explorer.model.stepped import sessions_of
from tests.bench import bench_results
from tests.helpers.chains import with_person

REAL = {"inertia_kg_m2": 0.046, "unevenness_turn": 0.3, "kappa_m_s": 0.6, "p_W_s2_m2": 7.5}
"""Class values of one arm: inertia derived from body segments, the pattern once a turn from work by
sector (published), the cost of arm and force fitted to published uptake; see the kernels' tests."""
ASSUMED: dict[str, tuple[float, float]] = {
    "inertia_kg_m2": (0.018, 0.098),
    "unevenness_turn": (0.0, 0.6),
    "unevenness": (0.35, 0.9),
    "kappa_m_s": (0.4, 0.7),
    "p_W_s2_m2": (5.5, 8.5),
}
"""Low and high end of what is assumed."""
LOOKED_AT = 150
"""Designs by which assumptions are weighed."""


def may_stand(project: Project, count: int) -> Designs:
    """Random designs of a study that its filter lets stand."""
    designs = Space.of(project).draw(count, np.random.default_rng(11))
    found = evaluate(project, designs)
    return designs.take(may_keep(found.margins))


def agreement(project: Project, designs: Designs, hand: str) -> dict[str, Any]:
    """Filter against session, of designs that the session finds feasible."""
    quick, done = evaluate(project, designs), sessions_of(project, designs)
    kept = done.feasible
    energy = (done.delivered_energy_J / quick.delivered_energy_J - 1)[kept]
    effort = (done.crank_effort_percent / quick.crank_effort_percent - 1)[kept]
    above = energy > energy_doubt(project, quick)[kept]
    easier = effort < -effort_doubt(project)
    low, middle, high = np.percentile(100 * energy, [5, 50, 95])
    return {
        "hand": hand,
        "designs": int(kept.sum()),
        "energy_5_percent": low,
        "energy_median_percent": middle,
        "energy_95_percent": high,
        "beyond_doubt_share": float((above | easier).mean()),
        "feasible_unseen_share": float((done.feasible & ~quick.feasible).sum() / kept.sum()),
    }


def assumptions(project: Project, designs: Designs) -> list[dict[str, Any]]:
    """By how much the energies of some designs move with each assumption's ends."""
    base = sessions_of(project, designs)
    some = base.feasible
    found = []
    for name, ends in ASSUMED.items():
        for value in ends:
            other = sessions_of(with_person(project, **{name: value}), designs)
            moved = 100 * (other.delivered_energy_J / base.delivered_energy_J - 1)[some]
            found.append(
                {
                    "assumed": name,
                    "value": value,
                    "median_percent": float(np.median(moved)),
                    "percent_90": float(np.percentile(np.abs(moved), 90)),
                    "still_feasible_share": float(other.feasible[some].mean()),
                }
            )
    return found


def main() -> None:
    asked = bench_results.asked(__doc__, designs=40_000)
    held = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    held = with_person(held, inertia_kg_m2=0.0)
    real = with_person(held, **REAL)
    real = replace(real, study=held.study)
    found = [agreement(one, may_stand(one, asked.designs), hand)
             for one, hand in ((held, "held"), (real, "real"))]  # fmt: skip
    for row in found:
        print(
            f"{row['hand']} hand, {row['designs']} designs: energy {row['energy_5_percent']:+.1f} "
            f"to {row['energy_95_percent']:+.1f} % (5 to 95 %), beyond the doubt "
            f"{row['beyond_doubt_share']:.1%}, feasible and unseen "
            f"{row['feasible_unseen_share']:.1%}"
        )
    designs = may_stand(real, asked.designs)
    moved = assumptions(real, designs.take(np.arange(min(LOOKED_AT, len(designs)))))
    for row in moved:
        print(
            f"{row['assumed']} {row['value']:g}: energy {row['median_percent']:+.1f} % in the "
            f"middle, 90 % within {row['percent_90']:.1f} %; "
            f"{row['still_feasible_share']:.0%} stay feasible"
        )
    bench_results.write(asked.json, [*found, *moved])


if __name__ == "__main__":
    main()
