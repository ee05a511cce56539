"""Samplers side by side on a space whose exact front is known: 20,000 evaluations, five seeds.

Run `python tests/bench/search_table.py [JSON] [--quick]`. The space is the demo's narrowed to 1.4
million combinations; every one of them is evaluated first, so that the exact front is known
without the sweep, and looked up afterwards, so that the table compares choices and not speed. A
member of the front counts as found when its objectives are. Goals: at least 99.8 % of the
hypervolume and 76 % of the members, median of the seeds, ahead of the general samplers. Those get
equal evaluations, the same rules as constraints, and operators for whole numbers; TPE, which takes
some 10 ms a trial, gets a tenth.
"""

from __future__ import annotations

import json
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

from sweep_scale import widened

from explorer import costing, front
from explorer.config import Project, load
from explorer.evaluate import Evaluation, evaluate
from explorer.parts import LINKS, SETTINGS
from explorer.search import sample
from explorer.space import Designs, Space

BUDGET, SEEDS = 20_000, (1, 2, 3, 4, 5)
ROWS = {"generator": 4, "gearing": 3, "rectifier": 3, "lead": 2}
BLOCK = 20_000
POPULATION = 200


def evaluate_block(project: Project, space: Space, start: int) -> tuple[np.ndarray, ...]:
    """Objectives without cost, and margins, of the combinations from a number on."""
    found = evaluate(project, space.at(np.arange(start, min(start + BLOCK, space.size))))
    points = (found.delivered_energy_J, found.mass_kg, found.crank_effort_percent)
    return np.stack(points, axis=1), np.stack(list(found.margins.values()), axis=1).astype("f4")


class Known:
    """Every combination of a space, evaluated once: looked up instead of computed."""

    def __init__(self, project: Project) -> None:
        from joblib import Parallel, delayed

        self.project, self.space = project, Space.of(project)
        jobs = (
            delayed(evaluate_block)(project, self.space, start)
            for start in range(0, self.space.size, BLOCK)
        )
        blocks = Parallel(n_jobs=2)(jobs)
        self.results = np.concatenate([block[0] for block in blocks])
        self.margins = np.concatenate([block[1] for block in blocks])
        one = evaluate(project, self.space.at(np.arange(1)))
        self.names = list(one.margins)
        every = np.arange(self.space.size)
        cost = np.concatenate(
            [
                costing.costs(project, self.space.at(every[start : start + BLOCK]))
                for start in range(0, self.space.size, BLOCK)
            ]
        )
        self.points = np.stack(
            [-self.results[:, 0], cost, self.results[:, 1], self.results[:, 2]], axis=1
        )
        limit = project.study.limits.cost
        over = np.maximum(cost - (np.inf if limit is None else limit), 0.0)
        broken = np.concatenate([np.maximum(-self.margins, 0.0), over[:, None]], axis=1)
        broken = np.clip(broken, 0.0, 1e6)
        self.violations = (broken > 0).sum(axis=1) + (broken / (1 + broken)).sum(axis=1)
        self.front = self.distinct(np.flatnonzero(self.violations == 0))
        self.reference = np.array([0.0, *(1.1 * self.front.max(axis=0)[1:])])
        self.whole = front.hypervolume(self.front, self.reference)

    def numbers(self, designs: Designs) -> np.ndarray:
        """Numbers of designs in the space."""
        number = np.zeros(len(designs), dtype=np.int64)
        for name in (*LINKS, *SETTINGS):
            if name in LINKS:
                offered, value = self.space.choices[name], designs.parts[name]
            else:
                offered = np.array(self.space.settings[name].values)
                value = designs.settings[name]
            order = np.argsort(offered)
            place = np.searchsorted(offered[order], value).clip(0, len(offered) - 1)
            near = np.abs(offered[order][place] - value) > np.abs(
                offered[order][np.maximum(place - 1, 0)] - value
            )
            number = number * len(offered) + order[np.where(near, place - 1, place)]
        return number

    def distinct(self, numbers: np.ndarray) -> np.ndarray:
        """Distinct points of the front among some feasible combinations."""
        points = self.points[numbers].round(9)
        return np.unique(points[front.non_dominated(points)], axis=0)

    def judge(self, numbers: np.ndarray) -> tuple[float, float]:
        """Shares of the exact hypervolume and of its members that evaluated designs reach."""
        numbers = np.unique(numbers)
        numbers = numbers[self.violations[numbers] == 0]
        if not numbers.size:
            return 0.0, 0.0
        mine = self.distinct(numbers)
        reached = set(map(tuple, mine.tolist()))
        found = np.mean([tuple(point) in reached for point in self.front.tolist()])
        return front.hypervolume(mine, self.reference) / self.whole, float(found)

    def evaluate(self, project: Project, designs: Designs) -> Evaluation:
        """What `explorer.evaluate` returns, as far as a search looks at it."""
        numbers = self.numbers(designs)
        energy, mass, effort = self.results[numbers].T
        margins = self.margins[numbers].astype(float).T
        nothing = np.zeros(len(numbers))
        return Evaluation(
            designs=designs, delivered_energy_J=energy, mass_kg=mass, crank_effort_percent=effort,
            time_to_first_charge_s=nothing, regime=nothing.astype(np.int8),
            margins=dict(zip(self.names, margins, strict=True)),
            ledger_J={}, readings={}, cases=(),
        )  # fmt: skip


def ours(known: Known, seed: int, budget: int) -> np.ndarray:
    """The project's own search."""
    study = known.project.study
    search = study.search.model_copy(update={"seed": seed, "evaluations": budget, "batch": 500})
    project = replace(known.project, study=replace(study, search=search))
    real, sample.evaluate = sample.evaluate, known.evaluate
    try:
        found = [one.designs for one in sample.sample(project, known.space, None)]
    finally:
        sample.evaluate = real
    return known.numbers(Designs.concatenate(found))


def by_optuna(make: Callable[[int], Any]) -> Callable[[Known, int, int], np.ndarray]:
    """A general sampler of Optuna, told every rule as one constraint."""

    def search(known: Known, seed: int, budget: int) -> np.ndarray:
        import optuna

        optuna.logging.set_verbosity(optuna.logging.ERROR)
        warnings.simplefilter("ignore")
        coordinates = sample.Coordinates(known.space)
        sizes = _sizes(coordinates)
        ranges = {
            name: optuna.distributions.CategoricalDistribution(tuple(range(size)))
            if name in LINKS
            else optuna.distributions.IntDistribution(0, size - 1)
            for name, size in zip(coordinates.names, sizes, strict=True)
        }
        study = optuna.create_study(directions=["minimize"] * 4, sampler=make(seed))
        numbers = []
        for _ in range(budget):
            trial = study.ask(ranges)
            place = tuple(trial.params[name] for name in coordinates.names)
            number = int(np.ravel_multi_index(place, sizes))
            numbers.append(number)
            trial.set_constraint("rules", float(known.violations[number]))
            study.tell(trial, known.points[number].tolist())
        return np.array(numbers)

    return search


def by_pymoo(kind: str) -> Callable[[Known, int, int], np.ndarray]:
    """A genetic algorithm of pymoo with its operators for whole numbers, repeats left out."""

    def search(known: Known, seed: int, budget: int) -> np.ndarray:
        from pymoo.algorithms.moo.nsga2 import NSGA2
        from pymoo.algorithms.moo.nsga3 import NSGA3
        from pymoo.core.problem import Problem
        from pymoo.operators.crossover.sbx import SBX
        from pymoo.operators.mutation.pm import PM
        from pymoo.operators.repair.rounding import RoundingRepair
        from pymoo.operators.sampling.rnd import IntegerRandomSampling
        from pymoo.optimize import minimize
        from pymoo.util.ref_dirs import get_reference_directions

        sizes = _sizes(sample.Coordinates(known.space))
        numbers: list[np.ndarray] = []

        class Chains(Problem):
            def __init__(self) -> None:
                most = np.array(sizes) - 1
                super().__init__(
                    n_var=len(sizes), n_obj=4, n_ieq_constr=1, xl=0, xu=most, vtype=int
                )

            def _evaluate(self, x, out, *args, **kwargs) -> None:
                number = np.ravel_multi_index(tuple(x.astype(int).T), sizes)
                numbers.append(number)
                out["F"], out["G"] = known.points[number], known.violations[number][:, None]

        operators = {
            "sampling": IntegerRandomSampling(),
            "crossover": SBX(prob=1.0, eta=3.0, vtype=float, repair=RoundingRepair()),
            "mutation": PM(prob=1.0, eta=3.0, vtype=float, repair=RoundingRepair()),
            "eliminate_duplicates": True,
        }
        if kind == "nsga2":
            algorithm = NSGA2(pop_size=POPULATION, **operators)
        else:
            directions = get_reference_directions("das-dennis", 4, n_partitions=8)
            algorithm = NSGA3(ref_dirs=directions, pop_size=POPULATION, **operators)
        minimize(Chains(), algorithm, ("n_eval", budget), seed=seed, verbose=False)
        return np.concatenate(numbers)[:budget]

    return search


def _sizes(coordinates: sample.Coordinates) -> tuple[int, ...]:
    """Choices a variable has, in the order in which combinations are numbered."""
    return tuple(coordinates.count(name) or len(coordinates.space.settings[name].values)
                 for name in coordinates.names)  # fmt: skip


def contenders() -> dict[str, tuple[Callable[[Known, int, int], np.ndarray], int]]:
    """Name -> search and its evaluations."""
    import optuna

    samplers = optuna.samplers
    return {
        "this project": (ours, BUDGET),
        "optuna nsga2": (
            by_optuna(lambda s: samplers.NSGAIISampler(population_size=POPULATION, seed=s)),
            BUDGET,
        ),
        "optuna nsga3": (
            by_optuna(lambda s: samplers.NSGAIIISampler(population_size=POPULATION, seed=s)),
            BUDGET,
        ),
        "optuna tpe": (by_optuna(lambda s: samplers.TPESampler(seed=s)), BUDGET // 10),
        "optuna random": (by_optuna(lambda s: samplers.RandomSampler(seed=s)), BUDGET),
        "pymoo nsga2": (by_pymoo("nsga2"), BUDGET),
        "pymoo nsga3": (by_pymoo("nsga3"), BUDGET),
    }


def main() -> None:
    """Print the table, and write it as JSON when a file is named."""
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    seeds = SEEDS[:1] if "--quick" in sys.argv else SEEDS
    demo = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
    fixed = demo.study.settings["cadence_rpm"].values
    known = Known(widened(demo, ROWS, {"cadence_rpm": list(fixed)}))
    print(f"{known.space.size:,} combinations, {len(known.front)} members of the exact front")
    rows = []
    for name, (search, budget) in contenders().items():
        begun, shares = time.process_time(), []
        for seed in seeds if budget == BUDGET else seeds[:1]:
            shares.append(known.judge(search(known, seed, budget)))
        row = {
            "sampler": name,
            "evaluations": budget,
            "seeds": len(shares),
            "hypervolume_share": median(share[0] for share in shares),
            "member_share": median(share[1] for share in shares),
            "least_hypervolume_share": min(share[0] for share in shares),
            "least_member_share": min(share[1] for share in shares),
            "processor_s": (time.process_time() - begun) / len(shares),
        }
        rows.append(row)
        print(
            f"{name:14s} {budget:6,} evaluations, {row['seeds']} seeds: "
            f"{row['hypervolume_share']:8.3%} of the hypervolume "
            f"(least {row['least_hypervolume_share']:.3%}), "
            f"{row['member_share']:6.1%} of the members (least {row['least_member_share']:.1%}), "
            f"{row['processor_s']:.1f} s beside the evaluations",
            flush=True,
        )
    if words:
        Path(words[0]).write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
