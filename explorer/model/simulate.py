"""Sessions of some designs through the compiled model: with all it knows, or as its filter."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import NamedTuple

import numpy as np

from explorer.inputs.session_section import Crew
from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model.back_half import BackHalves, back_halves
from explorer.model.cases import CaseName
from explorer.model.kernels import accounts
from explorer.model.kernels.average import averages
from explorer.model.kernels.motion import Settings
from explorer.model.kernels.records import Records
from explorer.model.kernels.session import sessions
from explorer.model.regimes import CHATTERING
from explorer.model.space import Designs, Rows
from explorer.model.unloaded import Fronts


class Care(Enum):
    """How closely a session is followed.

    SESSION steps stroke, inertia and heat. FILTER leaves these out and takes long steps: what a
    search goes by. DRAWN is the filter on coarse tables, for parts that are drawn once.
    """

    SESSION = "session"
    FILTER = "filter"
    DRAWN = "drawn"


class Solved(NamedTuple):
    """One case of designs (n,): front halves (h,) that `half` (n,) points to, what is taken from
    the bus, results (n,) of `accounts.RESULT`, by which care they were found, and how long the
    operator cranks in this case, and in all cases of its session.
    """

    fronts: Fronts
    half: Rows
    need: BackHalves
    result: Records
    care: Care
    seconds: float
    own_seconds: float


def settings(project: Project) -> Settings:
    """What holds for all sessions of a study."""
    return Settings(ambient_C=project.study.session.ambient_C)


def simulate(
    project: Project,
    designs: Designs,
    crew: Crew,
    pack_id: str,
    care: Care = Care.SESSION,
    front: rows.Rowed | None = None,
) -> Records:
    """A session of each design by a crew into a pack, (n, shifts) of `accounts.RESULT`.

    `front` are the rows of these designs where they are known already.
    """
    front = front or rows.rowed(project, designs, coarse=care is Care.DRAWN)
    people, loads = rows.shifts_of(project, crew), rows.loads(project, designs, pack_id)
    halves = (front.machines, front.trio, front.drives)
    if care is Care.SESSION:
        found, _ = sessions(*halves, loads, people, settings(project))
    else:
        found = averages(*halves, loads, people, settings(project))
    return believed(found)


def believed(result: Records) -> Records:
    """Results of which those that were given up unfinished count as chattering: they say nothing,
    and no design may stand on them.
    """
    unfinished = result["fault"] == accounts.UNFINISHED
    result["regime"][unfinished] = CHATTERING
    return result


def solve(
    project: Project, designs: Designs, care: Care, front: rows.Rowed | None = None
) -> dict[CaseName, Solved]:
    """Every case of some designs."""
    plan, catalogue, every = project.study.session, project.catalogue, np.arange(len(designs))
    front = front or rows.rowed(project, designs, coarse=care is Care.DRAWN)
    fronts = {name: Fronts.of(project, designs, name) for name in plan.operators}
    solved: dict[CaseName, Solved] = {}
    for crew in plan.crews:
        for pack_id in plan.packs:
            need = back_halves(catalogue, designs, catalogue.packs[pack_id])
            found = simulate(project, designs, crew, pack_id, care, front)
            solved |= by_shift(project, crew, pack_id, fronts, every, need, found, care)
    return solved


def by_shift(
    project: Project, crew: Crew, pack_id: str, fronts: Mapping[str, Fronts], half: Rows,
    need: BackHalves, found: Records, care: Care,
) -> dict[CaseName, Solved]:  # fmt: skip
    """The cases of a crew's session into a pack, from its results (n, shifts)."""
    plan = project.study.session
    return {
        CaseName(shift.operator, pack_id, place): Solved(
            fronts[shift.operator], half, need, found[:, place], care, 60 * shift.minutes,
            60 * plan.own_minutes(shift.operator),
        )
        for place, shift in enumerate(crew)
    }  # fmt: skip
