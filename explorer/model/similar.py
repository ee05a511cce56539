"""Tables of machines that differ little, found between a few that are solved.

Draws of one machine differ by some percent in some columns. Where a table's nodes lie follows from
each machine itself; what a node holds is nearly a product of powers of the columns there. So along
each column three tables are solved, and between them the logarithm of what a node holds is a sum of
parabolas in the logarithms of the columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model.kernels.machine import COARSE, Grid, Machines, laid_out, tabulate
from explorer.model.kernels.records import Records
from explorer.model.space import Designs
from explorer.units import Array

DIFFERING = (
    "emf_V_s", "circuit_ohm", "lead_ohm", "inductance_H", "saturation_A", "valve_ohm",
)  # fmt: skip
"""Columns of a machine by which tables may differ here."""
UNTABLED = ("copper_ohm", "drag_N_m", "viscous_N_m_s", "inertia_kg_m2")
"""Columns that no table depends on."""


@dataclass(frozen=True)
class Between:
    """Tables between which those of similar machines lie.

    `middle` (m,) and `slopes` (2k, m) are numbers of all nodes, logarithms where `is_log` (m,); the
    slopes are those of `varied` columns (k,), and then of their squares.
    """

    fastest_rad_s: float
    winding_C: float
    grid: Grid
    shape: tuple[int, ...]
    """Of the tables of one machine: awake and, where valves sleep, asleep."""
    varied: tuple[str, ...]
    centre: Array
    reach: Array
    """Of the logarithms of the varied columns, (k,) each."""
    middle: NDArray[np.float32]
    slopes: NDArray[np.float32]
    is_log: NDArray[np.bool_]

    @classmethod
    def of(cls, machines: Records, fastest_rad_s: float, winding_C: float, grid: Grid) -> Between:
        """Solve tables for some machines (n,) of `records.MACHINE`, up to one shaft speed.

        ValueError where they differ in columns other than `DIFFERING`.
        """
        names = machines.dtype.names or ()
        varied = tuple(name for name in names if name not in UNTABLED and np.ptp(machines[name]))
        if not set(varied) <= set(DIFFERING):
            raise ValueError(f"machines differ in {sorted(set(varied) - set(DIFFERING))}")
        logs = np.log([machines[name] for name in varied]).reshape(len(varied), len(machines))
        low, high = logs.min(axis=1), logs.max(axis=1)
        centre, reach = (low + high) / 2, (high - low) / 2
        solved = np.repeat(machines[:1], 1 + 2 * len(varied))
        for k, name in enumerate(varied):
            solved[name] = np.exp(centre[k])
            solved[name][1 + 2 * k : 3 + 2 * k] = np.exp([low[k], high[k]])
        speeds = np.full(len(solved), fastest_rad_s)
        values = tabulate(solved, speeds, winding_C, grid).values
        shape = (len(values) // len(solved), *values.shape[1:])
        nodes = values.reshape(len(solved), -1)
        is_log = np.asarray((nodes > 0).all(axis=0) & (len(varied) > 0))
        nodes = np.where(is_log, np.log(np.where(is_log, nodes, 1.0)), nodes)
        below, above = nodes[1::2], nodes[2::2]
        slopes = np.concatenate([(above - below) / 2, (above + below) / 2 - nodes[0]])
        return cls(
            fastest_rad_s, winding_C, grid, shape, varied, centre, reach,
            nodes[0].astype(np.float32), slopes.astype(np.float32), is_log,
        )  # fmt: skip

    def tables(self, machines: Records) -> Machines:
        """Those of machines (n,) like the ones that were solved, in the form of `tabulate`."""
        count, each = len(machines), self.shape[0]
        made = laid_out(
            machines, np.full(count, self.fastest_rad_s), np.full(count, self.winding_C), self.grid
        )
        made["awake_table"] = np.arange(count) * each
        made["asleep_table"] = np.arange(count) * each + each - 1
        logs = np.log([machines[name] for name in self.varied]).reshape(-1, count)
        along = ((logs - self.centre[:, None]) / self.reach[:, None]).T.astype(np.float32)
        found = np.repeat(self.middle[None], count, axis=0)
        # One column after the other, so that what is found does not depend on how many are asked.
        for powers, slope in zip(np.hstack([along, along**2]).T, self.slopes, strict=True):
            found += powers[:, None] * slope
        np.exp(found, out=found, where=self.is_log)
        return Machines(made, found.reshape(count * each, *self.shape[1:]))


def fronts(drawn: Sequence[tuple[Project, Designs]]) -> list[rows.Rowed]:
    """Front halves of builds of one design, hand by hand, as `rows.rowed` has them.

    Every build has rows of its own in its project's tables.
    """
    turning = [rows.drives(project, designs) for project, designs in drawn]
    machines = [rows.machines(project, designs) for project, designs in drawn]
    every = np.concatenate(machines)
    asked = max(float((one["cadence_rad_s"] * one["ratio"]).max()) for one in turning)
    fastest = float(rows.octave(np.array(rows.HEADROOM * asked)))
    winding_C = float(rows.first_winding_C(drawn[0][0], every[:1])[0])
    between = Between.of(every, fastest, winding_C, COARSE)
    return [
        rows.Rowed(between.tables(some), np.arange(len(some)), turns)
        for some, turns in zip(machines, turning, strict=True)
    ]
