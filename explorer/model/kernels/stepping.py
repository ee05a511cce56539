"""One step of a chain: the bank alone at held speed, or bank and crank together.

Both are implicit midpoint rules. A step's powers are taken at the middle of its ends, and work
balances in every step: `C (Vc1^2 - Vc0^2)/2` is net current times the mean inner voltage times the
time, `J (w1^2 - w0^2)/2` the excess torque times the angle. The ledger closes to what is left of
the step's equations.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.kernels.back import LOADED, Taken, opens_V, taken
from explorer.model.kernels.compiled import law
from explorer.model.kernels.curve import AT_CURRENT, AT_SPEED, place
from explorer.model.kernels.front import Chain, Front, front
from explorer.model.kernels.records import Fields
from explorer.units import Array

SETTLED_V, SETTLED_J = 1e-9, 1e-8
"""What may be left of a step's equations."""
NEWTONS, TURN_NEWTONS, HALVINGS = 24, 12, 90
HALVED_S = 1e-4
"""Longest step whose speed is sought by halving."""
JUMP_V = 1e-7
"""Halving that ends with more than this left has found a jump, not a root."""
HIGHEST_V = 400.0


class Bus(NamedTuple):
    """Bus voltage that a bank's inner voltage gives, and what flows; `found`: there is one."""

    bus_V: float
    net_A: float
    current_A: float
    current_v: float
    rad_s: float
    taken: Taken
    found: bool


class Turned(NamedTuple):
    """A step of bank and crank: values at its middle, and its length."""

    bus_V: float
    net_A: float
    rad_s: float
    seconds: float
    radians: float
    front: Front
    taken: Taken
    found: bool


@law
def _newton_bus(
    columns: Array, setup: Fields, asleep: int, load: Fields, state: int, inner_V: float,
    ohm: float, stroke: float, guess_V: float,
) -> Bus:  # fmt: skip
    """Bus voltage V with `V - ohm (stroke I(V) - taken(V)) = inner_V`, from a guess (Newton)."""
    volts = max(guess_V, 1e-9)
    current = current_v = rad_s = net = 0.0
    found = False
    now = taken(load, state, volts, setup.leakage)
    for number in range(NEWTONS):
        left, share, rate = place(setup, columns.shape[1], volts)
        low, high = columns[asleep, left, AT_CURRENT], columns[asleep, left + 1, AT_CURRENT]
        rad_s = columns[asleep, left, AT_SPEED]
        rad_s += (columns[asleep, left + 1, AT_SPEED] - rad_s) * share
        current, current_v = low + (high - low) * share, (high - low) * rate
        now = taken(load, state, volts, setup.leakage)
        net = stroke * current - now.amps
        miss = volts - ohm * net - inner_V
        slope = 1 - ohm * (stroke * current_v - now.amps_v)
        if abs(miss) < SETTLED_V:
            found = slope > 0
            break
        change = miss / max(slope, 1e-3)
        if number % 4 == 3:  # two pieces may throw the solution to and fro
            change *= 0.5
        volts = min(max(volts - change, 1e-12), HIGHEST_V)
    return Bus(volts, net, current, current_v, rad_s, now, found)


@law
def _least_V(load: Fields, state: int) -> float:
    """Where the search for a bus voltage begins: a load is carried from its threshold on."""
    return opens_V(load, state) if state == LOADED else 1e-12


@law
def held_bus(
    columns: Array, setup: Fields, asleep: int, load: Fields, state: int, inner_V: float,
    ohm: float, stroke: float, guess_V: float,
) -> Bus:  # fmt: skip
    """The same, by halving where Newton's method runs to and fro between pieces."""
    now = _newton_bus(columns, setup, asleep, load, state, inner_V, ohm, stroke, guess_V)
    if now.found:
        return now
    low, high = _least_V(load, state), HIGHEST_V
    for number in range(HALVINGS):
        volts = low if number == 0 else 0.5 * (low + high)
        left, share, rate = place(setup, columns.shape[1], volts)
        near, far = columns[asleep, left, AT_CURRENT], columns[asleep, left + 1, AT_CURRENT]
        current, current_v = near + (far - near) * share, (far - near) * rate
        drawn = taken(load, state, volts, setup.leakage)
        net = stroke * current - drawn.amps
        rad_s = columns[asleep, left, AT_SPEED]
        rad_s += (columns[asleep, left + 1, AT_SPEED] - rad_s) * share
        miss = volts - ohm * net - inner_V
        if number == 0 and miss > 0:
            return now
        if number > 0 and (abs(miss) < SETTLED_V or high - low < 1e-15 * high):
            rises = 1 - ohm * (stroke * current_v - drawn.amps_v)
            # Where the load jumps there is no balance.
            settled = rises > 0 and abs(miss) < JUMP_V
            return Bus(volts, net, current, current_v, rad_s, drawn, settled)
        if miss > 0:
            high = volts
        else:
            low = volts
    return now


@law
def crank_bus(
    chain: Chain, asleep: bool, load: Fields, state: int, inner_V: float, ohm: float,
    crank_rad_s: float, guess_V: float,
) -> Bus:  # fmt: skip
    """The same at a crank speed instead of a held one; 0: the crank stands."""
    volts, current, current_v, net = max(guess_V, 1e-9), 0.0, 0.0, 0.0
    found = False
    for number in range(NEWTONS):
        if crank_rad_s > 0:
            at = front(chain, asleep, crank_rad_s, volts)
            current, current_v = at.current_A, at.current_v
        now = taken(load, state, volts, chain.setup.leakage)
        net = current - now.amps
        miss = volts - ohm * net - inner_V
        slope = 1 - ohm * (current_v - now.amps_v)
        if abs(miss) < SETTLED_V:
            found = slope > 0
            break
        change = miss / max(slope, 1e-3)
        if number % 4 == 3:
            change *= 0.5
        volts = min(max(volts - change, 1e-12), HIGHEST_V)
    if found:
        return Bus(volts, net, current, current_v, crank_rad_s, now, found)
    low, high = _least_V(load, state), HIGHEST_V
    for number in range(HALVINGS):
        volts = low if number == 0 else 0.5 * (low + high)
        if crank_rad_s > 0:
            at = front(chain, asleep, crank_rad_s, volts)
            current, current_v = at.current_A, at.current_v
        now = taken(load, state, volts, chain.setup.leakage)
        net = current - now.amps
        miss = volts - ohm * net - inner_V
        if number == 0 and miss > 0:
            break
        if number > 0 and (abs(miss) < SETTLED_V or high - low < 1e-15 * high):
            found = 1 - ohm * (current_v - now.amps_v) > 0 and abs(miss) < JUMP_V
            break
        if miss > 0:
            high = volts
        else:
            low = volts
    return Bus(volts, net, current, current_v, crank_rad_s, now, found)


@law
def _carried(
    chain: Chain, asleep: bool, load: Fields, state: int, inner_V: float, crank_rad_s: float
) -> bool:
    """Whether a bank can carry its load at a crank speed from the load's threshold on."""
    least_V, current = _least_V(load, state), 0.0
    if crank_rad_s > 0:
        current = front(chain, asleep, crank_rad_s, least_V).current_A
    net = current - taken(load, state, least_V, chain.setup.leakage).amps
    return least_V - load.esr_ohm * net <= inner_V


@law
def _newton_turn(
    chain: Chain, asleep: bool, load: Fields, state: int, inertia: float,
    hand_N_m: float, rad_s: float, inner_V: float, radians: float, seconds: float,
    guess_rad_s: float, guess_V: float,
) -> Turned:  # fmt: skip
    """Crank and bank over an angle, or where `radians` is 0 over a time.

    Unknown are the speed w and the bus voltage V in the middle:
    `2 J w (w - w0) = angle (T_hand - T(w, V))` and
    `V = Vc0 + (ESR + t/2C) (I(w, V) - taken(V))` with `t = angle/w`; by Newton in both.
    """
    by_angle = radians > 0
    w, volts = max(guess_rad_s, 1e-6), max(guess_V, 1e-9)
    net, length, found = 0.0, seconds, False
    for number in range(TURN_NEWTONS):
        at = front(chain, asleep, w, volts)
        now = taken(load, state, volts, chain.setup.leakage)
        net = at.current_A - now.amps
        pull = hand_N_m - at.torque_N_m
        if by_angle:
            length = radians / w
            miss_J = 2 * inertia * w * (w - rad_s) - radians * pull
            miss_w = 2 * inertia * (2 * w - rad_s) + radians * at.torque_w
            miss_v = radians * at.torque_v
            ohm_w = -length / (2 * load.capacitance_F * w)
        else:
            # an impulse, at a speed that makes a work of it
            miss_J = 2 * inertia * (w - rad_s) - length * pull
            miss_w = 2 * inertia + length * at.torque_w
            miss_v = length * at.torque_v
            ohm_w = 0.0
        ohm = load.esr_ohm + length / (2 * load.capacitance_F)
        miss_V = volts - inner_V - ohm * net
        bus_w = -ohm * at.current_w - ohm_w * net
        bus_v = 1 - ohm * (at.current_v - now.amps_v)
        solves = miss_w * bus_v - miss_v * bus_w
        if abs(miss_J) < SETTLED_J and abs(miss_V) < SETTLED_V:
            found = bus_v > 0 and w > 0
            break
        if solves == 0:
            break
        change_w = (miss_J * bus_v - miss_v * miss_V) / solves
        change_v = (miss_w * miss_V - bus_w * miss_J) / solves
        if number % 6 == 5:
            change_w, change_v = 0.5 * change_w, 0.5 * change_v
        change_w = min(max(change_w, -w), 0.7 * w)
        w, volts = w - change_w, min(max(volts - change_v, 1e-12), HIGHEST_V)
    return Turned(
        volts, net, w, length, radians if by_angle else w * length, at, now, found
    )  # fmt: skip


@law
def turn(
    chain: Chain, asleep: bool, load: Fields, state: int, inertia: float, hand_N_m: float,
    rad_s: float, inner_V: float, radians: float, seconds: float, guess_rad_s: float,
    guess_V: float,
) -> Turned:  # fmt: skip
    """The same, by halving the speed where Newton's method does not settle."""
    now = _newton_turn(
        chain, asleep, load, state, inertia, hand_N_m, rad_s, inner_V, radians, seconds,
        guess_rad_s, guess_V,
    )  # fmt: skip
    # A shorter step is cheaper, as long as there is one.
    length_s = radians / max(rad_s, 1e-9) if radians > 0 else seconds
    if now.found or length_s > HALVED_S or not _carried(chain, asleep, load, state, inner_V, rad_s):
        return now
    low, high = 0.0, 4 * max(rad_s, chain.drive.cadence_rad_s)
    for _ in range(HALVINGS):
        w = 0.5 * (low + high)
        length = radians / w if radians > 0 else seconds
        ohm = load.esr_ohm + length / (2 * load.capacitance_F)
        bus = crank_bus(chain, asleep, load, state, inner_V, ohm, w, guess_V)
        if not bus.found:
            return now
        at = front(chain, asleep, w, bus.bus_V)
        pull = hand_N_m - at.torque_N_m
        if radians > 0:
            miss_J = 2 * inertia * w * (w - rad_s) - radians * pull
        else:
            miss_J = 2 * inertia * (w - rad_s) - length * pull
        if abs(miss_J) < SETTLED_J or high - low < 1e-14 * high:
            return Turned(
                bus.bus_V, bus.net_A, w, length, radians if radians > 0 else w * length, at,
                bus.taken, abs(miss_J) < 1e-6,
            )  # fmt: skip
        if miss_J > 0:
            high = w
        else:
            low = w
    return now
