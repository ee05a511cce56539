"""Designs a change or two away from one: set otherwise, with one part swapped, with two.

The search's filter looks at all of them and proposes some; what comes back was stepped.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from math import prod

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
MOST_SET, LEAST_SET = 64, 4
"""Combinations of settings with which other parts are tried; with very many parts fewer."""
MOST_NEAR = 24_000
"""Designs with one part swapped that the filter looks at, and with two: some seconds each."""
BEST = 16
"""Designs stepped by their worth, by each objective half as many, of each number of swaps."""

Choices = Mapping[str, Rows]
"""Link -> rows of the parts that may take the place of the own one."""


def stepped_around(project: Project, origin: Origin) -> Evaluation:
    """Sessions of the designs around one that may be worth a change, itself first."""
    from explorer.model.stepped import sessions_of

    choices, grid = _choices(project, origin), _coarse_grid(project, origin)
    near = _filtered(project, near_designs(project, origin, choices, grid))
    choices = for_pairs(project, origin, choices, len(grid), near)
    far = _filtered(project, pairs(project, origin, choices, grid))
    found = [one for one in (near, far) if one is not None]
    chosen = [one.designs.take(worth_stepping(project, one, origin)) for one in found]
    return sessions_of(project, Designs.concatenate([origin.design, *chosen]))


def designs_around(project: Project, origin: Origin) -> Designs:
    """Every design with at most two parts swapped at the values that a sweep visits, and with its
    own parts at finer ones, (n,); without the bounds that very many parts have.
    """
    choices, grid = _choices(project, origin), _coarse_grid(project, origin)
    near = near_designs(project, origin, choices, grid)
    return Designs.concatenate([near, pairs(project, origin, choices, grid)])


def near_designs(project: Project, origin: Origin, choices: Choices, grid: Array) -> Designs:
    """The own parts set otherwise, and one part swapped at all settings of a grid."""
    sets = [_with_parts(origin, {}, _fine_grid(project, origin)), _with_parts(origin, {}, grid)]
    sets += [_with_parts(origin, {link: rows}, grid) for link, rows in choices.items()]
    return _few_swaps(project, origin, Designs.concatenate(sets))


def pairs(project: Project, origin: Origin, choices: Choices, grid: Array) -> Designs:
    """Two parts swapped at all settings of a grid."""
    sets = []
    for links in combinations(choices, MOST_SWAPPED):
        several = np.meshgrid(*(choices[link] for link in links), indexing="ij")
        parts = {link: one.reshape(-1) for link, one in zip(links, several, strict=True)}
        sets.append(_with_parts(origin, parts, grid))
    return _few_swaps(project, origin, Designs.concatenate(sets))


def for_pairs(
    project: Project, origin: Origin, choices: Choices, settings: int, near: Evaluation | None
) -> Choices:
    """Parts of which pairs are tried: all, or with very many those of each link that are worth most
    when swapped alone.
    """
    if near is None or _count(choices) * settings <= MOST_NEAR:
        return choices
    cost = costing.costs(project, near.designs)
    worth = -(points_of(project, near, cost) / goal_units(project)).sum(axis=1)
    worth = np.where(doubt.may_keep(near.margins), worth, -np.inf)
    alone = swapped(project, near.designs, origin).sum(axis=1) == 1
    ranked = {}
    for link, rows in choices.items():
        there = near.designs.parts[link]
        best = [worth[alone & (there == row)].max(initial=-np.inf) for row in rows.tolist()]
        ranked[link] = rows[np.argsort(-np.array(best), kind="stable")]
    for most in range(max(map(len, choices.values())), 0, -1):
        few = {link: rows[:most] for link, rows in ranked.items()}
        if _count(few) * settings <= MOST_NEAR:
            break
    return few


def _count(choices: Choices) -> int:
    """How many pairs of parts of two links there are."""
    return sum(len(choices[a]) * len(choices[b]) for a, b in combinations(choices, 2))


def _choices(project: Project, origin: Origin) -> Choices:
    own = origin.design.parts
    every = Space.of(project).choices
    return {k: rows[(rows != own[k][0]) | (k in origin.gone)] for k, rows in every.items()}


def _few_swaps(project: Project, origin: Origin, designs: Designs) -> Designs:
    """Those with no more swaps than count; another number of cells is a swap of the bank."""
    few = swapped(project, designs, origin).sum(axis=1) <= MOST_SWAPPED
    return designs.take(few)


def _filtered(project: Project, designs: Designs) -> Evaluation | None:
    """What the filter makes of those that can be bought within the study's limit; None of none."""
    from explorer.model.evaluate import evaluate

    some = designs.take(within_cost(project, costing.costs(project, designs)))
    return evaluate(project, some) if len(some) else None


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
    """Settings for the own parts: as fine as `MOST_TURNED` allows."""
    for points in FINE_VALUES:
        values = _values(project, origin, points)
        if prod(map(len, values)) <= MOST_TURNED:
            break
    return _grid(_thinned(values, origin, MOST_TURNED))


def _coarse_grid(project: Project, origin: Origin) -> Array:
    """Settings for other parts: those that a sweep visits, with very many fewer."""
    parts = sum(map(len, project.study.choices.values()))
    most = int(np.clip(MOST_NEAR // parts, LEAST_SET, MOST_SET))
    return _grid(_thinned(_values(project, origin, 0), origin, most))


def _thinned(values: Sequence[Sequence[float]], origin: Origin, most: int) -> list[Sequence[float]]:
    """Values of each setting with every other one of the longest left out until they make at most
    so many combinations; the design's own stay.
    """
    found = [list(one) for one in values]
    own = [float(origin.design.settings[name][0]) for name in SETTINGS]
    while prod(map(len, found)) > most and max(map(len, found)) > 1:
        longest = max(range(len(found)), key=lambda place: len(found[place]))
        first = found[longest].index(own[longest]) % 2
        found[longest] = found[longest][first::2]
    return list(found)


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
