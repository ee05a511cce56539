"""Why these and not the others: what was turned away, what a rule costs, what a choice does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from explorer.report.content import Choice, Designs, LinkChoices, Objective, Record, Rejection
from explorer.report.goals import objective_text
from explorer.report.numerals import number
from explorer.report.words import margin_words


def rejections_of(
    rejections: Mapping[str, tuple[int, int]], search: Record, probed: int | None
) -> tuple[Rejection, ...]:
    counted = max(int(search.get("designs_considered", 0)) if probed is None else probed, 1)
    ranked = sorted(rejections.items(), key=lambda item: (-item[1][0], item[0]))
    return tuple(
        Rejection(name, margin_words(name).broken, int(n), int(alone), int(n) / counted)
        for name, (n, alone) in ranked
        if n
    )


def rejection_sentence(
    rejections: Mapping[str, tuple[int, int]], search: Record, probed: int | None
) -> str:
    considered, feasible = (int(search.get(f"designs_{k}", 0)) for k in ("considered", "feasible"))
    if not considered:
        return "No design was looked at."
    text = (
        f"{considered:,} designs were looked at, {feasible:,} of them "
        f"({number(100 * feasible / considered, 2)} %) keep every limit."
    )
    if probed is not None:
        text += f" The counts below are of {probed:,} designs drawn at random."
    alone = max(rejections.items(), key=lambda item: item[1][1], default=None)
    if alone and alone[1][1]:
        text += (
            f" One rule alone turned away the most: {margin_words(alone[0]).rule} "
            f"({alone[1][1]:,} designs that broke no other)."
        )
    return text


def levers_of(levers: Sequence[Record]) -> tuple[str, ...]:
    """What each rule costs, dearest first; rules that cost nothing are not told."""
    told = []
    for lever in sorted(levers, key=lambda one: -float(one["gain_J"])):
        words, gain = margin_words(str(lever["margin"])), float(lever["gain_J"])
        if gain > 0:
            step = f"{number(float(lever['step']))} {words.unit}".strip()
            told.append(f"{step} more room in {words.rule} would buy {number(gain, 2)} J.")
    return tuple(told)


def choices_of(
    designs: Designs,
    goals: Sequence[Objective],
    effects: Mapping[str, Mapping[str, Mapping[str, float]]] | None,
) -> tuple[LinkChoices, ...]:
    """What each part of each link takes part in: its share of the front, its best by objective."""
    if not designs.ids:
        return ()
    values = np.array([column.values for column in designs.objectives], dtype=float)
    result = []
    for link in designs.links:
        used = np.array(link.used)
        choices = []
        for k, part in enumerate(link.parts):
            mine = values[:, used == k]
            best = {
                goal.key: float(row.max() if goal.more_is_better else row.min())
                for goal, row in zip(goals, mine, strict=True)
            }
            if effects is not None:
                best = {**best, **effects.get(link.name, {}).get(part.id, {})}
            choices.append(
                Choice(
                    part.id,
                    part.name,
                    float(np.mean(used == k)),
                    tuple(objective_text(goal, best) for goal in goals),
                )
            )
        choices.sort(key=lambda c: -c.share)
        scope = "designs on this page" if effects is None else "all designs that keep every limit"
        result.append(LinkChoices(link.name, link.label, scope, tuple(choices)))
    return tuple(result)
