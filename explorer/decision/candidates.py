"""What could be built in place of a design: those that stand, and how many parts they swap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from explorer.decision.locked_design import LockedDesign
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluation import Evaluation
from explorer.model.objectives import points_of
from explorer.model.space import Designs, Rows
from explorer.store.keys import Numbers, design_numbers
from explorer.store.standing import affordable, within_cost
from explorer.store.stored import Stored
from explorer.units import Array

BANK = "cell"
"""The link of which other pieces of the same part are another choice; elsewhere pieces follow."""


@dataclass(frozen=True)
class Candidates:
    """Designs (n,) that keep every rule and limit and can be bought.

    `points` (n, objectives) are the objectives, minimised; `delivered_J` (n,) the nominal energy,
    `promised_J` (n,) what builds promise, NaN where none were drawn. `stepped` is True where the
    numbers are those of a session.
    """

    project: Project
    designs: Designs
    numbers: Numbers
    points: Array
    delivered_J: Array
    promised_J: Array
    stepped: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.numbers)

    @classmethod
    def of_stored(cls, project: Project, stored: Stored, cost: Array) -> Candidates:
        """Those of some stored designs at some costs (n,), each once: by its session, if any."""
        able = np.flatnonzero(affordable(project, stored, cost))
        able = able[np.argsort(~stored.stepped[able], kind="stable")]
        rows = np.sort(able[np.unique(stored.numbers[able], return_index=True)[1]])
        some = stored.take(rows)
        promised = np.full(len(some), np.nan)
        return cls(
            project,
            some.designs,
            some.numbers,
            some.objectives(cost[rows]),
            some.delivered_energy_J,
            promised if some.promises is None else some.promises.energy_J,
            some.stepped,
        )

    @classmethod
    def of_sessions(cls, project: Project, found: Evaluation) -> Candidates:
        """Those of some sessions, by nominal values at the project's prices."""
        cost = costing.costs(project, found.designs)
        kept = np.all([margin >= 0 for margin in found.margins.values()], axis=0)
        rows = np.flatnonzero(kept & within_cost(project, cost))
        some = found.take(rows)
        return cls(
            project,
            some.designs,
            design_numbers(project.catalogue, some.designs),
            points_of(project, some, cost[rows]),
            some.delivered_energy_J,
            np.full(len(rows), np.nan),
            np.ones(len(rows), dtype=bool),
        )

    @cached_property
    def pieces(self) -> Mapping[str, Rows]:
        """How many pieces of each link's part they take, (n,) a link."""
        return costing.quantities(self.project.catalogue, self.designs)


@dataclass(frozen=True)
class Origin:
    """The design that is to be changed, in rows of today's tables, with its number.

    `gone` are links whose part is in no table any more: their row says nothing.
    """

    design: Designs
    number: int
    gone: frozenset[str] = frozenset()

    @classmethod
    def of(cls, project: Project, lock: LockedDesign) -> Origin:
        """A locked design."""
        rows, gone = {}, set()
        for link in LINKS:
            ids = [part.id for part in project.catalogue.parts[link]]
            known = lock.parts[link] in ids
            rows[link] = np.array([ids.index(lock.parts[link]) if known else 0])
            gone |= set() if known else {link}
        settings = {name: np.array([float(lock.settings[name])]) for name in SETTINGS}
        return cls(Designs(rows, settings), int(lock.design_id, 16), frozenset(gone))


def swapped(
    project: Project, designs: Designs, origin: Origin, pieces: Mapping[str, Rows] | None = None
) -> NDArray[np.bool_]:
    """Which links of some designs are swapped against those of another, (n, links).

    A link is swapped where its part is another one; the bank, too, where it takes another number of
    cells. Where nothing else is, a link with other pieces is.
    """
    taken = pieces or costing.quantities(project.catalogue, designs)
    own = costing.quantities(project.catalogue, origin.design)
    parts = np.stack(
        [(designs.parts[k] != origin.design.parts[k][0]) | (k in origin.gone) for k in LINKS],
        axis=1,
    )
    counts = np.stack([taken[k] != own[k][0] for k in LINKS], axis=1)
    bank = list(LINKS).index(BANK)
    parts[:, bank] |= counts[:, bank]
    return np.where(parts.any(axis=1, keepdims=True), parts, counts)
