"""What the tables alone would promise, beside the front of promises."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from explorer.model.objectives import OBJECTIVES
from explorer.report.format import number
from explorer.report.goals import DesignResult, Goal
from explorer.report.page.content import NominalTable


class NominalFront(NamedTuple):
    """The front by nominal values: its size, how many of it do not stand by promises, and the best
    design by each objective.
    """

    size: int
    fallen: int
    best: Sequence[DesignResult]


def nominal_table(shown: Sequence[Goal], found: NominalFront) -> NominalTable:
    """In words, for the page."""
    rows = tuple(
        (
            one.wish_words,
            str(record["design_id"]),
            tuple(
                goal.with_unit(float(record[goal.key])) for goal in shown
            ),
            _promise(record),
            _hazard(record),
        )
        for one, record in zip(OBJECTIVES, found.best, strict=True)
    )  # fmt: skip
    sentence = (
        f"If every part were as its row says, {found.size:,} designs would stand on the front. "
        f"{found.fallen:,} of them do not when parts and hands differ: others promise more, or "
        "nobody drew them because others surely do."
    )
    return NominalTable(sentence, rows)


def _promise(record: DesignResult) -> str:
    promised = record["promised_energy_J"]
    return "not drawn" if promised is None else f"{number(promised)} J"


def _hazard(record: DesignResult) -> str:
    chance = record["hazard_chance"]
    return "not drawn" if chance is None else f"{number(100 * chance, 2)} %"
