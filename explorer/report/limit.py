"""The energy that no chain can pass, whatever its parts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from explorer.parts import Converter
from explorer.physics.operator import endurance_power
from explorer.report.content import Limit
from explorer.report.numerals import number

if TYPE_CHECKING:
    from explorer.config import Project


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
    arms, packs = [], []
    for name in study.session.operators:
        person = catalogue.operators[name]
        hold = endurance_power(person.critical_power_W, person.reserve_J, seconds)
        arms.append(float(person.power_share * hold) * seconds)
    for name in study.session.packs:
        packs.append(catalogue.packs[name].current_A * volts * seconds)
    pairs = np.array([[min(a, p) for p in packs] for a in arms])
    combine = np.min if study.session.over_cases == "worst" else np.mean
    energy, arm, pack = (float(combine(v)) for v in (pairs, np.array(arms), np.array(packs)))
    span = f"{number(float(study.session.minutes))} minutes"
    sentence = (
        f"In {span} no chain can pass {number(energy)} J: the arm has {number(arm)} J to give at a "
        f"pace it can hold, and the pack takes {number(pack)} J at most."
    )
    return Limit(energy, arm, pack, sentence)
