"""Searching what cannot be swept: Optuna proposes, the best of it is bred, a polish ends it.

The project's store is the record; no history lives in Optuna. It is seeded with designs known
before at today's prices and told what the vectorised model finds. Then the front is bred: of many
crossings those are evaluated that look best by a guess from what was evaluated before, mostly among
the designs with two certain values only, since another generator on another gearing may need
another clamp to be any good. The polish tries all substitutions around the front. A design is never
evaluated twice.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model.evaluate import Evaluation, evaluate
from explorer.model.space import Designs, Rows, Space
from explorer.search.archive import Coordinates, Covered, Explored, nothing
from explorer.search.surrogate import Guess
from explorer.units import Array

if TYPE_CHECKING:
    import optuna

PROPOSED, BRED = 0.02, 0.9
"""Shares of the evaluations after which Optuna and the breeding have had theirs."""
FIRST_LOOK = 100
"""Designs that Optuna proposes at the least, and before what the last ones told is looked at."""
SEEDS = 200
"""Designs known before that Optuna starts from at the most: it costs milliseconds a trial."""
REPEATS = 20
"""Batches without anything new after which one way of searching has nothing more to say."""
GENERATION, GROWTH = 50, 0.01
"""Designs evaluated before they are learnt from: at the least, and as a share of all before."""
POOL = 10
"""Candidates bred for each design that is evaluated."""
BOLD = 0.8
"""Share of a generation that the guess likes best; the rest is drawn from the other candidates."""
ISLANDS = 0.7
"""Share of the generations, small ones, that look among the designs with two certain values."""
PARENTS = 100
"""Designs to breed from, at the least."""
PROMISING = 0.1
"""Share of a member's pairwise substitutions that the polish tries before all others."""
STEPS_PER_RANGE = (1 / 8, 1 / 32)
"""How far a continuous setting is moved when it is substituted, as shares of its range."""


def sample(
    project: Project,
    space: Space,
    known: Evaluation | None,
    *,
    seen: Designs | None = None,
    covered: Covered = nothing,
    stop: Callable[[int], bool] = lambda evaluations: False,
) -> Iterator[Evaluation]:
    """Search a space within the study's number of evaluations; yields each batch's results.

    `known` are results to start from. Neither they nor the designs in `seen` are evaluated again,
    nor those of which `covered` says that a sweep has been there. `stop(evaluations)` is asked
    between batches. The same study and the same known results in the same order give the same
    search.
    """
    explored = Explored(project, space, covered)
    if seen is not None:
        explored.known.update(row.tobytes() for row in explored.coordinates.rows(seen))
    if known is not None and len(known):
        rows = explored.coordinates.rows(known.designs)
        offered = np.flatnonzero(~np.isnan(rows).any(axis=1))
        explored.add(rows[offered], known.take(offered))
    budget, batch = project.study.search.evaluations, project.study.search.batch
    generator = np.random.default_rng(project.study.search.seed)
    for source, end in (
        (propose(explored, batch), min(budget, max(FIRST_LOOK, int(PROPOSED * budget)))),
        (breed(explored, generator), int(BRED * budget)),
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
        trials = [study.ask(distributions) for _ in range(min(batch, FIRST_LOOK))]
        rows = coordinates.settled(
            np.array([[t.params[name] for name in coordinates.names] for t in trials], float)
        )
        before = explored.evaluations
        yield rows[explored.sound(rows)]
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


def breed(explored: Explored, generator: np.random.Generator) -> Iterator[Array]:
    """Generations of crossings that the guess likes, of the whole space or of an island of it.

    Ends when crossing brings nothing new.
    """
    empty = 0
    while empty < REPEATS:
        before = len(explored.rows)
        if generator.random() < ISLANDS:
            island, count = _island(explored, generator), GENERATION
        else:
            island, count = {}, max(GENERATION, int(GROWTH * explored.evaluations))
        inside = np.ones(before, dtype=bool)
        for place, value in island.items():
            inside &= explored.rows[:, place] == value
        members, parents = _best(explored, np.flatnonzero(inside))
        pool = _crossed(explored, parents, POOL * count, generator)
        for place, value in island.items():
            pool[:, place] = value
        pool = explored.fresh(pool)
        pool = pool[explored.sound(pool)] if len(pool) else pool
        if before and len(pool) > count:
            order = Guess(explored, members, parents, generator).order(pool)
            bold = int(BOLD * count)
            others = generator.permutation(order[bold:])[: count - bold]
            pool = pool[np.concatenate([order[:bold], others])]
        yield pool
        empty = 0 if len(explored.rows) > before else empty + 1


def _island(explored: Explored, generator: np.random.Generator) -> dict[int, int]:
    """A value each of two variables by their places, the less tried together the more often.

    Nothing where less than two variables have a choice of values.
    """
    counts = [explored.coordinates.count(name) for name in explored.coordinates.names]
    values = [(place, value) for place, n in enumerate(counts) if n > 1 for value in range(n)]
    places = np.array([place for place, _ in values])
    one, other = np.nonzero(places[:, None] < places)
    if not one.size:
        return {}
    has = np.array([explored.rows[:, place] == value for place, value in values], dtype=float)
    rare = 1.0 / (1.0 + (has @ has.T)[one, other])
    pair = int(generator.choice(len(one), p=rare / rare.sum()))
    return dict([values[one[pair]], values[other[pair]]])


def _best(explored: Explored, numbers: Rows) -> tuple[Rows, Rows]:
    """Of some designs, the front without equal points, and those to breed from: the front, what
    would be the front without it and so on, then what breaks the rules least.
    """
    violations = explored.violations[numbers]
    feasible = numbers[violations == 0]
    _, first = np.unique(explored.points[feasible].round(9), axis=0, return_index=True)
    feasible = feasible[np.sort(first)]
    layers = [feasible[:0]]
    while len(feasible) and sum(map(len, layers)) < PARENTS:
        best = front.non_dominated(explored.points[feasible])
        layers.append(feasible[best])
        feasible = feasible[~best]
    worse = numbers[np.argsort(violations, kind="stable")][np.count_nonzero(violations == 0) :]
    lacking = max(PARENTS - sum(map(len, layers)), 0)
    return layers[min(1, len(layers) - 1)], np.concatenate([*layers, worse[:lacking]])


def _crossed(
    explored: Explored, parents: Rows, count: int, generator: np.random.Generator
) -> Array:
    """Designs from two parents each, one variable of them changed on the average."""
    coordinates = explored.coordinates
    if not len(parents):
        return coordinates.rows(coordinates.space.draw(count, generator))
    shape = (count, len(coordinates.names))
    one, other = (explored.rows[generator.choice(parents, count)] for _ in range(2))
    child: Array = np.where(generator.random(shape) < 0.5, one, other)
    free = [n for n, name in enumerate(coordinates.names) if coordinates.count(name) != 1]
    changed = generator.random(shape) < 1 / max(len(free), 1)
    for place in free:
        name, here = coordinates.names[place], np.flatnonzero(changed[:, place])
        size = coordinates.count(name)
        if size:
            other_value = child[here, place] + generator.integers(1, size, len(here))
            child[here, place] = other_value % size
        else:
            setting = coordinates.space.settings[name]
            step = (setting.high - setting.low) * generator.choice(STEPS_PER_RANGE, len(here))
            moved = child[here, place] + step * generator.normal(size=len(here))
            child[here, place] = moved.clip(setting.low, setting.high)
    return child


def polish(explored: Explored, generator: np.random.Generator) -> Iterator[Array]:
    """All substitutions of one and two variables around the front, until nothing improves.

    Single ones first, then the pairs of each member that the guess likes best, then all pairs.
    """
    rounds = ((1, 1.0), (2, PROMISING), (2, 1.0))
    done: list[set[int]] = [set() for _ in rounds]
    while True:
        members, parents = _best(explored, np.arange(len(explored.rows)))
        members = members if len(members) else parents
        left = [[m for m in members.tolist() if m not in tried] for tried in done]
        which = next((n for n, some in enumerate(left) if some), None)
        if which is None:
            return
        (depth, share), some = rounds[which], generator.permutation(left[which])[:10]
        done[which].update(some.tolist())
        near = [neighbours(explored.coordinates, explored.rows[m], depth) for m in some]
        wanted = int(share * sum(map(len, near)))
        rows = explored.fresh(np.concatenate(near))
        rows = rows[explored.sound(rows)] if len(rows) else rows
        if len(rows) and len(explored.rows):
            rows = rows[Guess(explored, members, parents, generator).order(rows)][:wanted]
        yield from (rows[n : n + FIRST_LOOK] for n in range(0, len(rows), FIRST_LOOK))


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
