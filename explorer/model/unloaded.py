"""Front halves before any session: at rest, with nothing connected, pushed against a clamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.inputs.records import Operator
from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model.kernels.points import Pushed, pushed
from explorer.model.kernels.records import Records
from explorer.model.space import Designs, Rows
from explorer.physics import gearing
from explorer.units import Array, Real


@dataclass(frozen=True)
class Fronts:
    """Front halves of one person as rows, (h,) each: machine, drive, winding temperature, and what
    the machine's rows say that no kernel asks.
    """

    person: Operator
    machines: Records
    drives: Records
    winding_C: Array
    speed_limit_rpm: Array
    bus_valves: Array
    reverse_adds: Array
    spare_ends: Array
    leads_V: Array
    """Volts rms between two open leads over the peak EMF of a phase; 0 for direct voltage."""

    def __len__(self) -> int:
        return len(self.drives)

    @classmethod
    def of(cls, project: Project, designs: Designs, operator_id: str) -> Fronts:
        """The front halves of some designs, one each."""
        machines = rows.machines(project, designs)
        return cls(
            project.catalogue.operators[operator_id],
            machines,
            rows.drives(project, designs),
            rows.first_winding_C(project, machines),
            designs.chosen(project.catalogue, "generator", "bears_rpm"),
            rows.of_kind(project, designs, "bus_valves"),
            rows.of_kind(project, designs, "reverse_adds"),
            rows.spare_ends(project, designs),
            designs.chosen(project.catalogue, "generator", "touch_per_peak"),
        )

    def take(self, some: Rows) -> Fronts:
        """Those at some rows."""
        return Fronts(
            self.person, self.machines[some], self.drives[some], self.winding_C[some],
            self.speed_limit_rpm[some], self.bus_valves[some], self.reverse_adds[some],
            self.spare_ends[some], self.leads_V[some],
        )  # fmt: skip

    def drag_N_m(self) -> Array:
        """Torque at the crank that breaks the chain away, N m, (h,)."""
        return np.asarray(
            gearing.crank_torque(
                self.machines["drag_N_m"], self.drives["ratio"], self.drives["efficiency"],
                self.drives["drag_N_m"],
            )
        )  # fmt: skip

    def no_load_V(self, half: Rows, crank_rad_s: Real) -> Array:
        """Bus voltage that the open chain charges to at a crank speed, diodes ignored, V, (n,).

        An upper bound: the small drops at leakage currents are left out.
        """
        shaft = np.asarray(crank_rad_s) * self.drives["ratio"][half]
        return np.asarray(self.machines["knee"][half] * self.machines["emf_V_s"][half] * shaft)

    def pushed(self, half: Rows, crank_rad_s: Array, bus_V: Array) -> Pushed:
        """What halves (n,) bring to a bus voltage at a crank speed, and what they ask."""
        return pushed(
            self.machines, self.drives, self.winding_C, half.astype(np.int64), crank_rad_s, bus_V,
            self.person.unevenness,
        )  # fmt: skip
