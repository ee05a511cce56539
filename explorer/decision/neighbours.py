"""Designs a change or two away from one: set otherwise, with one part swapped, with two.

The search's filter looks at all of them and proposes some; what comes back was stepped.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from explorer.decision.advice import MOST_SWAPPED
from explorer.decision.candidates import Origin, swapped
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project
from explorer.model import costing, doubt
from explorer.model.bounds import goal_units
from explorer.model.evaluation import Evaluation
from explorer.model.objectives import points_of
from explorer.model.space import Designs, Rows, Space, plain_setting
from explorer.store.standing import within_cost
from explorer.units import Array

FINE_VALUES = (41, 21, 11, 5)
"""Values of a continuous setting when a design is turned differently, the most that will do."""
MOST_TURNED = 4000
"""Designs of one bill that the filter looks at."""
BEST = 16
"""Designs stepped by their worth, by each objective half as many, of each number of swaps."""


def stepped_around(project: Project, origin: Origin) -> Evaluation:
    """Sessions of the designs around one that may be worth a change, itself among them."""
    from explorer.model.evaluate import evaluate
    from explorer.model.stepped import sessions_of

    around = designs_around(project, origin)
    cost = costing.costs(project, around)
    around = around.take(within_cost(project, cost))
    found = evaluate(project, around) if len(around) else None
    rows = np.zeros(0, np.int64) if found is None else worth_stepping(project, found, origin)
    return sessions_of(project, Designs.concatenate([origin.design, around.take(rows)]))


def designs_around(project: Project, origin: Origin) -> Designs:
    """Every design with at most two parts swapped at the values that a sweep visits, and with its
    own parts at finer ones, (n,).
    """
    coarse = _values(project, origin, 0)
    sets = [_with_parts(origin, {}, _fine_grid(project, origin))]
    choices = {
        link: rows[rows != origin.design.parts[link][0]]
        for link, rows in Space.of(project).choices.items()
    }
    grid = _grid(coarse)
    for count in range(1, MOST_SWAPPED + 1):
        for links in combinations(LINKS, count):
            several = np.meshgrid(*(choices[link] for link in links), indexing="ij")
            parts = {link: one.reshape(-1) for link, one in zip(links, several, strict=True)}
            sets.append(_with_parts(origin, parts, grid))
    # Another number of cells is a swap of the bank.
    sets.append(_with_parts(origin, {}, grid))
    every = Designs.concatenate(sets)
    return every.take(swapped(project, every, origin).sum(axis=1) <= MOST_SWAPPED)


def worth_stepping(project: Project, found: Evaluation, origin: Origin) -> Rows:
    """Rows of what the filter found that may be worth a change: of each number of swaps those of
    most worth and the best of each objective, and of each part the best that it is in.
    """
    may = np.flatnonzero(doubt.may_keep(found.margins))
    designs = found.designs
    points = points_of(project, found, costing.costs(project, designs))
    links = swapped(project, designs, origin)
    swaps, worth = links.sum(axis=1), -(points / goal_units(project)).sum(axis=1)
    chosen: list[Rows] = []
    for count in range(MOST_SWAPPED + 1):
        rows = may[swaps[may] == count]
        chosen.append(rows[np.argsort(-worth[rows], kind="stable")][:BEST])
        for column in points[rows].T:
            order = np.lexsort((-worth[rows], column))
            chosen.append(rows[order][: BEST // 2])
        if count == 1:
            chosen += _best_of_each_part(designs, links, rows, worth)
    return np.unique(np.concatenate(chosen))


def _best_of_each_part(
    designs: Designs, links: NDArray[np.bool_], rows: Rows, worth: Array
) -> Iterator[Rows]:
    """Of rows with one part swapped the one of most worth for each part."""
    order = rows[np.argsort(-worth[rows], kind="stable")]
    for place, link in enumerate(LINKS):
        mine = order[links[order, place]]
        yield mine[np.unique(designs.parts[link][mine], return_index=True)[1]]


def _with_parts(origin: Origin, parts: Mapping[str, Rows], grid: Array) -> Designs:
    """Designs with some links' parts replaced, (k,) rows a link, each at all settings of a grid."""
    count = len(next(iter(parts.values()))) if parts else 1
    own = origin.design.parts
    return Designs(
        {
            link: np.repeat(parts[link], len(grid))
            if link in parts
            else np.repeat(own[link], count * len(grid))
            for link in LINKS
        },
        {name: np.tile(grid[:, place], count) for place, name in enumerate(SETTINGS)},
    )


def _fine_grid(project: Project, origin: Origin) -> Array:
    """Settings for the own parts: as fine as `MOST_TURNED` allows, other cells aside."""
    for points in FINE_VALUES:
        grid = _grid(_values(project, origin, points))
        if len(grid) <= MOST_TURNED:
            break
    return grid


def _values(project: Project, origin: Origin, points: int) -> list[Sequence[float]]:
    """Values of each setting, the design's own among them; of a continuous range so many, or with 0
    those that a sweep visits.
    """
    found: list[Sequence[float]] = []
    for name in SETTINGS:
        own = float(origin.design.settings[name][0])
        offered = _offered(project.study.settings[name], points)
        # Of values that are written alike the design's own counts.
        by_word = {plain_setting(name, value): value for value in (*offered, own)}
        found.append(sorted(by_word.values()))
    return found


def _offered(setting: Setting, points: int) -> Sequence[float]:
    """Values of a setting; of a continuous range whole numbers or tenths where these suffice."""
    if not points or not setting.continuous:
        return setting.values
    for step in (0.1, 1.0):
        first, last = np.ceil(setting.low / step), np.floor(setting.high / step)
        if 1 < last - first + 1 <= points:
            even = (np.arange(first, last + 1) * step).round(6).tolist()
            return [*even, *setting.values]
    return [*np.linspace(setting.low, setting.high, points).tolist(), *setting.values]


def _grid(values: Sequence[Sequence[float]]) -> Array:
    """All combinations of some values, (n, settings)."""
    several = np.meshgrid(*(np.array(one, dtype=float) for one in values), indexing="ij")
    return np.stack([one.reshape(-1) for one in several], axis=1)
