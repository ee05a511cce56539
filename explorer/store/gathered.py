"""Designs of blocks in whatever layout, put together and found again in today's tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.catalogue import Catalogue
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project, Study
from explorer.model import objectives
from explorer.model.space import Designs, Rows
from explorer.store import layout as described
from explorer.store.keys import Numbers, default_row, default_setting, design_numbers
from explorer.store.layout import Layout
from explorer.store.stored import NotReused
from explorer.units import Array

PLACES = 2**32
"""Places that a block has room for: a design's place is its block's number times this, and its row.
"""
DEFAULT = -1
"""In the place of a vocabulary number: the row that stands for a link which a block lacks."""


class Block(NamedTuple):
    """A block that can be read: its number, how many designs it holds, its layout, what computed
    it, and whether its results are those of sessions stepped through time.
    """

    id: int
    rows: int
    layout: Layout
    source: str
    stepped: bool


Columns = Mapping[str, NDArray[Any]]
"""Columns (count, rows) of a block, by name."""


@dataclass(frozen=True)
class Gathered:
    """Designs of several blocks, (n,) arrays; parts by their number in the store's vocabulary."""

    parts: Mapping[str, NDArray[np.int16]]
    settings: Mapping[str, Array]
    session: Mapping[str, Array]
    """The objectives that a session decides, by key."""
    first_charge_s: Array
    regime: NDArray[np.int8]
    keeps_physics: NDArray[np.bool_]
    may_keep: NDArray[np.bool_]
    energy_doubt: Array
    stepped: NDArray[np.bool_]
    numbers: Numbers
    renamed: NDArray[np.bool_]
    """Where a block lacks a link or a setting of today, so that its designs have other ids now."""
    places: Rows

    @classmethod
    def of(cls, blocks: Sequence[Block], columns_of: Callable[[Block], Columns]) -> Gathered:
        """The designs of blocks that lack nothing without a default, one block at a time."""
        n = sum(block.rows for block in blocks)
        parts = {link: np.full(n, DEFAULT, np.int16) for link in LINKS}
        settings = {name: np.empty(n) for name in SETTINGS}
        session = {key: np.empty(n) for key in objectives.session_keys()}
        first_charge_s, regime = np.empty(n), np.empty(n, np.int8)
        keeps_physics, renamed = np.empty(n, bool), np.zeros(n, bool)
        stepped, may_keep, energy_doubt = np.empty(n, bool), np.empty(n, bool), np.empty(n)
        numbers, places = np.empty(n, np.uint64), np.empty(n, np.int64)
        start = 0
        for block in blocks:
            at, start = slice(start, start + block.rows), start + block.rows
            columns, layout = columns_of(block), block.layout
            held = layout.by_name(described.PARTS, columns)
            for link, column in held.items():
                parts[link][at] = column
            values = layout.by_name(described.SETTINGS_OF, columns)
            for name in SETTINGS:
                settings[name][at] = values.get(name, default_setting(name))
            for key, column in session.items():
                column[at] = columns[key][0]
            first_charge_s[at] = columns[described.FIRST_CHARGE][0]
            regime[at] = columns[described.REGIME][0]
            keeps_physics[at] = columns[described.KEEPS_PHYSICS][0]
            may_keep[at] = columns.get(described.MAY_KEEP, columns[described.KEEPS_PHYSICS])[0]
            energy_doubt[at] = columns[described.DOUBT][0] if described.DOUBT in columns else 0.0
            stepped[at] = block.stepped
            numbers[at] = columns[described.NUMBERS][0]
            renamed[at] = len(held) < len(LINKS) or len(values) < len(SETTINGS)
            places[at] = PLACES * block.id + np.arange(block.rows)
        return cls(parts, settings, session, first_charge_s, regime, keeps_physics, may_keep,
                   energy_doubt, stepped, numbers, renamed, places)  # fmt: skip

    def numbers_of(
        self, catalogue: Catalogue, designs: Designs, usable: NDArray[np.bool_]
    ) -> Numbers:
        """Today's ids of the designs, as numbers; those of unusable ones are as they were."""
        rows = np.flatnonzero(self.renamed & usable)
        numbers = self.numbers.copy()
        numbers[rows] = design_numbers(catalogue, designs.take(rows))
        return numbers


def lacks(layout: Layout) -> str | None:
    """Why designs of a layout cannot be used today, in words; None where they can."""
    return next(_lacking(layout), None)


def _lacking(layout: Layout) -> Iterator[str]:
    needed = (described.PARTS, described.SETTINGS_OF, described.NUMBERS, described.FIRST_CHARGE,
              described.REGIME, described.KEEPS_PHYSICS, *objectives.session_keys())  # fmt: skip
    yield from (f"stored without {name}" for name in needed if not layout.has(name))
    links, settings = layout.names_of(described.PARTS), layout.names_of(described.SETTINGS_OF)
    for what, names, today in (("link", links, tuple(LINKS)), ("setting", settings, SETTINGS)):
        for name in names:
            if name not in today:
                yield f"stored with the {what} {name}, which this release does not have"
    before = "stored before there was the {} {}, and nothing in its place is known"
    yield from (
        before.format("link", link)
        for link in LINKS
        if link not in links and default_row(link) is None
    )
    yield from (
        before.format("setting", name)
        for name in SETTINGS
        if name not in settings and default_setting(name) is None
    )


def in_todays_tables(
    project: Project,
    numbers: Mapping[str, NDArray[np.int16]],
    vocabulary: Mapping[str, Sequence[tuple[str, str]]],
) -> tuple[dict[str, Rows], NDArray[np.bool_], list[NotReused]]:
    """Rows (n,) a link in today's tables, where all of a design's are usable, and why others not.

    `numbers` (n,) count in the `vocabulary`, part and hash of its physics by link; `DEFAULT` is the
    row that stands for a link which a block lacks. The row of an unusable part is 0.
    """
    usable = np.ones(len(next(iter(numbers.values()))), dtype=bool)
    parts: dict[str, Rows] = {}
    reasons: list[NotReused] = []
    for link, column in numbers.items():
        places = {part.id: row for row, part in enumerate(project.catalogue.parts[link])}
        default = default_row(link)
        entries = [("", "") if default is None else (default, None), *vocabulary[link]]
        counts = np.bincount(column.astype(np.int64) - DEFAULT, minlength=len(entries))
        rows = np.full(len(entries), -1, dtype=np.int64)
        for number, (part, physics) in enumerate(entries):
            words = _unusable(project, link, part, physics)
            if words is None:
                rows[number] = places[part]
            else:
                reasons.append((words, int(counts[number])))
        parts[link] = rows[column.astype(np.int64) - DEFAULT]
        usable &= parts[link] >= 0
        parts[link] = np.maximum(parts[link], 0)
    return parts, usable, reasons


def _unusable(project: Project, link: str, part: str, physics: str | None) -> str | None:
    """Why a part of the store's vocabulary cannot be used, None where it can; a part without
    physics is today's, whatever it has.
    """
    hashes = project.catalogue.row_hashes[link]
    if part not in hashes:
        return f"{link} {part} is no longer in its table"
    if physics is not None and physics != hashes[part]:
        return f"{link} {part} has changed in its table"
    if part not in project.study.choices[link]:
        return f"{link} {part} is not among the study's choices"
    return None


def allowed(study: Study, name: str, values: Array) -> NDArray[np.bool_]:
    """Where a setting is one that the study may choose, to the digits that an id keeps."""
    setting = study.settings[name]
    if setting.continuous:
        slack = 1e-6 * setting.high
        return np.asarray((values >= setting.low - slack) & (values <= setting.high + slack))
    grid = np.asarray(setting.values)
    middle = (grid[1:] + grid[:-1]) / 2
    nearest = grid[np.searchsorted(middle, values)]
    return np.asarray(np.abs(values - nearest) <= 1e-6 * nearest)


def first_of_each(
    numbers: Numbers, usable: NDArray[np.bool_], genes: Sequence[NDArray[Any]]
) -> NDArray[np.bool_]:
    """False where an earlier usable row is the same design.

    Rows with equal numbers are the same unless their genes say otherwise: among a million designs
    two ids meet by chance once in some hundred stores.
    """
    rows = np.flatnonzero(usable)
    order = rows[np.argsort(numbers[rows], kind="stable")]
    again = np.flatnonzero(numbers[order][1:] == numbers[order][:-1])
    first = np.ones(len(numbers), dtype=bool)
    if again.size:
        one, other = order[again], order[again + 1]
        same = np.all([np.isclose(g[one], g[other], rtol=1e-5, atol=0) for g in genes], axis=0)
        first[other[same]] = False
    return first
