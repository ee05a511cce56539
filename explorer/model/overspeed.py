"""The load is gone and somebody turns too fast: the highest bus, fullest cell and hottest clamp.

A hand let go runs on, well beyond the cadence that it kept under load, and the worst speed is not
the fastest: near the top of the torque-speed line there is no torque left to heat a clamp with. So
every rule takes the worst over all speeds up to the one that a hand reaches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.session_section import Session
from explorer.model.space import Rows
from explorer.model.unloaded import Fronts
from explorer.physics import bank, operator
from explorer.units import RAD_S_PER_RPM, Array

DEFAULT_RPM, DEFAULT_RADIUS_M = 150.0, 0.17
"""Two thirds of the unloaded sprint on a crank of 170 mm (assumed); on others it goes with the
inverse root of the radius, as most-power cadences of short and long cranks do (published: 125 rpm
at 0.138 m and 107.5 rpm at 0.189 m, Eur. J. Appl. Physiol. 106, 749).
"""
RUN_OUT = 23.7 / 21.7
"""Unloaded speed of a hand let go over the end of the torque-speed line that starting goes by
(derived: 226 against 207 rpm at 0.17 m); it goes with the inverse root of the radius, too.
"""
STEPS = (12, 8, 8)
"""Even steps of speed at which a clamp is looked at: over all speeds, then around the worst."""


class Overspeed(NamedTuple):
    """The worst over all speeds, (n,) each.

    `bus_V` of the bus; `string_V` of a string whose every cell were as full as its fullest;
    `steady_W` of the clamp up to the multiple of the cadence, `burst_W` up to the overspeed.
    """

    bus_V: Array
    string_V: Array
    steady_W: Array
    burst_W: Array


@dataclass(frozen=True)
class Clamps:
    """The clamp of each design: threshold and resistance across the bank; `by_cell` where each
    cell has its own; `weakest_share` of the fullest cell over the mean of its string, (n,) each.
    """

    threshold_V: Array
    ohm: Array
    by_cell: NDArray[np.bool_]
    weakest_share: Array


def kept_rad_s(session: Session, fronts: Fronts) -> Array:
    """The multiple of the cadence that a hand may keep for long, rad/s at the crank, (h,)."""
    return np.asarray(fronts.drives["cadence_rad_s"] * session.overspeed)


def run_on_rad_s(session: Session, fronts: Fronts) -> Array:
    """Fastest that the crank is ever turned, rad/s, (h,): never below `kept_rad_s`."""
    if session.overspeed_rpm is None:
        run_on = DEFAULT_RPM * RAD_S_PER_RPM * np.sqrt(DEFAULT_RADIUS_M / fronts.drives["radius_m"])
    else:
        run_on = np.full(len(fronts), session.overspeed_rpm * RAD_S_PER_RPM)
    return np.maximum(kept_rad_s(session, fronts), run_on)


def open_V(session: Session, fronts: Fronts) -> Array:
    """Highest bus voltage with nothing connected, V, (h,): it rises with the speed."""
    return fronts.no_load_V(np.arange(len(fronts)), run_on_rad_s(session, fronts))


def worst(session: Session, fronts: Fronts, half: Rows, clamps: Clamps) -> Overspeed:
    """What bus, cells and clamp of each design come to at their worst.

    Without a clamp (0 ohm) the bus climbs to the open voltage. With one it stays below its
    threshold and the drop of the current that the hand can push through it there; both are upper
    bounds, since the current is that at the threshold. A clamp at every cell also holds the
    fullest one.
    """
    columns = (half, clamps.threshold_V, clamps.ohm)
    _, first, same = np.unique(np.stack(columns, axis=1), axis=0, return_index=True,
                               return_inverse=True)  # fmt: skip
    same = same.reshape(-1)
    row, clamp_V, clamp_ohm = half[first], clamps.threshold_V[first], clamps.ohm[first]
    fastest, kept = run_on_rad_s(session, fronts)[row], kept_rad_s(session, fronts)[row]
    top_V = fronts.no_load_V(row, fastest)
    bus_V, clamped_V = top_V.copy(), np.full(len(row), np.inf)
    steady_W, burst_W = np.zeros(len(row)), np.zeros(len(row))
    mine = np.flatnonzero(clamp_ohm > 0)
    if mine.size:
        some = row[mine], clamp_V[mine], clamp_ohm[mine]
        clamped_V[mine], burst_W[mine] = _clamped(fronts, *some, fastest[mine])
        bus_V[mine] = np.minimum(clamped_V[mine], top_V[mine])
        _, steady_W[mine] = _clamped(fronts, *some, kept[mine])
    full = bus_V[same] * clamps.weakest_share
    held = np.minimum(top_V[same] * clamps.weakest_share, clamped_V[same])
    string_V = np.where(clamps.by_cell & (clamps.ohm > 0), held, full)
    return Overspeed(bus_V[same], string_V, steady_W[same], burst_W[same])


def _clamped(
    fronts: Fronts, half: Rows, clamp_V: Array, clamp_ohm: Array, fastest: Array
) -> tuple[Array, Array]:
    """Highest voltage of the clamped bus and heat of the clamp then, over all speeds, (n,) each.

    The current rises with the speed until the hand's torque line ends it, so that its peak is a
    corner: looked for among even steps, then among finer ones around the best, and again.
    """
    low, high = np.zeros(len(half)), fastest
    best_V = clamp_V
    for steps in STEPS:
        shares = np.arange(1, steps + 1) / steps
        speed = low[:, None] + (high - low)[:, None] * shares
        bus_V = _held(fronts, half, speed, clamp_V, clamp_ohm)
        best = bus_V.argmax(axis=1)
        best_V = np.maximum(best_V, bus_V.max(axis=1))
        step = (high - low) / steps
        peak = speed[np.arange(len(half)), best]
        low, high = np.maximum(peak - step, 0.0), np.minimum(peak + step, fastest)
    return best_V, bank.clamp_current(best_V, clamp_V, clamp_ohm) * best_V


def _held(fronts: Fronts, half: Rows, speed: Array, clamp_V: Array, clamp_ohm: Array) -> Array:
    """Bus voltage behind a clamp at crank speeds (n, k): never below its threshold."""
    count = speed.shape[1]
    row, volts = np.repeat(half, count), np.repeat(clamp_V, count)
    flat, amps = speed.reshape(-1), np.zeros(speed.size)
    open_ = fronts.no_load_V(row, flat)
    flows = open_ > volts
    pushed = fronts.pushed(row[flows], flat[flows], volts[flows])
    person = fronts.person
    end = (
        person.sprint_speed_rad_s
        * RUN_OUT
        * np.sqrt(DEFAULT_RADIUS_M / fronts.drives["radius_m"][row])
    )
    line = operator.sprint_torque(flat, person.sprint_torque_N_m, end)
    able = np.minimum(line[flows] / np.maximum(pushed.torque_N_m, 1e-9), 1.0)
    amps[flows] = pushed.current_A * able
    held = np.minimum(volts + np.repeat(clamp_ohm, count) * amps, np.maximum(open_, volts))
    return np.asarray(held.reshape(speed.shape))
