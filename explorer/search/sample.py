"""Searching what cannot be swept: Optuna proposes, substitutions around the front polish.

The project's store is the record; no history lives in Optuna. It is seeded with designs known
before at today's prices, asked for batches, and told what the vectorised model finds. A design is
never evaluated twice.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from explorer import costing, front
from explorer.config import Project
from explorer.evaluate import HOPELESS, Evaluation, evaluate
from explorer.parts import LINKS, SETTINGS
from explorer.space import Designs, Rows, Space, plain_setting
from explorer.units import Array

if TYPE_CHECKING:
    import optuna

PROPOSED_SHARE = 0.3
"""Share of the evaluations that Optuna proposes; the polish has the rest (see tests/bench)."""
SEEDS = 200
"""Designs known before that Optuna starts from at the most: it costs milliseconds a trial."""
REPEATS = 20
"""Batches without anything new after which the sampler has nothing more to say."""
STEPS_PER_RANGE = (1 / 8, 1 / 32)
"""How far a continuous setting is moved when it is substituted, as shares of its range."""


@dataclass(frozen=True)
class Coordinates:
    """Designs as rows of numbers: the place in a list of choices, or a continuous value."""

    space: Space

    @property
    def names(self) -> tuple[str, ...]:
        """The variables: links, then settings."""
        return (*LINKS, *SETTINGS)

    def count(self, name: str) -> int:
        """How many values a variable has, 0 for a continuous one."""
        if name in LINKS:
            return len(self.space.choices[name])
        setting = self.space.settings[name]
        return 0 if setting.continuous else len(setting.values)

    def designs(self, rows: Array) -> Designs:
        """The designs of rows of coordinates (n, variables)."""
        parts, settings = {}, {}
        for column, name in zip(rows.T, self.names, strict=True):
            if name in LINKS:
                parts[name] = self.space.choices[name][column.astype(np.intp)]
            elif self.count(name):
                settings[name] = np.array(self.space.settings[name].values)[column.astype(np.intp)]
            else:
                settings[name] = np.array([plain_setting(name, v) for v in column.tolist()])
        return Designs(parts, settings)

    def rows(self, designs: Designs) -> Array:
        """Coordinates of designs, NaN where a choice is no longer offered: (n, variables)."""
        columns = []
        for name in self.names:
            if name in LINKS:
                offered = self.space.choices[name].astype(float)
                value = designs.parts[name].astype(float)
            else:
                offered = np.array(self.space.settings[name].values)
                value = designs.settings[name]
            if self.count(name):
                order = np.argsort(offered)
                place = np.searchsorted(offered[order], value).clip(0, len(offered) - 1)
                found = offered[order][place] == value
                value = np.where(found, order[place].astype(float), np.nan)
            columns.append(value)
        return np.stack(columns, axis=1)


class Explored:
    """Everything evaluated so far, and the front of it at today's prices."""

    def __init__(self, project: Project, space: Space) -> None:
        self.project, self.coordinates = project, Coordinates(space)
        self.known: set[bytes] = set()
        self.rows = np.empty((0, len(self.coordinates.names)))
        self.points = np.empty((0, 4))
        self.violations = np.empty(0)
        self.evaluations = 0

    def fresh(self, rows: Array) -> Array:
        """The rows that were never evaluated, each once, in order."""
        keys = [row.tobytes() for row in rows]
        new = {key: number for number, key in reversed(list(enumerate(keys)))}
        return rows[sorted(number for key, number in new.items() if key not in self.known)]

    def add(self, rows: Array, evaluation: Evaluation) -> None:
        """Remember results; infeasible designs count by how badly they break the rules."""
        cost = costing.costs(self.project, evaluation.designs)
        limit = self.project.study.limits.cost
        self.known.update(row.tobytes() for row in rows)
        self.rows = np.concatenate([self.rows, rows])
        self.points = np.concatenate([self.points, evaluation.objectives(cost)])
        broken = [np.clip(-m, 0.0, -HOPELESS) for m in evaluation.margins.values()]
        if limit is not None:
            broken.append(np.maximum(cost - limit, 0.0))
        # Margins have different units: what counts is how many rules are broken, then how far.
        far = np.sum([b / (1.0 + b) for b in broken], axis=0)
        many = np.sum([b > 0 for b in broken], axis=0)
        self.violations = np.concatenate([self.violations, np.asarray(many + far, dtype=float)])

    def front_rows(self) -> Rows:
        """Numbers of the feasible designs that none dominates."""
        feasible = np.flatnonzero(self.violations == 0)
        return feasible[front.non_dominated(self.points[feasible])]


def sample(
    project: Project,
    space: Space,
    known: Evaluation | None,
    *,
    stop: Callable[[int], bool] = lambda evaluations: False,
) -> Iterator[Evaluation]:
    """Search a space within the study's number of evaluations; yields each batch's results.

    `known` are results to start from. `stop(evaluations)` is asked between batches. The same study
    and the same known results give the same search.
    """
    explored = Explored(project, space)
    if known is not None and len(known):
        rows = explored.coordinates.rows(known.designs)
        offered = np.flatnonzero(~np.isnan(rows).any(axis=1))
        explored.add(rows[offered], known.take(offered))
    budget, batch = project.study.search.evaluations, project.study.search.batch
    generator = np.random.default_rng(project.study.search.seed)
    proposed = max(int(budget * PROPOSED_SHARE), min(budget, batch))
    for source, end in (
        (propose(explored, batch), proposed),
        (polish(explored, generator), budget),
    ):
        for rows in source:
            rows = explored.fresh(rows)[: end - explored.evaluations]
            for start in range(0, len(rows), batch):
                some = rows[start : start + batch]
                found = evaluate(project, explored.coordinates.designs(some))
                explored.add(some, found)
                explored.evaluations += len(some)
                yield found
            if explored.evaluations >= end or stop(explored.evaluations):
                break
        if stop(explored.evaluations):
            return


def propose(explored: Explored, batch: int) -> Iterator[Array]:
    """Batches of coordinates from an Optuna sampler; tells it each batch's results."""
    import optuna

    optuna.logging.set_verbosity(optuna.logging.WARNING)
    coordinates = explored.coordinates
    options = explored.project.study.search
    distributions = _distributions(coordinates)
    study = optuna.create_study(directions=["minimize"] * 4, sampler=_sampler(options))
    _seed(study, explored, distributions)
    empty = 0
    while empty < REPEATS:
        trials = [study.ask(distributions) for _ in range(min(batch, 100))]
        rows = np.array([[t.params[name] for name in coordinates.names] for t in trials], float)
        before = explored.evaluations
        yield rows
        empty = 0 if explored.evaluations > before else empty + 1
        where = {row.tobytes(): number for number, row in enumerate(explored.rows)}
        for trial, row in zip(trials, rows, strict=True):
            number = where.get(row.tobytes())
            if number is None:
                study.tell(trial, state=optuna.trial.TrialState.FAIL)
                continue
            trial.set_constraint("rules", float(explored.violations[number]))
            study.tell(trial, explored.points[number].tolist())


def _distributions(coordinates: Coordinates) -> dict[str, Any]:
    import optuna

    distributions: dict[str, Any] = {}
    for name in coordinates.names:
        count = coordinates.count(name)
        if name in LINKS:
            distributions[name] = optuna.distributions.CategoricalDistribution(tuple(range(count)))
        elif count:
            distributions[name] = optuna.distributions.IntDistribution(0, count - 1)
        else:
            setting = coordinates.space.settings[name]
            distributions[name] = optuna.distributions.FloatDistribution(setting.low, setting.high)
    return distributions


def _sampler(options: Any) -> optuna.samplers.BaseSampler:
    import optuna

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
        if options.sampler == "nsga2":
            return optuna.samplers.NSGAIISampler(population_size=100, seed=options.seed)
        if options.sampler == "nsga3":
            return optuna.samplers.NSGAIIISampler(population_size=100, seed=options.seed)
        if options.sampler == "tpe":
            return optuna.samplers.TPESampler(seed=options.seed, n_startup_trials=100)
        return optuna.samplers.RandomSampler(seed=options.seed)


def _seed(study: optuna.Study, explored: Explored, distributions: dict[str, Any]) -> None:
    """Start from the front that is known, at today's prices."""
    import optuna

    numbers = explored.front_rows()
    if len(numbers) > SEEDS:
        numbers = numbers[np.linspace(0, len(numbers) - 1, SEEDS).astype(np.intp)]
    for number in numbers:
        row = explored.rows[number]
        params = {
            name: float(v) if not explored.coordinates.count(name) else int(v)
            for name, v in zip(explored.coordinates.names, row, strict=True)
        }
        trial = optuna.trial.create_trial(
            params=params,
            distributions=distributions,
            values=explored.points[number].tolist(),
            constraints={"rules": float(explored.violations[number])},
        )
        study.add_trial(trial)


def polish(explored: Explored, generator: np.random.Generator) -> Iterator[Array]:
    """Substitutions around the front: each variable alone, then pairs, until nothing improves.

    Members whose single substitutions are known are not tried again; new members come first.
    Without a feasible design it starts from those that break the fewest rules.
    """
    done: dict[int, set[int]] = {1: set(), 2: set()}
    while True:
        members = explored.front_rows()
        if not members.size and len(explored.violations):
            members = np.argsort(explored.violations, kind="stable")[:20]
        open_ = [m for m in members.tolist() if m not in done[1]]
        depth = 1
        if not open_:
            depth, open_ = 2, [m for m in members.tolist() if m not in done[2]]
        if not open_:
            return
        chosen = generator.permutation(open_)[: 16 if depth == 1 else 1]
        done[depth].update(chosen.tolist())
        near = [neighbours(explored.coordinates, explored.rows[m], depth) for m in chosen]
        yield generator.permutation(np.concatenate(near))


def neighbours(coordinates: Coordinates, row: NDArray[Any], depth: int) -> Array:
    """All rows that differ from one in exactly `depth` variables."""
    options = [_substitutes(coordinates, name, v) for name, v in zip(coordinates.names, row,
               strict=True)]  # fmt: skip
    found = []
    for places in combinations(range(len(row)), depth):
        grids = np.meshgrid(*(options[place] for place in places), indexing="ij")
        block = np.tile(row, (grids[0].size, 1))
        for place, grid in zip(places, grids, strict=True):
            block[:, place] = grid.ravel()
        found.append(block)
    return np.concatenate(found)


def _substitutes(coordinates: Coordinates, name: str, value: float) -> Array:
    """Other values of a variable; of a continuous one its sweep points and steps to both sides."""
    count = coordinates.count(name)
    if count:
        return np.delete(np.arange(count, dtype=float), int(value))
    setting = coordinates.space.settings[name]
    width = setting.high - setting.low
    steps = [sign * share * width for share in STEPS_PER_RANGE for sign in (-1, 1)]
    near = np.clip([value + step for step in steps], setting.low, setting.high)
    others = np.unique(np.concatenate([near, setting.values]))
    return np.asarray(others[others != value])
