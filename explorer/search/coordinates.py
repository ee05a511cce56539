"""Designs as rows of numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.model.space import Designs, Space, plain_setting
from explorer.units import Array


@dataclass(frozen=True)
class Coordinates:
    """Designs as rows of numbers: the place in a list of choices, or a continuous value."""

    space: Space

    @property
    def names(self) -> tuple[str, ...]:
        """The variables: links, then settings."""
        return (*LINKS, *SETTINGS)

    def count(self, name: str) -> int:
        """How many values a variable has, 0 for a continuous one."""
        if name in LINKS:
            return len(self.space.choices[name])
        setting = self.space.settings[name]
        return 0 if setting.continuous else len(setting.values)

    def designs(self, rows: Array) -> Designs:
        """The designs of rows of coordinates (n, variables)."""
        parts, settings = {}, {}
        for column, name in zip(rows.T, self.names, strict=True):
            if name in LINKS:
                parts[name] = self.space.choices[name][column.astype(np.intp)]
            elif self.count(name):
                settings[name] = np.array(self.space.settings[name].values)[column.astype(np.intp)]
            else:
                settings[name] = np.array([plain_setting(name, v) for v in column.tolist()])
        return Designs(parts, settings)

    def settled(self, rows: Array) -> Array:
        """Rows with continuous values as a design keeps them, to six digits."""
        rows = rows.copy()
        for place, name in enumerate(self.names):
            if not self.count(name):
                rows[:, place] = [plain_setting(name, value) for value in rows[:, place].tolist()]
        return rows

    def rows(self, designs: Designs) -> Array:
        """Coordinates of designs, NaN where a choice is no longer offered: (n, variables)."""
        columns = []
        for name in self.names:
            if name in LINKS:
                offered = self.space.choices[name].astype(float)
                value = designs.parts[name].astype(float)
            else:
                offered = np.array(self.space.settings[name].values)
                value = designs.settings[name]
            if self.count(name):
                order = np.argsort(offered)
                place = np.searchsorted(offered[order], value).clip(0, len(offered) - 1)
                found = offered[order][place] == value
                value = np.where(found, order[place].astype(float), np.nan)
            columns.append(value)
        return np.stack(columns, axis=1)
