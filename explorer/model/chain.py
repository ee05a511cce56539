"""The two halves of the chain joined at the bus: net current, and where every watt goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.demand import Demand, Load
from explorer.model.space import Rows
from explorer.model.supply import CURRENT, LOSSES, SLOWEST_RAD_S, SWING, TERMS, Supply
from explorer.units import Array

State = Literal["open", "idle", "loaded"]
"""Switch open; closed with a pack that waits; closed with a pack that draws."""

HEAT = (
    "gearing", "drag", "copper", "lead", "bridge", "reverse_leakage", "bridge_supply",
    "cell_leakage", "balancing", "clamp", "window", "converter", "pack_lead",
)  # fmt: skip
LEDGER = (*HEAT, "esr", "delivered", "stored")
"""Where the work at the crank goes; `crank_work` is the sum of these."""


LANDING = 1e-6
"""How closely the bus comes to where it collapses, as a share of the voltage."""
NO_W = 1e-9
"""As good as no power."""
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

    def front(self, bus_V: Array, terms: slice = slice(None)) -> Array:
        """The first of the front half's `TERMS` over this bank at voltages (n, k): (terms, n, k).

        The current is that which the bridge's pulses leave over the bank's series resistance.
        """
        front = np.moveaxis(self.supply.read(self.half, bus_V, terms), -1, 0)
        ohm = self.demand["esr_ohm"]
        front[0] /= 1 + ohm * front[1] / (1 + ohm * front[2])
        return front

    def net_current(self, bus_V: Array, state: State) -> Array:
        """Mean current into the bank at a mean bus voltage, A, (n, k)."""
        load = self._taken(bus_V, state)
        if self.supply.unevenness:
            into_A = self._stroke(self.front(bus_V, SWING), bus_V, load).mean_A
        else:
            into_A = self.front(bus_V, CURRENT)[0]
        return np.asarray(into_A - self._leaves_A(bus_V, load))

    def inner_V(self, bus_V: Array, state: State) -> Array:
        """Voltage behind the bank's series resistance, V, (n, k)."""
        return np.asarray(bus_V - self.demand["esr_ohm"] * self.net_current(bus_V, state))

    def swing(self, bus_V: Array, state: State) -> Swing:
        """The ripple of an uneven hand at a mean bus voltage, (n, k)."""
        load = self._taken(bus_V, state)
        front = self.front(bus_V, SWING)
        stroke, current = self._stroke(front, bus_V, load), front[0]
        net_A = stroke.mean_A - self._leaves_A(bus_V, load)
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
            np.maximum(front[TERMS.index("rad_s")], SLOWEST_RAD_S),
        )

    def swing_at(self, bus_V: Array, state: State) -> Swing:
        """The same at one voltage of each design, (n,)."""
        at = self.swing(bus_V[:, None], state)
        return Swing(
            at.inner_V[:, 0], at.swing_V[:, 0], at.drift_V[:, 0], at.follows[:, 0],
            at.current_A[:, 0], at.rad_s[:, 0],
        )  # fmt: skip

    @property
    def least_V(self) -> Array:
        """The lowest bus voltage with the load on, (n, 1): where the window opens or, a hair above,
        where the converter cannot hold its output any further."""
        return np.maximum(self.demand["off_V"], self.demand["least_V"] * (1 + LANDING))

    def follows(self, bus_V: Array, state: State) -> Array:
        """How far the bank's inner voltage moves with the bus's, (n, k): below 0 it collapses."""
        slope = self.supply.read(self.half, bus_V, TERMS.index("slope_S"))
        load = self._taken(bus_V, state)
        load_S = 0.0 if load is None else load.slope_S
        return np.asarray(1 + self.demand["esr_ohm"] * (load_S - slope))

    def taken_A(self, bus_V: Array, state: State) -> Array:
        """Current that drains and load take at a bus voltage, A, (n, k)."""
        return self._leaves_A(bus_V, self._taken(bus_V, state))

    def _leaves_A(self, bus_V: Array, load: Load | None) -> Array:
        """Current that leaves the bus into drains and load."""
        drain_A = self.demand.drain(bus_V).total_A
        return drain_A if load is None else drain_A + load.current_A

    def _taken(self, bus_V: Array, state: State) -> Load | None:
        """What the load takes while the window is closed, None while it is open.

        The mean of an uneven hand's bus may come lower than the bus itself ever does, at a crest of
        its ripple. Below, the load's current goes on along the tangent of a constant power, and its
        own power with it.
        """
        if state == "open":
            return None
        if not self.supply.unevenness:
            return self.demand.load(bus_V, idle=state == "idle")
        held_V = np.maximum(bus_V, self.least_V)
        load = self.demand.load(held_V, idle=state == "idle")
        slope_S = np.maximum(load.slope_S, -load.current_A / held_V)
        current_A = load.current_A + slope_S * (bus_V - held_V)
        share = bus_V * current_A / np.maximum(held_V * load.current_A, NO_W)
        return load._replace(
            current_A=current_A,
            window_W=load.window_W * share,
            converter_W=load.converter_W * share,
            pack_lead_W=load.pack_lead_W * share,
            delivered_W=load.delivered_W * share,
        )

    def _stroke(self, front: Array, bus_V: Array, load: Load | None) -> _Stroke:
        """An uneven hand on a mean bus: `front` holds the curves of `SWING`, (6, n, k).

        A stroke is a small alternating signal on the mean: current `a I` into the bank's `Z = ESR -
        jX`, `X = 1/(wC)`, beside what front half and load take of it as the bus swings, `g =
        dI_load/dV - dI/dV`. So the bus swings by `a I Z/(1 + g Z)` (a phasor, peak), of which the
        bank takes the current `a I/(1 + g Z)`. What is in phase with the stroke changes the mean by
        `a w d(I/w)/dV Re(swing)/2`: the hand pushes hardest when the bus is highest, where a turn
        brings less charge. So does a corner: where the ripple of height A reaches over the voltage,
        x away, at which the hand comes to its limit, the slope leaps by D. With b = arccos(x/A) its
        first harmonic sees `D (b - sin b cos b)/pi` of that, its mean `D (A sin b - x b)/pi`.
        Derived; checked by stepping through strokes.
        """
        current, _, _, rad_s, slope, turn_slope = front
        esr, swing_A = self.demand["esr_ohm"], self.supply.unevenness * current
        ohm = 1 / (np.maximum(rad_s, SLOWEST_RAD_S) * self.demand["capacitance_F"])
        conductance = self._conductance(bus_V, load) - slope
        stiffness = _stiffness(conductance, esr, ohm)
        corner_V, leap_S, turn_leap_S = (at[self.half] for at in self.supply.corner)
        away_V, square_ohm = bus_V - corner_V[:, None], esr**2 + ohm**2
        bent_A = np.zeros_like(bus_V)
        over = away_V**2 * stiffness < swing_A**2 * square_ohm
        if over.any():
            row, away = np.nonzero(over)[0], np.abs(away_V[over])
            most_V = swing_A[over] * np.sqrt(square_ohm[over])
            share = away / (most_V / np.sqrt(stiffness[over]))
            angle = np.arccos(share)
            beyond = np.copysign((angle - share * np.sin(angle)) / np.pi, -away_V[over])
            conductance[over] -= leap_S[row] * beyond
            turn_slope = turn_slope.copy()
            turn_slope[over] += turn_leap_S[row] * beyond
            stiffness[over] = _stiffness(conductance[over], esr[row, 0], ohm[over])
            reach_V = most_V / np.sqrt(stiffness[over])
            share = np.minimum(away / reach_V, 1.0)
            angle = np.arccos(share)
            bent_A[over] = leap_S[row] * reach_V * (np.sin(angle) - share * angle) / np.pi
        follows = 1 + esr * conductance
        into_A = swing_A / stiffness
        in_phase_V = into_A * (esr * follows + conductance * ohm**2)
        shift_A = self.supply.unevenness / 2 * turn_slope * in_phase_V + bent_A
        # A ripple no longer small: the current cannot swing by more than the stroke makes it.
        most_A = self.supply.unevenness * swing_A / 2
        mean_A = current + np.clip(shift_A, -most_A, most_A)
        return _Stroke(mean_A, into_A, swing_A, ohm, conductance, follows)

    def _conductance(self, bus_V: Array, load: Load | None) -> Array:
        """How much more load and clamp take of a bus as it swings up, S.

        A load of constant power takes more when the bus is lower. Its slope just above where it
        collapses the bus would say more of a point than of the ripple's height around it. Far below
        the turn-off threshold no load is connected. What sets in, sets in over a ramp.
        """
        need = self.demand
        taken_S = np.zeros_like(bus_V)
        if load is not None:
            holds = np.clip(bus_V / (RAMP * need["off_V"]) - (1 / RAMP - 2), 0.0, 1.0)
            if need.pack.behaviour.holds_input:
                spare = (need["input_limit_A"] - load.current_A) / (RAMP * need["input_limit_A"])
                holds *= np.clip(spare, 0.0, 1.0)
            falls_S = -load.current_A / np.maximum(bus_V, 1e-9)
            taken_S = np.where(load.slope_S < 0, holds * falls_S, 0.0)
        if need["clamp_ohm"].any():
            clamps = np.clip((bus_V - need["clamp_V"]) / (RAMP * need["clamp_V"] + 1e-9), 0.0, 1.0)
            clamp_S = np.where(need["clamp_ohm"] > 0, 1 / np.maximum(need["clamp_ohm"], 1e-9), 0.0)
            taken_S += clamps * clamp_S
        return taken_S

    def powers(self, bus_V: Array, state: State) -> Powers:
        """What a second at a mean bus voltage does, (n, k) each.

        Crank power is the sum of the heats, the ripple's, the delivered power and bus voltage times
        net current.
        """
        front = self.front(bus_V, slice(TERMS.index("effort") + 1))
        drain = self.demand.drain(bus_V)
        zero = np.zeros_like(bus_V)
        window, converter, lead, delivered = drain.window_A * bus_V, zero, zero, zero
        load_A, load = zero, self._taken(bus_V, state)
        if load is not None:
            window = window + load.window_W
            converter, lead, delivered = load.converter_W, load.pack_lead_W, load.delivered_W
            load_A = load.current_A
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
            stroke = self._stroke(front[SWING], bus_V, load)
            # Half the square of what the bank takes of the swing.
            ripple_W = self.demand["esr_ohm"] * stroke.into_A * stroke.swing_A / 2
            into_A = stroke.mean_A
        net_A = into_A - drain.total_A - load_A
        effort, rad_s = (front[TERMS.index(name)] for name in ("effort", "rad_s"))
        return Powers(heats, delivered, net_A, effort, ripple_W, rad_s)


def _stiffness(conductance: Array, esr: Array, ohm: Array) -> Array:
    """Square of `1 + g Z`: by how much less than all of a stroke's current the bank takes."""
    follows = 1 + esr * conductance
    return np.asarray(np.maximum(follows**2 + (conductance * ohm) ** 2, LEAST_FOLLOWING**2))
