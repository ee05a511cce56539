"""The fastest fidelity: a whole session by quadrature over bus voltage, no time stepping.

A session is a walk of the bus through a few phases, each between two bus voltages. The stroke of
an uneven hand is a ripple on that mean bus: it decides when a threshold is met.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from explorer.model import rhythm, switching
from explorer.model.chain import Chain, State
from explorer.model.regimes import CHATTERING, CYCLING, FLOODED, STARVED, STEADY
from explorer.model.stroke import Meeting, Threshold
from explorer.model.walks import Tally, first_sign_change, hold, walk
from explorer.units import Array


@dataclass(frozen=True)
class Session:
    """What a session of each design comes to; (n,) each, `heats_J` (n, 13) as in `HEAT`."""

    regime: NDArray[np.int8]
    first_charge_s: Array
    cycle_s: Array
    hold_V: Array
    peak_V: Array
    idle_V: Array
    floor_V: Array
    """The lowest that the loaded bus comes before it rests, NaN where it never rests loaded."""
    trap_V: Array
    """Below this the load takes more than the hand brings and the bus runs down, NaN as above."""
    delivered_J: Array
    heats_J: Array
    esr_J: Array
    stored_J: Array
    effort: Array
    on_share: Array


def session(chain: Chain, duration_s: float) -> Session:
    """Walk every design through a session that starts with an empty bank."""
    count, need = len(chain), chain.demand
    every = np.arange(count)
    on_V, over_V = need["on_V"][:, 0], need["overvoltage_off_V"][:, 0]
    off_V = switching.low_V(chain)
    zero = np.zeros(count)
    tally = Tally.empty(count)
    remaining = np.full(count, duration_s)

    idle_V = switching.idle_V(chain)
    turn_on = Threshold(chain, on_V, zero + 1, "open").meeting()
    starved = idle_V <= turn_on.bus_V
    # The first current may lift the bus over the turn-on threshold while the bank is still empty.
    start_V = np.minimum(np.minimum(switching.start_V(chain), idle_V), over_V)
    fill, filled_V = switching.until(
        chain, start_V, turn_on, zero + 1, zero, "open", ~starved, np.minimum(turn_on.bus_V, idle_V)
    )
    dwell = fill.within(remaining)
    tally.add(every, fill, dwell)
    remaining = np.maximum(remaining - dwell.sum(axis=1), 0.0)
    fill_s = fill.total_s()

    regime = np.full(count, STARVED, dtype=np.int8)
    first_charge = np.full(count, np.inf)
    cycle_s = np.full(count, np.inf)
    hold_V = np.where(starved, idle_V, np.nan)
    on_share = np.zeros(count)
    floor_V, trap_V = np.full(count, np.nan), np.full(count, np.nan)
    peak_V = np.minimum(idle_V, np.maximum(on_V, start_V))
    _stay(tally, chain, every[starved], idle_V, remaining, "open")

    rows = every[~starved & np.isfinite(fill_s)]
    if rows.size:
        part = chain.take(rows)
        off, over = off_V[rows], over_V[rows]
        wait_V, wait, flooded_waiting = switching.wait(part, filled_V[rows], off, over)
        loaded_V, stays_on = switching.load_step(part, wait_V, off)
        stays_on &= ~flooded_waiting
        rising = part.net_current(loaded_V[:, None], "loaded")[:, 0] > 0
        way = np.where(rising, 1.0, -1.0)
        level_V = np.where(rising, over, off)
        rest_V, rests = first_sign_change(
            part, lambda v: way[:, None] * part.net_current(v, "loaded"), loaded_V, level_V
        )
        ahead = Threshold(part, level_V, way, "loaded").meeting()
        rests &= way * (ahead.bus_V - rest_V) > 0
        steady = stays_on & rests
        flooded = flooded_waiting | (stays_on & rising & ~rests)
        cycling = stays_on & ~steady & ~flooded
        regime[rows] = np.select([flooded, steady, cycling], [FLOODED, STEADY, CYCLING], CHATTERING)
        angle = fill.turned_rad()[rows] + wait.turned_rad()
        draw, target_V = switching.until(
            part, loaded_V, ahead, way, angle, "loaded", stays_on & ~rests,
            np.where(stays_on, rest_V, loaded_V),
        )  # fmt: skip
        first_charge[rows] = np.where(stays_on, fill_s[rows] + wait.total_s(), np.inf)
        reached_V = np.where(stays_on & rising, target_V, wait_V)
        peak_V[rows] = np.maximum(wait_V, reached_V)

        for phase in (wait, draw):
            dwell = phase.within(remaining[rows])
            tally.add(rows, phase, dwell)
            remaining[rows] = np.maximum(remaining[rows] - dwell.sum(axis=1), 0.0)
        on_share[rows] = dwell.sum(axis=1)

        safe = np.flatnonzero(steady | flooded & ~flooded_waiting)
        low_V = np.where(rising, loaded_V, rest_V)[safe]
        floor_V[rows[safe]] = low_V
        trap_V[rows[safe]] = switching.trap(part.take(safe), low_V, off[safe])
        settled = rows[steady]
        hold_V[settled] = target_V[steady]
        on_share[settled] += remaining[settled]
        _stay(tally, chain, settled, hold_V, remaining, "loaded")
        if flooded.any():
            ends_V = np.where(flooded_waiting, np.nan, draw.end_inner_V)
            _flood(tally, chain, rows[flooded], wait_V[flooded], ends_V[flooded],
                   target_V[flooded], idle_V, (hold_V, peak_V), remaining)  # fmt: skip
        if cycling.any():
            again = rows[cycling]
            angle = (angle + draw.turned_rad())[cycling]
            chatters, floods_V = _cycle(
                tally, chain, again, (turn_on.take(again), ahead.take(cycling)), target_V[cycling],
                angle, (off_V, on_V, over_V), peak_V, remaining, cycle_s, on_share,
            )  # fmt: skip
            regime[again[chatters]] = CHATTERING
            drowned = np.isfinite(floods_V)
            if drowned.any():
                regime[again[drowned]] = FLOODED
                unknown = np.full(int(drowned.sum()), np.nan)
                _flood(tally, chain, again[drowned], floods_V[drowned], unknown,
                       floods_V[drowned], idle_V, (hold_V, peak_V), remaining)  # fmt: skip

    if chain.supply.unevenness:
        # The stroke's crest stands on the mean, at most by what bank and resistance add up to.
        swing = chain.swing(peak_V[:, None], "loaded")
        pull_V = chain.demand["esr_ohm"] * chain.supply.unevenness * swing.current_A
        peak_V = peak_V + (np.abs(swing.swing_V) + pull_V)[:, 0]
    effort = 100 * tally.effort_s / duration_s
    return Session(
        regime=regime,
        first_charge_s=np.where(first_charge <= duration_s, first_charge, np.inf),
        cycle_s=cycle_s,
        hold_V=hold_V,
        peak_V=peak_V,
        idle_V=idle_V,
        floor_V=floor_V,
        trap_V=trap_V,
        delivered_J=tally.delivered_J,
        heats_J=tally.heats_J,
        esr_J=tally.esr_J,
        stored_J=tally.stored_J,
        effort=effort,
        on_share=on_share / duration_s,
    )


def _stay(
    tally: Tally,
    chain: Chain,
    rows: NDArray[np.intp],
    bus_V: Array,
    remaining: Array,
    state: State,
) -> None:
    """Spend what remains of the session at a bus voltage."""
    if rows.size:
        tally.add(rows, hold(chain.take(rows), bus_V[rows], state), remaining[rows][:, None])


def _flood(
    tally: Tally,
    chain: Chain,
    rows: NDArray[np.intp],
    wait_V: Array,
    inner_V: Array,
    lost_V: Array,
    idle_V: Array,
    reached: tuple[Array, Array],
    remaining: Array,
) -> None:
    """The load is gone for good: the bus climbs to its no-load voltage and stays there.

    It was lost at `lost_V`. `inner_V` is the bank's inner voltage then, NaN where the pack was
    still waiting at `wait_V`.
    """
    hold_V, peak_V = reached
    part = chain.take(rows)
    waits = np.isnan(inner_V)
    sprung_V = switching.release(part, lost_V, np.where(waits, lost_V, inner_V))
    released = np.where(waits, wait_V, sprung_V)
    end_V = np.maximum(idle_V[rows], released)
    climb = walk(part, released, end_V, "open")
    dwell = climb.within(remaining[rows])
    tally.add(rows, climb, dwell)
    remaining[rows] = np.maximum(remaining[rows] - dwell.sum(axis=1), 0.0)
    hold_V[rows] = end_V
    peak_V[rows] = end_V
    _stay(tally, chain, rows, hold_V, remaining, "open")


def _cycle(
    tally: Tally,
    chain: Chain,
    rows: NDArray[np.intp],
    meetings: tuple[Meeting, Meeting],
    ended_V: Array,
    angle: Array,
    levels: tuple[Array, Array, Array],
    peak_V: Array,
    remaining: Array,
    cycle_s: Array,
    on_share: Array,
) -> tuple[NDArray[np.bool_], Array]:
    """Open, refill, wait, draw, again and again; begins when the load has just gone.

    Returns where the window chatters instead: the bus springs back over the turn-on threshold,
    or the load's own step opens the switch. There the walk ends, nobody goes on turning. And the
    voltage at which the bus floods while the pack waits, NaN where it does not.
    """
    part = chain.take(rows)
    off, on, over = (level[rows] for level in levels)
    at = rhythm.mean_switches(part, meetings, ended_V, angle, (off, on, over), remaining[rows])
    released_V, waited_V, loaded_V, stays_on, wait, floods = rhythm.turns_at(part, at, over)
    refill = walk(part, np.minimum(released_V, at.on_V), at.on_V, "open")
    draw = walk(part, np.where(stays_on, loaded_V, at.off_V), at.off_V, "loaded")
    draw = draw.lasting(at.draw_s)
    peak_V[rows] = np.maximum(peak_V[rows], waited_V)
    chatters = ~floods & (~stays_on | ((released_V >= at.on_V) & (wait.total_s() == 0)))
    order = (refill, wait, draw)
    lengths = [phase.total_s() for phase in order]
    cycle = np.where(chatters | floods, np.inf, sum(lengths))
    cycle_s[rows] = np.where(chatters, 0.0, cycle)
    left = np.where(chatters, 0.0, remaining[rows])
    repeats = np.isfinite(cycle)
    whole = np.floor(left / np.where(repeats, cycle, np.inf))
    rest = left - whole * np.where(repeats, cycle, 0.0)
    for phase, length in zip(order, lengths, strict=True):
        if phase is draw:
            remaining[rows[floods]] = np.maximum(rest[floods], 0.0)
            rest = np.where(floods, 0.0, rest)
        dwell = phase.within(np.clip(rest, 0.0, None))
        again = whole > 0
        dwell[again] += whole[again, None] * phase.seconds[again]
        tally.add(rows, phase, dwell)
        # A whole cycle leaves the bank as it was. What the mean falls short of that, the hand adds
        # in the parts of strokes that the load sees.
        stored_J = (phase.stored_W[again] * phase.seconds[again]).sum(axis=1)
        tally.stored_J[rows[again]] -= whole[again] * stored_J
        if phase is draw:
            on_share[rows] += dwell.sum(axis=1)
        rest = rest - length
    return chatters, np.where(floods, waited_V, np.nan)
