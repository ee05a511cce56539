"""Solves what overlapping pulses leave of a bridge's current on a bus with a resistance.

`python -m explorer.model.soft_bus_map` writes the tables of `explorer.physics.soft_bus` anew: some
minutes. Each node is one period of the compiled judge (`kernels.waveform`) on a bank that holds its
voltage, at the voltage at which the shared bridge gives the node's current.
"""

from __future__ import annotations

from math import cos, pi, sin
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from explorer.model.kernels.back import OPEN
from explorer.model.kernels.compiled import edge, entry
from explorer.model.kernels.records import DRIVE, LOAD, MACHINE, Records, rows
from explorer.model.kernels.waveform import WINDOW_RESULT, Circuit, run_window
from explorer.physics import soft_bus
from explorer.physics.bridge import (
    FULL_BRIDGES,
    SIX_PULSE,
    steady_state,
    two_phase_steady_state,
)
from explorer.physics.soft_bus import MOST_PHI, MOST_SHARED, QUANTITIES, STAR, WINDINGS, Sharing
from explorer.units import Array

COUNTS = (13, 8, 33)
EMF_V, SPEED_RAD_S, IMPEDANCE_OHM = 10.0, 300.0, 1.0
SATURATION_A, EMISSION_V = 3e-5, 0.01
"""Valves that drop little; their drop acts through the shared bridge."""
LEAST = (0.02, 2e-3, 1e-3)
"""Of phase angle, shared part and current: what stands for 0."""
STIFF = 1e-9
"""Shared part of a bridge that bears all of the resistance itself."""


@entry
def _period(
    machines: Records, drives: Records, loads: Records, behind_V: float, phases: Array, out: Records
) -> None:
    """A period at `SPEED_RAD_S` of a bank that holds its voltage."""
    row = machines[0]
    circuit = Circuit(
        row, drives[0], loads[0], row.circuit_ohm, row.circuit_ohm, row.inductance_H,
        row.saturation_A, row.emission_V, phases,
    )  # fmt: skip
    run_window(
        circuit, OPEN, behind_V, behind_V, SPEED_RAD_S, SPEED_RAD_S, 2 * pi / SPEED_RAD_S, True,
        out[0],
    )  # fmt: skip


class Node(NamedTuple):
    """A star or two windings in line with a bus resistance, and where its tables are solved."""

    sharing: Sharing
    phi: float
    shared: float

    @property
    def circuit(self) -> int:
        return SIX_PULSE if self.sharing == STAR else FULL_BRIDGES

    @property
    def ohm(self) -> float:
        """Of a phase, its part of the bus included."""
        return IMPEDANCE_OHM * cos(self.phi)

    @property
    def henry(self) -> float:
        return IMPEDANCE_OHM * sin(self.phi) / SPEED_RAD_S

    def together(self, behind_V: float) -> float:
        """Bus current of the shared bridge on a stiff bus."""
        solve = steady_state if self.circuit == SIX_PULSE else two_phase_steady_state
        state = solve(
            emf_peak_V=EMF_V, electrical_rad_s=SPEED_RAD_S, resistance_ohm=self.ohm,
            inductance_H=self.henry, bus_V=behind_V, diode_saturation_A=SATURATION_A,
            diode_emission_V=EMISSION_V, diode_resistance_ohm=0.0,
        )  # fmt: skip
        return float(state.bus_current_A)

    def apart(self, behind_V: float) -> tuple[float, float, float]:
        """Bus current, phase rms, mean square of the bus current, with the resistance where it is.
        """
        own_ohm, star = self.ohm * (1 - self.shared), self.circuit == SIX_PULSE
        machine = rows(
            MACHINE, 1, bridge=self.circuit, phases=3 if star else 2,
            valves_in_path=1 if star else 2, drops=2, emf_V_s=EMF_V / SPEED_RAD_S, pole_pairs=1,
            circuit_ohm=own_ohm, inductance_H=self.henry, saturation_A=SATURATION_A,
            emission_V=EMISSION_V,
        )  # fmt: skip
        drive = rows(DRIVE, 1, ratio=1.0, efficiency=1.0, radius_m=0.1)
        bus_ohm = self.ohm * self.shared / self.sharing.share
        load = rows(LOAD, 1, esr_ohm=bus_ohm, capacitance_F=1.0, on_V=1e9)
        out = np.zeros(1, WINDOW_RESULT)
        _period(edge(machine), edge(drive), edge(load), behind_V, np.zeros((5, 3)), edge(out))
        found, period = out[0], 2 * pi / SPEED_RAD_S
        amps = float(found["bus_current_A"])
        # v i over a period, with v = V + R i
        squares = (float(found["bus_energy_J"]) / period - behind_V * amps) / bus_ohm
        return amps, float(found["phase_rms_A"]), squares

    def values(self, current: float) -> list[float]:
        """The three logarithms where the shared bridge has a current, over `short`."""
        wanted_A = current * self.sharing.short * EMF_V / IMPEDANCE_OHM

        def over(behind_V: float) -> float:
            return self.together(behind_V) - wanted_A

        behind_V = brentq(over, 0.0, 2 * EMF_V) if over(0.0) > 0 else 0.0
        amps, rms, squares = self.apart(behind_V)
        form = (rms / amps) ** 2
        rest = float(np.log(squares / amps**2 / (self.sharing.square * form)))
        if self.shared <= LEAST[1]:  # a stiff bus is its own shared bridge
            return [0.0, 0.0, rest]
        all_A, all_rms, _ = self._replace(shared=STIFF).apart(behind_V)
        return [float(np.log(amps / all_A)), float(np.log(form / (all_rms / all_A) ** 2)), rest]


def solved(sharing: Sharing, turn: float) -> Array:
    """The tables at one place of the phase angle: (shared, current, 3)."""
    phi = max(MOST_PHI * turn**2, LEAST[0])
    values = np.zeros((*COUNTS[1:], QUANTITIES))
    for i, place in enumerate(np.linspace(0, 1, COUNTS[1])):
        node = Node(sharing, phi, max(MOST_SHARED * place, LEAST[1]))
        for j, along in enumerate(np.linspace(0, 1, COUNTS[2])):
            values[i, j] = node.values(max(along**2, LEAST[2]))
    return values


def main() -> None:
    """Solve the tables of both kinds and write them."""
    from joblib import Parallel, delayed

    turns = np.linspace(0, 1, COUNTS[0])
    tables = {
        soft_bus.name_of(sharing): np.stack(
            Parallel(n_jobs=2)(delayed(solved)(sharing, float(turn)) for turn in turns)
        ).astype(np.float32)
        for sharing in (STAR, WINDINGS)
    }
    np.savez_compressed(soft_bus.MAP_FILE, **tables)


if __name__ == "__main__":
    main()
