"""What earlier sweeps have covered, as boxes of choices, and what of a space is left to do.

A box allows some parts a link and some values a setting, and holds every combination of them.
Parts count by their id and their physics: a changed row is a new part.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import prod
from typing import Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.sections import Limits, Setting
from explorer.inputs.study import Project
from explorer.model.space import Space

Box = Mapping[str, Sequence[Any]]
"""Link -> names of parts, setting -> values."""
NAMES = (*LINKS, *SETTINGS)


def box_of(project: Project, space: Space) -> Box:
    """A space as a box; a part stands as its id and the hash of its physics."""
    catalogue = project.catalogue
    box: dict[str, Sequence[Any]] = {}
    for link in LINKS:
        ids = [catalogue.parts[link][row].id for row in space.choices[link]]
        box[link] = tuple(f"{name} {catalogue.row_hashes[link][name]}" for name in ids)
    return box | {name: tuple(space.settings[name].values) for name in SETTINGS}


def space_of(project: Project, box: Box) -> Space:
    """The space of a box; all its parts stand in today's tables."""
    places = {
        link: {part.id: row for row, part in enumerate(project.catalogue.parts[link])}
        for link in LINKS
    }
    return Space(
        {link: np.array([places[link][name.split()[0]] for name in box[link]]) for link in LINKS},
        {name: Setting.model_validate([float(v) for v in box[name]]) for name in SETTINGS},
    )


def size(box: Box) -> int:
    """How many combinations a box holds.

    >>> size({name: (1, 2) for name in NAMES}) == 2 ** len(NAMES)
    True
    """
    return prod(len(box[name]) for name in NAMES)


def overlap(one: Box, other: Box) -> Box | None:
    """What two boxes share, None when nothing."""
    common = {name: tuple(v for v in one[name] if v in set(other[name])) for name in NAMES}
    return common if all(common.values()) else None


def without(box: Box, other: Box) -> list[Box]:
    """The part of a box outside another one, as boxes that do not overlap."""
    inside = overlap(box, other)
    if inside is None:
        return [box]
    pieces: list[Box] = []
    for number, name in enumerate(NAMES):
        rest = tuple(value for value in box[name] if value not in set(inside[name]))
        if rest:
            before = {earlier: inside[earlier] for earlier in NAMES[:number]}
            pieces.append({**box, **before, name: rest})
    return pieces


def difference(box: Box, others: Iterable[Box]) -> list[Box]:
    """The part of a box outside all others, as boxes that do not overlap; largest are cut first."""
    left = [box]
    for other in sorted(others, key=size, reverse=True):
        left = [piece for one in left for piece in without(one, other)]
    return left


def still_holds(swept: Mapping[str, float | None], now: Limits) -> bool:
    """Whether what a sweep kept under some limits serves under today's.

    Limits on what is kept apart by dominance may have become tighter: whatever a dropped design
    fulfils, the one that beat it fulfils as well. The time of the first charge is not among these.
    """

    def tighter(name: str, sign: float) -> bool:
        old, new = swept.get(name), getattr(now, name)
        return old is None or (new is not None and sign * new <= sign * old)

    return (
        swept.get("first_charge_s") == now.first_charge_s
        and tighter("mass_kg", 1.0)
        and tighter("crank_effort_percent", 1.0)
        and tighter("delivered_energy_J", -1.0)
    )
