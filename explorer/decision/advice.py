"""What to do with a design that was decided for: stay, turn it differently, swap parts, rebuild.

Everything is chosen among `Candidates`; no physics is computed, so that new prices are answered by
what is stored.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.decision import what_counts
from explorer.decision.candidates import Candidates, Origin, swapped
from explorer.front import non_dominated
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluation import json_number
from explorer.model.objectives import COST, EFFORT, KEYS, OBJECTIVES, Objective
from explorer.model.space import Rows, plain_setting
from explorer.store.keys import ids_of
from explorer.units import Array, unit_of

MOST_SWAPPED = 2
"""Parts that may be swapped before it is called rebuilding."""
LABELS = ("without a part", "with one part", "with two parts")
CADENCE, DELTA = "cadence_rpm", "delta"

Action = Literal["stay", "turn", "swap", "rebuild", "none"]


class ToBuy(NamedTuple):
    """A line of what a change takes: `quantity` pieces a kit of a part, of which all kits together
    buy `bought`; `amount` is one kit's share of that.
    """

    link: str
    part: str
    name: str
    quantity: int
    bought: int
    amount: float


@dataclass(frozen=True)
class Option:
    """A design that another may be changed into.

    `swaps` counts the parts that are swapped, `parts` and `settings` are those that differ.
    `buys` is what must be bought for it and `cost_to_switch` its sum, `cost` what must be spent on
    all of the design. `gains` says by how much each objective is better, in its unit, below 0 where
    it is worse, and None where one of the two cannot be bought; `words` the same on one line.
    """

    swaps: int
    design_id: str
    parts: Mapping[str, str]
    settings: Mapping[str, float | int]
    buys: tuple[ToBuy, ...]
    cost_to_switch: float
    cost: float
    delivered_energy_J: float
    promised_energy_J: float | None
    mass_kg: float
    crank_effort_percent: float
    gains: Mapping[str, float | None]
    words: str
    text: str

    @property
    def label(self) -> str:
        """How many parts it swaps, in words."""
        return LABELS[self.swaps] if self.swaps < len(LABELS) else "rebuilt"

    @property
    def plain(self) -> dict[str, Any]:
        """The option as plain values."""
        return {
            "label": self.label,
            **{name: getattr(self, name) for name in self.__dataclass_fields__},
            "parts": dict(self.parts),
            "settings": dict(self.settings),
            "gains": dict(self.gains),
            "buys": [line._asdict() for line in self.buys],
        }


@dataclass(frozen=True)
class Advice:
    """What to do, in one sentence, and what that takes."""

    action: Action
    design_id: str | None
    parts: Mapping[str, str]
    settings: Mapping[str, float | int]
    cost_to_switch: float | None
    text: str

    @property
    def plain(self) -> dict[str, Any]:
        """The advice as plain values."""
        return {
            "action": self.action,
            "design_id": self.design_id,
            "parts": dict(self.parts),
            "settings": dict(self.settings),
            "cost_to_switch": self.cost_to_switch,
            "text": self.text,
        }


class Weighed(NamedTuple):
    """What candidates make of a design: what beats it, what it should become, the best change by
    how many parts it swaps, and the advice.
    """

    rival: Option | None
    target: Option | None
    options: tuple[Option, ...]
    advice: Advice


def weigh(
    project: Project, found: Candidates, origin: Origin, own: Array, *, stands: bool, units: Array
) -> Weighed:
    """What to do with a design, its objectives minimised in `own` (objectives,), NaN unknown.

    `stands` says that it keeps every rule and limit, and can be bought. `units` (objectives,) says
    how much of each objective counts alike, as for a recommendation (`bounds.goal_units`).

    A design that stands is beaten by what `what_counts.beats` it: then the smallest change counts
    after which nothing beats it any more. For one that does not stand the smallest change counts
    after which it would. Of equally small ones the best by `units` is taken. An option is what
    lasts, or else beats the design, or else is worth more by `units`.
    """
    links = swapped(project, found.designs, origin, found.pieces)
    option, swaps = _Options(project, found, origin, own, links), links.sum(axis=1)
    worth = -(found.points / units).sum(axis=1)
    # Numbers that are a session's go first.
    by_worth = np.lexsort((-worth, ~found.stepped))
    by_worth = by_worth[found.numbers[by_worth] != np.uint64(origin.number)]
    rivals = by_worth[what_counts.beats(project, found.points[by_worth], own)]
    lasts = _Lasting.among(project, found.points, rivals)
    lasting = (lasts.first(rivals[swaps[rivals] == count]) for count in np.unique(swaps[rivals]))
    rival = option.at(next((row for row in lasting if row is not None), None))
    nearest = _first(by_worth[np.argsort(swaps[by_worth], kind="stable")])
    target = rival if stands else option.at(nearest)
    least = -float((own / units).sum()) if stands else -np.inf
    best = []
    for count in range(MOST_SWAPPED + 1):
        mine, beating = (rows[swaps[rows] == count] for rows in (by_worth, rivals))
        row = lasts.first(beating) if stands else None
        row = _first(beating) if row is None and stands else row
        row = _first(mine[worth[mine] > least]) if row is None else row
        best.append(option.at(row))
    known = tuple(one for one in best if one is not None)
    return Weighed(rival, target, known, _advice(target, stands=stands))


class _Lasting(NamedTuple):
    """Which of some rivals (n, objectives) no other one beats; `best` are those of their front."""

    project: Project
    points: Array
    best: Array

    @classmethod
    def among(cls, project: Project, points: Array, rivals: Rows) -> _Lasting:
        """Of rivals at some rows of points."""
        some = points[rivals]
        return cls(project, points, some[non_dominated(some)] if len(some) else some)

    def first(self, rows: Rows) -> int | None:
        """The first of some of the rivals that none beats."""
        for row in rows.tolist():
            # What beats it is on the rivals' front, or no better than one there.
            if not what_counts.beats(self.project, self.best, self.points[row]).any():
                return int(row)
        return None


def _first(rows: Rows) -> int | None:
    return int(rows[0]) if rows.size else None


@dataclass(frozen=True)
class _Options:
    """Makes options of rows of candidates."""

    project: Project
    found: Candidates
    origin: Origin
    own: Array
    links: NDArray[np.bool_]

    def at(self, row: int | None) -> Option | None:
        """The option that a row is."""
        if row is None:
            return None
        values = dict(zip(KEYS, self.found.points[row].tolist(), strict=True))
        gains = what_counts.gains(self.found.points[row], self.own)
        by = {key: json_number(v) for key, v in zip(KEYS, gains, strict=True)}
        parts, settings, buys = self._parts(row), self._settings(row), self._buys(row)
        paid = float(costing.rounded_money(sum(line.amount for line in buys)))
        words = _gain_words(self.project, gains, what_counts.least_gains(self.project, self.own))
        (name,) = ids_of([self.found.numbers[row]])
        swaps = int(self.links[row].sum())
        todo = _change_words(self.project, name, parts, settings, buys, swaps, paid)
        return Option(
            swaps=swaps,
            design_id=name,
            parts=parts,
            settings=settings,
            buys=buys,
            cost_to_switch=paid,
            cost=values[COST],
            delivered_energy_J=float(self.found.delivered_J[row]),
            promised_energy_J=json_number(self.found.promised_J[row]),
            mass_kg=values["mass_kg"],
            crank_effort_percent=values[EFFORT],
            gains=by,
            words=words,
            text=f"{todo}: {words}",
        )

    def _parts(self, row: int) -> dict[str, str]:
        changed = (link for link, other in zip(LINKS, self.links[row], strict=True) if other)
        rows = self.found.designs.parts
        return {k: self.project.catalogue.parts[k][int(rows[k][row])].id for k in changed}

    def _settings(self, row: int) -> dict[str, float | int]:
        mine, other = self.origin.design.settings, self.found.designs.settings
        pairs = {
            name: (plain_setting(name, mine[name][0]), plain_setting(name, other[name][row]))
            for name in SETTINGS
        }
        return {name: new for name, (old, new) in pairs.items() if old != new}

    def _buys(self, row: int) -> tuple[ToBuy, ...]:
        """What is bought of parts that are other ones, or of which other pieces are needed."""
        lines = []
        own = costing.quantities(self.project.catalogue, self.origin.design)
        for place, link in enumerate(LINKS):
            count = int(self.found.pieces[link][row])
            if not self.links[row, place] and count == int(own[link][0]):
                continue
            part = self.project.catalogue.parts[link][int(self.found.designs.parts[link][row])]
            paid = costing.spending(self.project, part.id, count)
            if paid.bought:
                lines.append(ToBuy(link, part.id, part.name, count, paid.bought, paid.amount))
        return tuple(lines)


def _advice(option: Option | None, *, stands: bool) -> Advice:
    if option is None and stands:
        words = "Stay: nothing that is known beats it by what counts."
        return Advice("stay", None, {}, {}, 0.0, words)
    if option is None:
        words = "Nothing that is known keeps today's rules and limits: launch the study again."
        return Advice("none", None, {}, {}, None, words)
    action: Action = "rebuild"
    if option.swaps <= MOST_SWAPPED:
        action = "swap" if option.swaps else "turn"
    return Advice(
        action,
        option.design_id,
        option.parts,
        option.settings,
        option.cost_to_switch,
        f"{option.text}.",
    )


def _gain_words(project: Project, gains: Array, counts: Array) -> str:
    """What is better and worse by what counts, as `120 J more energy, 3.20 EUR dearer`."""
    words = [
        f"{_amount(project, one, abs(gain))} {one.comparative(-one.sign * gain)}"
        for one, gain, least in zip(OBJECTIVES, gains.tolist(), counts, strict=True)
        if isfinite(gain) and abs(gain) > least
    ]
    return ", ".join(words) or "no difference that counts"


def _amount(project: Project, one: Objective, amount: float) -> str:
    if one.is_money:
        return f"{amount:,.2f} {project.catalogue.prices.currency}"
    return f"{float(f'{amount:.3g}'):,g} {one.unit}"


def _change_words(
    project: Project,
    name: str,
    parts: Mapping[str, str],
    settings: Mapping[str, float | int],
    buys: tuple[ToBuy, ...],
    swaps: int,
    paid: float,
) -> str:
    """What is to be done: `Swap the converter for 8.90 EUR (wide_5v), turn at 59 rpm`."""
    cost = f"for {paid:,.2f} {project.catalogue.prices.currency}" if buys else "at no cost"
    todo = [_setting_words(key, value) for key, value in settings.items()]
    if swaps > MOST_SWAPPED:
        other = f"{swaps} other parts"
        todo = [f"rebuild as {name}, {other} {cost}"]
    elif swaps:
        links = " and the ".join(link.replace("_", " ") for link in parts)
        todo.insert(0, f"swap the {links} {cost} ({', '.join(parts.values())})")
    words = ", ".join(todo) or f"build it as {name}"
    return f"{words[0].upper()}{words[1:]}"


def _setting_words(name: str, value: float) -> str:
    unit = unit_of(name)
    if name == CADENCE:
        return f"turn at {value:g} {unit}"
    if name == DELTA:
        return f"connect the windings in {'a triangle' if value else 'a star'}"
    stem = name.removesuffix(f"_{unit}") if unit else name
    return f"set {stem.replace('_', ' ')} to {value:g} {unit}".rstrip()
