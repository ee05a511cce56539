"""What one swapped part would change, looked up among the stored designs; computes no physics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.model.averaged import REGIMES
from explorer.model.space import Rows
from explorer.report.format import money, number
from explorer.report.wording import LINK_WORDS, SETTING_WORDS
from explorer.store.keys import ids_of
from explorer.store.stored import Stored
from explorer.units import Array

if TYPE_CHECKING:
    from explorer.inputs.study import Project

TOLD_APART = 0.005
"""Share of a value below which two are the same to a person, as on the front."""


@dataclass(frozen=True)
class Neighbour:
    """A stored design that differs in one part; `verdict` is better, worse or a trade.

    `settings` says which settings it needs besides; `why` explains what may surprise.
    """

    design_id: str
    link: str
    part: str
    verdict: str
    words: str
    settings: str
    why: str


@dataclass(frozen=True)
class Around:
    """The neighbours of one design, and how many other parts have none."""

    neighbours: tuple[Neighbour, ...]
    sentence: str


def neighbours(
    project: Project, stored: Stored, cost: Array, rows: Sequence[int]
) -> dict[str, Around]:
    """For each of some rows: what every other part of every link would do in its place.

    Of the stored designs with that one part swapped that keep every rule of physics and the
    study's limits but the one on cost, the one whose settings differ least, most energy among
    equals. By design id.
    """
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
        told = [
            _neighbour(project, stored, cost, row, int(order[k]), int(which[k]))
            for k in np.sort(first)
        ]
        rank = {"better": 0, "trade": 1, "worse": 2}
        told.sort(key=lambda n: (rank[n.verdict], list(LINK_WORDS.values()).index(n.link)))
        offered = sum(len(project.study.choices[link]) - 1 for link in LINKS)
        (name,) = ids_of([stored.numbers[row]])
        found[name] = Around(tuple(told), _rest(offered - len(told)))
    return found


def _rest(count: int) -> str:
    if not count:
        return ""
    parts = "1 other part" if count == 1 else f"{count} other parts"
    return (
        f"For {parts} on offer nothing is stored: put in here alone, such a part breaks a rule or "
        "makes a chain that others beat at any price."
    )


def _neighbour(
    project: Project, stored: Stored, cost: Array, row: int, other: int, which: int
) -> Neighbour:
    link = LINKS_IN_ORDER[which]
    part = project.catalogue.parts[link][int(stored.designs.parts[link][other])]
    currency = project.catalogue.prices.currency
    energy = stored.delivered_energy_J
    # Positive is better throughout.
    gains = np.array([
        energy[other] - energy[row],
        cost[row] - cost[other],
        stored.mass_kg[row] - stored.mass_kg[other],
        stored.crank_effort_percent[row] - stored.crank_effort_percent[other],
    ])  # fmt: skip
    own = np.array([energy[row], cost[row], stored.mass_kg[row], stored.crank_effort_percent[row]])
    told = np.abs(gains) > TOLD_APART * np.abs(own)
    phrases = (
        ("more energy", "less energy", f"{number(abs(gains[0]), 2)} J"),
        ("cheaper", "dearer", money(abs(float(gains[1])), currency)),
        ("lighter", "heavier", f"{number(abs(gains[2]), 2)} kg"),
        ("less effort", "more effort", f"{number(abs(gains[3]), 2)} points"),
    )
    words = [
        f"{amount} {good if gain > 0 else bad}"
        for (good, bad, amount), gain, counts in zip(phrases, gains, told, strict=True)
        if counts
    ]
    up, down = bool((told & (gains > 0)).any()), bool((told & (gains < 0)).any())
    verdict = "trade" if up == down else "better" if up else "worse"
    (name,) = ids_of([stored.numbers[other]])
    return Neighbour(
        name,
        LINK_WORDS[link],
        part.name,
        verdict,
        ", ".join(words) or "no difference that a person could tell",
        _turned(stored, row, other),
        _why(stored, row, other, bool(told[0] and gains[0] < 0)),
    )


LINKS_IN_ORDER = tuple(LINKS)


def _turned(stored: Stored, row: int, other: int) -> str:
    told = []
    for name in SETTINGS:
        values = stored.designs.settings[name]
        if not np.isclose(values[other], values[row], rtol=1e-6):
            label, unit = SETTING_WORDS[name]
            told.append(f"{label} {number(float(values[other]))} {unit}".strip())
    return f"with {', '.join(told)}" if told else ""


def _why(stored: Stored, row: int, other: int, less: bool) -> str:
    """Why a swap that lets more power through can deliver less."""
    flooded = REGIMES.index("flooded")
    if less and stored.regime[other] == flooded and stored.regime[row] != flooded:
        cut = number(float(stored.designs.settings["overvoltage_off_V"][other]))
        return (
            f"The hand then gives more than the pack takes: the bank fills to the {cut} V cut-off "
            "and the load stays off. More power, less energy."
        )
    return ""


def rows_of(stored: Stored, ids: Sequence[str]) -> Rows:
    """Rows of the designs that are stored, in the order given."""
    found = (stored.find(name) for name in ids)
    return np.array([row for row in found if row is not None], dtype=np.int64)
