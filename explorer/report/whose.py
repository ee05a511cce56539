"""Which person and pack a number belongs to, where a study has several."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from explorer.inputs.study import Project
from explorer.physics import pack as packs
from explorer.report.format import number
from explorer.report.goals import EFFORT_DIGITS, DesignResult
from explorer.units import J_PER_WH

LEAST_W = 1e-6
"""Less power than this charges nothing."""


def cases_of(project: Project, record: DesignResult) -> Sequence[DesignResult]:
    """The cases of a result; the only one of its study where the record does not list it."""
    if record.get("cases"):
        return list(record["cases"])
    plan = project.study.session
    return [{**record, "operator": plan.operators[0], "pack": plan.packs[0]}]


def is_one_of_several(project: Project) -> bool:
    """Whether the study has several cases, so that a number needs the name of its case."""
    plan = project.study.session
    return len(plan.operators) * len(plan.packs) > 1


def case_name(project: Project, case: Mapping[str, str]) -> str:
    """The person and the pack as people call them."""
    person, pack = person_name(project, case["operator"]), pack_name(project, case["pack"])
    return f"{person} into {pack}"


def person_name(project: Project, operator_id: str) -> str:
    """What people call an operator; its id where today's table has no such row."""
    known = project.catalogue.operators
    return str(known[operator_id].name) if operator_id in known else operator_id


def pack_name(project: Project, pack_id: str) -> str:
    """What people call a pack; its id where today's table has no such row."""
    known = project.catalogue.packs
    return str(known[pack_id].name) if pack_id in known else pack_id


def ledger_case(project: Project, record: DesignResult) -> DesignResult:
    """The case whose ledger, regime and readings a record has: the one that delivers least."""
    cases = cases_of(project, record)
    named = record.get("ledger_case")
    own = [case for case in cases if named and all(case[k] == named[k] for k in named)]
    return own[0] if own else min(cases, key=lambda case: float(case["delivered_energy_J"]))


def of_whom(project: Project, record: DesignResult) -> str:
    """The ledger's case in words, empty where the study has one only."""
    if not is_one_of_several(project):
        return ""
    return case_name(project, ledger_case(project, record))


def scope(project: Project) -> str:
    """Which cases a design's single number combines, empty where the study has one case only."""
    if not is_one_of_several(project):
        return ""
    plan = project.study.session
    every = [
        case_name(project, {"operator": person, "pack": pack})
        for person in plan.operators
        for pack in plan.packs
    ]
    return (
        f"Energy and effort of a design are the {plan.over_cases} of {len(every)} cases: "
        f"{'; '.join(every)}. Time to first charge and distances to limits are those of the case "
        "that does worst in each. Regime, readings and joules are those of the case that delivers "
        "least, and name it."
    )


def minutes_for_a_percent(project: Project, case: DesignResult) -> str:
    """How long the person of a case cranks for 1 % of the case's pack."""
    pack = project.catalogue.packs.get(case["pack"])
    power_W = float(case["delivered_energy_J"]) / 60 / float(project.study.session.minutes)
    if power_W < LEAST_W or pack is None:
        return f"{pack_name(project, case['pack'])} never gains a percent"
    minutes = float(packs.minutes_per_percent(pack.capacity_Wh, 1.0, power_W))
    return f"{number(minutes, 2)} minutes for 1 % of {pack.name} ({number(pack.capacity_Wh)} Wh)"


def per_minute(project: Project, record: DesignResult) -> str:
    """Joules beside Wh, and minutes for each percent of each pack from that pack's own case."""
    a_minute = float(record["delivered_energy_J"]) / float(project.study.session.minutes)
    text = f"{number(a_minute)} J ({number(a_minute / J_PER_WH, 2)} Wh) for each minute of cranking"
    if is_one_of_several(project):
        return f"{text}, {project.study.session.over_cases} of its cases"
    if a_minute <= 0:
        return text + "; the pack never gains a percent"
    (case,) = cases_of(project, record)
    return f"{text}; {minutes_for_a_percent(project, case)}"


class CaseLine(NamedTuple):
    """One case of a design in words: who cranks into which pack, and what comes of it."""

    name: str
    results: str


def case_lines(project: Project, record: DesignResult) -> tuple[CaseLine, ...]:
    """What each person gets into each pack, () where the study has one case only."""
    if not is_one_of_several(project):
        return ()
    return tuple(
        CaseLine(
            case_name(project, case),
            f"{number(float(case['delivered_energy_J']))} J, "
            f"{minutes_for_a_percent(project, case)}, "
            f"{number(float(case['crank_effort_percent']), EFFORT_DIGITS)} % effort, "
            f"{case['regime']}",
        )
        for case in cases_of(project, record)
    )


def efforts(project: Project, record: DesignResult) -> str:
    """The effort of each person, the larger where a person has several packs."""
    most: dict[str, float] = {}
    for case in cases_of(project, record):
        name = person_name(project, case["operator"])
        most[name] = max(most.get(name, 0.0), float(case["crank_effort_percent"]))
    alone = len(most) == 1
    return ", ".join(
        f"{number(effort, EFFORT_DIGITS)} %" + ("" if alone else f" ({name})")
        for name, effort in most.items()
    )
