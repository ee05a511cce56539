"""The energy that no chain can deliver more of, whatever its parts; and what objectives weigh."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from explorer.inputs.back_parts import Converter
from explorer.inputs.study import Project
from explorer.model.cases import together
from explorer.model.objectives import ENERGY, OBJECTIVES, Objective
from explorer.physics.operator import endurance_power
from explorer.units import Array

UNIT_SHARE = 0.1
"""Share of an objective's limit that counts as one unit when objectives are weighed (judgement)."""


@dataclass(frozen=True)
class CaseBound:
    """What no chain can exceed in one session, of one person or several in a row, J."""

    operators: tuple[str, ...]
    pack: str
    energy_J: float
    arm_J: float
    pack_J: float


@dataclass(frozen=True)
class EnergyBound:
    """What no chain can exceed, J: the arm's work over the session, and what the pack takes.

    Over several sessions each number is their mean or least as the study says; `cases` has their
    own.
    """

    energy_J: float
    arm_J: float
    pack_J: float
    cases: tuple[CaseBound, ...]

    def of(self, case: Mapping[str, Any]) -> CaseBound:
        """The bound of the session of a case {operator, pack}; KeyError for one that the study does
        not have.
        """
        for one in self.cases:
            if case["operator"] in one.operators and one.pack == case["pack"]:
                return one
        raise KeyError(f"{case['operator']} with {case['pack']}")


def energy_bound(project: Project) -> EnergyBound:
    """The energy that no chain can exceed in this study's session, J.

    The arm gives at most its share of `CP + W'/t` for the whole session, the pack takes at most
    its current at the highest output of any converter on offer; the smaller of the two holds, by
    session, combined over sessions as the study says (mean or worst). Losses are left out, so this
    is a bound and not a forecast. Source: critical power, Monod and Scherrer 1965; the rest is
    derived.
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
    for crew in study.session.crews:
        people = tuple(shift.operator for shift in crew)
        arm_J = sum(_arm_J(project, name) for name in dict.fromkeys(people))
        for pack_id in study.session.packs:
            pack_J = catalogue.packs[pack_id].current_A * volts * seconds
            cases.append(CaseBound(people, pack_id, min(arm_J, pack_J), arm_J, pack_J))

    def over_cases(name: str) -> float:
        each = [np.array([getattr(case, name)]) for case in cases]
        return float(together(each, study.session.over_cases, more_is_better=True)[0])

    return EnergyBound(
        over_cases("energy_J"), over_cases("arm_J"), over_cases("pack_J"), tuple(cases)
    )


def _arm_J(project: Project, operator_id: str) -> float:
    """What a person gives at most at a pace that can be held for all own shifts, J."""
    person = project.catalogue.operators[operator_id]
    seconds = 60.0 * float(project.study.session.own_minutes(operator_id))
    hold = endurance_power(person.critical_power_W, person.reserve_J, seconds)
    return float(person.power_share * hold) * seconds


def goal_units(project: Project) -> Array:
    """How much of each objective counts alike when a design is recommended, (objectives,).

    What the study's [worth] says; else a tenth of what the study allows of it, or of what stands in
    for a limit that it leaves out (`usual_most`, or the objective's scale); of energy, a tenth of
    what physics allows.
    """
    limits, worth = project.study.limits, project.study.worth

    def most(one: Objective) -> float:
        if one.key == ENERGY:
            return energy_bound(project).energy_J
        return getattr(limits, one.key, None) or one.usual_most or one.scale(project)

    units = [getattr(worth, one.key, None) or UNIT_SHARE * most(one) for one in OBJECTIVES]
    return np.array(units, dtype=float)
