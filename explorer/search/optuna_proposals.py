"""Designs that an Optuna sampler proposes.

The project's store is the record; no history lives in Optuna. A sampler is seeded with designs
known before, at today's prices, and given the results of each batch.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.sections import Search
from explorer.model import objectives
from explorer.search.archive import Archive
from explorer.search.coordinates import Coordinates
from explorer.units import Array

if TYPE_CHECKING:
    import optuna

PROPOSED_AT_ONCE = 100
"""Designs that Optuna proposes at the most before it is given results."""
SEEDS = 200
"""Designs known before that Optuna starts from at the most: it costs milliseconds a trial."""
REPEATS = 20
"""Batches without anything new after which a sampler has nothing more to propose."""


class Proposals:
    """Batches of coordinates from an Optuna sampler, which gets each batch's results."""

    def __init__(self, archive: Archive, batch: int) -> None:
        self._batches = _propose(archive, batch)

    @property
    def state(self) -> dict[str, Any]:
        """Nothing: what a sampler holds cannot be kept, so it is asked from the beginning."""
        return {}

    def propose(self) -> Array | None:
        """The next batch, None at the end."""
        return next(self._batches, None)


def _propose(archive: Archive, batch: int) -> Iterator[Array]:
    """Batches of coordinates from an Optuna sampler, which gets each batch's results."""
    import optuna

    optuna.logging.set_verbosity(optuna.logging.WARNING)
    coordinates = archive.coordinates
    options = archive.project.study.search
    distributions = _distributions(coordinates)
    study = optuna.create_study(
        directions=["minimize"] * len(objectives.OBJECTIVES), sampler=_sampler(options)
    )
    _seed(study, archive, distributions)
    empty = 0
    while empty < REPEATS:
        trials = [study.ask(distributions) for _ in range(min(batch, PROPOSED_AT_ONCE))]
        rows = coordinates.settled(
            np.array([[t.params[name] for name in coordinates.names] for t in trials], float)
        )
        before = archive.evaluations
        yield rows[archive.passes_screen(rows)]
        empty = 0 if archive.evaluations > before else empty + 1
        where = {row.tobytes(): number for number, row in enumerate(archive.rows)}
        for trial, row in zip(trials, rows, strict=True):
            number = where.get(row.tobytes())
            if number is None:
                study.tell(trial, state=optuna.trial.TrialState.FAIL)
                continue
            trial.set_constraint("rules", float(archive.violations[number]))
            study.tell(trial, archive.points[number].tolist())


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


def _sampler(options: Search) -> optuna.samplers.BaseSampler:
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


def _seed(study: optuna.Study, archive: Archive, distributions: dict[str, Any]) -> None:
    """Start from the front that is known, at today's prices."""
    import optuna

    numbers = archive.front_rows()
    if len(numbers) > SEEDS:
        numbers = numbers[np.linspace(0, len(numbers) - 1, SEEDS).astype(np.intp)]
    for number in numbers:
        row = archive.rows[number]
        params = {
            name: float(v) if not archive.coordinates.count(name) else int(v)
            for name, v in zip(archive.coordinates.names, row, strict=True)
        }
        trial = optuna.trial.create_trial(
            params=params,
            distributions=distributions,
            values=archive.points[number].tolist(),
            constraints={"rules": float(archive.violations[number])},
        )
        study.add_trial(trial)
