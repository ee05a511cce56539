"""One case of some designs through the compiled session: with all it knows, or as its filter."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

import numpy as np

from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model.back_half import BackHalves, back_halves
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
    the bus, results (n,) of `accounts.RESULT`, and by which care they were found.
    """

    fronts: Fronts
    half: Rows
    need: BackHalves
    result: Records
    care: Care


def settings(project: Project) -> Settings:
    """What holds for all sessions of a study."""
    return Settings(ambient_C=project.study.session.ambient_C)


def simulate(
    project: Project,
    designs: Designs,
    operator_id: str,
    pack_id: str,
    care: Care = Care.SESSION,
    front: rows.Rowed | None = None,
) -> Records:
    """One case of each design, (n,) of `accounts.RESULT`.

    `front` are the rows of these designs where they are known already.
    """
    plan = project.study.session
    front = front or rows.rowed(project, designs, coarse=care is Care.DRAWN)
    hand = rows.shift_of(project.catalogue.operators[operator_id], 60 * plan.minutes)
    loads = rows.loads(project, designs, pack_id)
    halves = (front.machines, front.trio, front.drives)
    if care is Care.SESSION:
        found, _ = sessions(*halves, loads, hand, settings(project))
    else:
        found = averages(*halves, loads, hand, settings(project))
    return believed(found[:, 0])


def believed(result: Records) -> Records:
    """Results of which those that were given up unfinished count as chattering: they say nothing,
    and no design may stand on them.
    """
    unfinished = result["fault"] == accounts.UNFINISHED
    result["regime"][unfinished] = CHATTERING
    return result


def solve(
    project: Project, designs: Designs, care: Care, front: rows.Rowed | None = None
) -> dict[tuple[str, str], Solved]:
    """Every case (operator, pack) of some designs."""
    plan, catalogue, every = project.study.session, project.catalogue, np.arange(len(designs))
    front = front or rows.rowed(project, designs, coarse=care is Care.DRAWN)
    fronts = {name: Fronts.of(project, designs, name) for name in plan.operators}
    return {
        (operator_id, pack_id): Solved(
            fronts[operator_id],
            every,
            back_halves(catalogue, designs, catalogue.packs[pack_id]),
            simulate(project, designs, operator_id, pack_id, care, front),
            care,
        )
        for operator_id in plan.operators
        for pack_id in plan.packs
    }
