"""Designs as arrays, and the space they are drawn from."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import prod
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.catalogue import Catalogue
from explorer.inputs.front_parts import Generator
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTING_ROWS, SETTINGS, WHOLE_SETTINGS, Part
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project
from explorer.units import Array

Rows = NDArray[np.int64]


@dataclass(frozen=True)
class Designs:
    """`n` chains: the row of each link's part in its table, and the settings.

    `parts` maps a link to (n,) row numbers into `catalogue.parts[link]`, `settings` maps a name of
    `SETTINGS` to (n,) values in the unit of its suffix.
    """

    parts: Mapping[str, Rows]
    settings: Mapping[str, Array]

    def __len__(self) -> int:
        return len(next(iter(self.settings.values())))

    def take(self, rows: Rows | NDArray[np.bool_]) -> Designs:
        """The designs at some rows, or where a mask holds."""
        return Designs(
            {link: part[rows] for link, part in self.parts.items()},
            {name: value[rows] for name, value in self.settings.items()},
        )

    def chosen(self, catalogue: Catalogue, link: str, field: str) -> Array:
        """A field of the chosen part of a link, one value a design; of a generator in delta, of the
        star that behaves like it.
        """
        table, rows = catalogue.parts[link], self.parts[link]
        found = _column(table, field)[rows]
        if link != "generator" or not self.settings["delta"].any():
            return found
        deltas = _column([one.in_delta for one in cast("Sequence[Generator]", table)], field)
        return np.where(self.settings["delta"] > 0, deltas[rows], found)

    @staticmethod
    def concatenate(several: Sequence[Designs]) -> Designs:
        """All designs of several, in order."""
        return Designs(
            {link: np.concatenate([d.parts[link] for d in several]) for link in LINKS},
            {name: np.concatenate([d.settings[name] for d in several]) for name in SETTINGS},
        )


def _column(table: Sequence[Part], field: str) -> Array:
    return np.array([getattr(part, field) for part in table], dtype=float)


def describe(
    catalogue: Catalogue, designs: Designs, row: int
) -> tuple[dict[str, str], dict[str, float | int]]:
    """Parts by id and settings by name of one design, as plain values."""
    parts = {link: catalogue.parts[link][int(designs.parts[link][row])].id for link in LINKS}
    settings = {name: plain_setting(name, designs.settings[name][row]) for name in SETTINGS}
    return parts, settings


def plain_setting(name: str, value: float) -> float | int:
    """A setting as it is written: counts whole, the rest to six significant digits.

    >>> plain_setting("cadence_rpm", 61.23456789)
    61.2346
    """
    return round(value) if name in WHOLE_SETTINGS else float(f"{value:.6g}")


def design_id(parts: Mapping[str, str], settings: Mapping[str, float | int]) -> str:
    """A name for a design made from its content alone: 12 hexadecimal digits.

    A design keeps it when a link or a setting comes: what stands for that in older designs is no
    part of it.
    """
    words = [word for link in LINKS if link in parts and (word := part_word(link, parts[link]))]
    words += [
        word
        for name in SETTINGS
        if name in settings and (word := setting_word(name, settings[name]))
    ]
    return hashlib.blake2b(";".join(words).encode(), digest_size=6).hexdigest()


def part_word(link: str, part: str) -> str:
    """What stands for a chosen part in a design's id: "" for a link's default."""
    return "" if part == LINKS[link].default_id else f"{link}={part}"


def setting_word(name: str, value: float) -> str:
    """What stands for a value of a setting in a design's id: "" for the setting's default."""
    plain = plain_setting(name, value)
    return "" if plain == SETTING_ROWS[name].default else f"{name}={plain}"


def design_ids(catalogue: Catalogue, designs: Designs, rows: Iterable[int]) -> list[str]:
    """The names of some designs."""
    return [design_id(*describe(catalogue, designs, int(row))) for row in rows]


@dataclass(frozen=True)
class Space:
    """What a study may choose from: rows of each link's table, and values of each setting."""

    choices: Mapping[str, Rows]
    settings: Mapping[str, Setting]

    @classmethod
    def of(cls, project: Project) -> Space:
        """The space of a study."""
        places = {
            link: {part.id: row for row, part in enumerate(project.catalogue.parts[link])}
            for link in LINKS
        }
        choices = {
            link: np.array([places[link][name] for name in project.study.choices[link]])
            for link in LINKS
        }
        return cls(choices, project.study.settings)

    @property
    def continuous(self) -> tuple[str, ...]:
        """Settings that may take any value of a range."""
        return tuple(name for name in SETTINGS if self.settings[name].continuous)

    @property
    def size(self) -> int:
        """How many combinations there are, continuous settings at their sweep points."""
        rows = prod(len(rows) for rows in self.choices.values())
        return rows * prod(len(self.settings[name].values) for name in SETTINGS)

    def at(self, numbers: Rows) -> Designs:
        """The combinations of some numbers in 0 .. size - 1, (n,): mixed radix, settings last."""
        rest = np.asarray(numbers, dtype=np.int64)
        parts: dict[str, Rows] = {}
        settings: dict[str, Array] = {}
        for name in reversed(SETTINGS):
            values = np.array(self.settings[name].values)
            settings[name] = values[rest % len(values)]
            rest = rest // len(values)
        for link in reversed(LINKS):
            rows = self.choices[link]
            parts[link] = rows[rest % len(rows)]
            rest = rest // len(rows)
        return Designs({k: parts[k] for k in LINKS}, {k: settings[k] for k in SETTINGS})

    def numbers(self, designs: Designs) -> Rows:
        """The numbers of designs, the inverse of `at`; -1 for those that are none of the
        combinations: another part, a value between the points of a grid.
        """
        number, inside = np.zeros(len(designs), dtype=np.int64), np.ones(len(designs), dtype=bool)
        for link in LINKS:
            place, found = _places(self.choices[link], designs.parts[link])
            number, inside = number * len(self.choices[link]) + place, inside & found
        for name in SETTINGS:
            offered = _as_written(name, np.array(self.settings[name].values))
            place, found = _places(offered, _as_written(name, designs.settings[name]))
            number, inside = number * len(offered) + place, inside & found
        return np.where(inside, number, -1)

    def draw(self, count: int, generator: np.random.Generator) -> Designs:
        """Random designs, each choice alike; continuous settings anywhere in their range."""
        designs = self.at(generator.integers(0, self.size, count))
        spread = {
            name: generator.uniform(self.settings[name].low, self.settings[name].high, count)
            for name in self.continuous
        }
        return Designs(designs.parts, {**designs.settings, **spread})


def _as_written(name: str, values: Array) -> Array:
    """Settings to the digits that a design keeps."""
    distinct, inverse = np.unique(values, return_inverse=True)
    written = np.array([plain_setting(name, value) for value in distinct.tolist()], dtype=float)
    return written[inverse.reshape(-1)]


def _places(offered: NDArray[Any], values: NDArray[Any]) -> tuple[Rows, NDArray[np.bool_]]:
    """Where values stand among those offered (0 where they do not), and whether they do."""
    order = np.argsort(offered, kind="stable")
    place = np.searchsorted(offered[order], values).clip(0, len(offered) - 1)
    found = offered[order][place] == values
    return np.where(found, order[place], 0), found


def evenly(rows: Rows, count: int) -> Rows:
    """At most `count` of some rows, evenly thinned.

    >>> evenly(np.arange(5), 3).tolist()
    [0, 2, 4]
    """
    if len(rows) <= count:
        return rows
    return rows[np.linspace(0, len(rows) - 1, count).astype(np.intp)]
