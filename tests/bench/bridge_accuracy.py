"""The six-pulse bridge's map against the switching-level twin, over random cases.

    python tests/bench/bridge_accuracy.py [--cases N] [--seed N] [--json FILE]

Prints the error of the worst of bus current, phase rms and electromagnetic power by band of bus
current over short-circuit current and by q = w_e L/(R + Rs), beside the goal of its band. It
measures and does not judge.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "physics"), str(HERE.parents[2])]

import bench_results  # noqa: E402
import bridge_twin  # noqa: E402

from explorer.physics.bridge import steady_state  # noqa: E402

# Saturation A and nVt V: Schottky, hot Schottky, silicon, active.
VALVES = ((3e-5, 0.035), (2e-3, 0.035), (7e-9, 0.046), (0.0, 0.0))
GOALS = ((0.01, np.inf, 0.005), (0.001, 0.01, 0.02))
BANDS_OF_Q = ((0.0, 0.0), (0.0, 1.0), (1.0, 10.0), (10.0, 50.0))
SPEED_RAD_S = 300.0


def main() -> None:
    asked = bench_results.asked(__doc__, cases=100, seed=1)
    cases, rng, rows = asked.cases, np.random.default_rng(asked.seed), []
    found, unsolved = [], 0
    while len(found) < cases:
        emf = np.exp(rng.uniform(np.log(0.2), np.log(60)))
        ohm, valve = np.exp(rng.uniform(np.log(0.05), np.log(5))), rng.uniform(0, 0.06)
        saturation, emission = VALVES[rng.integers(len(VALVES))]
        q = rng.choice([0.0, np.exp(rng.uniform(np.log(0.02), np.log(50)))])
        case = {
            "emf_peak_V": emf,
            "electrical_rad_s": SPEED_RAD_S,
            "resistance_ohm": ohm,
            "inductance_H": q * (ohm + valve) / SPEED_RAD_S,
            "bus_V": emf * rng.uniform(0, 1.75),
            "diode_saturation_A": saturation,
            "diode_emission_V": emission,
            "diode_resistance_ohm": valve,
        }
        try:
            truth = bridge_twin.solve(**case)
        except (ArithmeticError, ValueError, RuntimeError):
            unsolved += 1
            continue
        share = truth.bus_current_A / truth.short_circuit_A
        if share < GOALS[-1][0]:
            continue
        errors = [abs(float(mine) / its - 1) for mine, its in zip(steady_state(**case), truth[:3],
                  strict=True)]  # fmt: skip
        found.append((share, max(errors), q))
    share, error, q = np.array(found).T
    print(f"{len(found)} cases, {unsolved} that the twin did not solve")
    for low, high, goal in GOALS:
        band = (share >= low) & (share < high)
        for least, most in BANDS_OF_Q:
            some = error[band & ((q == 0) if most == 0 else (q > least) & (q <= most))]
            if some.size:
                print(
                    f"from {low:.1%} of short circuit, q {least:g} to {most:g}: {some.size} cases, "
                    f"median {np.median(some):.3%}, most {some.max():.3%}, "
                    f"{(some <= goal).sum()} within {goal:.1%}"
                )
                rows.append(
                    {"least_share_of_short_circuit": low, "least_q": least, "most_q": most,
                     "cases": int(some.size), "median_error": float(np.median(some)),
                     "most_error": float(some.max()), "goal": goal,
                     "within_goal": int((some <= goal).sum())}
                )  # fmt: skip
    bench_results.write(asked.json, {"unsolved_by_the_twin": unsolved, "bands": rows})


if __name__ == "__main__":
    main()
