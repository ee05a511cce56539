"""What to measure next: contenders of a choice, drawn in the same builds, and what knowing is worth

The choice is among designs that differ in cost, mass and effort, too. These count in joules, at the
rates at which today's choice is the best one: those of the weightings of all goals that like it
best. So a gain in joules is one over today's choice with everything taken into account.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.decision.picks import RECOMMENDED, Picker
from explorer.measuring.bench_effort import Effort, effort_of, joint_effort
from explorer.measuring.worth_of_knowing import (
    BUILD_NONE,
    Drawn,
    Knowing,
    KnowledgeGain,
    worth_of_knowing,
)
from explorer.model.common_draws import CommonDraws, Uncertain, common_draws
from explorer.model.objectives import ENERGY, KEYS
from explorer.model.space import Rows
from explorer.store.keys import ids_of
from explorer.units import Array

MOST_CONTENDERS = 8
CANDIDATES, ALIKE_CANDIDATES = 24, 3
"""Designs that are looked at before the contenders are chosen, and how many of one kind of chain
come before others."""
KIND = ("generator", "gearing", "cell")
"""Links that make chains of a kind."""
LOOK_DRAWS = 24
FIRST_LOOK = 2000
"""Builds by which contenders are chosen, and the number of the first: others than those by which
worth is found, so that chance does not choose what it then values."""
NEARLY = 0.85
"""Share of a candidate's builds that keep all rules but one, from which on it may come to hold when
one number is known."""
WORTH_DRAWS = 1000
"""Builds that decide what knowing is worth."""
FORBIDDING = 0.05
"""Share of results that forbid today's choice from which on a measurement is worth its effort
whatever it gains."""


@dataclass(frozen=True)
class Contest:
    """Rows of stored designs between which a choice is made, the first the one asked about.

    `offset_J` (contenders,): what cost, mass and effort say for or against each over the first.
    `rates`: joules that one unit of an objective counts as.
    """

    rows: Rows
    offset_J: Array
    rates: Mapping[str, float]


def contest(picker: Picker, row: int | None, workers: int = 1) -> Contest | None:
    """The contenders of a choice; of the recommended design, or of that which comes nearest to
    being one, where no `row` is given. None where nothing is stored to choose from.
    """
    if row is None:
        row = picker.picked().get(RECOMMENDED)
    drawn = np.array([one.draws > 0 for one in picker.odds(picker.stored.numbers[picker.rows])])
    some = picker.rows[drawn] if drawn.any() else picker.rows
    if row is None:
        if not len(some):
            return None
        points = _nominal_points(picker)[some]
        row = int(some[front.recommended(points, picker.units)])
    rates = _rates(picker, row)
    points = _nominal_points(picker)
    score_J = -(points[some] - points[row]) @ rates
    candidates = np.array([row, *_unlike(picker, some[np.argsort(-score_J)], row)], np.int64)
    offset_J = _offsets(points[candidates] - points[row], rates)
    seen = common_draws(
        picker.project, picker.stored.designs.take(candidates),
        range(FIRST_LOOK, FIRST_LOOK + LOOK_DRAWS), workers,
    )  # fmt: skip
    broken = np.concatenate([seen.hazard_room, seen.rule_room], axis=1) < 0
    kept = _most_promising(seen.energy_J + offset_J[:, None], broken)
    by_name = {key: float(rate) for key, rate in zip(KEYS, rates, strict=True) if key != ENERGY}
    return Contest(candidates[kept], offset_J[kept], by_name)


def _nominal_points(picker: Picker) -> Array:
    """Objectives of all stored designs with the energy of parts as in their tables: known of every
    design, whatever the study promises.
    """
    points = np.array(picker.stored.objectives(picker.cost))
    points[:, KEYS.index(ENERGY)] = -picker.stored.delivered_energy_J
    return points


def _rates(picker: Picker, row: int) -> Array:
    """Joules that one unit of each minimised objective counts as, (objectives,), energy's 1: the
    mean of the weightings that like a design best, or that it regrets least.
    """
    rivals = picker.holding()
    rivals = rivals[rivals != row]
    points = _nominal_points(picker)[np.append(rivals, row)] / picker.units
    weights = front.tastes(front.TASTES, points.shape[1])
    scores = points @ weights.T
    regret = scores[-1] - scores.min(axis=0)
    liked = weights[regret <= regret.min() + 1e-9].mean(axis=0) / picker.units
    return np.asarray(liked / liked[KEYS.index(ENERGY)])


def _offsets(gaps: Array, rates: Array) -> Array:
    """What all goals but energy say against designs (n, objectives), in joules, (n,)."""
    others = [k for k, key in enumerate(KEYS) if key != ENERGY]
    return np.asarray(-(gaps[:, others] @ rates[others]))


def _unlike(picker: Picker, ordered: Rows, first: int) -> list[int]:
    """The first rows of an order, those last of which many before them are nearly the same chain;
    without the `first` asked about.
    """
    count: dict[tuple[int, ...], int] = {}
    unlike: list[int] = []
    alike: list[int] = []
    for row in ordered[ordered != first].tolist():
        kind = tuple(int(picker.stored.designs.parts[link][row]) for link in KIND)
        count[kind] = count.get(kind, 0) + 1
        (unlike if count[kind] <= ALIKE_CANDIDATES else alike).append(row)
    return [*unlike, *alike][:CANDIDATES]


def _most_promising(value_J: Array, broken: NDArray[np.bool_]) -> list[int]:
    """Rows of candidates, of which `value_J` (candidates, n) is what they are worth in each build
    and `broken` (candidates, rules, n) which rules break there; the first row is always among them.

    In turn the one that adds most to the best of those taken, if in every build it were known which
    breaks no rule; and the most valuable one that would hold if a single rule were no question.
    """
    sound_J = np.where(broken.any(axis=1), 0.0, value_J)
    but_one = _kept_but_one(broken)
    nearly = [row for row in np.argsort(-value_J.mean(axis=1)) if but_one[row] >= NEARLY]
    kept, best_J = [0], np.maximum(sound_J[0], 0.0)
    while len(kept) < min(MOST_CONTENDERS, len(value_J)):
        rest = [row for row in range(len(value_J)) if row not in kept]
        gains = np.maximum(sound_J - best_J, 0.0).mean(axis=1)
        row = max(rest, key=lambda one: (gains[one], value_J[one].mean()))
        next_nearly = next((int(one) for one in nearly if one not in kept), row)
        kept.append(row if len(kept) % 2 else next_nearly)
        best_J = np.maximum(best_J, sound_J[kept[-1]])
    return kept


def _kept_but_one(broken: NDArray[np.bool_]) -> Array:
    """Share of builds in which candidates keep all rules but one, the best one to leave out."""
    count = broken.sum(axis=1)
    shares = [(count - broken[:, rule] == 0).mean(axis=1) for rule in range(broken.shape[1])]
    return np.asarray(np.max([(count == 0).mean(axis=1), *shares], axis=0))


def what_to_measure(
    picker: Picker, row: int | None = None, *, draws: int = WORTH_DRAWS, workers: int = 1
) -> dict[str, Any] | None:
    """What knowing each uncertain number is worth to the choice of a design, as `measure next`
    answers it; None where nothing is stored to choose from.
    """
    asked = contest(picker, row, workers)
    if asked is None:
        return None
    designs = picker.stored.designs.take(asked.rows)
    seen = common_draws(picker.project, designs, range(draws), workers)
    drawn = Drawn(
        seen.energy_J, seen.hazard_room, seen.rule_room, asked.offset_J, seen.numbers, seen.hands,
        picker.project.study.build.hazard_chance, picker.project.study.promise.at_least,
    )  # fmt: skip
    groups = measurements(seen)
    found = worth_of_knowing(drawn, {name: one.columns for name, one in groups.items()})
    names = ids_of(picker.stored.numbers[asked.rows])
    money = _money_for_a_joule(picker)
    rows = [_answer(groups[name], worth, money) for name, worth in found.worth.items()]
    rows.sort(key=lambda one: (-one["worth_J"], -one["falls_share"], one["minutes"]))
    return {
        "design_id": names[0],
        "chosen_today": None if found.today == BUILD_NONE else names[found.today],
        "contenders": names,
        "draws": draws,
        "rates_J": dict(asked.rates),
        "perfect_J": found.perfect_J,
        "worth": rows,
        "measure_nothing": measure_nothing(found),
    }


def measure_nothing(found: Knowing) -> bool:
    """Whether no measurement surely gains anything, and none is likely to forbid today's choice."""
    return not any(
        one.interval_J[0] > 0 or one.falls_share > FORBIDDING for one in found.worth.values()
    )


@dataclass(frozen=True)
class Measurement:
    """Numbers that one measurement gives: columns of the draws, and what it takes."""

    says: str
    where: str
    part: str
    fields: tuple[str, ...]
    columns: tuple[int, ...]
    effort: Effort


def measurements(seen: CommonDraws) -> dict[str, Measurement]:
    """Each uncertain number by itself, then each note that gives several of one part at once."""
    found: dict[str, Measurement] = {}
    notes: dict[tuple[str, str], list[int]] = {}
    for column, one in enumerate(seen.uncertain):
        effort = effort_of(one.where, one.fields[0])
        found[_name(one)] = Measurement(
            one.says, one.where, one.part, one.fields, (column,), effort
        )
        if effort.note and one.part:
            notes.setdefault((one.where, one.part), []).append(column)
    for (where, part), columns in notes.items():
        if len(columns) > 1:
            several = [seen.uncertain[column] for column in columns]
            effort = joint_effort([effort_of(one.where, one.fields[0]) for one in several])
            says = f"all that a note of this {where.replace('_', ' ')} gives"
            fields = tuple(field for one in several for field in one.fields)
            found[f"{where} {part}"] = Measurement(
                says, where, part, fields, tuple(columns), effort
            )
    return found


def _name(one: Uncertain) -> str:
    return f"{one.where} {one.part} {one.fields[0]}"


def _money_for_a_joule(picker: Picker) -> float | None:
    """What the study's [worth] pays for a joule; None where it does not say."""
    said = picker.project.study.worth
    if said.cost is None or said.delivered_energy_J is None:
        return None
    return float(said.cost / said.delivered_energy_J)


def _answer(one: Measurement, worth: KnowledgeGain, money: float | None) -> dict[str, Any]:
    return {
        "quantity": one.says,
        "link": one.where,
        "part": one.part or None,
        "columns": list(one.fields),
        "worth_J": worth.worth_J,
        "interval_J": list(worth.interval_J),
        "worth_money": None if money is None else worth.worth_J * money,
        "changes_share": worth.changes_share,
        "falls_share": worth.falls_share,
        "minutes": one.effort.minutes,
        "instruments": list(one.effort.instruments),
        "note": one.effort.note or None,
    }
