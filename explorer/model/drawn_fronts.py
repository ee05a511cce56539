"""Front halves of builds: tables of machines between a few that are solved once for all builds.

How far a machine may be drawn follows from its spreads, so that a build's tables depend on nothing
but the build, whichever others are looked at beside it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from explorer.inputs.records import Part
from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model.kernels import records
from explorer.model.kernels.machine import COARSE, Machines, tabulate
from explorer.model.kernels.records import Records
from explorer.model.similar import Between
from explorer.model.space import Designs, Rows
from explorer.model.spreads import nominal, spreads_of_part

ENDS = (0.001, 0.999)
"""Shares of what may be drawn between which tables are solved; even spreads end there."""
OF_MACHINE = ("generator", "lead", "rectifier")
MOST_KEPT = 512
"""Machines and speeds of which a process keeps what lies between."""


def drawn_fronts(project: Project, designs: Designs, drawn: Project, builds: Designs) -> rows.Rowed:
    """Front halves of some designs (n,) in several builds (k n,), build by build, as `rows.rowed`
    has them: `drawn` holds the rows of all builds, `builds` the designs made of them.
    """
    times = len(builds) // len(designs)
    turning = rows.drives(drawn, builds)
    reach = rows.octave(rows.HEADROOM * turning["cadence_rad_s"] * turning["ratio"])
    trios = np.tile(rows.trios_of(designs), (times, 1))
    number = np.repeat(np.arange(times), len(designs))
    kinds = np.column_stack([trios, np.log2(reach).round(6), number])
    _, first, trio = np.unique(kinds, axis=0, return_index=True, return_inverse=True)
    machines = rows.machines(drawn, builds.take(first))
    alike = kinds[first, :-1]
    low, high = (rows.machines(end, designs.take(first % len(designs))) for end in _ends(project))
    _, begin, family = np.unique(alike, axis=0, return_index=True, return_inverse=True)
    family = family.reshape(-1)
    made: list[Machines] = []
    order: list[Rows] = []
    for which, one in enumerate(begin.tolist()):
        some = np.flatnonzero(family == which)
        made.append(_tables(project, machines[some], low[one], high[one], float(reach[first[one]])))
        order.append(some)
    place = np.empty(len(first), dtype=np.int64)
    place[np.concatenate(order)] = np.arange(len(first))
    return rows.Rowed(rows.joined(made), place[trio.reshape(-1)], turning)


def _tables(
    project: Project, machines: Records, low: Records, high: Records, fastest_rad_s: float
) -> Machines:
    """Tables of one machine as some builds have it, solved where it differs in other ways."""
    winding_C = float(rows.first_winding_C(project, machines[:1])[0])
    between = _between(low.tobytes() + high.tobytes(), fastest_rad_s, winding_C)
    if between is None:
        speeds = np.full(len(machines), fastest_rad_s)
        return tabulate(machines, speeds, np.full(len(machines), winding_C), COARSE)
    return between.tables(machines)


@lru_cache(maxsize=MOST_KEPT)
def _between(ends: bytes, fastest_rad_s: float, winding_C: float) -> Between | None:
    """What lies between both ends of a machine; None where it differs in other ways."""
    try:
        return Between.of(np.frombuffer(ends, records.MACHINE), fastest_rad_s, winding_C, COARSE)
    except ValueError:
        return None


def _ends(project: Project) -> tuple[Project, Project]:
    """A project whose machines are at the low ends of their spreads, and one at the high ends."""
    return _at(project, ENDS[0]), _at(project, ENDS[1])


def _at(project: Project, share: float) -> Project:
    parts = dict(project.catalogue.parts)
    for link in OF_MACHINE:
        parts[link] = tuple(_part_at(project, link, part, share) for part in parts[link])
    return replace(project, catalogue=replace(project.catalogue, parts=parts))


def _part_at(project: Project, link: str, part: Part, share: float) -> Part:
    update = {
        name: float(spread.applied(nominal(part, name) or 0.0, float(spread.at(np.array(share)))))
        for spread in spreads_of_part(project, link, part)
        for name in spread.fields
    }
    return part.model_copy(update=update)
