"""The picked designs as cards, and the answer that the first of them gives."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from explorer.decision.picks import AGREES, WISHES
from explorer.model.promise import HAZARD_DRAWS
from explorer.report import whose
from explorer.report.format import number
from explorer.report.goals import goal_key, objective_text, part_names
from explorer.report.page.content import Card, Limit, Objective, Record, Standing
from explorer.report.wording import (
    CAUTIONS,
    DECISIVE_LINKS,
    LEDGER,
    PICK_WORDS,
    REGIMES,
    margin_words,
)
from explorer.units import J_PER_WH

if TYPE_CHECKING:
    from explorer.inputs.study import Project

LOSSES_TOLD = 3


def answer(
    project: Project,
    cards: Sequence[Card],
    known: Mapping[str, Record],
    rejections: Mapping[str, tuple[int, int]],
    why_none: str = "",
) -> tuple[str, ...]:
    """What to build, in two or three sentences, and one a case where there are several; or why
    nothing (`why_none`).
    """
    if not cards and why_none:
        return (why_none,)
    if not cards:
        worst = sorted(rejections.items(), key=lambda item: (-item[1][0], item[0]))[:3]
        told = "; ".join(margin_words(name).broken for name, _ in worst)
        return (
            "No design keeps every limit of this study.",
            f"What stands in the way most often: {told}." if told else "",
        )
    card, record = cards[0], known[cards[0].design_id]
    energy = float(record["delivered_energy_J"])
    minutes = float(project.study.session.minutes)
    cost, mass, _ = (s.text for s in card.standings[1:])
    effort = whose.efforts(project, record)
    return (
        f"Build {card.letter}: {card.short}.",
        f"{number(minutes)} minutes of cranking{_at_cadence(card)} put {number(energy)} J "
        f"({number(energy / J_PER_WH)} Wh) into the pack: {card.per_minute}.",
        *(f"{line}." for line in card.cases),
        f"It costs {cost}, weighs {mass} and takes {effort} of what the arm can hold.",
    )


def _headline(project: Project, record: Record) -> str:
    """The parts that make the chain what it is, on one line; the card has them all."""
    bill = [line for line in record["bill"] if line.get("link") in DECISIVE_LINKS]
    words = bill_words({"bill": bill or record["bill"]}, part_names(project))
    # A number and its unit stay on one line.
    return re.sub(r"(?<=\d) (?=\S{1,3}(?:,|$))", "\u00a0", words)


def _at_cadence(card: Card) -> str:
    return f" {card.turned.removeprefix('turned ')}" if card.turned else ""


def cards_of(
    project: Project,
    picks: Mapping[str, str],
    known: Mapping[str, Record],
    points: np.ndarray,
    goals: Sequence[Objective],
    limit: Limit,
) -> tuple[Card, ...]:
    """One card a picked design; a design that answers several wishes gets one card for them."""
    names = part_names(project)
    wishes: dict[str, list[str]] = {}
    # The recommended one leads: it is the answer, the extremes are what it is weighed against.
    for wish in sorted(picks, key=lambda w: (w != "recommended", _wish_order(w))):
        wishes.setdefault(picks[wish], []).append(wish)
    cards = []
    for letter, (design_id, wished) in zip("ABCDEFGHIJ", wishes.items(), strict=False):
        record = known[design_id]
        titles = [PICK_WORDS.get(wish, wish.replace("_", " ")) for wish in wished]
        head = " and ".join([titles[0], *(t[0].lower() + t[1:] for t in titles[1:])])
        cadence = record["settings"].get("cadence_rpm")
        cards.append(
            Card(
                letter=letter,
                title=head,
                wishes=tuple(wished),
                design_id=design_id,
                short=_headline(project, record),
                bill=bill_words(record, names),
                turned=f"turned at {number(cadence)} rpm" if cadence is not None else "",
                standings=_standings(project, record, points, goals),
                regime=str(record["regime"]),
                regime_words=REGIMES.get(str(record["regime"]), ""),
                per_minute=whose.per_minute(project, record),
                cases=whose.case_lines(project, record),
                ledger_of=whose.of_whom(project, record),
                of_the_limit=_of_the_limit(project, record, limit),
                lost=_lost(project, record, limit),
                confirmed=_confirmed(record),
                stepped=record.get("session_energy_J") is not None,
                apart=_apart(record) > AGREES,
                caution=_margin_caution(record),
                builds=builds_words(record, project.study.build.hazard_chance),
            )
        )
    return tuple(cards)


def builds_words(record: Record, limit: float) -> str:
    """How chains built of such parts fare, in words; empty where none were drawn."""
    chance, share = record.get("hazard_chance"), record.get("keeps_rules_share")
    if chance is None or share is None:
        return ""
    breaks = f"{number(100 * chance, 2)} % break" if chance else "none breaks"
    return (
        f"Of {HAZARD_DRAWS:,} chains built of such parts in draws {breaks} a rule that protects "
        f"somebody (the study allows {number(100 * limit, 2)} %); {number(100 * share, 2)} % keep "
        "all other rules."
    )


def _wish_order(wish: str) -> int:
    return WISHES.index(wish) if wish in WISHES else len(WISHES)


OF_CASES = ("delivered_energy_J", "crank_effort_percent")
"""Goals that several people and packs have each of their own."""


def _of_the_limit(project: Project, record: Record, limit: Limit) -> str:
    """The energy against its limit, mean against mean, the weakest case against its own."""
    plan, energy_J = project.study.session, float(record["delivered_energy_J"])
    allowed_J = limit.energy_J
    if plan.over_cases == "worst":
        allowed_J = limit.of(whose.ledger_case(project, record)).energy_J
    return f"{number(100 * energy_J / allowed_J, 2)} % of what physics allows"


def _standings(
    project: Project, record: Record, points: np.ndarray, goals: Sequence[Objective]
) -> tuple[Standing, ...]:
    over = project.study.session.over_cases if whose.is_one_of_several(project) else ""
    low, high = points.min(axis=0), points.max(axis=0)
    place = [
        float((b - v) / (b - a)) if b > a else 1.0
        for v, a, b in zip(goal_key(record), low, high, strict=True)
    ]
    return tuple(
        Standing(
            goal.key,
            f"{goal.label}, {over}" if over and goal.key in OF_CASES else goal.label,
            objective_text(goal, record),
            round(where, 3),
        )
        for goal, where in zip(goals, place, strict=True)
    )


def bill_words(record: Record, names: Mapping[str, str]) -> str:
    """The bill of materials on one line, left-out parts left out.

    `names` maps part ids to what people call them.
    """
    words = []
    for line in record["bill"]:
        if line["quantity"] == 0 or str(line["part"]).startswith("no_"):
            continue
        name = names.get(line["part"], str(line["part"]))
        words.append(name if line["quantity"] == 1 else f"{line['quantity']} × {name}")
    return ", ".join(words)


def _lost(project: Project, record: Record, limit: Limit) -> str:
    """Why the rest of the limit of physics does not arrive, in words, of the ledger's own case.

    What is missing is either never asked of the arm, or lost on the way. Where the pack's appetite
    is the limit, the arm has more to give than the pack takes, and the losses need not cost any.
    """
    ledger, own = record["ledger_J"], limit.of(whose.ledger_case(project, record))
    energy, work = float(ledger.get("delivered", 0.0)), float(ledger.get("crank_work", 0.0))
    missing = own.energy_J - energy
    name = whose.of_whom(project, record)
    lead = f"{name}: " if name else ""
    if work <= 0 or missing <= 0.005 * own.energy_J:
        return f"{lead}Nothing that counts is missing: the pack takes all that it can."
    losses = sorted(
        ((float(v), n) for n, v in ledger.items() if n not in ("crank_work", "delivered")),
        reverse=True,
    )
    largest = ", ".join(
        f"{LEDGER.get(n, n.replace('_', ' '))} {number(v, 2)} J"
        for v, n in losses[:LOSSES_TOLD]
        if v > 0.01 * work
    )
    text = (
        f"{lead}Of the {number(own.arm_J)} J that the arm could give, this chain asks "
        f"{number(work)} J at this cadence and loses {number(work - energy)} J on the way"
    )
    text += f", most in: {largest}." if largest else "."
    if own.pack_J < own.arm_J:
        text += f" The pack could take {number(missing)} J more."
    return text


def _apart(record: Record) -> float:
    """How far the two fidelities' energies differ, as a share; 0 where only one is known."""
    stepped, energy = record.get("session_energy_J"), float(record["delivered_energy_J"])
    return abs(float(stepped) / energy - 1) if stepped is not None and energy else 0.0


def _confirmed(record: Record) -> str:
    """Which fidelity stands behind the energy, and how far the two are apart."""
    stepped = record.get("session_energy_J")
    if record.get("fidelity") == "session":
        return "Stepped through time: the averaged model does not hold for it."
    if stepped is None:
        return "Averaged only, not stepped through time."
    apart = f"{number(max(100 * _apart(record), 0.1), 2)} % apart"
    less = "less than " if _apart(record) < 0.001 else ""
    return f"Stepped through time it is {number(float(stepped))} J, {less}{apart}."


def assumed(project: Project) -> tuple[str, ...]:
    """Operators and packs whose values are assumed, by what their tables' sources say."""
    catalogue, session = project.catalogue, project.study.session
    people = [catalogue.operators[name] for name in session.operators]
    packs = [catalogue.packs[name] for name in session.packs]
    told = []
    for one in (*people, *packs):
        source = str(getattr(one, "source", ""))
        if "assumed" in source.lower():
            told.append(f"{one.name} ({source})")
    return tuple(told)


def tightest(record: Record, *, hazards: bool = False) -> tuple[str, float, float]:
    """The margin that is closest to its limit for what it measures: name, value, closeness.

    With `hazards`, of those rules only that protect a person or a pack.
    Closeness is the margin over the distance that counts as close for it (see report/words.py).
    Hazards count as twice as close as nuisances. Raises ValueError without margins.
    """
    ranked = []
    for name, value in record["margins"].items():
        words = margin_words(name)
        if hazards and not words.hazard:
            continue
        closeness = float(value) / words.near * (0.5 if words.hazard else 1.0)
        if np.isfinite(closeness):
            ranked.append((closeness, name, float(value)))
    if not ranked:
        raise ValueError("a design without finite margins has no tightest one")
    closeness, name, value = min(ranked)
    return name, value, closeness


def _margin_caution(record: Record) -> str:
    """The nearest limit in words; regimes that mislead are said first."""
    if record["regime"] == "flooded":
        return "Delivers one burst, then nothing until the load returns: the bank overfills."
    if record["regime"] == "starved":
        return "Never starts: the bus does not reach its switch-on voltage."
    return _nearest(*tightest(record))


def _nearest(name: str, value: float, closeness: float) -> str:
    words = margin_words(name)
    unit = f" {words.unit}" if words.unit else ""
    lead = "Close to a limit" if closeness < 1 else "Nearest limit"
    room = f"{number(value, 2)}{unit} to spare" if value > 0 else "nothing to spare"
    return f"{lead}: {words.rule}, {room}."


def first_caution(cards: Sequence[Card], known: Mapping[str, Record]) -> str:
    """The one caution of the first screen: a hazard that the answer is close to, or the bank's."""
    if cards:
        record = known[cards[0].design_id]
        if any(margin_words(name).hazard for name in record["margins"]):
            name, value, closeness = tightest(record, hazards=True)
            if closeness < 1:
                return (
                    f"{_nearest(name, value, closeness)} Keep to the stated cadence, and read the "
                    "cautions below."
                )
    return CAUTIONS[0]
