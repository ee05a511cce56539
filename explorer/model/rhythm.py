"""Where in the strokes of an uneven hand a cycling window opens and closes, cycle after cycle."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model import switching
from explorer.model.chain import Chain
from explorer.model.spell import Draw
from explorer.model.stroke import LEAST_RIPPLE_V, Meeting, Threshold, jump_V
from explorer.model.walks import Walk, stride
from explorer.units import Array

CYCLES = (4, 12)
"""Cycles that are followed stroke by stroke, and again: their mean stands for all. The bus runs
straight near where the last time found it switch."""

SHORTEST_RAD = np.pi
"""A window that switches faster sees no ripple on a mean, but a hand that changes slowly."""

SHORT_RAD, FELT = 4 * np.pi, 0.05
"""A spell of the load that is over sooner is stepped, if the ripple is a larger share of what the
mean falls meanwhile."""


class Switches(NamedTuple):
    """Where a cycling window switches in the mean, V, (n,) each.

    It opens at `off_V` and closes at `on_V`; the mean of the bank's inner voltage jumps then by
    `off_jump_V` and `on_jump_V`. Where it is not `sound` the window has no room for the ripple. The
    load stays on for `draw_s`; where that is NaN, the way from one to the other tells it.
    """

    off_V: Array
    on_V: Array
    off_jump_V: Array
    on_jump_V: Array
    sound: NDArray[np.bool_]
    draw_s: Array


def mean_switches(
    chain: Chain,
    meetings: tuple[Meeting, Meeting],
    ended_V: Array,
    angle: Array,
    levels: tuple[Array, Array, Array],
    left_s: Array,
) -> Switches:
    """Where a cycling window opens and closes, over its next cycles.

    Where in the stroke a switch falls decides where the next one does. `ended_V` is where the load
    has just gone, the crank at `angle`. A ripple as high as the window is none on a mean: there the
    thresholds themselves stand (a rule tells such chains).
    """
    on, off = meetings
    low_V, high_V, over_V = levels
    still, rising = np.zeros(len(chain)), np.ones(len(chain))
    opens = Threshold(chain, low_V, -rising, "loaded")
    closes = Threshold(chain, high_V, rising, "open")
    found = Switches(off.bus_V, on.bus_V, still, still, still == 0, still + np.nan)
    if not chain.supply.unevenness:
        return found
    for again in (False, True):
        if again:
            on = closes.near(found.on_V)
            off = opens.near(found.off_V)
        new = _followed(chain, closes, on, off, found, over_V, ended_V, angle, left_s, again)
        sound = found.sound & new.sound
        found = Switches(
            np.where(sound, new.off_V, low_V),
            np.where(sound, new.on_V, high_V),
            np.where(sound, new.off_jump_V, 0.0),
            np.where(sound, new.on_jump_V, 0.0),
            sound,
            np.where(sound, new.draw_s, np.nan),
        )
    return found


class Turns(NamedTuple):
    """Where the bus turns in a cycle, V (n,), and the pack's wait.

    It springs up to `released_V` when the load has gone, has come to `waited_V` when the pack has
    waited, and drops to `loaded_V` with the load, unless that opens the window at once.
    """

    released_V: Array
    waited_V: Array
    loaded_V: Array
    stays_on: NDArray[np.bool_]
    wait: Walk
    floods: NDArray[np.bool_]


def turns_at(chain: Chain, at: Switches, over_V: Array) -> Turns:
    """Where the bus turns in a cycle whose switches are `at` some voltages."""
    inner_V = chain.inner_V(at.off_V[:, None], "loaded")[:, 0] + at.off_jump_V
    released_V = switching.release(chain, at.off_V, inner_V)
    waited_V, wait, floods = switching.wait(
        chain, np.maximum(released_V, at.on_V), at.off_V, over_V
    )
    loaded_V, stays_on = switching.load_step(chain, waited_V, at.off_V, at.on_jump_V)
    return Turns(released_V, waited_V, loaded_V, stays_on, wait, floods)


def _followed(
    chain: Chain, closes: Threshold, on: Meeting, off: Meeting, at: Switches, over_V: Array,
    ended_V: Array, angle: Array, left_s: Array, again: bool,
) -> Switches:  # fmt: skip
    """Follow some cycles, the bank running straight near where `at` says that it switches.

    When it is done `again`, short spells of the load are stepped.
    """
    cycles = CYCLES[again]
    turns = turns_at(chain, at, over_V)
    released_V, loaded_V = turns.released_V, turns.loaded_V
    up_s, up_rad = stride(chain, np.minimum(released_V, at.on_V), at.on_V, "open")
    down_s, down_rad = stride(chain, np.maximum(loaded_V, at.off_V), at.off_V, "loaded")
    down_s, down_rad = down_s + turns.wait.total_s(), down_rad + turns.wait.turned_rad()
    up, down = chain.swing_at(released_V, "open"), chain.swing_at(loaded_V, "loaded")
    rise_V = np.maximum(up.drift_V, LEAST_RIPPLE_V)
    fall_V = np.maximum(-down.drift_V, LEAST_RIPPLE_V)
    followed = np.clip(np.ceil(left_s / np.maximum(up_s + down_s, 1e-9)), 1, cycles)
    off_rad = (at.off_V - ended_V) * off.follows / np.maximum(off.drift_V, LEAST_RIPPLE_V)
    sound = at.sound & turns.stays_on & (loaded_V > at.off_V) & (released_V < at.on_V)
    began, sums = angle, np.zeros((5, len(chain)))
    draw_s = np.full(len(chain), np.nan)
    felt = np.abs(down.swing_V) > FELT * fall_V * down_rad
    short = (down_rad < SHORT_RAD) & felt & sound & (turns.wait.total_s() == 0)
    rows = np.flatnonzero(short & again)
    draw = Draw(chain.take(rows), chain.least_V[rows, 0], closes.level_V[rows])
    low_V = off_rad * off.drift_V - (jump_V(off.swing_V, up.swing_V, angle) - at.off_jump_V)
    for number in range(cycles):
        angle = angle + up_rad + low_V / rise_V
        on_rad = on.late(angle)
        angle = angle + on_rad
        on_jump = jump_V(on.swing_V, down.swing_V, angle)
        high_V = on_rad * on.drift_V + (on_jump - at.on_jump_V)
        closed = angle
        angle = angle + down_rad + high_V / fall_V
        off_rad = off.late(angle)
        angle = angle + off_rad
        off_jump = jump_V(off.swing_V, up.swing_V, angle)
        low_V = off_rad * off.drift_V - (off_jump - at.off_jump_V)
        if rows.size:
            full_V = closes.inner_V - closes.pull_V * np.cos(closed)
            spell = draw.run(full_V[rows], closed[rows], down_rad[rows])
            ends, draw_s[rows] = np.isfinite(spell.seconds), np.nan
            over, opened = rows[ends], (closed[rows] + spell.turned_rad)[ends]
            ripple_V = (up.swing_V[over] * np.exp(1j * opened)).real
            angle[over], draw_s[over] = opened, spell.seconds[ends]
            low_V[over] = up.inner_V[over] - (spell.inner_V[ends] - ripple_V)
            off_rad[over], off_jump[over] = 0.0, (at.off_jump_V - low_V)[over]
        sums += np.where(number < followed, [on_rad, off_rad, on_jump, off_jump, draw_s], 0.0)
    on_rad, off_rad, on_jump, off_jump, draw_s = sums / followed
    off_V = at.off_V - off.drift_V / off.follows * off_rad
    on_V = at.on_V + on.drift_V / on.follows * on_rad
    sound &= (off_V < on_V) & (angle - began > cycles * SHORTEST_RAD)
    return Switches(off_V, on_V, off_jump, on_jump, sound, draw_s)
