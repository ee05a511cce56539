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

from explorer import constraints, costing, front
from explorer.chain import Chain
from explorer.config import Project
from explorer.demand import demand
from explorer.evaluate import HOPELESS, Evaluation, evaluate
from explorer.parts import LINKS, SETTINGS
from explorer.space import Designs, Rows, Space, plain_setting
from explorer.supply import Halves
from explorer.units import Array

if TYPE_CHECKING:
    import optuna

PROPOSED_SHARE = 0.1
"""Share of the evaluations that Optuna proposes; the polish has the rest (see tests/bench)."""
GENERATION = 100
"""Designs that are proposed before what the last ones told is looked at."""
LEARNING, LEAST_WORTH = 0.3, 0.05
"""How fast a way of proposing is judged anew, and what even the worst is worth."""
ISLAND_SHARE = 0.25
"""Of the batches, at least so many look beside the front, whatever they found there lately."""
PRESENT_WORTH = 0.1
"""How much less a part that is on the front already is looked at there."""
CHANGED_SHARE = 0.3
"""Crossings in which one variable is changed besides."""
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

    def settled(self, rows: Array) -> Array:
        """Rows with continuous values as a design keeps them, to six digits."""
        rows = rows.copy()
        for place, name in enumerate(self.names):
            if not self.count(name):
                rows[:, place] = [plain_setting(name, value) for value in rows[:, place].tolist()]
        return rows

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


Covered = Callable[[Designs], NDArray[np.bool_]]
"""Which designs a sweep has evaluated already, (n,)."""


def nothing(designs: Designs) -> NDArray[np.bool_]:
    """No sweep has been there."""
    return np.zeros(len(designs), dtype=bool)


class Explored:
    """Everything evaluated so far, and the front of it at today's prices."""

    def __init__(self, project: Project, space: Space, covered: Covered = nothing) -> None:
        self.project, self.coordinates, self.covered = project, Coordinates(space), covered
        self.known: set[bytes] = set()
        self.rows = np.empty((0, len(self.coordinates.names)))
        self.points = np.empty((0, 4))
        self.violations = np.empty(0)
        self.evaluations = 0

    def fresh(self, rows: Array) -> Array:
        """The settled rows that were never evaluated, each once, in order."""
        rows = self.coordinates.settled(rows)
        keys = [row.tobytes() for row in rows]
        new = {key: number for number, key in reversed(list(enumerate(keys)))}
        rows = rows[sorted(number for key, number in new.items() if key not in self.known)]
        return rows[~self.covered(self.coordinates.designs(rows))] if len(rows) else rows

    def sound(self, rows: Array) -> NDArray[np.bool_]:
        """Where no rule is broken that needs neither the curves of a chain nor its session.

        What breaks one, or the limits on mass and cost, is infeasible beyond doubt and not worth an
        evaluation.
        """
        project, designs = self.project, self.coordinates.designs(rows)
        study, catalogue = project.study, project.catalogue
        kept = np.ones(len(rows), dtype=bool)
        margins = []
        if study.limits.cost is not None:
            margins.append(study.limits.cost - costing.costs(project, designs))
        if study.limits.mass_kg is not None:
            margins.append(study.limits.mass_kg - costing.mass_kg(catalogue, designs))
        crowd = {
            name: Halves.of(
                catalogue, designs, catalogue.operators[name], 60 * study.session.minutes,
                study.session.winding_C,
            )
            for name in study.session.operators
        }  # fmt: skip
        for halves in crowd.values():
            margins += constraints.unloaded_margins(project, halves).values()
        for pack_id in study.session.packs:
            need = demand(catalogue, designs, catalogue.packs[pack_id])
            margins += constraints.back_margins(project, designs, need).values()
            # Too fast without a load: asks nothing of the curves, which cost the most.
            chain = Chain(None, np.arange(len(rows)), need)  # type: ignore[arg-type]
            for halves in crowd.values():
                fast = constraints.overspeed_margins(project, designs, chain, halves)
                margins += fast.values()
        for margin in margins:
            kept &= margin >= 0
        return kept

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


def polish(explored: Explored, generator: np.random.Generator) -> Iterator[Array]:
    """Small batches around the front: substitutions of one and two variables, and crossings, also
    among the best designs with each part.

    Each way of proposing is used the more, the more of its designs reached the front lately. Ends
    when all single and pairwise substitutions of the front are known and crossing brings nothing.
    """
    ways = (_Substitutions(1), _Substitutions(2), _Crossings(), _Islands())
    worth, empty = np.ones(len(ways)), 0.0
    while empty < REPEATS:
        members = explored.front_rows()
        if not members.size and len(explored.violations):
            members = np.argsort(explored.violations, kind="stable")[:20]
        open_ = np.array([way.left(members) for way in ways])
        share = np.where(open_, np.maximum(worth, LEAST_WORTH), 0.0)
        if not open_.any():
            return
        share = (1 - ISLAND_SHARE) * share / share.sum()
        share[-1] += ISLAND_SHARE
        number = generator.choice(len(ways), p=share / share.sum())
        rows = explored.fresh(ways[number].rows(explored, members, generator))
        rows = rows[explored.sound(rows)] if len(rows) else rows
        before = len(explored.rows)
        for start in range(0, len(rows), GENERATION):
            yield rows[start : start + GENERATION]
        gained = np.count_nonzero(explored.front_rows() >= before)
        tried = len(explored.rows) - before
        if tried:
            worth[number] += LEARNING * (gained / tried - worth[number])
        empty = 0 if tried else empty + (0.1 if number == len(ways) - 1 else 1)


class _Substitutions:
    """All rows that differ from a member of the front in so many variables, new members first."""

    def __init__(self, depth: int) -> None:
        self.depth = depth
        self.done: set[int] = set()

    def left(self, members: Rows) -> bool:
        """Whether there is a member that was not tried yet."""
        return not self.done.issuperset(members.tolist())

    def rows(self, explored: Explored, members: Rows, generator: np.random.Generator) -> Array:
        """The substitutions of some members that were not tried yet."""
        open_ = [m for m in members.tolist() if m not in self.done]
        chosen = generator.permutation(open_)[: 4 if self.depth == 1 else 1]
        self.done.update(chosen.tolist())
        near = [neighbours(explored.coordinates, explored.rows[m], self.depth) for m in chosen]
        return generator.permutation(np.concatenate(near))


class _Crossings:
    """Members of the front whose variables come from two of them, now and then one changed."""

    def left(self, members: Rows) -> bool:
        """Two are needed."""
        return len(members) > 1

    def rows(self, explored: Explored, members: Rows, generator: np.random.Generator) -> Array:
        """As many as fill a generation when some of them are known."""
        return _crossed(explored, members, generator, CHANGED_SHARE)


class _Islands(_Crossings):
    """Crossings among the best designs with one certain part, on the front or not.

    Another generator may need another gearing and clamp to be any good: designs that are beaten
    today lead to members of the front that no substitution around it reaches.
    """

    def __init__(self) -> None:
        self.tries: dict[tuple[int, int], int] = {}

    def rows(self, explored: Explored, members: Rows, generator: np.random.Generator) -> Array:
        """Crossings of designs with a part in common, parts that the front lacks first."""
        parts = [
            (place, row)
            for place, link in enumerate(LINKS)
            for row in range(explored.coordinates.count(link))
        ]
        present = {place: set(explored.rows[members, place]) for place in range(len(LINKS))}
        wanted = [PRESENT_WORTH if row in present[place] else 1.0 for place, row in parts]
        rare = wanted / (1.0 + np.array([self.tries.get(part, 0) for part in parts]))
        place, row = parts[int(generator.choice(len(parts), p=rare / rare.sum()))]
        self.tries[place, row] = self.tries.get((place, row), 0) + 1
        mine = np.flatnonzero(explored.rows[:, place] == row)
        feasible = mine[explored.violations[mine] == 0]
        if feasible.size:
            best = feasible[front.non_dominated(explored.points[feasible])]
        else:
            best = mine[np.argsort(explored.violations[mine], kind="stable")[:20]]
        if best.size:
            return _crossed(explored, best, generator, 0.5)
        drawn = explored.coordinates.rows(
            explored.coordinates.space.draw(3 * GENERATION, generator)
        )
        drawn[:, place] = row
        return drawn


def _crossed(
    explored: Explored, parents: Rows, generator: np.random.Generator, changed: float
) -> Array:
    """New designs from two parents each, a share of them with one variable changed."""
    names = explored.coordinates.names
    shape = (3 * GENERATION, len(names))
    one, other = (explored.rows[generator.choice(parents, shape[0])] for _ in range(2))
    child = np.where(generator.random(shape) < 0.5, one, other)
    place = generator.integers(0, shape[1], shape[0])
    for row in np.flatnonzero(generator.random(shape[0]) < changed):
        others = _substitutes(explored.coordinates, names[place[row]], child[row, place[row]])
        if others.size:
            child[row, place[row]] = generator.choice(others)
    fresh = explored.fresh(child)
    return fresh[explored.sound(fresh)][:GENERATION] if len(fresh) else fresh


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
