"""Every combination of a space, exactly, without solving the whole chain for each.

Front halves and back halves are enumerated apart. Rules that one half alone decides drop halves;
rules that a few numbers of both halves decide drop pairs, by bounds that no feasible design
breaks. What is left is evaluated in full. Kept is every feasible design that no other one beats
at any price, so that prices may change without computing physics again; where the study goes by
promises, every feasible design: one that is beaten at nominal values may promise more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.links import BACK_LINKS, FRONT_LINKS, LINKS
from explorer.inputs.records import FRONT_SETTINGS, SETTINGS
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project
from explorer.model import margins as rule_margins
from explorer.model.back_half import back_halves
from explorer.model.evaluation import Evaluation
from explorer.model.space import Designs, Rows, Space
from explorer.search.dominance import codes, worth_keeping
from explorer.search.pairing import FrontHalves, Pairing

HALVES_PER_BLOCK = 240
"""Front halves a block takes on: bounds its memory, and the work lost when it is cut short."""
BACKS_AT_A_TIME = 16_384
"""Back halves that a block's front halves are joined with at a time: bounds its memory too."""
COMBINATIONS_PER_BLOCK = 2_000_000
"""Of back halves that keep their own rules with front halves: a block takes fewer of the latter
where there are many of the former, so that what it keeps and sends back stays small.
"""


class BlockResult(NamedTuple):
    """What one block found: kept designs, and how many were considered and feasible."""

    number: int
    kept: Evaluation | None
    considered: int
    feasible: int
    solved: int


@dataclass(frozen=True)
class Sweep:
    """A space cut into blocks of front halves, each to be joined with every back half."""

    project: Project
    fronts: Space
    backs: Space
    back_rows: Rows
    """Back halves that keep their own rules with every pack, as numbers in `backs`."""
    stems: Rows
    """Of each of them: equal where they differ in clamp and overvoltage threshold alone, rising."""
    halves_per_block: int
    """Whole bills of materials: every cadence and connection of a front half is in one block."""

    @classmethod
    def of(cls, project: Project, space: Space | None = None) -> Sweep:
        """Prepare the sweep of a study's whole space, or of some other of the same tables."""
        space = space or Space.of(project)
        one = {link: rows[:1] for link, rows in space.choices.items()}
        single = {name: _only(setting.values[:1]) for name, setting in space.settings.items()}
        listed = {name: _only(setting.values) for name, setting in space.settings.items()}
        fronts = Space(
            {link: space.choices[link] if link in FRONT_LINKS else one[link] for link in LINKS},
            {name: (listed if name in FRONT_SETTINGS else single)[name] for name in SETTINGS},
        )
        backs = Space(
            {link: space.choices[link] if link in BACK_LINKS else one[link] for link in LINKS},
            {name: (single if name in FRONT_SETTINGS else listed)[name] for name in SETTINGS},
        )
        starts = range(0, backs.size, BACKS_AT_A_TIME)
        kept = [
            _backs_keeping_rules(project, backs, np.arange(s, min(s + BACKS_AT_A_TIME, backs.size)))
            for s in starts
        ]
        rows = np.concatenate(kept)
        stems = _stems(backs, rows)
        order = np.lexsort((rows, stems))
        turned = prod(len(fronts.settings[name].values) for name in FRONT_SETTINGS)
        most = min(HALVES_PER_BLOCK, COMBINATIONS_PER_BLOCK // max(len(rows), 1))
        per_block = max(most // turned, 1) * turned
        return cls(project, fronts, backs, rows[order], stems[order], per_block)

    @property
    def size(self) -> int:
        """How many combinations the sweep covers."""
        return self.fronts.size * self.backs.size

    def __len__(self) -> int:
        return -(-self.fronts.size // self.halves_per_block)

    def holds(self, designs: Designs, blocks: Sequence[int]) -> NDArray[np.bool_]:
        """Which designs are combinations of some blocks, (n,)."""
        first = np.zeros(len(designs), np.int64)
        still = self.fronts.at(first)
        front = self.fronts.numbers(
            Designs(
                {k: (designs if k in FRONT_LINKS else still).parts[k] for k in LINKS},
                {k: (designs if k in FRONT_SETTINGS else still).settings[k] for k in SETTINGS},
            )
        )
        still = self.backs.at(first)
        back = self.backs.numbers(
            Designs(
                {k: (designs if k in BACK_LINKS else still).parts[k] for k in LINKS},
                {k: (still if k in FRONT_SETTINGS else designs).settings[k] for k in SETTINGS},
            )
        )
        inside = np.isin(front // self.halves_per_block, np.asarray(blocks, dtype=np.int64))
        return inside & (front >= 0) & (back >= 0)

    def block(self, number: int) -> BlockResult:
        """Cover one block."""
        start = number * self.halves_per_block
        rows = np.arange(start, min(start + self.halves_per_block, self.fronts.size))
        fronts = FrontHalves.of(self.project, self.fronts.at(rows))
        solved, feasible, kept = 0, 0, []
        for cut in range(0, len(self.back_rows) if len(fronts.designs) else 0, BACKS_AT_A_TIME):
            some = slice(cut, cut + BACKS_AT_A_TIME)
            pairing = Pairing.of(fronts, self.backs.at(self.back_rows[some]), self.stems[some])
            for half, back in pairing.pairs():
                good, best = pairing.evaluate(half, back)
                solved, feasible = solved + len(half), feasible + good
                if best is not None:
                    kept.append(best)
        considered = len(rows) * self.backs.size
        if not kept:
            return BlockResult(number, None, considered, feasible, solved)
        found = Evaluation.concatenate(kept)
        best = found.take(worth_keeping(self.project, found))
        return BlockResult(number, best, considered, feasible, solved)


def _only(values: tuple[float, ...]) -> Setting:
    """A setting that takes these values alone."""
    return Setting.model_validate(list(values))


def _backs_keeping_rules(project: Project, backs: Space, rows: Rows) -> Rows:
    """Back halves, of some rows, that keep their own rules with every pack."""
    designs = backs.at(rows)
    for pack_id in project.study.session.packs:
        back = back_halves(project.catalogue, designs, project.catalogue.packs[pack_id])
        margins = rule_margins.back_margins(project, designs, back)
        kept = np.all([margin >= 0 for margin in margins.values()], axis=0)
        rows, designs = rows[kept], designs.take(kept)
    return rows


def _stems(backs: Space, rows: Rows) -> Rows:
    """Numbers of back halves without clamp and overvoltage threshold."""
    designs = backs.at(rows)
    places = [designs.parts[link] for link in BACK_LINKS if link != "clamp"]
    places += [
        np.unique(designs.settings[name], return_inverse=True)[1].reshape(-1)
        for name in SETTINGS
        if name != "overvoltage_off_V"
    ]
    return codes(places)
