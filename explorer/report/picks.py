"""The picked designs as cards, and the answer that the first of them gives."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from explorer import front
from explorer.judging import AGREES
from explorer.promise import HAZARD_DRAWS
from explorer.report.content import Card, Limit, Objective, Record, Standing
from explorer.report.goals import goal_key, objective_text, part_names
from explorer.report.numerals import number
from explorer.report.words import (
    CAUTIONS,
    DECISIVE_LINKS,
    LEDGER,
    PICK_WORDS,
    REGIMES,
    margin_words,
)
from explorer.units import J_PER_WH

if TYPE_CHECKING:
    from explorer.config import Project

LOSSES_TOLD = 3


def answer(
    project: Project,
    cards: Sequence[Card],
    known: Mapping[str, Record],
    rejections: Mapping[str, tuple[int, int]],
    why_none: str = "",
) -> tuple[str, ...]:
    """What to build, in two or three sentences; or why nothing (`why_none`)."""
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
    cost, mass, effort = (s.text for s in card.standings[1:])
    return (
        f"Build {card.letter}: {card.short}.",
        f"{number(minutes)} minutes of cranking{_at_cadence(card)} put {number(energy)} J "
        f"({number(energy / J_PER_WH)} Wh) into the pack: {card.per_minute}.",
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
        energy = float(record["delivered_energy_J"])
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
                standings=_standings(record, points, goals),
                regime=str(record["regime"]),
                regime_words=REGIMES.get(str(record["regime"]), ""),
                per_minute=_per_minute(project, energy),
                of_the_limit=f"{number(100 * energy / limit.energy_J, 2)} % of what physics allows",
                lost=_lost(record, limit),
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
    return front.PICKS.index(wish) if wish in front.PICKS else len(front.PICKS)


def _standings(
    record: Record, points: np.ndarray, goals: Sequence[Objective]
) -> tuple[Standing, ...]:
    low, high = points.min(axis=0), points.max(axis=0)
    place = [
        float((b - v) / (b - a)) if b > a else 1.0
        for v, a, b in zip(goal_key(record), low, high, strict=True)
    ]
    return tuple(
        Standing(goal.key, goal.label, objective_text(goal, record), round(where, 3))
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


def _per_minute(project: Project, energy_J: float) -> str:
    """Joules beside Wh and minutes for each percent of the pack, by pack."""
    a_minute = energy_J / float(project.study.session.minutes)
    text = f"{number(a_minute)} J ({number(a_minute / J_PER_WH, 2)} Wh) for each minute of cranking"
    if a_minute <= 0:
        return text + "; the pack never gains a percent"
    packs = [project.catalogue.packs[name] for name in project.study.session.packs]
    percents = [
        f"{number(pack.capacity_Wh * J_PER_WH / 100 / a_minute, 2)} minutes for 1 % of "
        f"{pack.name} ({number(pack.capacity_Wh)} Wh)"
        for pack in packs
    ]
    return f"{text}; {', '.join(percents)}"


def _lost(record: Record, limit: Limit) -> str:
    """Why the rest of the limit of physics does not arrive, in words.

    What is missing is either never asked of the arm, or lost on the way. Where the pack's appetite
    is the limit, the arm has more to give than the pack takes, and the losses need not cost any.
    """
    ledger, energy = record["ledger_J"], float(record["delivered_energy_J"])
    work = float(ledger.get("crank_work", 0.0))
    missing = limit.energy_J - energy
    if work <= 0 or missing <= 0.005 * limit.energy_J:
        return "Nothing that counts is missing: the pack takes all that it can."
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
        f"Of the {number(limit.arm_J)} J that the arm could give, this chain asks "
        f"{number(work)} J at this cadence and loses {number(work - energy)} J on the way"
    )
    text += f", most in: {largest}." if largest else "."
    if limit.pack_J < limit.arm_J:
        text += f" The pack could take {number(missing)} J more."
    return text


def _apart(record: Record) -> float:
    """How far the two fidelities' energies differ, as a share; 0 where only one is known."""
    stepped, energy = record.get("session_energy_J"), float(record["delivered_energy_J"])
    return abs(float(stepped) / energy - 1) if stepped is not None and energy else 0.0


def _confirmed(record: Record) -> str:
    """Which fidelity stands behind the energy, and how far the two are apart."""
    stepped = record.get("session_energy_J")
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
