"""What a switch does to the bus: where it springs or drops to, and where the next one waits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from explorer.model.chain import Chain, State
from explorer.model.stroke import Meeting
from explorer.model.supply import SLOWEST_RAD_S
from explorer.model.walks import (
    CELLS,
    LAST_SHARE,
    Walk,
    first_sign_change,
    hold,
    laid,
    standstill,
    walk,
)
from explorer.units import Array

NEAR = 8
"""Steps in which a bus voltage is looked for that is near, or on a curve that only falls."""


def low_V(chain: Chain) -> Array:
    """Where a loaded bus loses its load on the way down, (n,): at the undervoltage threshold.

    Or above it, where the converter cannot hold its output any further, or the bank's resistance
    cannot carry a constant power any further and the bus collapses. A hair above that.
    """
    low_V = chain.least_V[:, 0]
    folded = np.flatnonzero(chain.follows(low_V[:, None], "loaded")[:, 0] <= 0)
    if folded.size:
        part, on_V = chain.take(folded), chain.demand["on_V"][folded, 0]
        low_V[folded], _ = first_sign_change(
            part, lambda v: -part.follows(v, "loaded"), low_V[folded], on_V
        )
    return low_V


def start_V(chain: Chain) -> Array:
    """Bus voltage over an empty bank, (n,): what its resistance drops of the first current."""
    zero = np.zeros(len(chain))
    found_V, _ = first_sign_change(
        chain, lambda v: -chain.inner_V(v, "open"), zero, most_V(chain, zero), scan=NEAR
    )
    return found_V


def idle_V(chain: Chain) -> Array:
    """Bus voltage that an empty bank climbs to while the switch is open, (n,).

    An active bridge that its body diodes do not lift to its start voltage stays asleep.
    """
    start_V = chain.supply.start_V[chain.half]
    top = chain.supply.top_V[chain.half]
    idle_V, _ = first_sign_change(
        chain, lambda v: chain.net_current(v, "open"), start_V, top, scan=NEAR
    )
    rows = np.flatnonzero(start_V > 0)
    if rows.size:
        part, end_V = chain.take(rows), start_V[rows] * (1 - 1e-12)
        asleep_V, found = first_sign_change(
            part, lambda v: part.net_current(v, "open"), np.zeros(len(rows)), end_V
        )
        idle_V[rows[found]] = asleep_V[found]
    return idle_V


def wait(
    chain: Chain, on_V: Array, off_V: Array, over_V: Array
) -> tuple[Array, Walk, NDArray[np.bool_]]:
    """A retrying pack waits, converter idling: bus voltage reached, walk, and where it flooded.

    Other packs draw at once: an empty walk.
    """
    wait_s = chain.demand.pack.wait_s
    if wait_s == 0:
        return on_V, standstill(chain, on_V), np.zeros(len(chain), dtype=bool)
    idle = chain.demand.load(on_V[:, None], idle=True)
    from_V = on_V - (chain.demand["esr_ohm"] * idle.current_A)[:, 0]
    # Where but a crest has closed the window, the idling converter may draw the bus down again.
    rising = chain.net_current(from_V[:, None], "idle")[:, 0] >= 0
    way = np.where(rising, 1.0, -1.0)
    rest_V, settles = first_sign_change(
        chain, lambda v: way[:, None] * chain.net_current(v, "idle"), from_V,
        np.where(rising, over_V, np.minimum(from_V, off_V)),
    )  # fmt: skip
    move = walk(chain, from_V, rest_V, "idle")
    flooded = rising & ~settles & (move.total_s() < wait_s)
    whole_s = np.full(len(chain), wait_s)
    dwell = move.within(whole_s)
    reached_V = _reached(chain, from_V, rest_V, (dwell == move.seconds).sum(axis=1), move, dwell)
    # A walk to there alone tells the rest of the way, which a bend within a step may have hidden.
    moving = move.total_s() > wait_s
    move = walk(chain, from_V, reached_V, "idle")
    taken_s = move.total_s()
    spare_s = np.where(moving & np.isfinite(taken_s), wait_s - taken_s, 0.0)
    pace = chain.net_current(reached_V[:, None], "idle") / chain.demand["capacitance_F"]
    dwell = move.within(whole_s)
    left = np.where(flooded, 0.0, wait_s - dwell.sum(axis=1))
    joined = move.then(hold(chain, reached_V, "idle"), dwell, left)
    return reached_V + spare_s * pace[:, 0], joined, flooded


def _reached(
    chain: Chain, from_V: Array, to_V: Array, whole: NDArray[np.intp], move: Walk, dwell_s: Array
) -> Array:
    """Bus voltage when a walk is cut after `whole` (n,) steps and a part of the next one.

    The current runs straight between the edges of a step, so that the bus nears its rest there
    like an exponential.
    """
    rows, step = np.arange(len(chain)), np.minimum(whole, CELLS - 1)
    volts, edge_A = laid(chain, from_V, to_V, "idle")
    near, far = volts[rows, step], volts[rows, step + 1]
    current = np.stack([edge_A[rows, step], edge_A[rows, step + 1]], axis=1)
    current = np.where((to_V >= from_V)[:, None], current, -current)
    current = np.maximum(current, np.maximum(LAST_SHARE * current.max(axis=1), 1e-30)[:, None])
    bend = np.log(current[:, 1] / current[:, 0])
    length = move.seconds[rows, step]
    share = np.where(length > 0, dwell_s[rows, step] / np.where(length > 0, length, 1.0), 1.0)
    straight = np.abs(bend) < 1e-6
    safe = np.where(straight, 1.0, bend)
    way = np.where(straight, share, np.expm1(safe * share) / np.expm1(safe))
    return np.asarray(np.where(whole >= CELLS, to_V, near + (far - near) * way))


def load_step(
    chain: Chain, before_V: Array, off_V: Array, jump_V: Array | float = 0.0
) -> tuple[Array, NDArray[np.bool_]]:
    """Bus voltage right after the load connects: the bank's inner voltage has not moved yet.

    False where the step falls through the undervoltage threshold, so that the switch opens again.
    """
    state: State = "idle" if chain.demand.pack.behaviour.waits_to_connect else "open"
    inner = chain.inner_V(before_V[:, None], state) + np.reshape(jump_V, (-1, 1))
    after, found = first_sign_change(
        chain, lambda v: chain.inner_V(v, "loaded") - inner, before_V, off_V, scan=NEAR
    )
    sustained = chain.demand.load(after[:, None]).sustained[:, 0]
    return np.where(found, after, off_V), found & sustained & (before_V > off_V)


def trap(chain: Chain, from_V: Array, off_V: Array) -> Array:
    """The unstable balance below a voltage at which the loaded bus does not fall, or `off_V`.

    A constant-power load takes more current the lower the bus is. A hair's breadth below a resting
    voltage the hand brings more than that.
    """
    start = from_V - 1e-3 * (from_V - off_V)
    trap, found = first_sign_change(chain, lambda v: chain.net_current(v, "loaded"), start, off_V)
    return np.where(found, trap, off_V)


def release(chain: Chain, at_V: Array, inner_V: Array) -> Array:
    """Bus voltage right after the load has gone at `at_V`: it springs up, the bank stays."""
    inner = inner_V[:, None]
    top_V = np.maximum(most_V(chain, inner_V), at_V)
    after, _ = first_sign_change(
        chain, lambda v: inner - chain.inner_V(v, "open"), at_V, top_V, scan=NEAR
    )
    return after


def most_V(chain: Chain, inner_V: Array) -> Array:
    """The highest bus voltage that a hand can push the bank to at an inner voltage, (n,)."""
    most_A = chain.supply.worst_bus_A[chain.half, -1]
    pushed_V = inner_V + chain.demand["esr_ohm"][:, 0] * most_A
    return np.asarray(np.minimum(chain.supply.top_V[chain.half], pushed_V))


def until(
    chain: Chain,
    from_V: Array,
    ahead: Meeting,
    way: Array,
    angle: Array,
    state: State,
    meets: NDArray[np.bool_],
    else_V: Array,
) -> tuple[Walk, Array]:
    """Walk to where a threshold is met, `meets`, or elsewhere; and where the walk ends.

    The crank stands at `angle` (n,) when it sets out, up where `way` is 1. A threshold that the
    ripple stands on already is met at once.
    """
    behind = way * (ahead.bus_V - from_V) < 0
    to_V = np.where(meets, np.where(behind, from_V, ahead.bus_V), else_V)
    legs = walk(chain, from_V, to_V, state)
    if not chain.supply.unevenness or not meets.any():
        return legs, to_V
    late = np.where(meets & ~behind, ahead.late(angle + legs.turned_rad()), 0.0)
    further_V = way * late * ahead.drift_V
    pace = np.maximum(legs.rad_s[:, -1], SLOWEST_RAD_S)
    return legs.stretched(late / pace, further_V), to_V + further_V / ahead.follows
