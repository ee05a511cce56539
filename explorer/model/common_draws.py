"""Some designs in the same builds, with the numbers that these builds differ in.

The builds are those of promises (`promise.draw`): a number gives the same build everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import promise
from explorer.model.odds import BUILDS_PER_HAND
from explorer.model.rules import RULES
from explorer.model.space import Designs
from explorer.model.spreads import Spread, nominal, of_cadence, of_hand, spreads_of_part
from explorer.stopping import starting_workers
from explorer.units import Array

FARTHEST = 8.0
"""A margin counts as no farther from its limit than so many of its own spreads."""
BOUNDED_MARGIN = 1e9
"""Margins that no number describes count as this far off."""
SETTINGS_DRAWN = {
    "undervoltage_off_V": "threshold load off",
    "undervoltage_band_V": "band between load off and load on",
    "overvoltage_off_V": "threshold load cut",
}
"""Settings of which each chain has its own value that can be known. How well a hand keeps its
cadence is drawn, too, but differs from day to day: nobody knows it beforehand.
"""
CURRENT_LIMIT = Spread("current limit", "window", ("current_limit_A",), 1.0, 1.0)
"""Drawn by what the part's own row says of it."""


class Uncertain(NamedTuple):
    """A number that differs from build to build: `fields` of a part of a link, of an operator, or a
    setting (`where` as in `Spread`, `part` "" for a setting).
    """

    says: str
    where: str
    part: str
    fields: tuple[str, ...]


class CommonDraws(NamedTuple):
    """Designs (d,) in the same builds (n,).

    `energy_J` (d, n), whatever they break. `hazard_room`, `rule_room` (d, rules, n): margins of the
    hazard rules and of the others, each in its own spread, below 0 where broken; rules that no
    build of no design breaks are left out.
    `numbers` (n, k): factors of the tables' values, described by `uncertain`. `hands` (n,).
    """

    energy_J: Array
    hazard_room: Array
    rule_room: Array
    numbers: Array
    uncertain: tuple[Uncertain, ...]
    hands: NDArray[np.int64]


def common_draws(
    project: Project, designs: Designs, numbers: Iterable[int], workers: int = 1
) -> CommonDraws:
    """Some designs (d,) in some builds by the filter; numbers that do not differ are left out."""
    groups = promise.by_hand(numbers)
    shares = [groups[start::workers] for start in range(min(workers, len(groups)))]
    if len(shares) == 1:
        parts = [_some(project, designs, shares[0])]
    else:
        from joblib import Parallel, delayed

        with starting_workers():
            parts = Parallel(n_jobs=workers)(
                delayed(_some)(project, designs, some) for some in shares
            )
    order = np.argsort(np.concatenate([one.builds for one in parts]), kind="stable")
    builds = np.concatenate([one.builds for one in parts])[order]
    factors = np.concatenate([one.factors for one in parts])[order]
    margins = {
        name: np.concatenate([one.margins[name] for one in parts])[order].T
        for name in parts[0].margins
    }
    hazards = [name for name in margins if name in RULES and RULES[name].hazard]
    energy_J = np.concatenate([one.energy_J for one in parts])[order].T
    uncertain = uncertain_numbers(project, designs)
    differ = np.ptp(factors, axis=0) > 1e-9
    return CommonDraws(
        energy_J,
        _room([margins[name] for name in hazards], energy_J.shape),
        _room([m for name, m in margins.items() if name not in hazards], energy_J.shape),
        factors[:, differ],
        tuple(one for one, keep in zip(uncertain, differ, strict=True) if keep),
        builds // BUILDS_PER_HAND,
    )


def uncertain_numbers(project: Project, designs: Designs) -> tuple[Uncertain, ...]:
    """Every number that builds of some designs are drawn with."""
    return tuple(one for one, _ in _with_spreads(project, designs))


def _with_spreads(project: Project, designs: Designs) -> Iterator[tuple[Uncertain, Spread]]:
    for name in project.study.session.operators:
        for spread in of_hand(project, project.catalogue.operators[name]):
            yield Uncertain(spread.says, "operator", name, spread.fields), spread
    for link in LINKS:
        for row in np.unique(designs.parts[link]).tolist():
            part = project.catalogue.parts[link][row]
            own = (CURRENT_LIMIT,) if link == "window" else ()
            for spread in (*spreads_of_part(project, link, part), *own):
                yield Uncertain(spread.says, link, part.id, spread.fields), spread
    for name, says in SETTINGS_DRAWN.items():
        yield Uncertain(says, "settings", "", (name,)), of_cadence(project)


class _Share(NamedTuple):
    """What some builds came to: (n,) numbers, (n, d) results."""

    builds: NDArray[np.int64]
    energy_J: Array
    margins: Mapping[str, Array]
    factors: Array


def _some(project: Project, designs: Designs, groups: Sequence[Sequence[int]]) -> _Share:
    energies, factors, margins = [], [], []
    for group in groups:
        builds = promise.draw(project, designs, group)
        found = promise.of_builds(project, designs, builds)
        shape = (len(group), len(designs))
        energies.append(found.delivered_energy_J.round(1).reshape(shape))
        margins.append({name: m.reshape(shape) for name, m in found.margins.items()})
        factors.append(_factors(project, designs, builds, len(group)))
    return _Share(
        np.array(list(chain.from_iterable(groups)), dtype=np.int64),
        np.concatenate(energies),
        {name: np.concatenate([one[name] for one in margins]) for name in margins[0]},
        np.concatenate(factors),
    )


def _factors(project: Project, designs: Designs, builds: promise.Builds, count: int) -> Array:
    """What each uncertain number is in some builds, over what the tables say, (count, k)."""
    columns = []
    for one, spread in _with_spreads(project, designs):
        if one.where == "settings":
            drawn = builds.designs.settings[one.fields[0]].reshape(count, len(designs))[:, 0]
            base = float(designs.settings[one.fields[0]][0])
        elif one.where == "operator":
            person = builds.project.catalogue.operators[one.part]
            drawn = np.full(count, getattr(person, one.fields[0]))
            base = float(getattr(project.catalogue.operators[one.part], one.fields[0]))
        else:
            columns.append(_of_part(project, builds, one, spread, count))
            continue
        columns.append(drawn / base if base else np.ones(count))
    return np.column_stack(columns)


def _of_part(
    project: Project, builds: promise.Builds, one: Uncertain, spread: Spread, count: int
) -> Array:
    """Factors of a part's number (count,): of its first field that is not 0, or has a loss."""
    table = project.catalogue.parts[one.where]
    (row,) = (k for k, part in enumerate(table) if part.id == one.part)
    drawn = builds.project.catalogue.parts[one.where][row :: len(table)][:count]
    loss = spread.shape == "loss"
    for field in one.fields:
        base = nominal(table[row], field)
        if base is not None and (base not in (0.0, 1.0) if loss else base):
            values = np.array([nominal(part, field) for part in drawn], dtype=float)
            return np.asarray((1 - values) / (1 - base) if loss else values / base)
    return np.ones(count)


def _room(margins: Sequence[Array], shape: tuple[int, ...]) -> Array:
    """Those of some margins (d, n) that any build breaks, each in its own spread: (d, rules, n)."""
    rooms = [np.empty((0, *shape))]
    for margin in margins:
        margin = np.clip(margin, -BOUNDED_MARGIN, BOUNDED_MARGIN)
        if (margin >= 0).all():
            continue
        low, high = np.quantile(margin, (0.25, 0.75), axis=1, keepdims=True)
        scaled = margin / np.where(high > low, high - low, 1e-12)
        rooms.append(np.clip(scaled, -FARTHEST, FARTHEST)[None])
    return np.moveaxis(np.concatenate(rooms), 0, 1)
