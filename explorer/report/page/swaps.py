"""What one swapped part would change, looked up among the stored designs; computes no physics."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from explorer.front import EQUAL_WITHIN
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import regimes
from explorer.model.objectives import ENERGY, OBJECTIVES
from explorer.report.format import number
from explorer.report.goals import goal_difference, goals
from explorer.report.page.content import Swap, Swaps
from explorer.report.wording import link_words, setting_words
from explorer.store.keys import ids_of
from explorer.store.stored import Stored
from explorer.units import Array

VERDICTS = ("better", "trade", "worse")
"""In the order in which a page lists swaps."""


def swaps_of(
    project: Project, stored: Stored, cost: Array, rows: Sequence[int]
) -> dict[str, Swaps]:
    """For each of some rows: what every other part of every link would do in its place.

    Of the stored designs with that one part swapped that keep every rule of physics and the
    study's limits but the one on cost, the one whose settings differ least, most energy among
    equals. By design id.
    """
    points = stored.objectives(cost)
    alike = np.stack([stored.designs.parts[link] for link in LINKS])
    settings = np.stack([stored.designs.settings[name] for name in SETTINGS])
    found = {}
    for row in rows:
        differs = alike != alike[:, [row]]
        near = np.flatnonzero(stored.feasible & (differs.sum(axis=0) == 1))
        turned = (~np.isclose(settings[:, near], settings[:, [row]], rtol=1e-6)).sum(axis=0)
        order = near[np.lexsort((-stored.delivered_energy_J[near], turned))]
        which = differs[:, order].argmax(axis=0)
        keys = np.stack([which, alike[which, order]])
        _, first = np.unique(keys, axis=1, return_index=True)
        links = list(LINKS)
        swaps = sorted(
            ((int(which[k]), _swap(project, stored, points, row, int(order[k]), links[which[k]]))
             for k in np.sort(first)),
            key=lambda pair: (VERDICTS.index(pair[1].verdict), pair[0]),
        )  # fmt: skip
        offered = sum(len(project.study.choices[link]) - 1 for link in LINKS)
        (name,) = ids_of([stored.numbers[row]])
        found[name] = Swaps(tuple(swap for _, swap in swaps), _rest(offered - len(swaps)))
    return found


def _rest(count: int) -> str:
    if not count:
        return ""
    parts = "1 other part" if count == 1 else f"{count} other parts"
    return (
        f"For {parts} on offer nothing is stored: put in here alone, such a part breaks a rule or "
        "makes a chain that others beat at any price."
    )


def _swap(project: Project, stored: Stored, points: Array, row: int, other: int, link: str) -> Swap:
    part = project.catalogue.parts[link][int(stored.designs.parts[link][other])]
    own, gap = points[row], points[other] - points[row]
    counts = np.abs(gap) > EQUAL_WITHIN * np.abs(own)
    shown = zip(
        goals(project.catalogue.prices.currency, project.study.by_promise),
        OBJECTIVES,
        gap,
        counts,
        strict=True,
    )
    words = [
        goal_difference(goal, float(one.sign * by)) for goal, one, by, differs in shown if differs
    ]
    better, worse = bool((counts & (gap < 0)).any()), bool((counts & (gap > 0)).any())
    energy = [one.key for one in OBJECTIVES].index(ENERGY)
    (name,) = ids_of([stored.numbers[other]])
    return Swap(
        name,
        link_words(link),
        part.name,
        "trade" if better == worse else "better" if better else "worse",
        ", ".join(words) or "no difference that a person would notice",
        _turned(stored, row, other),
        _why(stored, row, other, bool(counts[energy] and gap[energy] > 0)),
    )


def _turned(stored: Stored, row: int, other: int) -> str:
    """The settings that the other design needs."""
    needed = []
    for name in SETTINGS:
        values = stored.designs.settings[name]
        if not np.isclose(values[other], values[row], rtol=1e-6):
            label, unit = setting_words(name)
            needed.append(f"{label} {number(float(values[other]))} {unit}".strip())
    return f"with {', '.join(needed)}" if needed else ""


def _why(stored: Stored, row: int, other: int, less: bool) -> str:
    """Why a swap that lets more power through can deliver less."""
    if less and stored.regime[other] == regimes.FLOODED != stored.regime[row]:
        cut = number(float(stored.designs.settings["overvoltage_off_V"][other]))
        return (
            f"The hand then gives more than the pack takes: the bank fills to the {cut} V cut-off "
            "and the load stays off. More power, less energy."
        )
    return ""
