"""The bridges' tables against the switching-level twin, over random cases.

    python -m tests.bench.bridge_accuracy [--cases N] [--seed N] [--json FILE]

For the six-pulse bridge and a stepper's two, prints the error of the worst of bus current, phase
rms and electromagnetic power by band of bus current over short-circuit current and by
q = w_e L/(R + Rs), beside the goal of its band. Then both on a bus with a resistance, by its share
of a phase's impedance: the error of the bus current, and of a stiff bus in its place. It measures
and does not judge.
"""

from __future__ import annotations

import warnings

import numpy as np
from scipy.integrate import ODEintWarning

from explorer.physics.bridge import (
    STAR,
    WINDING,
    steady_state,
    two_phase_steady_state,
)
from tests.bench import bench_results
from tests.helpers import bridge_twin
from tests.helpers.soft_bus import soft_bus_steady_state

KINDS = (("six-pulse", 3, steady_state, 1), ("two-phase", 1, two_phase_steady_state, 2))
GOALS = ((0.01, np.inf, 0.005), (0.001, 0.01, 0.02))
SOFT = (("six-pulse", 3, STAR, steady_state), ("two-phase", 2, WINDING, two_phase_steady_state))
BANDS_OF_OHM = ((0.05, 0.5), (0.5, 2.0), (2.0, 8.0))
BANDS_OF_Q = ((0.0, 0.0), (0.0, 1.0), (1.0, 10.0), (10.0, 50.0))


def soft_buses(cases: int, rng: np.random.Generator) -> list[dict[str, object]]:
    """The error of the bus current over a bus with a resistance, and without knowing of it."""
    rows: list[dict[str, object]] = []
    for name, phases, kind, stiff in SOFT:
        for low, high in BANDS_OF_OHM:
            off: list[tuple[float, float]] = []
            while len(off) < cases:
                case = bridge_twin.random_case(rng, 3 if phases == 3 else 1)
                ohm = (
                    case["resistance_ohm"]
                    + (1 if phases == 3 else 2) * case["diode_resistance_ohm"]
                )
                reactance = ohm * np.exp(rng.uniform(np.log(0.05), np.log(3)))
                case["inductance_H"] = reactance / bridge_twin.SPEED_RAD_S
                bus_ohm = np.hypot(ohm, reactance) * np.exp(rng.uniform(np.log(low), np.log(high)))
                try:
                    with warnings.catch_warnings():
                        warnings.simplefilter("ignore", ODEintWarning)
                        truth = bridge_twin.solve(**case, phases=phases, bus_ohm=bus_ohm)
                except RuntimeError:
                    continue
                amps = truth.bus_current_A
                if amps < GOALS[0][0] * truth.short_circuit_A:
                    continue
                case["bus_V"] += bus_ohm * amps
                found = soft_bus_steady_state(kind, **case, bus_ohm=bus_ohm).bus_current_A
                off.append((abs(found / amps - 1), abs(stiff(**case).bus_current_A / amps - 1)))
            soft, hard = np.percentile(np.array(off), [50, 95, 100], axis=0).T
            print(
                f"{name}, bus of {low:g} to {high:g} impedances: {cases} cases, median"
                f" {soft[0]:.3%}, 95th {soft[1]:.3%}, most {soft[2]:.3%};"
                f" taken as stiff {hard[0]:.3%}, {hard[1]:.3%}, {hard[2]:.3%}"
            )
            rows.append(
                {"kind": name, "least_ohm_share": low, "most_ohm_share": high, "cases": cases,
                 "median_error": float(soft[0]), "error_95": float(soft[1]),
                 "most_error": float(soft[2]), "stiff_median_error": float(hard[0]),
                 "stiff_error_95": float(hard[1]), "stiff_most_error": float(hard[2])}
            )  # fmt: skip
    return rows


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
    soft = soft_buses(asked.cases, np.random.default_rng(asked.seed))
    bench_results.write(asked.json, {"bands": rows, "soft_buses": soft})


if __name__ == "__main__":
    main()
