"""The energy that no chain can pass, whatever its parts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from explorer.inputs.back_parts import Converter
from explorer.physics.operator import endurance_power
from explorer.report import whose
from explorer.report.format import number
from explorer.report.page.content import CaseLimit, Limit

if TYPE_CHECKING:
    from explorer.inputs.study import Project
    from explorer.units import Array


WITHOUT_LIMIT = {"cost": 100.0, "mass_kg": 5.0, "crank_effort_percent": 100.0}
"""What stands in for a limit that a study leaves out when goals are weighed (judgement)."""


def goal_units(project: Project) -> Array:
    """How much of each goal counts alike when a design is recommended, in the order of the goals: a
    tenth of what physics allows of energy, and of the study's limits on cost, mass and effort.
    """
    limits = project.study.limits
    most = [getattr(limits, name) or stand_in for name, stand_in in WITHOUT_LIMIT.items()]
    return np.array([physics_limit(project).energy_J, *most]) / 10


def physics_limit(project: Project) -> Limit:
    """The energy that no chain can pass in this session, J.

    The arm gives at most its share of `CP + W'/t` for the whole session, the pack takes at most
    its current at the highest output of any converter on offer; the smaller of the two holds, by
    case, combined over the cases as the study says (mean or worst). Losses are left out, so this
    is a bound and not a forecast.
    """
    study, catalogue = project.study, project.catalogue
    seconds = 60.0 * float(study.session.minutes)
    offered = study.choices["converter"]
    volts = max(
        part.output_V
        for part in catalogue.parts["converter"]
        if isinstance(part, Converter) and part.id in offered
    )
    cases = []
    for operator_id in study.session.operators:
        person = catalogue.operators[operator_id]
        hold = endurance_power(person.critical_power_W, person.reserve_J, seconds)
        arm_J = float(person.power_share * hold) * seconds
        for pack_id in study.session.packs:
            pack_J = catalogue.packs[pack_id].current_A * volts * seconds
            energy_J = min(arm_J, pack_J)
            cases.append(CaseLimit(operator_id, pack_id, energy_J, arm_J, pack_J))
    worst = study.session.over_cases == "worst"
    combine = np.min if worst else np.mean
    energy, arm, pack = (
        float(combine([getattr(one, name) for one in cases]))
        for name in ("energy_J", "arm_J", "pack_J")
    )
    span = f"{number(float(study.session.minutes))} minutes"
    if whose.is_one_of_several(project):
        each = "; ".join(
            f"{whose.case_name(project, {'operator': one.operator, 'pack': one.pack})} "
            f"{number(one.energy_J)} J (arm {number(one.arm_J)} J, pack {number(one.pack_J)} J)"
            for one in cases
        )
        over = "of the weakest case" if worst else f"as the mean of {len(cases)} cases"
        sentence = f"In {span} no chain can pass {number(energy)} J {over}: {each}."
    else:
        sentence = (
            f"In {span} no chain can pass {number(energy)} J: the arm has {number(arm)} J to give "
            f"at a pace it can hold, and the pack takes {number(pack)} J at most."
        )
    return Limit(energy, arm, pack, sentence, tuple(cases))
