"""Which combinations finished sweeps have covered, and what a study still has to sweep."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer import MODEL_VERSION
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.study import Project
from explorer.model import objectives
from explorer.model.evaluate import evaluate
from explorer.model.limits import OF_LIMITS
from explorer.model.space import Designs, Space
from explorer.search import boxes
from explorer.search.progress import SearchState
from explorer.search.sweep import Sweep
from explorer.store.results import Store

KEPT = "unbeaten within a bill of materials"
KEPT_FOR_PROMISES = "every feasible design"
"""What a sweep keeps, without and with promises. A sweep that kept something else covers nothing:
when the rule changes, so must these words.
"""


def contents(project: Project, space: Space) -> str:
    """Name of what a sweep keeps, and of each design: objectives, margins, ledger, readings, cases.

    Of another name, a sweep may lack designs or results that today's needs.
    """
    one = evaluate(project, space.at(np.zeros(1, dtype=np.int64)))
    margins = [name for name in one.margins if name not in OF_LIMITS]
    cases = [tuple(case.name) if case.name.shift else case.name[:2] for case in one.cases]
    keys = [objective.key for objective in objectives.OBJECTIVES]
    kept = KEPT_FOR_PROMISES if project.study.by_promise else KEPT
    return content_hash([kept, keys, margins, list(one.ledger_J), list(one.readings), cases])


class Cover:
    """The boxes that finished sweeps of the same model and scenario have covered."""

    def __init__(self, project: Project, store: Store, space: Space, kept: str) -> None:
        self.project, self.store = project, store
        self.key = f"covered:{content_hash([MODEL_VERSION, project.scenario_hash, kept])}"
        self.limits = project.study.limits_of_parts.model_dump(mode="json", exclude={"cost"})
        self.whole = boxes.box_of(project, space)
        self.entries: list[dict[str, Any]] = store.search_progress(self.key).get("boxes", [])
        self.words: list[str] = []

    @property
    def serving(self) -> list[dict[str, Any]]:
        """Those whose limits let them serve today."""
        limits = self.project.study.limits_of_parts
        return [entry for entry in self.entries if boxes.still_holds(entry["limits"], limits)]

    def open(self, state: SearchState) -> int:
        """How many combinations a search in some state still has to sweep."""
        if state.pieces is None:
            return self._open(self.serving)
        return boxes.size(self.whole) - state.covered

    def holds(self, state: SearchState) -> Callable[[Designs], NDArray[np.bool_]]:
        """A function that says which designs a sweep has evaluated, whole or some blocks of it."""
        shared = (boxes.overlap(entry["box"], self.whole) for entry in self.serving)
        spaces = [boxes.space_of(self.project, box) for box in shared if box is not None]
        begun = [
            (Sweep.of(self.project, boxes.space_of(self.project, piece.box)), piece.blocks)
            for piece in state.pieces or ()
            if piece.blocks
        ] if state.covered < boxes.size(self.whole) else []  # fmt: skip

        def covered(designs: Designs) -> NDArray[np.bool_]:
            inside = np.zeros(len(designs), dtype=bool)
            for space in spaces:
                inside |= space.numbers(designs) >= 0
            for sweep, blocks in begun:
                inside |= sweep.holds(designs, blocks)
            return inside

        return covered

    def left(self) -> list[boxes.Box]:
        """What no earlier sweep has covered; says so in words."""
        left = boxes.difference(self.whole, [entry["box"] for entry in self.serving])
        total, open_ = boxes.size(self.whole), sum(map(boxes.size, left))
        if open_ < total:
            self.words.append(
                f"{total - open_:,} of {total:,} combinations were swept before, {open_:,} are new"
            )
        elif self.entries and not self.serving:
            self.words.append("earlier sweeps had other limits, so none of them can be reused")
        return left

    def feasible_before(self) -> tuple[int, bool]:
        """Feasible designs among what was covered, and whether that is their exact number: it is
        for boxes that today's space holds whole under the same limits; else the stored ones count.
        """
        inside = [
            entry for entry in self.serving
            if entry["limits"] == self.limits and entry["counted"]
            and not boxes.without(entry["box"], self.whole)
        ]  # fmt: skip
        apart = sum(boxes.size(entry["box"]) for entry in inside)
        if self._covered(inside) == apart == self._covered(self.serving):
            return sum(int(entry["feasible"]) for entry in inside), True
        stored, _ = self.store.load(self.project)
        self.words.append(
            "of those swept before, only the stored ones are counted as feasible: at least so many"
        )
        return int(stored.keeps_limits.sum()), False

    def _covered(self, entries: Sequence[Mapping[str, Any]]) -> int:
        return boxes.size(self.whole) - self._open(entries)

    def _open(self, entries: Sequence[Mapping[str, Any]]) -> int:
        left = boxes.difference(self.whole, [entry["box"] for entry in entries])
        return sum(map(boxes.size, left))

    def add(self, box: boxes.Box, feasible: int, counted: bool) -> None:
        """Note that a box is covered; what it holds need not be noted any longer."""
        kept = [
            entry for entry in self.entries
            if entry["limits"] != self.limits or boxes.without(entry["box"], box)
        ]  # fmt: skip
        new = {"box": dict(box), "limits": self.limits, "feasible": feasible, "counted": counted}
        self.entries = [*kept, new]
        self.store.save_progress(self.key, {"boxes": self.entries})
