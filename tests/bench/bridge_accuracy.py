"""The bridges' tables against the switching-level twin, over random cases.

    python tests/bench/bridge_accuracy.py [--cases N] [--seed N] [--json FILE]

For the six-pulse bridge and a stepper's two, prints the error of the worst of bus current, phase
rms and electromagnetic power by band of bus current over short-circuit current and by
q = w_e L/(R + Rs), beside the goal of its band. It measures and does not judge.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np
from scipy.integrate import ODEintWarning

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "physics"), str(HERE.parents[2])]

import bench_results  # noqa: E402
import bridge_twin  # noqa: E402

from explorer.physics.bridge import steady_state, two_phase_steady_state  # noqa: E402

KINDS = (("six-pulse", 3, steady_state, 1), ("two-phase", 1, two_phase_steady_state, 2))
GOALS = ((0.01, np.inf, 0.005), (0.001, 0.01, 0.02))
BANDS_OF_Q = ((0.0, 0.0), (0.0, 1.0), (1.0, 10.0), (10.0, 50.0))


def main() -> None:
    asked = bench_results.asked(__doc__, cases=100, seed=1)
    rng, rows = np.random.default_rng(asked.seed), []
    for kind, phases, function, circuits in KINDS:
        found, unsolved = [], 0
        while len(found) < asked.cases:
            case = bridge_twin.random_case(rng, phases)
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore", ODEintWarning)
                    truth = bridge_twin.solve(**case, phases=phases)
            except RuntimeError:
                unsolved += 1
                continue
            share = truth.bus_current_A / truth.short_circuit_A
            if share < GOALS[-1][0]:
                continue
            expected = np.array(truth[:3]) * [circuits, 1, circuits]
            error = np.abs(np.array(function(**case)) / expected - 1).max()
            ohm = case["resistance_ohm"] + circuits * case["diode_resistance_ohm"]
            found.append((share, error, case["inductance_H"] * bridge_twin.SPEED_RAD_S / ohm))
        share, error, q = np.array(found).T
        print(f"{kind}: {len(found)} cases, {unsolved} that the twin did not solve")
        for low, high, goal in GOALS:
            band = (share >= low) & (share < high)
            for least, most in BANDS_OF_Q:
                some = error[band & ((q == 0) if most == 0 else (q > least) & (q <= most))]
                if not some.size:
                    continue
                within = int((some <= goal).sum())
                print(
                    f"  from {low:.1%} of short circuit, q {least:g} to {most:g}: {some.size} "
                    f"cases, median {np.median(some):.3%}, most {some.max():.3%}, {within} within "
                    f"{goal:.1%}"
                )
                rows.append(
                    {
                        "kind": kind,
                        "least_share_of_short_circuit": low,
                        "least_q": least,
                        "most_q": most,
                        "goal": goal,
                        "cases": int(some.size),
                        "median_error": float(np.median(some)),
                        "most_error": float(some.max()),
                        "within_goal": within,
                    }
                )
    bench_results.write(asked.json, {"bands": rows})


if __name__ == "__main__":
    main()
