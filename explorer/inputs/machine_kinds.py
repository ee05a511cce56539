"""The kinds of generator that a table may hold: one row a kind, and everything that sets it apart.

To add a kind, add its row. Everything else reads the row: nothing compares a kind's name. A kind
whose rectifier is none of `physics.bridge.RECTIFIERS` also needs the physics of that rectifier.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

import numpy as np

from explorer.units import Array

STAR_LINE_COLUMNS: Mapping[str, float] = {
    "emf_{}_V_s": 1 / sqrt(3),
    "resistance_{}_ohm": 0.5,
    "inductance_{}_H": 0.5,
    "resistance_equivalent_{}_ohm": 0.5,
}
"""Columns that may hold a value between two leads (`line` in the braces) in place of one phase's
(`phase`), and the factor from the one to the other in a star winding."""


@dataclass(frozen=True)
class MachineKind:
    """One kind of generator and its rectifier.

    `phases`: windings that carry current. `valves`: of the whole bridge. `valves_in_path`: that one
    phase's current passes at a time. `drops`: that the bus current passes at a time.
    `conductors_per_phase`: wires that one phase's current flows through. `knee`: open bus voltage
    over the peak EMF of a phase, before the drops of valves. `bus_valves`: how many valves share
    the mean bus current. `bridge`: the rectifier's name in `physics.bridge.RECTIFIERS`.
    `reverse_adds`: turned backwards, the EMF adds to what the blocking valve bears. Where a row
    leaves them empty, `winding_s` is inductance over resistance and `bears_rpm` the speed limit
    (from memory: the middle of usual rows, and the slow end of them).

    Readings at the open leads: `direct` voltage or alternating, `reading_per_peak` from the peak
    EMF of a phase to what a true-rms meter shows between two leads, `phases_between_leads` in
    series there, `where_measured` in words. `emf_means` says what the EMF constant of such a
    machine is, as measured at its leads. `line_columns`: see `STAR_LINE_COLUMNS`.
    """

    name: str
    about: str
    phases: int
    valves: int
    valves_in_path: int
    drops: int
    conductors_per_phase: int
    knee: float
    bus_valves: int
    bridge: str
    reverse_adds: bool
    direct: bool
    reading_per_peak: float
    phases_between_leads: int
    where_measured: str
    emf_means: str
    line_columns: Mapping[str, float] = field(default_factory=dict)
    winding_s: float = 0.002
    bears_rpm: float = 600.0

    @property
    def blocking_valves(self) -> int:
        """Valves that block the bus voltage at a time, each with its leakage."""
        return max(self.valves // 2, 1)

    @property
    def alternating_per_peak(self) -> float:
        """Alternating volts rms between two open leads over the peak EMF of a phase; 0: direct."""
        return 0.0 if self.direct else self.reading_per_peak

    @property
    def wires(self) -> int:
        """Conductors between machine and rectifier."""
        return self.phases * self.conductors_per_phase

    @property
    def emf_leads_per_phase(self) -> float:
        """Peak EMF between two leads over that of one phase."""
        return 1 / self.line_columns.get("emf_{}_V_s", 1.0)


def _by_name(*kinds: MachineKind) -> dict[str, MachineKind]:
    return {kind.name: kind for kind in kinds}


MACHINE_KINDS: dict[str, MachineKind] = _by_name(
    MachineKind(
        name="three_phase",
        about="three phases in a star on a six-pulse bridge",
        phases=3,
        valves=6,
        valves_in_path=1,
        drops=2,
        conductors_per_phase=1,
        knee=sqrt(3.0),
        bus_valves=3,
        bridge="star",
        reverse_adds=False,
        winding_s=0.0015,
        bears_rpm=600.0,
        direct=False,
        reading_per_peak=sqrt(3.0) / sqrt(2.0),
        phases_between_leads=2,
        where_measured="each of the three pairs of generator wires",
        emf_means="peak volts between two leads for each radian a second of the shaft",
        line_columns=STAR_LINE_COLUMNS,
    ),
    MachineKind(
        name="two_phase",
        about="two windings, each with a bridge of its own",
        phases=2,
        valves=8,
        valves_in_path=2,
        drops=2,
        conductors_per_phase=2,
        knee=1.0,
        bus_valves=2,
        bridge="windings",
        reverse_adds=False,
        winding_s=0.003,
        bears_rpm=1000.0,
        direct=False,
        reading_per_peak=1 / sqrt(2.0),
        phases_between_leads=1,
        where_measured="each of the two windings",
        emf_means="peak volts of one winding for each radian a second of the shaft",
    ),
    MachineKind(
        name="brushed_dc",
        about="a commutator machine behind one blocking diode",
        phases=1,
        valves=1,
        valves_in_path=1,
        drops=1,
        conductors_per_phase=2,
        knee=1.0,
        bus_valves=1,
        bridge="one_diode",
        reverse_adds=True,
        winding_s=0.002,
        bears_rpm=3000.0,
        direct=True,
        reading_per_peak=1.0,
        phases_between_leads=1,
        where_measured="the two generator wires",
        emf_means="volts for each radian a second of the shaft",
    ),
)
"""Kinds by name; arrays that hold a kind by number count in this order."""


def number_of(name: str) -> int:
    """The number of a kind in the order of `MACHINE_KINDS`; ValueError for an unknown name."""
    return list(MACHINE_KINDS).index(name)


def column(name: str) -> Array:
    """A field of every kind, (kinds,), as floats: `column("phases")[number]` is of that kind."""
    return np.array([getattr(kind, name) for kind in MACHINE_KINDS.values()], dtype=float)
