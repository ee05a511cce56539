"""Searching what cannot be swept: Optuna proposes, the best of it is bred, a polish ends it.

The project's store is the record; no history lives in Optuna. It is seeded with designs known
before at today's prices and told what the vectorised model finds. Then the front is bred: of many
crossings those are evaluated that look best by a guess from what was evaluated before, now and then
among the designs with one certain part only, since another generator may need another gearing and
clamp to be any good. The polish tries all substitutions around the front. A design is never
evaluated twice.
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
ISLANDS = 1 / 3
"""Share of the generations that look among the designs with one value of one variable only."""
PARENTS = 100
"""Designs to breed from, at the least."""
TAUGHT = 1000
"""Designs to guess from, at the most: it takes time with the third power of them."""
REACH, NOISE = 10.0, 0.01
"""How many differences make two designs strangers to the guess, and the share that it leaves
unexplained.
"""
HOPE, CAUTION = 0.5, 0.1
"""Standard deviations by which a guessed objective is taken for better, and the share of the
front's extent that halving the chance to break no rule outweighs (times ln 2).
"""
PROMISING = 0.1
"""Share of a member's pairwise substitutions that the polish tries before all others."""
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
        self.broken = np.empty((0, 0), dtype=bool)
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
        rules = np.stack(broken, axis=1) > 0
        self.broken = np.concatenate([self.broken, rules]) if len(self.broken) else rules
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
        count = max(GENERATION, int(GROWTH * explored.evaluations))
        island = _island(explored, generator) if generator.random() < ISLANDS else None
        inside = np.arange(before)
        if island is not None:
            inside = np.flatnonzero(explored.rows[:, island[0]] == island[1])
        members, parents = _best(explored, inside)
        pool = _crossed(explored, parents, POOL * count, generator)
        if island is not None:
            pool[:, island[0]] = island[1]
        pool = explored.fresh(pool)
        pool = pool[explored.sound(pool)] if len(pool) else pool
        if len(pool) > count:
            order = Guess(explored, members, parents, generator).order(pool)
            bold = int(BOLD * count)
            others = generator.permutation(order[bold:])[: count - bold]
            pool = pool[np.concatenate([order[:bold], others])]
        yield pool
        empty = 0 if len(explored.rows) > before else empty + 1


def _island(explored: Explored, generator: np.random.Generator) -> tuple[int, int]:
    """The place of a variable and one of its values, the less tried the more often."""
    counts = [explored.coordinates.count(name) for name in explored.coordinates.names]
    values = [(place, value) for place, n in enumerate(counts) if n > 1 for value in range(n)]
    tried = [np.count_nonzero(explored.rows[:, place] == value) for place, value in values]
    rare = 1.0 / (1.0 + np.array(tried))
    return values[int(generator.choice(len(values), p=rare / rare.sum()))]


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


class Guess:
    """What designs will turn out to be, from those that were evaluated: a Gaussian process.

    Designs are the more alike the more values they share. The chance to break each rule is guessed
    from designs with and without, the objectives from feasible designs only: those of the others
    mean little. Formulas 2.25 and 2.26 of Rasmussen and Williams, Gaussian Processes for Machine
    Learning (2006).
    """

    def __init__(
        self, explored: Explored, members: Rows, parents: Rows, generator: np.random.Generator
    ) -> None:
        """To be better than some members of a front, from their parents and other designs."""
        from scipy.linalg import cho_solve

        others = np.setdiff1d(np.arange(len(explored.rows)), parents)
        late, early = others[-TAUGHT // 2 :], generator.permutation(others[: -TAUGHT // 2])
        taught = np.concatenate([parents, late, early])[:TAUGHT]
        self.coordinates, self.members = explored.coordinates, explored.points[members]
        self.shared = self._values(explored.rows[taught])
        alike = self._alike(self.shared)
        alike[np.diag_indices_from(alike)] += NOISE
        broken = explored.broken[taught].astype(float)
        self.usual = broken.mean(axis=0)
        lower = np.linalg.cholesky(alike)
        self.rules = cho_solve((lower, True), broken - self.usual)
        self.feasible = explored.violations[taught] == 0
        if len(members):
            points = explored.points[taught[self.feasible]]
            self.mean, spread = points.mean(axis=0), points.std(axis=0)
            self.spread = np.where(spread > 0, spread, 1.0)
            self.lower = np.linalg.cholesky(alike[np.ix_(self.feasible, self.feasible)])
            self.objectives = cho_solve((self.lower, True), (points - self.mean) / self.spread)

    def _values(self, rows: Array) -> Array:
        """A column for each value of each variable, 1 where a row has it; continuous ones lie
        between two of their sweep points.
        """
        columns = []
        for column, name in zip(rows.T, self.coordinates.names, strict=True):
            count = self.coordinates.count(name)
            points = np.arange(count) if count else self.coordinates.space.settings[name].values
            columns += [np.interp(column, points, one) for one in np.eye(len(points))]
        return np.stack(columns, axis=1)

    def _alike(self, values: Array) -> Array:
        """How alike designs are to those known, from 0 for strangers to 1 for the same."""
        variables = len(self.coordinates.names)
        return np.asarray(np.exp((values @ self.shared.T - variables) / REACH))

    def order(self, rows: Array) -> Rows:
        """Numbers of some designs, the most promising first.

        That is, those that are beaten by the least share of the front's extent, with some hope and
        at the cost of the risk to break a rule.
        """
        from scipy.linalg import solve_triangular

        alike = self._alike(self._values(rows))
        broken = alike @ self.rules + self.usual
        loss = -CAUTION * np.log(np.clip(1 - broken, 0.01, 1.0)).sum(axis=1)
        if len(self.members):
            alike = alike[:, self.feasible]
            known = (solve_triangular(self.lower, alike.T, lower=True) ** 2).sum(axis=0)
            hope = HOPE * np.sqrt(np.clip(1 - known, 0.0, 1.0))
            points = self.mean + self.spread * (alike @ self.objectives - hope[:, None])
            extent = np.ptp(self.members, axis=0)
            extent[extent == 0] = 1.0
            behind = np.full(len(rows), -1.0)
            for member in self.members:
                np.maximum(behind, ((points - member) / extent).min(axis=1), out=behind)
            loss += behind
        # Rounded, so that designs that look the same stay in order whatever the last bits are.
        return np.argsort(loss.round(9), kind="stable")


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
        if len(rows):
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
