"""The links of the chain from hand to pack, in order: one row a link.

To add a link, add its row, its record in `records`, its physics and its losses. What was written
before the link existed (a study's tables, a store, a lock) is read as if it had chosen the row's
`default`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from explorer.inputs.back_parts import Cell, Clamp, Converter, PackLead, Window
from explorer.inputs.front_parts import Crank, Gearing, Generator, Lead, Rectifier
from explorer.inputs.records import Part
from explorer.units import Array


class Chosen(Protocol):
    """What some designs (n,) have chosen."""

    def part(self, link: str, field: str) -> Array:
        """A field or property of the chosen part of a link, (n,)."""
        ...

    def setting(self, name: str) -> Array:
        """A setting, (n,)."""
        ...


Pieces = Callable[[Chosen], Array | float]


def _one(_chosen: Chosen) -> float:
    return 1.0


def _valves(chosen: Chosen) -> Array:
    return chosen.part("generator", "valves")


def _cells(chosen: Chosen) -> Array:
    return chosen.setting("cells_series") * chosen.setting("cells_parallel")


def _clamps(chosen: Chosen) -> Array:
    by_cell = chosen.part("clamp", "by_cell") > 0
    return np.where(by_cell, chosen.setting("cells_series"), 1.0)


@dataclass(frozen=True)
class Link:
    """One link of the chain.

    `front`: left of the bus, so that its curves are solved with the generator's. `record`: the row
    of its table. `pieces`: how many pieces of its part a design takes, (n,) or one number for all.
    `shaft_drag`: its `drag_torque_N_m` is felt at the generator's shaft; only for a front link.
    `mounted_on`: what the build sheet says that it is mounted on; empty where the sheet has words
    of its own for it.
    `default`: the part of what was written before the link existed; None where every study has the
    link's table.
    """

    name: str
    record: type[Part]
    front: bool
    pieces: Pieces = _one
    shaft_drag: bool = False
    mounted_on: str = ""
    default: Part | None = None

    @property
    def table(self) -> str:
        """File stem of its table."""
        return f"{self.name}s"

    @property
    def default_id(self) -> str | None:
        """Id of its `default`."""
        return None if self.default is None else self.default.id


LINKS: dict[str, Link] = {
    link.name: link
    for link in (
        Link("crank", Crank, front=True),
        Link("gearing", Gearing, front=True),
        Link("generator", Generator, front=True, shaft_drag=True),
        Link("lead", Lead, front=True, shaft_drag=True),
        Link("rectifier", Rectifier, front=True, pieces=_valves),
        Link("cell", Cell, front=False, pieces=_cells),
        Link("clamp", Clamp, front=False, pieces=_clamps),
        Link("window", Window, front=False),
        Link("converter", Converter, front=False),
        Link("pack_lead", PackLead, front=False),
    )
}
"""Links by name."""

FRONT_LINKS = tuple(name for name, link in LINKS.items() if link.front)
BACK_LINKS = tuple(name for name, link in LINKS.items() if not link.front)


def shaft_drag_N_m(part: Callable[[str, str], Array]) -> Array:
    """Static drag at the generator's shaft, N m, (n,): that of every link which says so.

    `part` gives a field (n,) of the chosen part of a link.
    """
    draggers = [name for name, link in LINKS.items() if link.shaft_drag]
    return np.asarray(sum(part(name, "drag_torque_N_m") for name in draggers))
