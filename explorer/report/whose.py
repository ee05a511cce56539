"""Which person and pack a number belongs to, where a study has several."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from explorer.inputs.study import Project
from explorer.model.objectives import EFFORT, ENERGY
from explorer.physics import pack as packs
from explorer.report.format import number
from explorer.report.goals import EFFORT_DIGITS, DesignResult
from explorer.units import J_PER_WH

READINGS_CASE = "of the case that delivers least"
"""Whose a force is where the case may be another one at every cadence."""
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
    return sum(map(len, plan.crews)) * len(plan.packs) > 1


def case_name(project: Project, case: Mapping[str, Any]) -> str:
    """The person and the pack as people call them."""
    return f"{turn_name(project, case)} into {pack_name(project, case['pack'])}"


def turn_name(project: Project, case: Mapping[str, Any]) -> str:
    """Who cranks in a case; of shifts in a row also which one it is and how long it takes."""
    person, shifts = person_name(project, case["operator"]), project.study.session.shifts
    if len(shifts) < 2 or "shift" not in case:
        return person
    minutes = number(float(shifts[int(case["shift"]) - 1].minutes))
    return f"{person} (shift {case['shift']}, {minutes} minutes)"


def crew_name(project: Project, operators: Iterable[str]) -> str:
    """Who cranks in a session, in their order."""
    return ", then ".join(person_name(project, one) for one in operators)


def person_name(project: Project, operator_id: str) -> str:
    """What people call an operator; its id where today's table has no such row."""
    known = project.catalogue.operators
    return str(known[operator_id].name) if operator_id in known else operator_id


def pack_name(project: Project, pack_id: str) -> str:
    """What people call a pack; its id where today's table has no such row."""
    known = project.catalogue.packs
    return str(known[pack_id].name) if pack_id in known else pack_id


def ledger_case(project: Project, record: DesignResult) -> DesignResult:
    """The case whose regime and readings a record has: of the session that delivers least, the
    one in which it ends.
    """
    cases = cases_of(project, record)
    named = record.get("ledger_case")
    own = [case for case in cases if named and all(case[k] == named[k] for k in named)]
    return own[0] if own else min(cases, key=lambda case: float(case["delivered_energy_J"]))


def of_whom(project: Project, record: DesignResult) -> str:
    """The case of regime and readings in words, empty where the study has one only."""
    if not is_one_of_several(project):
        return ""
    return case_name(project, ledger_case(project, record))


def joules(record: DesignResult) -> Mapping[str, float]:
    """Where the work at the crank goes, J: of all shifts of a session, see `joules_of`."""
    found: Mapping[str, float] = record.get("session_ledger_J") or record["ledger_J"]
    return found


def joules_of(project: Project, record: DesignResult) -> str:
    """Whose joules a result's `joules` are, empty where the study has one case only."""
    if not record.get("session_ledger_J"):
        return of_whom(project, record)
    case = ledger_case(project, record)
    crew = crew_name(project, (shift.operator for shift in project.study.session.shifts))
    return f"{crew} into {pack_name(project, case['pack'])}"


def combined(project: Project, key: str = ENERGY) -> str:
    """What a design's single number of an objective combines, as `sum of 2 shifts, worst of 2
    packs`; empty where the study has one case only, or nothing of it is combined.
    """
    plan = project.study.session
    shifts, others = len(plan.shifts), len(plan.crews) * len(plan.packs)
    words = []
    if shifts > 1:
        words.append(f"sum of {shifts} shifts" if key == ENERGY else f"hardest of {shifts} shifts")
    if others > 1:
        words.append(f"{plan.over_cases} of {others} {'packs' if plan.shifts else 'cases'}")
    return ", ".join(words)


def what_is_compared(project: Project) -> str:
    """What energies and efforts of designs combine, where these are compared; empty where the study
    has one case only.
    """
    energy, effort = combined(project, ENERGY), combined(project, EFFORT)
    if energy == effort:
        return f"energy and effort: {energy}" if energy else ""
    return f"energy: {energy}; effort: {effort}"


def combined_in_short(project: Project, key: str) -> str:
    """`combined` as a label has room for: of several cases the way alone."""
    plan = project.study.session
    if plan.shifts:
        return combined(project, key)
    return str(plan.over_cases) if is_one_of_several(project) else ""


def scope(project: Project) -> str:
    """Which cases a design's single number combines, empty where the study has one case only."""
    if not is_one_of_several(project):
        return ""
    plan = project.study.session
    if len(plan.shifts) > 1:
        return _scope_of_shifts(project)
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


def _scope_of_shifts(project: Project) -> str:
    plan = project.study.session
    turns = "; ".join(
        f"{person_name(project, shift.operator)} {number(float(shift.minutes))} minutes"
        for shift in plan.shifts
    )
    packs = [pack_name(project, name) for name in plan.packs]
    several = f", the {plan.over_cases} of {len(packs)} packs ({'; '.join(packs)})"
    return (
        f"In a row on one bank crank: {turns}. The energy of a design is what all shifts together "
        "give, its effort that of the shift that is hardest for its person"
        f"{several if len(packs) > 1 else ''}. Time to first charge runs from the first shift on. "
        "Regime and readings are those of the last shift, joules those of all shifts, into the "
        "pack that gets least, and name it."
    )


def minutes_for_a_percent(
    project: Project, case: DesignResult, *, with_capacity: bool = True
) -> str:
    """How long the person of a case cranks for 1 % of the case's pack, and what that holds."""
    pack = project.catalogue.packs.get(case["pack"])
    power_W = float(case["delivered_energy_J"]) / 60 / _minutes(project, case)
    if power_W < LEAST_W or pack is None:
        return f"{pack_name(project, case['pack'])} never gains a percent"
    minutes = number(float(packs.minutes_per_percent(pack.capacity_Wh, 1.0, power_W)), 2)
    unit = "minute" if minutes == "1" else "minutes"
    holds = f" ({number(pack.capacity_Wh)} Wh)" if with_capacity else ""
    return f"{minutes} {unit} for 1 % of {pack.name}{holds}"


def _minutes(project: Project, case: DesignResult) -> float:
    """How long the person of a case cranks in it."""
    plan = project.study.session
    if plan.shifts and "shift" in case:
        return float(plan.shifts[int(case["shift"]) - 1].minutes)
    return float(plan.minutes)


def per_minute(project: Project, record: DesignResult) -> str:
    """Joules beside Wh, and minutes for each percent of each pack from that pack's own case."""
    a_minute = float(record["delivered_energy_J"]) / float(project.study.session.minutes)
    text = f"{number(a_minute)} J ({number(a_minute / J_PER_WH, 2)} Wh) for each minute of cranking"
    if is_one_of_several(project):
        plan = project.study.session
        return f"{text}, {combined(project) if plan.shifts else f'{plan.over_cases} of its cases'}"
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
    """The effort of each person, the larger where a person has several packs; of shifts each."""
    most: dict[str, float] = {}
    for case in cases_of(project, record):
        name = turn_name(project, case)
        most[name] = max(most.get(name, 0.0), float(case["crank_effort_percent"]))
    alone = len(most) == 1
    return ", ".join(
        f"{number(effort, EFFORT_DIGITS)} %" + ("" if alone else f" ({name})")
        for name, effort in most.items()
    )
