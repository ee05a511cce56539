"""The two halves of the chain joined at the bus: net current, and where every watt goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.demand import Demand
from explorer.space import Rows
from explorer.supply import LOSSES, SLOWEST_RAD_S, SWING, TERMS, Supply
from explorer.units import Array

State = Literal["open", "idle", "loaded"]
"""Switch open; closed with a pack that waits; closed with a pack that draws."""

HEAT = (
    "gearing", "drag", "copper", "lead", "bridge", "reverse_leakage", "bridge_supply",
    "cell_leakage", "balancing", "clamp", "window", "converter", "pack_lead",
)  # fmt: skip
LEDGER = (*HEAT, "esr", "delivered", "stored")
"""Where the work at the crank goes; `crank_work` is the sum of these."""


RAMP = 0.1
"""Share of a voltage or current over which the conductance of load or clamp sets in."""
LEAST_FOLLOWING = 0.05
"""Below, a load of constant power is about to collapse the bus over the bank's resistance."""


class Swing(NamedTuple):
    """The ripple of an uneven hand on a mean bus; (n, k) each.

    Behind the bank's series resistance stand the mean voltage `inner_V` and the ripple `swing_V`, a
    phasor against the stroke's torque, peak. That mean moves by `drift_V` in a radian of the crank,
    the bus's own `1/follows` as far. `current_A` is what the front half brings, `rad_s` the crank's
    speed.
    """

    inner_V: Array
    swing_V: NDArray[np.complex128]
    drift_V: Array
    follows: Array
    current_A: Array
    rad_s: Array


class _Stroke(NamedTuple):
    """See `Chain._stroke`: `into_A` is `a I/|1 + g Z|^2`, `ohm` the bank's reactance."""

    mean_A: Array
    into_A: Array
    swing_A: Array
    ohm: Array
    conductance: Array
    follows: Array


class Powers(NamedTuple):
    """What a second does: heats in the order of `HEAT`, W; effort; the crank's speed."""

    heats_W: tuple[Array, ...]
    delivered_W: Array
    net_A: Array
    effort: Array
    ripple_W: Array
    rad_s: Array


@dataclass(frozen=True)
class Chain:
    """`n` designs: curves of their front halves, and their back halves. Voltages are (n, k)."""

    supply: Supply
    half: Rows
    demand: Demand

    def __len__(self) -> int:
        return len(self.half)

    def take(self, rows: Rows | NDArray[np.bool_]) -> Chain:
        """The chains at some rows."""
        return Chain(self.supply, self.half[rows], self.demand.take(rows))

    def net_current(self, bus_V: Array, state: State) -> Array:
        """Mean current into the bank at a mean bus voltage, A, (n, k)."""
        drain_A = self.demand.drain(bus_V).total_A
        load_A, load_S = self._load(bus_V, state)
        if not self.supply.unevenness:
            return np.asarray(self.supply.read(self.half, bus_V) - drain_A - load_A)
        front = np.moveaxis(self.supply.read(self.half, bus_V, SWING), -1, 0)
        return self._stroke(front, bus_V, load_A, load_S).mean_A - drain_A - load_A

    def inner_V(self, bus_V: Array, state: State) -> Array:
        """Voltage behind the bank's series resistance, V, (n, k)."""
        return np.asarray(bus_V - self.demand["esr_ohm"] * self.net_current(bus_V, state))

    def swing(self, bus_V: Array, state: State) -> Swing:
        """The ripple of an uneven hand at a mean bus voltage, (n, k)."""
        drain_A = self.demand.drain(bus_V).total_A
        load_A, load_S = self._load(bus_V, state)
        front = np.moveaxis(self.supply.read(self.half, bus_V, SWING), -1, 0)
        stroke, current = self._stroke(front, bus_V, load_A, load_S), front[0]
        net_A = stroke.mean_A - drain_A - load_A
        esr = self.demand["esr_ohm"]
        inner_V = bus_V - esr * net_A
        inner_swing = (
            stroke.into_A * stroke.ohm * (stroke.conductance * stroke.ohm - 1j * stroke.follows)
        )
        return Swing(
            inner_V,
            np.asarray(inner_swing, dtype=np.complex128),
            net_A * stroke.ohm,
            np.maximum(stroke.follows, LEAST_FOLLOWING),
            current,
            np.maximum(front[1], SLOWEST_RAD_S),
        )

    def swing_at(self, bus_V: Array, state: State) -> Swing:
        """The same at one voltage of each design, (n,)."""
        at = self.swing(bus_V[:, None], state)
        return Swing(
            at.inner_V[:, 0], at.swing_V[:, 0], at.drift_V[:, 0], at.follows[:, 0],
            at.current_A[:, 0], at.rad_s[:, 0],
        )  # fmt: skip

    def follows(self, bus_V: Array, state: State) -> Array:
        """How far the bank's inner voltage moves with the bus's, (n, k): below 0 it collapses."""
        slope = self.supply.read(self.half, bus_V, TERMS.index("slope_S"))
        return np.asarray(1 + self.demand["esr_ohm"] * (self._load(bus_V, state)[1] - slope))

    def taken_A(self, bus_V: Array, state: State) -> Array:
        """Current that drains and load take at a bus voltage, A, (n, k)."""
        return self.demand.drain(bus_V).total_A + self._load(bus_V, state)[0]

    def _load(self, bus_V: Array, state: State) -> tuple[Array, Array]:
        """Current of the load, A, and how it changes with the bus voltage, S."""
        if state == "open":
            return np.zeros_like(bus_V), np.zeros_like(bus_V)
        load = self.demand.load(bus_V, idle=state == "idle")
        return load.current_A, load.slope_S

    def _stroke(self, front: Array, bus_V: Array, load_A: Array, load_S: Array) -> _Stroke:
        """An uneven hand on a mean bus: `front` holds the curves of `SWING`, (4, n, k).

        A stroke is a small alternating signal on the mean: current `a I` into the bank's `Z = ESR -
        jX`, `X = 1/(wC)`, beside what front half and load take of it as the bus swings, `g =
        dI_load/dV - dI/dV`. So the bus swings by `a I Z/(1 + g Z)` (a phasor, peak), of which the
        bank takes the current `a I/(1 + g Z)`. What is in phase with the stroke changes the mean by
        `a w d(I/w)/dV Re(swing)/2`: the hand pushes hardest when the bus is highest, where a turn
        brings less charge. Derived; checked by stepping through strokes.
        """
        current, rad_s, slope, turn_slope = front
        esr, swing_A = self.demand["esr_ohm"], self.supply.unevenness * current
        ohm = 1 / (np.maximum(rad_s, SLOWEST_RAD_S) * self.demand["capacitance_F"])
        need = self.demand
        # A load of constant power takes more when the bus is lower. Its slope just above where it
        # collapses the bus would say more of a point than of the ripple's height around it. Far
        # below the turn-off threshold no load is connected. What sets in, sets in over a ramp.
        holds = np.clip(bus_V / (RAMP * need["off_V"]) - (1 / RAMP - 2), 0.0, 1.0)
        if need.pack.kind == "regulating":
            spare = (need["input_limit_A"] - load_A) / (RAMP * need["input_limit_A"])
            holds *= np.clip(spare, 0.0, 1.0)
        falls_S = np.where(load_S < 0, -load_A / np.maximum(bus_V, 1e-9), 0.0)
        clamps = np.clip((bus_V - need["clamp_V"]) / (RAMP * need["clamp_V"] + 1e-9), 0.0, 1.0)
        clamp_S = np.where(need["clamp_ohm"] > 0, 1 / np.maximum(need["clamp_ohm"], 1e-9), 0.0)
        conductance = holds * falls_S + clamps * clamp_S - slope
        follows = 1 + esr * conductance
        stiffness = np.maximum(follows**2 + (conductance * ohm) ** 2, LEAST_FOLLOWING**2)
        into_A = swing_A / stiffness
        in_phase_V = into_A * (esr * follows + conductance * ohm**2)
        shift_A = self.supply.unevenness / 2 * turn_slope * in_phase_V
        # A ripple no longer small: the current cannot swing by more than the stroke makes it.
        most_A = self.supply.unevenness * swing_A / 2
        mean_A = current + np.clip(shift_A, -most_A, most_A)
        return _Stroke(mean_A, into_A, swing_A, ohm, conductance, follows)

    def powers(self, bus_V: Array, state: State) -> Powers:
        """What a second at a mean bus voltage does, (n, k) each.

        Crank power is the sum of the heats, the ripple's, the delivered power and bus voltage times
        net current.
        """
        held = slice(TERMS.index("effort") + 1)  # the search does not know of pulses
        front = np.moveaxis(self.supply.read(self.half, bus_V, held), -1, 0)
        drain = self.demand.drain(bus_V)
        zero = np.zeros_like(bus_V)
        window, converter, lead, delivered = drain.window_A * bus_V, zero, zero, zero
        load_A, load_S = zero, zero
        if state != "open":
            load = self.demand.load(bus_V, idle=state == "idle")
            window = window + load.window_W
            converter, lead, delivered = load.converter_W, load.pack_lead_W, load.delivered_W
            load_A, load_S = load.current_A, load.slope_S
        bus_drains = [
            drain.reverse_leakage_A, drain.bridge_supply_A, drain.cell_leakage_A,
            drain.balancing_A, drain.clamp_A,
        ]  # fmt: skip
        heats = (
            *front[LOSSES],
            *(amps * bus_V for amps in bus_drains),
            window,
            converter,
            lead,
        )
        into_A, ripple_W = front[0], zero
        if self.supply.unevenness:
            stroke = self._stroke(front[SWING], bus_V, load_A, load_S)
            # Half the square of what the bank takes of the swing.
            ripple_W = self.demand["esr_ohm"] * stroke.into_A * stroke.swing_A / 2
            into_A = stroke.mean_A
        net_A = into_A - drain.total_A - load_A
        effort, rad_s = (front[TERMS.index(name)] for name in ("effort", "rad_s"))
        return Powers(heats, delivered, net_A, effort, ripple_W, rad_s)
