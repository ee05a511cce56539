"""The picked designs as cards."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from explorer.inputs.study import Project
from explorer.model.bounds import EnergyBound
from explorer.model.costing import BUILD
from explorer.model.objectives import ENERGY
from explorer.model.regimes import BY_NAME
from explorer.model.rules import rule
from explorer.report import whose
from explorer.report.format import in_unit, number, of_differences
from explorer.report.goals import (
    DesignResult,
    Goal,
    absent_parts,
    minimised,
    part_names,
)
from explorer.report.page.content import Card, GoalStanding
from explorer.report.wording import DECISIVE_LINKS, PICK_WORDS, ledger_words
from explorer.units import Array

LOSSES_NAMED = 3


def _headline(project: Project, record: DesignResult) -> str:
    """The parts that make the chain what it is, on one line; the card has them all."""
    bill = [line for line in record["bill"] if line.get("link") in DECISIVE_LINKS]
    words = bill_words({"bill": bill or record["bill"]}, part_names(project), absent_parts(project))
    # A number and its unit stay on one line.
    return re.sub(r"(?<=\d) (?=\S{1,3}(?:,|$))", "\u00a0", words)


def cards_of(
    project: Project,
    picks: Mapping[str, str],
    known: Mapping[str, DesignResult],
    points: Array,
    goals: Sequence[Goal],
    bound: EnergyBound,
) -> tuple[Card, ...]:
    """One card a picked design; a design that answers several wishes gets one card for them.

    `points` (n, objectives) are the front's, minimised.
    """
    wishes: dict[str, list[str]] = {}
    # The recommended one leads: it is the answer, the extremes are what it is weighed against.
    for wish in sorted(picks, key=_wish_order):
        wishes.setdefault(picks[wish], []).append(wish)
    return tuple(
        _card(project, letter, known[design_id], wished, points, goals, bound)
        for letter, (design_id, wished) in zip("ABCDEFGHIJ", wishes.items(), strict=False)
    )


def _card(
    project: Project,
    letter: str,
    record: DesignResult,
    wished: Sequence[str],
    points: Array,
    goals: Sequence[Goal],
    bound: EnergyBound,
) -> Card:
    titles = [PICK_WORDS.get(wish, wish.replace("_", " ")) for wish in wished]
    cadence = record["settings"].get("cadence_rpm")
    regime = BY_NAME.get(str(record["regime"]))
    return Card(
        letter=letter,
        title=" and ".join([titles[0], *(t[0].lower() + t[1:] for t in titles[1:])]),
        wishes=tuple(wished),
        design_id=str(record["design_id"]),
        short=_headline(project, record),
        bill=bill_words(record, part_names(project), absent_parts(project)),
        turned="" if cadence is None else f"at {number(cadence)} rpm",
        standings=_standings(project, record, points, goals),
        regime=str(record["regime"]),
        regime_words=regime.description if regime else "",
        per_minute=whose.per_minute(project, record),
        case_lines=whose.case_lines(project, record),
        ledger_of=whose.of_whom(project, record),
        joules_of=whose.joules_of(project, record),
        share_of_bound=_share_of_bound(project, record, bound),
        lost=_lost(project, record, bound),
        caution=(regime.caution if regime else "") or nearest_limit(*tightest(record)),
        builds=builds_words(project, record),
    )


def builds_words(project: Project, record: DesignResult) -> str:
    """How chains built of such parts fare, in words; empty where none were drawn."""
    limit = project.study.build.hazard_chance
    chance, share = record.get("hazard_chance"), record.get("keeps_rules_share")
    if chance is None or share is None:
        return ""
    breaks = f"{number(100 * chance, 2)} % break" if chance else "none breaks"
    high = record.get("hazard_chance_high")
    surely = "" if high is None else f", surely less than {number(100 * high, 2)} %"
    promised = record.get("promised_energy_J")
    gives = (
        ""
        if promised is None
        else f"{number(100 * project.study.promise.at_least, 2)} % of them give "
        f"{number(promised)} J or more, the worst tenth {number(record['worst_tenth_J'])} J on "
        "average. "
    )
    return (
        f"Of {record.get('draws', 0):,} chains built of such parts in draws {breaks} a rule that "
        f"protects somebody (the study allows {number(100 * limit, 2)} %{surely}). {gives}"
        f"{number(100 * share, 2)} % keep all other rules."
    )


def _wish_order(wish: str) -> int:
    order = list(PICK_WORDS)
    return order.index(wish) if wish in order else len(order)


def _share_of_bound(project: Project, record: DesignResult, bound: EnergyBound) -> str:
    """The energy against its bound, mean against mean, the weakest session against its own."""
    plan, energy_J = project.study.session, float(record[ENERGY])
    allowed_J = bound.energy_J
    if plan.over_cases == "worst":
        allowed_J = bound.of(whose.ledger_case(project, record)).energy_J
    return f"{number(100 * energy_J / allowed_J, 2)} % of what physics allows"


def _standings(
    project: Project, record: DesignResult, points: Array, goals: Sequence[Goal]
) -> tuple[GoalStanding, ...]:
    (own,) = minimised([record], project.study.by_promise)
    low, high = points.min(axis=0), points.max(axis=0)
    place = np.where(high > low, (high - own) / np.where(high > low, high - low, 1.0), 1.0)
    return tuple(
        GoalStanding(
            goal.key,
            f"{goal.label}, {over}"
            if goal.by_case and (over := whose.combined_in_short(project, goal.key))
            else goal.label,
            goal.with_unit(goal.of(record)),
            round(float(where), 3),
        )
        for goal, where in zip(goals, place, strict=True)
    )


def bill_words(
    record: DesignResult, names: Mapping[str, str], absent: Collection[str] = frozenset()
) -> str:
    """The bill of materials on one line, without what is not there.

    `names` maps part ids to what people call them; `absent` are ids that stand for no part.
    """
    words = []
    for line in record["bill"]:
        if line["quantity"] == 0 or line["part"] in absent or line.get("link") == BUILD:
            continue
        name = names.get(line["part"], str(line["part"]))
        words.append(name if line["quantity"] == 1 else f"{line['quantity']} × {name}")
    return ", ".join(words)


def _lost(project: Project, record: DesignResult, bound: EnergyBound) -> str:
    """Where the rest of the physical limit goes, in words, for the ledger's own case.

    What is missing is either never drawn from the arm, or lost on the way. Where the pack sets the
    limit, the arm can give more than the pack takes, and the losses need not cost any energy.
    """
    ledger, own = whose.joules(record), bound.of(whose.ledger_case(project, record))
    energy, work = float(ledger.get("delivered", 0.0)), float(ledger.get("crank_work", 0.0))
    missing = own.energy_J - energy
    name = whose.joules_of(project, record)
    lead = f"{name}: " if name else ""
    if work <= 0 or missing <= 0.005 * own.energy_J:
        return f"{lead}Nothing that counts is missing: the pack takes all that it can."
    losses = sorted(
        ((float(v), n) for n, v in ledger.items() if n not in ("crank_work", "delivered")),
        reverse=True,
    )
    largest = ", ".join(
        f"{ledger_words(n)} {number(v, 2)} J" for v, n in losses[:LOSSES_NAMED] if v > 0.01 * work
    )
    text = (
        f"{lead}Of the {number(own.arm_J)} J that the arm could give, this chain draws "
        f"{number(work)} J at this cadence and loses {number(work - energy)} J on the way"
    )
    text += f", most in: {largest}." if largest else "."
    if own.pack_J < own.arm_J:
        text += f" The pack could take {number(missing)} J more."
    return text


def assumed(project: Project) -> tuple[str, ...]:
    """Operators and packs whose values are assumed, by what their tables' sources say."""
    catalogue, session = project.catalogue, project.study.session
    people = [catalogue.operators[name] for name in session.operators]
    packs = [catalogue.packs[name] for name in session.packs]
    found = []
    for one in (*people, *packs):
        source = str(getattr(one, "source", ""))
        if "assumed" in source.lower():
            found.append(f"{one.name} ({source})")
    return tuple(found)


def tightest(record: DesignResult, *, hazards: bool = False) -> tuple[str, float, float]:
    """The margin that is closest to its limit for what it measures: name, value, closeness.

    With `hazards`, only of the rules that protect a person or a pack.
    Closeness is the margin over the distance that counts as close for it (`model/rules.py`).
    Hazards count as twice as close as nuisances. Raises ValueError without margins.
    """
    ranked = []
    for name, value in record["margins"].items():
        known = rule(name)
        if hazards and not known.hazard:
            continue
        closeness = float(value) / known.near * (0.5 if known.hazard else 1.0)
        if np.isfinite(closeness):
            ranked.append((closeness, name, float(value)))
    if not ranked:
        raise ValueError("a design without finite margins has no tightest one")
    closeness, name, value = min(ranked)
    return name, value, closeness


def nearest_limit(name: str, value: float, closeness: float) -> str:
    """The nearest limit in words."""
    known = rule(name)
    lead = "Close to a limit" if closeness < 1 else "Nearest limit"
    left = in_unit(value, of_differences(known.unit), 2) if value > 0 else "nothing"
    return f"{lead}: {known.label}, {left} to spare."
