"""The energy that no chain can exceed, in a sentence."""

from __future__ import annotations

from explorer.inputs.study import Project
from explorer.model.bounds import EnergyBound
from explorer.report import whose
from explorer.report.format import number


def bound_sentence(project: Project, bound: EnergyBound) -> str:
    """What the arm could give and the pack could take, and that nothing exceeds the smaller."""
    span = f"{number(float(project.study.session.minutes))} minutes"
    if not whose.is_one_of_several(project):
        return (
            f"In {span} no chain can deliver more than {number(bound.energy_J)} J: the arm has "
            f"{number(bound.arm_J)} J to give at a pace it can hold, and the pack takes "
            f"{number(bound.pack_J)} J at most."
        )
    each = "; ".join(
        f"{whose.crew_name(project, one.operators)} into {whose.pack_name(project, one.pack)} "
        f"{number(one.energy_J)} J (arm {number(one.arm_J)} J, pack {number(one.pack_J)} J)"
        for one in bound.cases
    )
    over = {"worst": " in the weakest case", "mean": f" as the mean of {len(bound.cases)} cases"}
    which = over[project.study.session.over_cases] if len(bound.cases) > 1 else ""
    return f"In {span} no chain can deliver more than {number(bound.energy_J)} J{which}: {each}."
