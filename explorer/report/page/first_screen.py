"""The first screen: what to build, what it promises, what it costs, what decides about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

from explorer.front import EQUAL_WITHIN
from explorer.inputs.study import Project
from explorer.model.costing import printed_amounts
from explorer.model.names import name_of
from explorer.model.objectives import BY_KEY, COST, EFFORT, ENERGY
from explorer.model.rules import rule
from explorer.report import whose
from explorer.report.format import HALF_A_CENT, cents, listed, number, share_of_votes
from explorer.report.goals import (
    EFFORT_DIGITS,
    DesignResult,
    Goal,
    absent_parts,
    goal_difference,
    part_names,
    phrase,
)
from explorer.report.page.cards import nearest_limit, tightest
from explorer.report.page.choices import looser
from explorer.report.page.content import Card, FirstScreen, Purchase, Rival
from explorer.report.page.price_content import Market
from explorer.report.wording import CAUTIONS, LEDGER_REMEDIES, LINK_GLOSSES, ledger_words
from explorer.units import J_PER_WH

DECISIVE = 2
"""Sentences about what decides."""
RIVALS = 2
SAME_WITHIN = 0.1
"""Rivals that differ by no more than this share in any goal are one alternative."""
NEARLY_ALL = 0.9
"""Cadences that give at least this share of the power at the design's own count as as good."""
IN_WAY = 3
"""Rules named where no design keeps all of them."""
NO_LOSSES = ("crank_work", "delivered", "stored", "kinetic")
"""Terms of the ledger that are no losses."""


def no_design(rejections: Mapping[str, tuple[int, int]], why_none: str = "") -> FirstScreen:
    """Why nothing can be built: `why_none`, or what stands in the way most often."""
    if why_none:
        return FirstScreen(build=why_none, caution=CAUTIONS[0])
    worst = sorted(rejections.items(), key=lambda item: (-item[1][0], item[0]))[:IN_WAY]
    broken = "; ".join(rule(name).broken for name, _ in worst)
    return FirstScreen(
        build="No design keeps every limit of this study.",
        why=f"What stands in the way most often: {broken}." if broken else "",
        caution=CAUTIONS[0],
    )


def first_screen(
    project: Project,
    cards: Sequence[Card],
    known: Mapping[str, DesignResult],
    shown: Sequence[Goal],
    *,
    cadences: Mapping[str, DesignResult],
    rule_costs: DesignResult | None,
    market: Market | None,
    measure_next: DesignResult | None = None,
    votes: Mapping[str, float] = MappingProxyType({}),
) -> FirstScreen:
    """What is read first about the design of the first card; `cards` are not empty.

    `cadences`: design_id -> {cadence_rpm, pack_power_W}. `measure_next`: as
    `measuring.what_to_measure` has it. `votes`: design_id -> share of all weightings of the goals,
    0 to 1, that like the design best (`front.vote_shares`); nothing is said of those not in it.
    """
    card, record = cards[0], known[cards[0].design_id]
    purchases, at_hand = _purchases(project, record)
    decisive = [
        _cadence(record, cadences.get(card.design_id)),
        _loss(project, record),
        _rule(record, rule_costs, str(record.get("currency", ""))),
        _price(record, market),
    ]
    ranked = sorted((one for one in decisive if one), key=lambda one: -one[0])
    # A number and its unit stay on one line.
    pace = f", turned {card.turned}".replace(" rpm", "\u00a0rpm") if card.turned else ""
    return FirstScreen(
        build=f"Build {card.letter}, {name_of(card.design_id)}: {card.short}{pace}.",
        best_for=_best_for(votes.get(card.design_id), shown),
        promise=_promise(project, record),
        people=_people(project, record),
        purchases=purchases,
        cost=cents(float(record[COST]), project.study.prices.currency),
        at_hand=at_hand,
        also=_also(record, shown),
        hazard=_hazard(record, project.study.build.hazard_chance),
        decisive=tuple(words for _, words in ranked[:DECISIVE]),
        measure=_measure(project, record, measure_next, [one.gloss for one in purchases]),
        caution=first_caution(record),
        rivals=_rivals(cards, known, shown, votes),
        compared=whose.what_is_compared(project),
    )


def screen_lines(first: FirstScreen) -> list[str]:
    """The first screen in lines for a terminal, in its order; nothing of what it has not."""
    bought = "; ".join(
        f"{f'{one.quantity} × ' if one.quantity > 1 else ''}{one.name} {one.amount}"
        for one in first.purchases
    )
    lines = [
        first.build,
        first.why,
        first.promise,
        *first.people,
        f"To buy for {first.cost}: {bought}." if bought else "",
        first.at_hand,
        first.hazard,
        *first.decisive,
        f"Measure first: {first.measure}" if first.measure else "",
        f"Caution. {first.caution}",
    ]
    return [" ".join(line.split()) for line in lines if line]


def _best_for(share: float | None, shown: Sequence[Goal]) -> str:
    """For how many of those who would choose a design is the best."""
    if share is None:
        return ""
    weighed = listed([BY_KEY[goal.key].label.lower() for goal in shown])
    return f"A is best for {share_of_votes(share)} of all ways to weigh {weighed}."


def _promise(project: Project, record: DesignResult) -> str:
    """What most builds give, with their share."""
    over = whose.combined(project)
    minutes = f"{number(float(project.study.session.minutes))} minutes at the crank"
    minutes += f" ({over})" if over else ""
    promised = record.get("promised_energy_J")
    if promised is None:
        energy = float(record[ENERGY])
        return (
            f"Parts as their tables say give {number(energy)} J ({number(energy / J_PER_WH)} Wh) "
            f"in {minutes}. No builds were drawn yet, so nothing is promised."
        )
    if not record.get("draws"):
        return (
            f"Every build gives {number(promised)} J ({number(promised / J_PER_WH)} Wh) in "
            f"{minutes}, if all parts are exactly as their tables say: "
            "spreads.csv, which says how they differ, is missing."
        )
    return (
        f"{number(100 * project.study.promise.at_least, 2)} % of builds give {number(promised)} J "
        f"({number(promised / J_PER_WH)} Wh) or more in {minutes}{_between(record)}; the worst "
        f"tenth gives {number(record['worst_tenth_J'])} J on average."
    )


def _between(record: DesignResult) -> str:
    """How well the promise is known; empty where its ends read as one."""
    low, high = (record.get(f"promised_energy_J_{end}") for end in ("low", "high"))
    if low is None or high is None or number(low) == number(high):
        return ""
    return f" (95 % sure: {number(low)} to {number(high)} J)"


def _people(project: Project, record: DesignResult) -> tuple[str, ...]:
    """For each person, the minutes for one percent of each pack, and the effort; how much a pack
    holds is said once.
    """
    said: set[str] = set()
    minutes: dict[str, list[str]] = {}
    efforts: dict[str, float] = {}
    for case in whose.cases_of(project, record):
        name = whose.turn_name(project, case)
        pack = str(case["pack"])
        words = whose.minutes_for_a_percent(project, case, with_capacity=pack not in said)
        said.add(pack)
        minutes.setdefault(name, []).append(words)
        efforts[name] = max(efforts.get(name, 0.0), float(case[EFFORT]))
    return tuple(
        f"{name}: {', '.join(packs)}, at {number(efforts[name], EFFORT_DIGITS)} % of what the arm "
        "can hold."
        for name, packs in minutes.items()
    )


def _purchases(project: Project, record: DesignResult) -> tuple[tuple[Purchase, ...], str]:
    """The rows of the bill that cost money, whose printed sum is `cost`; and what is at hand, in
    words. Of several kits, each row is one kit's share.
    """
    names, absent = part_names(project), absent_parts(project)
    bought, at_hand = [], []
    kits = project.study.prices.build_quantity
    for line, amount in zip(record["bill"], printed_amounts(record["bill"]), strict=True):
        quantity, owned = int(line["quantity"]), int(line.get("owned", 0))
        if not quantity:
            continue
        name = names.get(line["part"]) or str(line.get("name", line["part"]))
        paid = line.get("bought")
        if amount:
            count = quantity if kits > 1 or paid is None else int(paid)
            gloss = "" if line["part"] in absent else LINK_GLOSSES.get(str(line["link"]), "")
            bought.append(Purchase(name, count, f"{amount:,.2f}", gloss))
        free = quantity if not amount else owned if kits == 1 else 0
        if free and line["part"] not in absent:
            at_hand.append(name if free == 1 else f"{free} × {name}")
    words = f"Already yours or free: {', '.join(at_hand)}." if at_hand else ""
    return tuple(bought), words


def _also(record: DesignResult, shown: Sequence[Goal]) -> str:
    """The objectives that the first screen has no place of its own for."""
    others = [one for one in shown if one.key not in (ENERGY, COST, EFFORT)]
    phrases = [phrase(one.key, one.with_unit(float(record[one.key]))) for one in others]
    return f"It {listed(phrases)}." if phrases else ""


def _hazard(record: DesignResult, allowed: float) -> str:
    """How often builds break a rule that protects somebody, with the upper end of that chance."""
    chance, high = record.get("hazard_chance"), record.get("hazard_chance_high")
    if chance is None or high is None:
        return "Chance of a hazard: unknown, no builds were drawn."
    draws = f"{record['draws']:,}"
    found = (
        f"{number(100 * chance, 2)} % of {draws} builds" if chance else f"none in {draws} builds"
    )
    return (
        f"Chance of a hazard: {found}, at most {number(100 * high, 2)} % (95 % sure; "
        f"allowed: {number(100 * allowed, 2)} %)."
    )


def _cadence(record: DesignResult, curve: DesignResult | None) -> tuple[float, str] | None:
    """Between which cadences the power stays, and what is left just beyond; weighed by the loss."""
    own = record["settings"].get("cadence_rpm")
    if curve is None or own is None:
        return None
    pairs = zip(curve["cadence_rpm"], curve["pack_power_W"], strict=True)
    known = [(turns, watts) for turns, watts in pairs if watts is not None]
    if not known:
        return None
    turns, power = np.array(known, dtype=float).T
    own_W = float(np.interp(own, turns, power))
    if own_W <= 0:
        return None
    enough = power >= NEARLY_ALL * own_W
    first = last = int(np.abs(turns - own).argmin())
    while first > 0 and enough[first - 1] and enough[first]:
        first -= 1
    while last < len(turns) - 1 and enough[last + 1] and enough[last]:
        last += 1
    beyond = [k for k in (first - 1, last + 1) if 0 <= k < len(turns)]
    if not beyond:
        return None
    worst = min(beyond, key=lambda k: power[k])
    low, high = min(turns[first], own), max(turns[last], own)
    held = f"{number(low)} to {number(high)} rpm" if high > low else f"{number(own)} rpm"
    share = float(power[worst]) / own_W
    words = f"Hold {held}: at {number(turns[worst])} it gives {number(100 * share, 2)} % of that."
    return 1 - share, words


def _loss(project: Project, record: DesignResult) -> tuple[float, str] | None:
    """The largest loss as a share of the work at the crank, and what would make it smaller."""
    ledger = whose.joules(record)
    work = float(ledger.get("crank_work", 0.0))
    losses = {name: float(value) for name, value in ledger.items() if name not in NO_LOSSES}
    if work <= 0 or not losses:
        return None
    name = max(losses, key=lambda key: losses[key])
    share = losses[name] / work
    who = whose.joules_of(project, record)
    remedy = LEDGER_REMEDIES.get(name, "")
    return share, (
        f"{who + ': ' if who else ''}{number(100 * share, 2)} % of the work at the crank is lost "
        f"to {ledger_words(name)}{': ' + remedy if remedy else ''}."
    )


def _rule(
    record: DesignResult, found: DesignResult | None, currency: str
) -> tuple[float, str] | None:
    """The rule that costs this design most, weighed by the energy that it costs."""
    design_id, energy = str(record["design_id"]), float(record[ENERGY])
    costs = [one for one in (found or {}).get("rules", ()) if design_id in one["picks"]]
    if not costs or energy <= 0:
        return None
    most = max(costs, key=lambda one: float(one["picks"][design_id]))
    gain = float(most["picks"][design_id])
    words = looser(str(most["margin"]), float(most["step"]), currency)
    return gain / energy, f"With {words} you could have {number(gain, 2)} J more."


def _price(record: DesignResult, market: Market | None) -> tuple[float, str] | None:
    """The weightiest price among its parts; it decides least, since it moves no energy."""
    parts = {line["part"] for line in record["bill"]}
    for one in market.weights if market else ():
        if one.part in parts:
            return 0.0, (
                f"Of its prices that of {one.name} ({one.price}) matters most: twice that would "
                f"change {one.by_rise:,} of the designs to choose from."
            )
    return None


MOST_INSTRUMENTS = 2
"""Instruments named on the first screen, so that a caution stays on a phone's."""


def _measure(
    project: Project, record: DesignResult, found: DesignResult | None, explained: Sequence[str]
) -> str:
    """What to measure before this design is chosen, and what that is worth; nothing where nobody
    has found out (`measuring.what_to_measure`), or for another design. A link whose gloss is among
    those `explained` already is not explained again.
    """
    if not found or found["design_id"] != record["design_id"]:
        return ""
    if found["measure_nothing"] or not found["worth"]:
        return "nothing. No single number, known exactly, would surely lead to a better design."
    one = found["worth"][0]
    part = whose.person_name(project, one["part"]) if one["link"] == "operator" else (
        part_names(project).get(one["part"], one["part"])
    )  # fmt: skip
    takes = f"{number(one['minutes'])} minutes"
    if len(one["instruments"]) <= MOST_INSTRUMENTS:  # more of them are the note's to list
        takes += f" with {listed(one['instruments'])}"
    gloss = LINK_GLOSSES.get(one["link"], "")
    named = f"{one['quantity']}{f' ({gloss})' if gloss and gloss not in explained else ''}"
    what = f"{named}{f', {part}' if part else ''} ({takes})."
    if one["interval_J"][0] > 0:
        low, high = (number(round(end)) for end in one["interval_J"])
        gained = number(round(one["worth_J"]))
        why = (
            f"Knowing it gains {gained} J on average ({low} to {high} J): in "
            f"{number(100 * one['changes_share'], 2)} % of cases another design is then better."
        )
    else:
        why = f"In {number(100 * one['falls_share'], 2)} % of cases its promise does not hold."
    return f"{what} {why}"


def _rivals(
    cards: Sequence[Card],
    known: Mapping[str, DesignResult],
    shown: Sequence[Goal],
    votes: Mapping[str, float],
) -> tuple[Rival, ...]:
    """The other picks that differ most from the first, each with what is gained and lost."""
    first = known[cards[0].design_id]
    found: list[Rival] = []
    for card in cards[1:]:
        other = known[card.design_id]
        gained, lost = _gains_and_losses(first, other, shown)
        if gained and not any(_alike(known[one.design_id], other, shown) for one in found):
            against = f", but {listed(lost)}" if lost else ""
            share = votes.get(card.design_id)
            best = "" if share is None else f", best for {share_of_votes(share)}"
            words = f"{card.title}{best}: {listed(gained)}{against}."
            found.append(Rival(card.letter, card.design_id, words))
    return tuple(found[:RIVALS])


def _alike(one: DesignResult, other: DesignResult, shown: Sequence[Goal]) -> bool:
    """Whether two designs are the same alternative to a third."""
    pairs = [(goal.of(one), goal.of(other)) for goal in shown]
    return all(abs(a - b) <= SAME_WITHIN * max(abs(a), abs(b)) for a, b in pairs)


def _gains_and_losses(
    first: DesignResult, other: DesignResult, shown: Sequence[Goal]
) -> tuple[list[str], list[str]]:
    """What the other design has over the first and what it lacks, as far as a person notices."""
    gained: list[str] = []
    lost: list[str] = []
    for goal in shown:
        mine, theirs = goal.of(first), goal.of(other)
        gap = theirs - mine
        least = HALF_A_CENT if goal.is_money else EQUAL_WITHIN * max(abs(mine), abs(theirs))
        if abs(gap) > least:
            better = BY_KEY[goal.key].sign * gap < 0
            (gained if better else lost).append(goal_difference(goal, gap))
    return gained, lost


def first_caution(record: DesignResult) -> str:
    """The one caution of the first screen: a hazard that the design is close to, or the bank's."""
    if any(rule(name).hazard for name in record["margins"]):
        name, value, closeness = tightest(record, hazards=True)
        if closeness < 1:
            return f"{nearest_limit(name, value, closeness)} Keep to the stated cadence."
    return CAUTIONS[0]
