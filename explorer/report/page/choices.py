"""Why these designs and not others: what was rejected, what a rule costs, what a choice moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from explorer.front import EQUAL_WITHIN
from explorer.model.objectives import ENERGY
from explorer.model.rules import rule
from explorer.report.format import in_unit, number, of_differences
from explorer.report.goals import DesignResult, Goal
from explorer.report.page.content import (
    Card,
    Choice,
    DesignTable,
    LinkChoices,
    Rejection,
    RuleCost,
    RuleCosts,
)


def rejections_of(
    rejections: Mapping[str, tuple[int, int]], search: DesignResult, probed: int | None
) -> tuple[Rejection, ...]:
    """Rules that rejected designs, most first.

    `rejections`: margin name -> (designs that broke it, designs that broke it alone), counted over
    `probed` designs drawn at random, or over all that were considered where it is None.
    """
    counted = max(int(search.get("designs_considered", 0)) if probed is None else probed, 1)
    ranked = sorted(rejections.items(), key=lambda item: (-item[1][0], item[0]))
    return tuple(
        Rejection(name, rule(name).broken, int(n), int(alone), int(n) / counted)
        for name, (n, alone) in ranked
        if n
    )


def rejection_sentence(
    rejections: Mapping[str, tuple[int, int]], search: DesignResult, probed: int | None
) -> str:
    """How many designs keep every limit, and which rule alone rejected the most."""
    considered, feasible = (int(search.get(f"designs_{k}", 0)) for k in ("considered", "feasible"))
    if not considered:
        return "No design was looked at."
    at_least = "" if search.get("feasible_counted", True) else "at least "
    text = (
        f"{considered:,} designs were looked at, {at_least}{feasible:,} of them "
        f"({number(100 * feasible / considered, 2)} %) keep every limit."
    )
    if probed is not None:
        text += f" The counts below are of {probed:,} designs drawn at random."
    alone = max(rejections.items(), key=lambda item: item[1][1], default=None)
    if alone and alone[1][1]:
        text += (
            f" The rule that alone rejected the most is: {rule(alone[0]).label} "
            f"({alone[1][1]:,} designs that broke no other)."
        )
    return text


def rule_costs_of(
    found: DesignResult | None, cards: Sequence[Card], currency: str, stale: bool
) -> RuleCosts | None:
    """What each rule costs in energy, dearest first; `stale` where prices have moved since."""
    if found is None:
        return None
    letters = {card.design_id: card.letter for card in cards}
    rules = []
    for one in found["rules"]:
        picks = sorted((letters[k], v) for k, v in one["picks"].items() if k in letters)
        lifted, most, middle = int(one["lifted"]), float(one["most_J"]), float(one["middle_J"])
        start = float(one["from_J"])
        rules.append(
            RuleCost(
                str(one["margin"]),
                looser(str(one["margin"]), float(one["step"]), currency),
                f"{number(100 * lifted / found['front'], 2)} %",
                f"{number(middle, 2)} J in the middle, {number(most, 2)} J at most "
                f"(from {number(start, 2)} to {number(start + most, 2)} J)",
                ", ".join(f"{letter} {number(gain, 2)} J" for letter, gain in picks) or "none",
            )
        )
    free = "; ".join(rule(name).label for name in found["free"])
    basis = (
        f"Looked up among {int(found['tried']):,} designs one choice away from the front, two from "
        "the picks, so each number is the least that it is. Compared at the same cost, mass and "
        "effort. Looser means a better part or more of an arm, never a rule ignored."
    )
    if stale:
        basis += " Taken at the prices of the last launch; the next one looks again."
    return RuleCosts(
        _dearest(rules),
        tuple(rules),
        f"These rules cost no energy here, even ten times looser: {free}." if free else "",
        basis,
    )


def looser(name: str, step: float, currency: str) -> str:
    """A rule with `step` more room, in words; `step` is in the rule's unit, or in currency."""
    known = rule(name)
    amount = in_unit(step, of_differences(known.unit or currency), space="\u00a0")
    return (known.loosened_by or f"{{}} more room: {known.label}").format(amount)


def _dearest(rules: Sequence[RuleCost]) -> str:
    if not rules:
        return "No rule costs any energy here: looser ones would not lift a single design."
    first = rules[0]
    return (
        f"The dearest rule is: {rule(first.name).label}. With {first.looser}, "
        f"{first.lifted} of the front's designs would give more: {first.gain}."
    )


def choices_of(
    designs: DesignTable,
    goals: Sequence[Goal],
    effects: Mapping[str, Mapping[str, Mapping[str, float]]] | None,
    offered: Mapping[str, Sequence[tuple[str, str]]],
) -> tuple[LinkChoices, ...]:
    """For each part on offer of each link: its share of the front, and its best of each objective.

    `offered`: link -> (id, name) of its parts. `effects`: link -> part -> objective -> best value
    over all feasible designs; None counts over the page. The links come in the order of how much
    the choice of their part moves the most energy.
    """
    if not designs.ids:
        return ()
    values = np.array([column.values for column in designs.objectives], dtype=float)
    ranked = []
    for link in designs.links:
        used, place = np.array(link.used), {part.id: k for k, part in enumerate(link.parts)}
        known = dict(offered.get(link.name, ())) | {part.id: part.name for part in link.parts}
        choices, bests = [], []
        for part, name in known.items():
            mine = values[:, used == place.get(part, -1)]
            best = {
                goal.key: float(row.max() if goal.more_is_better else row.min())
                for goal, row in zip(goals, mine, strict=True)
                if row.size
            }
            if effects is not None:
                best = {**best, **effects.get(link.name, {}).get(part, {})}
            if best:
                bests.append(best)
            texts = tuple(goal.with_unit(best[goal.key]) for goal in goals) if best else ()
            choices.append(Choice(part, name, mine.shape[1] / len(used), texts))
        choices.sort(key=lambda c: (-c.share, not c.best))
        scope = "designs on this page" if effects is None else "all designs that keep every limit"
        effect, moves = _effect(goals, bests)
        ranked.append((moves, LinkChoices(link.name, link.label, scope, effect, tuple(choices))))
    ranked.sort(key=lambda pair: -pair[0])
    return tuple(link for _, link in ranked)


def _effect(goals: Sequence[Goal], bests: Sequence[Mapping[str, float]]) -> tuple[str, float]:
    """What the choice of a link's part moves, in words; and by what share the most energy."""
    if len(bests) < 2:
        return "only one part keeps every limit, so there is nothing to choose", 0.0
    words, moves = [], 0.0
    for goal in goals:
        low, high = (f(best[goal.key] for best in bests) for f in (min, max))
        spread = 1 - low / high if high > 0 else 0.0
        moves = spread if goal.key == ENERGY else moves
        if spread > EQUAL_WITHIN:
            worst, best = (low, high) if goal.more_is_better else (high, low)
            words.append(
                f"{'most' if goal.more_is_better else 'least'} {goal.label.lower()} "
                f"{goal.text(worst)} to {goal.with_unit(best)}"
            )
    return ", ".join(words) or "moves nothing that a person would notice", moves
