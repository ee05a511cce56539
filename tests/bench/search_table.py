"""Searches side by side on spaces whose exact fronts are known: 20,000 evaluations, five seeds.

Run `python -m tests.bench.search_table [--json FILE] [--minutes N] [--seeds N]`. Every combination
of a space is evaluated first, so that its exact front is known without any search, and looked up
afterwards, so that the table compares choices and not speed; what was looked up is kept in the
system's folder for temporary files while the model stays the same. A member of the front counts as
found when its objectives are. Goals: at least 99.8 % of the hypervolume and 76 % of the members,
median of the seeds, ahead of the general samplers.

All are counted alike, twice: once every design that a search proposes counts, and once neither a
design that it has proposed before nor one that rules in closed form exclude: this project's search
never evaluates those, so the others get what the table says of them free of charge. General
samplers get every rule as one constraint, and operators for whole numbers. Optuna's TPE takes time
that grows with the square of its trials (500 in 23 s, 1,000 in 56 s of one core, 20,000 in hours):
all are also shown at 500, where it takes part with every proposal counted.

The project's search was made on the first space. The others were looked at before it was settled:
the share of islands is a little lower than the first alone would have it, for the second's sake.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

import numpy as np

import explorer
from explorer import front
from explorer.inputs.links import LINKS
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project, load
from explorer.model import costing
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.objectives import points_of
from explorer.model.space import Designs, Space
from explorer.search import sample
from explorer.search.archive import Archive
from explorer.search.coordinates import Coordinates
from tests.bench import bench_results
from tests.helpers.invented import at_prices

BUDGET, FEW, SEEDS = 20_000, 500, 5
BLOCK = 20_000
POPULATION = 200
MOST_PROPOSALS = 2
"""Times the budget: where a sampler that gets repeats for nothing is stopped."""
GOAL = (0.998, 0.76)


class Arena(NamedTuple):
    """A space to search: the demo's tables, other choices of them, another session and limits."""

    name: str
    parts: dict[str, int]
    """How many rows of a link's choices: the first, or (below 0) the last of its whole table, or
    with a seed any of it."""
    settings: dict[str, list[float]]
    session: dict[str, Any]
    limits: dict[str, float | None]
    seed: int | None = None
    """Draws the rows, and factors of 1/2 to 2 for all prices."""

    def project(self) -> Project:
        """The demo so changed."""
        demo = load(Path(__file__).parents[2] / "studies" / "flood_gauge.toml")
        study, choices = demo.study, dict(demo.study.choices)
        random = None if self.seed is None else np.random.default_rng(self.seed)
        for link, count in self.parts.items():
            table = tuple(part.id for part in demo.catalogue.parts[link])
            if random is not None:
                choices[link] = tuple(random.permutation(table)[:count].tolist())
            else:
                choices[link] = table[count:] if count < 0 else choices[link][:count]
        if random is not None:
            ids = [part for link in LINKS for part in choices[link]]
            prices = {i: demo.catalogue.prices.breaks[i][0].amount for i in ids}
            factors = 2 ** random.uniform(-1, 1, len(ids))
            demo = at_prices(demo, {i: f * prices[i] for i, f in zip(ids, factors, strict=True)})
        fixed = {k: list(study.settings[k].values) for k in study.settings} | self.settings
        return replace(
            demo,
            study=replace(
                study,
                choices=choices,
                settings={k: Setting.model_validate(v) for k, v in fixed.items()},
                session=study.session.model_copy(update=self.session),
                limits=study.limits.model_copy(update=self.limits),
            ),
        )


ARENAS = (
    Arena(
        "the demo, narrowed",
        {"generator": 4, "gearing": 3, "rectifier": 3, "lead": 2},
        {},
        {},
        {},
    ),
    Arena(
        "other rows, stronger arms, a pack that regulates",
        {"generator": -5, "gearing": -4, "rectifier": -3, "lead": -2, "cell": -3, "converter": -3,
         "window": -2, "crank": -2},
        {"cells_series": [4, 5, 6, 7], "cadence_rpm": [45, 60, 75],
         "undervoltage_off_V": [4.2, 6.0], "undervoltage_band_V": [1.0, 2.0],
         "overvoltage_off_V": [10.0, 12.5]},
        {"operators": ("strong_two_arms",), "packs": ("regulating_pack",), "minutes": 20},
        {"cost": 250.0, "mass_kg": 9.0, "delivered_energy_J": None, "first_charge_s": None},
    ),
    Arena(
        "rows and prices drawn, legs on pedals, many settings",
        {"generator": 5, "gearing": 4, "rectifier": 2, "lead": 2, "cell": 3, "converter": 2,
         "window": 1, "crank": 2, "clamp": 3},
        {"cells_series": [3, 4, 5, 6, 7], "cadence_rpm": [40, 50, 60, 70, 80],
         "undervoltage_off_V": [3.2, 4.0, 5.0], "undervoltage_band_V": [0.8, 1.6],
         "overvoltage_off_V": [9.0, 11.2]},
        {"operators": ("legs_on_pedals",), "packs": ("retrying_pack",), "minutes": 30},
        {"cost": 160.0, "mass_kg": 7.0, "delivered_energy_J": None, "first_charge_s": None},
        seed=3,
    ),
    Arena(
        "rows and prices drawn, the worse of two persons",
        {"generator": 6, "gearing": 4, "rectifier": 3, "lead": 2, "cell": 4, "converter": 2,
         "window": 2, "crank": 2, "clamp": 3},
        {"cells_series": [3, 4, 5, 6], "cells_parallel": [1, 2], "cadence_rpm": [45, 60, 75],
         "undervoltage_off_V": [3.6, 4.4], "undervoltage_band_V": [1.2],
         "overvoltage_off_V": [11.0]},
        {"operators": ("adult_one_arm", "child_one_arm"), "packs": ("telemetry_pack_1a",),
         "over_cases": "worst"},
        {"cost": 140.0, "mass_kg": 6.0, "delivered_energy_J": 200.0, "first_charge_s": None},
        seed=4,
    ),
)  # fmt: skip


def evaluate_block(project: Project, space: Space, start: int) -> tuple[np.ndarray, ...]:
    """Objectives and margins of the combinations from a number on, and which ones a search is
    spared by rules in closed form.
    """
    numbers = np.arange(start, min(start + BLOCK, space.size))
    designs = space.at(numbers)
    found = evaluate(project, designs)
    points = points_of(project, found, costing.costs(project, designs))
    archive = Archive(project, space)
    passed = archive.passes_screen(archive.coordinates.rows(designs))
    return points, np.stack(list(found.margins.values()), axis=1).astype("f4"), passed


def computed(project: Project, space: Space) -> tuple[np.ndarray, ...]:
    """The same of a whole space, from the folder for temporary files where it has been before."""
    from joblib import Parallel, delayed

    sources = sorted(Path(explorer.__file__).parent.rglob("*.py"))
    digest = hashlib.blake2b(digest_size=8)
    for content in (*(path.read_bytes() for path in sources), repr(project.study).encode(),
                    json.dumps(dict(project.catalogue.file_hashes)).encode()):  # fmt: skip
        digest.update(content)
    kept = Path(tempfile.gettempdir()) / "genchain_bench" / digest.hexdigest()
    names = ("points", "margins", "passed")
    if not all((kept / f"{name}.npy").exists() for name in names):
        jobs = (
            delayed(evaluate_block)(project, space, start) for start in range(0, space.size, BLOCK)
        )
        blocks = Parallel(n_jobs=2)(jobs)
        kept.mkdir(parents=True, exist_ok=True)
        for name, columns in zip(names, zip(*blocks, strict=True), strict=True):
            np.save(kept / f"{name}.npy", np.concatenate(columns))
    return tuple(np.load(kept / f"{name}.npy", mmap_mode="r") for name in names)


class Known:
    """Every combination of a space, evaluated once: looked up instead of computed."""

    def __init__(self, project: Project) -> None:
        self.project, self.space = project, Space.of(project)
        self.points, self.margins, self.passed = computed(project, self.space)
        one = evaluate(project, self.space.at(np.arange(1)))
        self.names = list(one.margins)
        limit = project.study.limits.cost
        over = np.maximum(self.points[:, 1] - (np.inf if limit is None else limit), 0.0)
        many, far = (over > 0).astype(float), over / (1 + over)
        for column in self.margins.T:
            broken = np.clip(-column, 0.0, 1e6)
            many, far = many + (broken > 0), far + broken / (1 + broken)
        self.violations = many + far
        self.front = self.distinct(np.flatnonzero(self.violations == 0))
        self.reference = np.array([0.0, *(1.1 * self.front.max(axis=0)[1:])])
        self.whole = front.hypervolume(self.front, self.reference)

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
        numbers = self.space.numbers(designs)
        assert (numbers >= 0).all()
        energy, _, mass, effort = self.points[numbers].T
        margins = self.margins[numbers].astype(float).T
        nothing = np.zeros(len(numbers))
        return Evaluation(
            designs=designs, delivered_energy_J=-energy, mass_kg=mass, crank_effort_percent=effort,
            time_to_first_charge_s=nothing, regime=nothing.astype(np.int8),
            margins=dict(zip(self.names, margins, strict=True)),
            ledger_J={}, readings={}, cases=(),
        )  # fmt: skip


class Count:
    """What a search has spent: its evaluations in order, and how many designs it proposed."""

    def __init__(self, known: Known, budget: int, spared: bool) -> None:
        self.known, self.budget, self.spared = known, budget, spared
        self.numbers: dict[int, None] = {}
        self.plain: list[int] = []
        self.proposals = 0

    def add(self, numbers: np.ndarray) -> None:
        """Count some proposals."""
        self.proposals += len(numbers)
        self.plain += numbers.tolist()
        self.numbers |= dict.fromkeys(numbers[self.known.passed[numbers]].tolist())

    @property
    def evaluations(self) -> np.ndarray:
        """Numbers of the designs that count, in order, within the budget."""
        return np.array(list(self.numbers) if self.spared else self.plain)[: self.budget]

    @property
    def over(self) -> bool:
        """Whether the budget is spent, or too much was proposed in vain."""
        spent = len(self.numbers) if self.spared else self.proposals
        return spent >= self.budget or self.proposals >= MOST_PROPOSALS * self.budget


def ours(known: Known, seed: int, budget: int, spared: bool) -> Count:
    """The project's own search; not spared, it evaluates what rules in closed form exclude too."""
    study = known.project.study
    search = study.search.model_copy(update={"seed": seed, "evaluations": budget, "batch": 500})
    project = replace(known.project, study=replace(study, search=search))
    count = Count(known, budget, spared)
    real, screen = sample.evaluate, Archive.passes_screen
    sample.evaluate = known.evaluate
    if not spared:
        Archive.passes_screen = lambda self, rows: np.ones(len(rows), dtype=bool)
    try:
        for found, _ in sample.sample(project, known.space, None):
            count.add(known.space.numbers(found.designs))
    finally:
        sample.evaluate, Archive.passes_screen = real, screen
    return count


def at_random(known: Known, seed: int, budget: int, spared: bool) -> Count:
    """Any design, never one twice."""
    count, generator = Count(known, budget, spared), np.random.default_rng(seed)
    count.add(generator.choice(known.space.size, MOST_PROPOSALS * budget, replace=False))
    return count


def brisk(kind: type) -> type:
    """A genetic sampler of Optuna that remembers which generation it is in and its parents, instead
    of looking through all trials for them at every proposal: the same proposals in a third of the
    time, as long as one has its result before the next is asked for.
    """

    class Brisk(kind):
        asked_for, parents = None, None

        def get_trial_generation(self, study, trial) -> int:
            generation = trial.number // self.population_size
            study._storage.set_trial_system_attr(
                trial._trial_id, self._get_generation_key(), generation
            )
            return generation

        def get_parent_population(self, study, generation: int) -> list:
            if self.asked_for != generation:  # chosen now, and listed in another order ever after
                self.asked_for, self.parents = generation, None
                return super().get_parent_population(study, generation)
            if self.parents is None:
                self.parents = super().get_parent_population(study, generation)
            return self.parents

    return Brisk


def by_optuna(kind: str) -> Search:
    """A general sampler of Optuna."""

    def search(known: Known, seed: int, budget: int, spared: bool) -> Count:
        import optuna

        optuna.logging.set_verbosity(optuna.logging.ERROR)
        warnings.simplefilter("ignore")
        sampler = {
            "nsga2": lambda: brisk(optuna.samplers.NSGAIISampler)(
                population_size=POPULATION, seed=seed
            ),
            "nsga3": lambda: brisk(optuna.samplers.NSGAIIISampler)(
                population_size=POPULATION, seed=seed
            ),
            "tpe": lambda: optuna.samplers.TPESampler(seed=seed),
        }[kind]()
        coordinates = Coordinates(known.space)
        sizes = _sizes(known.space)
        ranges = {
            name: optuna.distributions.CategoricalDistribution(tuple(range(size)))
            if name in LINKS
            else optuna.distributions.IntDistribution(0, size - 1)
            for name, size in zip(coordinates.names, sizes, strict=True)
        }
        study = optuna.create_study(directions=["minimize"] * 4, sampler=sampler)
        count = Count(known, budget, spared)
        while not count.over:
            trial = study.ask(ranges)
            place = tuple(trial.params[name] for name in coordinates.names)
            number = int(np.ravel_multi_index(place, sizes))
            count.add(np.array([number]))
            trial.set_constraint("rules", float(known.violations[number]))
            study.tell(trial, known.points[number].tolist())
        return count

    return search


def by_pymoo(kind: str) -> Search:
    """A genetic algorithm of pymoo with its operators for whole numbers, repeats left out."""

    def search(known: Known, seed: int, budget: int, spared: bool) -> Count:
        from pymoo.algorithms.moo.nsga2 import NSGA2
        from pymoo.algorithms.moo.nsga3 import NSGA3
        from pymoo.core.problem import Problem
        from pymoo.operators.crossover.sbx import SBX
        from pymoo.operators.mutation.pm import PM
        from pymoo.operators.repair.rounding import RoundingRepair
        from pymoo.operators.sampling.rnd import IntegerRandomSampling
        from pymoo.util.ref_dirs import get_reference_directions

        warnings.simplefilter("ignore")
        sizes = _sizes(known.space)
        count = Count(known, budget, spared)

        class Chains(Problem):
            def __init__(self) -> None:
                most = np.array(sizes) - 1
                super().__init__(
                    n_var=len(sizes), n_obj=4, n_ieq_constr=1, xl=0, xu=most, vtype=int
                )

            def _evaluate(self, x, out, *args, **kwargs) -> None:
                number = np.ravel_multi_index(tuple(x.astype(int).T), sizes)
                count.add(number)
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
        algorithm.setup(Chains(), termination=("n_gen", 10**6), seed=seed, verbose=False)
        while not count.over and algorithm.has_next():
            algorithm.next()
        return count

    return search


def _sizes(space: Space) -> tuple[int, ...]:
    """Choices of each variable, in the order in which combinations are numbered."""
    links = (len(space.choices[link]) for link in LINKS)
    return (*links, *(len(setting.values) for setting in space.settings.values()))


Search = Callable[[Known, int, int, bool], Count]
OURS, SLOW = "this project", "optuna tpe"
SEARCHES: dict[str, Search] = {
    OURS: ours,
    "optuna nsga2": by_optuna("nsga2"),
    "optuna nsga3": by_optuna("nsga3"),
    "optuna tpe": by_optuna("tpe"),
    "pymoo nsga2": by_pymoo("nsga2"),
    "pymoo nsga3": by_pymoo("nsga3"),
    "random": at_random,
}


class Job(NamedTuple):
    """One search of one space with one seed."""

    arena: int
    search: str
    seed: int
    spared: bool
    budget: int


def jobs(seeds: int) -> Iterator[Job]:
    """Everything to be compared, seed by seed."""
    for seed in range(1, seeds + 1):
        for spared in (False, True):
            for arena in range(len(ARENAS)):
                for name in SEARCHES:
                    if name == SLOW and spared:
                        continue
                    if name == OURS:
                        # Its share of proposals goes by the budget: a short run is another run.
                        yield Job(arena, name, seed, spared, FEW)
                    yield Job(arena, name, seed, spared, FEW if name == SLOW else BUDGET)


def judged(known: Known, job: Job) -> list[dict[str, Any]]:
    """What one search reaches, at its whole budget and, where it says as much, at the small one."""
    begun = time.process_time()
    count = SEARCHES[job.search](known, job.seed, job.budget, job.spared)
    taken = time.process_time() - begun
    ends = {job.budget} if job.search == OURS else {FEW, job.budget}
    rows = []
    for end in sorted(ends):
        hypervolume, members = known.judge(count.evaluations[:end])
        rows.append(
            {**job._asdict(), "budget": end, "evaluations": len(count.evaluations[:end]),
             "proposals": count.proposals, "hypervolume_share": hypervolume,
             "member_share": members, "processor_s": taken}
        )  # fmt: skip
    return rows


def table(arenas: list[Known], found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Medians over the seeds, ours first."""
    rows = []
    for number, known in enumerate(arenas):
        for spared in (False, True):
            for budget in (BUDGET, FEW):
                for name in SEARCHES:
                    mine = [
                        row for row in found
                        if (row["arena"], row["spared"], row["budget"], row["search"])
                        == (number, spared, budget, name)
                    ]  # fmt: skip
                    if not mine:
                        continue
                    hypervolume = [row["hypervolume_share"] for row in mine]
                    members = [row["member_share"] for row in mine]
                    rows.append(
                        {"space": ARENAS[number].name, "combinations": known.space.size,
                         "front": len(known.front),
                         "counted": "the rest" if spared else "every proposal",
                         "budget": budget, "search": name, "seeds": len(mine),
                         "evaluations": median(row["evaluations"] for row in mine),
                         "proposals": median(row["proposals"] for row in mine),
                         "hypervolume_share": median(hypervolume),
                         "least_hypervolume_share": min(hypervolume),
                         "member_share": median(members), "least_member_share": min(members),
                         "processor_s": median(row["processor_s"] for row in mine)}
                    )  # fmt: skip
    return rows


def show(rows: list[dict[str, Any]]) -> None:
    """The table in words, a part for each space, budget and way of counting."""
    part = None
    for row in rows:
        mine = (row["space"], row["counted"], row["budget"])
        if mine != part:
            part = mine
            what = {
                "the rest": "repeats and what closed-form rules exclude not counted",
                "every proposal": "every proposal counted",
            }[row["counted"]]
            print(
                f"\n{row['space']}: {row['combinations']:,} combinations, {row['front']} members; "
                f"{row['budget']:,} evaluations, {what}"
            )
        print(
            f"  {row['search']:13s} {row['hypervolume_share']:8.3%} of the hypervolume "
            f"(least {row['least_hypervolume_share']:8.3%}), {row['member_share']:6.1%} of the "
            f"members (least {row['least_member_share']:6.1%}), {row['seeds']} seeds, "
            f"{row['evaluations']:,.0f} evaluations; the whole search made "
            f"{row['proposals']:,.0f} proposals in {row['processor_s']:.0f} s of one core"
        )


def goals(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Whether the goals are met, space by space."""
    for number, arena in enumerate(ARENAS):
        mine = [r for r in rows if (r["space"], r["budget"]) == (arena.name, BUDGET)]
        for counted in dict.fromkeys(row["counted"] for row in mine):
            by_name = {r["search"]: r for r in mine if r["counted"] == counted}
            if OURS not in by_name:
                continue
            own = by_name.pop(OURS)
            shares = (own["hypervolume_share"], own["member_share"])
            ahead = [
                all(own[what] >= row[what] for row in by_name.values())
                for what in ("hypervolume_share", "member_share")
            ]
            met = all(share >= goal for share, goal in zip(shares, GOAL, strict=True))
            yield (
                f"{arena.name}{'' if number else ' (made on it)'}, counted {counted}: goals "
                f"{'met' if met else 'MISSED'}; "
                f"{'ahead' if ahead[0] else 'NOT ahead'} of all others in hypervolume, "
                f"{'ahead' if ahead[1] else 'NOT ahead'} in members"
            )


def main() -> None:
    """Print the table, and write it as JSON when a file is named."""
    from joblib import Parallel, delayed

    asked = bench_results.asked(__doc__, minutes=30.0, seeds=SEEDS)
    begun = time.monotonic()
    arenas = []
    for arena in ARENAS:
        arenas.append(Known(arena.project()))
        print(
            f"{arena.name}: {arenas[-1].space.size:,} combinations evaluated, "
            f"{len(arenas[-1].front)} members, {time.monotonic() - begun:.0f} s",
            flush=True,
        )
    wanted = list(jobs(asked.seeds))
    some = (
        delayed(judged)(arenas[job.arena], job)
        for job in wanted
        if time.monotonic() - begun < 60 * asked.minutes
    )
    found: list[dict[str, Any]] = []
    done = 0
    parallel = Parallel(n_jobs=2, return_as="generator_unordered", pre_dispatch=2)
    for rows in parallel(some):
        done, found = done + 1, found + rows
        last = rows[-1]
        print(f"{done} of {len(wanted)}, {time.monotonic() - begun:.0f} s: {last}", flush=True)
        bench_results.write(asked.json, table(arenas, found))
    rows = table(arenas, found)
    show(rows)
    print(f"\n{done} of {len(wanted)} searches within {asked.minutes:g} minutes")
    print("\n".join(goals(rows)))


if __name__ == "__main__":
    main()
