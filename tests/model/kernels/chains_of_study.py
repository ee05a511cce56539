"""Random chains of a study as rows of the kernels, with class values of what it leaves out."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from explorer.inputs.records import Operator
from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model.kernels import records
from explorer.model.kernels.machine import Machines, tabulate
from explorer.model.space import Designs, Space
from tests.helpers.chains import with_part


def shift(person: Operator, seconds: float, **fields: Any) -> records.Records:
    """One shift of an operator."""
    one = rows.shift_of(person, seconds)
    for name, value in fields.items():
        one[name] = value
    return one


ADULT, PACK = "adult_one_arm", "telemetry_pack"
WINDING_C = 60.0
ROTORS = {
    "hub_small": 0.01, "hub_mid": 0.018, "hub_ebike": 0.03, "washer_direct": 0.03,
    "outrunner_63": 3e-4, "stepper_long": 5e-5, "treadmill_dc": 7e-4,
}  # fmt: skip
"""Class values of hand.md, kg m2."""


def without_heat(project: Project) -> Project:
    """The project with windings that keep their temperature."""
    for part in project.catalogue.parts["generator"]:
        project = with_part(project, "generator", part.id, heat_capacity_J_per_K=0.0)
    return project


class Chains(NamedTuple):
    """Random designs of the demo as rows, with their tables."""

    project: Project
    designs: Designs
    tables: Machines
    drives: records.Records
    loads: dict[str, records.Records]

    def shift(self, seconds: float = 600.0, **fields: float) -> records.Records:
        """A shift of the demo's adult."""
        return shift(self.project.catalogue.operators[ADULT], seconds, **fields)

    @property
    def trio(self) -> np.ndarray:
        return np.arange(len(self.drives))


def chains(project: Project, count: int, seed: int, *, heat: bool = False) -> Chains:
    """Random designs, each with the tables of its own trio."""
    designs = Space.of(project).draw(count, np.random.default_rng(seed))
    return of_designs(project, designs, heat=heat)


def anything(project: Project, count: int, seed: int) -> Designs:
    """Designs of any parts of the catalogue with settings of any sense."""
    rng = np.random.default_rng(seed)
    parts = {
        link: rng.integers(0, len(rows), count) for link, rows in project.catalogue.parts.items()
    }
    off_V = rng.uniform(2.8, 8.0, count)
    return Designs(
        parts,
        {
            "cells_series": rng.integers(1, 9, count).astype(float),
            "cells_parallel": rng.integers(1, 3, count).astype(float),
            "cadence_rpm": rng.uniform(20, 110, count),
            "undervoltage_off_V": off_V,
            "undervoltage_band_V": rng.uniform(0.2, 4.0, count),
            "overvoltage_off_V": off_V + rng.uniform(4.0, 12.0, count),
            "delta": rng.integers(0, 2, count).astype(float),
        },
    )


def of_designs(project: Project, designs: Designs, *, heat: bool = False) -> Chains:
    """Designs as rows, each with the tables of its own trio."""
    if not heat:
        project = without_heat(project)
    made, turning = rows.machines(project, designs), rows.drives(project, designs)
    names = [project.catalogue.parts["generator"][int(i)].id for i in designs.parts["generator"]]
    made["inertia_kg_m2"] = [ROTORS.get(name, 0.02) for name in names]
    fastest = 2.5 * turning["cadence_rad_s"] * turning["ratio"]
    tables = tabulate(made, fastest, 25.0 if heat else WINDING_C)
    taken = {pack: rows.loads(project, designs, pack) for pack in project.catalogue.packs}
    return Chains(project, designs, tables, turning, taken)
