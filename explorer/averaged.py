"""The fastest fidelity: a whole session by quadrature over bus voltage, no time stepping.

A session is a walk of the bus through a few phases. Each phase runs between two bus voltages in
`CELLS` steps; in a step the powers are those of one voltage and the time is that which moves the
bank's charge. Power balances there, so the energy ledger closes to rounding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from explorer.chain import HEAT, Chain, State
from explorer.units import Array

CELLS = 20
"""Steps of a walk."""
_EVEN = np.linspace(0.0, 1.0, CELLS + 1)
EDGES = (_EVEN + (1 - np.cos(np.pi * _EVEN)) / 2) / 2
"""Where they end, as shares of the way: closer at both ends, where a walk may set out from a verge
or come near its rest, and takes long."""
SCAN = 32
"""Steps in which a root is looked for."""
LAST_SHARE = 0.01
"""Of the current at the near edge of a step, the least that its far edge is taken to have."""
SECANTS = 8
"""Steps that settle a root between two nodes of the curves, where only the load bends."""
LANDING = 1e-6
"""How closely a walk comes to where the bus collapses, as a share of the voltage."""
REGIMES = ("starved", "cycling", "steady", "flooded", "chattering")
STARVED, CYCLING, STEADY, FLOODED, CHATTERING = range(5)


@dataclass(frozen=True)
class Walk:
    """Steps of one phase: what a second in each step does, (n, cells) each, heats as in `HEAT`.

    `end_inner_V` (n,) is the voltage behind the bank's series resistance when it is over.
    """

    seconds: Array
    heats_W: tuple[Array, ...]
    delivered_W: Array
    esr_W: Array
    stored_W: Array
    effort: Array
    end_inner_V: Array

    def total_s(self) -> Array:
        """How long the phase lasts, s (inf where it never ends), (n,)."""
        return np.asarray(self.seconds.sum(axis=1))

    def within(self, available_s: Array) -> Array:
        """Seconds in each step when the phase is cut off after `available_s` (n,): (n, cells)."""
        before = np.zeros_like(self.seconds)
        np.cumsum(self.seconds[:, :-1], axis=1, out=before[:, 1:])
        return np.clip(available_s[:, None] - before, 0.0, self.seconds)

    def then(self, stay: Walk, dwell_s: Array, stay_s: Array) -> Walk:
        """This walk cut to `dwell_s` (n, cells), and `stay_s` (n,) of a one-step walk after it."""

        def both(mine: Array, other: Array) -> Array:
            return np.concatenate([mine, other], axis=1)

        return Walk(
            seconds=both(dwell_s, stay_s[:, None]),
            heats_W=tuple(map(both, self.heats_W, stay.heats_W)),
            delivered_W=both(self.delivered_W, stay.delivered_W),
            esr_W=both(self.esr_W, stay.esr_W),
            stored_W=both(self.stored_W, stay.stored_W),
            effort=both(self.effort, stay.effort),
            end_inner_V=self.end_inner_V,
        )


@dataclass
class Tally:
    """Energy and time gathered over a session, rows as in the whole population."""

    heats_J: Array
    delivered_J: Array
    esr_J: Array
    stored_J: Array
    effort_s: Array

    @classmethod
    def empty(cls, count: int) -> Tally:
        return cls(np.zeros((count, len(HEAT))), *(np.zeros(count) for _ in range(4)))

    def add(self, rows: NDArray[np.intp], walk: Walk, dwell_s: Array) -> None:
        """Add `dwell_s` (n, cells) spent in the steps of a phase."""

        def spent(rate: Array) -> Array:
            return np.asarray(np.einsum("nk,nk->n", dwell_s, rate))

        self.heats_J[rows] += np.stack([spent(heat) for heat in walk.heats_W], axis=1)
        self.delivered_J[rows] += spent(walk.delivered_W)
        self.esr_J[rows] += spent(walk.esr_W)
        self.stored_J[rows] += spent(walk.stored_W)
        self.effort_s[rows] += spent(walk.effort)


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


def walk(chain: Chain, from_V: Array, to_V: Array, state: State) -> Walk:
    """Move the bus from one voltage to another (n,) in a switch state.

    In a step the net current runs nearly straight from edge to edge. Its powers are taken where
    that line has its mean over time, the logarithmic mean, so that a walk that nearly comes to
    rest is timed as well as a brisk one.
    """
    volts = _edges(chain, from_V, to_V)
    edge_A = chain.net_current(volts, state)
    inner = volts - chain.demand["esr_ohm"] * edge_A
    rising = (to_V >= from_V)[:, None]
    share = _mean_place(np.where(rising, edge_A, -edge_A))
    typical = volts[:, :-1] + np.diff(volts, axis=1) * share
    heats, delivered, net_A, effort = chain.powers(typical, state)
    # A constant-power load behind a series resistance folds: below some bus voltage the bank can
    # no longer follow, and the bus runs through the rest at once. Only new ground takes time.
    ground = np.where(
        rising,
        np.maximum.accumulate(inner, axis=1),
        np.minimum.accumulate(inner, axis=1),
    )
    charge_C = chain.demand["capacitance_F"] * np.diff(ground, axis=1)
    blocked = np.where(rising, net_A <= 0, net_A >= 0)
    seconds = np.where(blocked, np.inf, charge_C / np.where(blocked, 1.0, net_A))
    seconds = np.where(charge_C == 0, 0.0, seconds)
    inner_middle = (ground[:, 1:] + ground[:, :-1]) / 2
    stored_W = inner_middle * net_A
    return Walk(
        seconds, heats, delivered, typical * net_A - stored_W, stored_W, effort, ground[:, -1]
    )


def _edges(chain: Chain, from_V: Array, to_V: Array) -> Array:
    """Steps from one voltage to another, (n, CELLS + 1).

    Where an active bridge wakes on the way, two edges stand before and after the jump.
    """
    volts = from_V[:, None] + (to_V - from_V)[:, None] * EDGES
    start_V = chain.supply.start_V[chain.half]
    low, high = np.minimum(from_V, to_V), np.maximum(from_V, to_V)
    rows = np.flatnonzero((start_V > low) & (start_V < high))
    if rows.size:
        jump_V = start_V[rows]
        share = (jump_V - from_V[rows]) / (to_V - from_V)[rows]
        place = np.clip(np.searchsorted(EDGES, share, side="right") - 1, 1, CELLS - 2)
        asleep = jump_V * (1 - 1e-12)
        rising = to_V[rows] > from_V[rows]
        volts[rows, place] = np.where(rising, asleep, jump_V)
        volts[rows, place + 1] = np.where(rising, jump_V, asleep)
    return volts


def _mean_place(edge_A: Array) -> Array:
    """Where in each step a current that runs straight between its edges has its mean over time.

    `edge_A` (n, cells + 1) in the direction of the walk. The mean is `(a - b)/ln(a/b)`, at the
    share `a/(a - b) - 1/ln(a/b)` of the step. A walk up to its own rest would never end: the last
    hundredth of the current there is left to the stay that follows.
    """
    first, last = edge_A[:, :-1], edge_A[:, 1:]
    floor = np.maximum(LAST_SHARE * np.maximum(first, last), 1e-30)
    ratio = np.maximum(first, floor) / np.maximum(last, floor)
    bend = np.log(ratio)
    straight = np.abs(bend) < 0.1
    safe = np.where(straight, 1.0, bend)
    exact = 1 / (1 - np.exp(-safe)) - 1 / safe
    return np.where(straight, 0.5 + bend / 12, exact)


def hold(chain: Chain, bus_V: Array, state: State) -> Walk:
    """Stay at a bus voltage (n,): one endless step. What still flows is stored."""
    volts = bus_V[:, None]
    heats, delivered, net_A, effort = chain.powers(volts, state)
    esr_W = chain.demand["esr_ohm"] * net_A**2
    endless = np.full(volts.shape, np.inf)
    stored_W = volts * net_A - esr_W
    return Walk(endless, heats, delivered, esr_W, stored_W, effort, bus_V)


def first_sign_change(
    chain: Chain, function: Callable[[Array], Array], from_V: Array, to_V: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """First voltage on the way `from_V` -> `to_V` (n,) at which a function of (n, k) turns.

    The function, of the bus of `chain`, is positive at the start; one that is not has turned there,
    and `found` is False where it keeps its sign. A scan that misses nothing wider than 1/32 of the
    way, a scan of the nodes of the curves and the clamp's knee inside the bracket, then a bracketed
    secant between two of them.
    """
    rows = np.arange(len(from_V))
    volts = from_V[:, None] + (to_V - from_V)[:, None] * np.linspace(0.0, 1.0, SCAN + 1)
    low, high, below, above = _bracket(function, volts)
    found = above <= 0
    ends = np.stack([low, high], axis=1)
    left = chain.supply.locate(chain.half, ends)
    inside = int(np.abs(left[:, 1] - left[:, 0]).max(initial=0))
    rising = (high >= low)[:, None]
    first = np.where(rising, left[:, :1] + 1, left[:, :1])
    nodes = np.clip(first + np.where(rising, 1, -1) * np.arange(inside), 0, None)
    nodes = np.minimum(nodes, chain.supply.volts.shape[1] - 1)
    bends = [chain.supply.volts[chain.half[:, None], nodes], chain.demand["clamp_V"]]
    between = np.clip(
        np.concatenate(bends, axis=1), ends.min(axis=1)[:, None], ends.max(axis=1)[:, None]
    )
    between = np.sort(between, axis=1)
    between = np.where(rising, between, between[:, ::-1])
    low, high, below, above = _bracket(
        function, np.concatenate([ends[:, :1], between, ends[:, 1:]], axis=1)
    )
    # Bracketed secant, Anderson & Bjoerck's weights for an end that is kept twice.
    inside_row = found & (below > 0)
    trial, before = high, np.zeros(len(rows), dtype=bool)
    for step_number in range(SECANTS):
        slope = np.where(inside_row, below - above, 1.0)
        trial = np.where(inside_row, low + (high - low) * below / slope, high)
        middle = function(trial[:, None])[:, 0]
        positive = middle > 0
        replaced = np.where(positive, below, above)
        weight = 1 - middle / np.where(replaced != 0, replaced, 1.0)
        weight = np.where(weight > 0, weight, 0.5)
        weight = np.where((positive == before) & (step_number > 0), weight, 1.0)
        before = positive
        above = np.where(positive, above * weight, middle)
        high = np.where(positive, high, trial)
        below = np.where(positive, middle, below * weight)
        low = np.where(positive, trial, low)
    return np.where(found, trial, to_V), found


def _bracket(function: Callable[[Array], Array], volts: Array) -> tuple[Array, Array, Array, Array]:
    """The first step of (n, k) voltages at whose end the function is not positive.

    Returns the voltages and values at its two ends; both are the first where that has turned
    already, the last step where none does.
    """
    rows = np.arange(len(volts))
    value = function(volts)
    turned = value <= 0
    index = np.where(turned.any(axis=1), turned.argmax(axis=1), volts.shape[1] - 1)
    left = np.maximum(index - 1, 0)
    return volts[rows, left], volts[rows, index], value[rows, left], value[rows, index]


def session(chain: Chain, duration_s: float) -> Session:
    """Walk every design through a session that starts with an empty bank."""
    count, need = len(chain), chain.demand
    every = np.arange(count)
    on_V, over_V = need["on_V"][:, 0], need["overvoltage_off_V"][:, 0]
    off_V = _low_V(chain)
    top = chain.supply.top_V[chain.half]
    zero = np.zeros(count)
    tally = Tally.empty(count)
    remaining = np.full(count, duration_s)

    start_V, _ = first_sign_change(chain, lambda v: -chain.inner_V(v, "open"), zero, top)
    idle_V = _idle_V(chain)
    starved = idle_V <= on_V
    start_V = np.minimum(start_V, idle_V)
    # The first current may lift the bus over the turn-on threshold while the bank is still empty.
    turn_V = np.maximum(on_V, np.minimum(start_V, over_V))
    fill = walk(chain, np.minimum(start_V, turn_V), np.minimum(turn_V, idle_V), "open")
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
    peak_V = np.minimum(idle_V, turn_V)
    _stay(tally, chain, every[starved], idle_V, remaining, "open")

    rows = every[~starved & np.isfinite(fill_s)]
    if rows.size:
        part = chain.take(rows)
        wait_V, wait, flooded_waiting = _wait(part, turn_V[rows], over_V[rows])
        loaded_V, stays_on = _load_step(part, wait_V, off_V[rows])
        stays_on &= ~flooded_waiting
        rising = part.net_current(loaded_V[:, None], "loaded")[:, 0] > 0
        way = np.where(rising, 1.0, -1.0)[:, None]
        rest_V, rests = first_sign_change(
            part,
            lambda v: way * part.net_current(v, "loaded"),
            loaded_V,
            np.where(rising, over_V[rows], off_V[rows]),
        )
        steady = stays_on & rests
        flooded = flooded_waiting | (stays_on & rising & ~rests)
        cycling = stays_on & ~steady & ~flooded
        regime[rows] = np.select([flooded, steady, cycling], [FLOODED, STEADY, CYCLING], CHATTERING)
        target_V = np.where(stays_on, rest_V, loaded_V)
        draw = walk(part, loaded_V, target_V, "loaded")
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
        trap_V[rows[safe]] = _trap(part.take(safe), low_V, off_V[rows[safe]])
        settled = rows[steady]
        hold_V[settled] = target_V[steady]
        on_share[settled] += remaining[settled]
        _stay(tally, chain, settled, hold_V, remaining, "loaded")
        if flooded.any():
            ends_V = np.where(flooded_waiting, np.nan, draw.end_inner_V)
            _flood(tally, chain, rows[flooded], wait_V[flooded], ends_V[flooded],
                   (over_V, idle_V), (hold_V, peak_V), remaining)  # fmt: skip
        if cycling.any():
            again = rows[cycling]
            ends_V = draw.end_inner_V[cycling]
            chatters, floods_V = _cycle(
                tally, chain, again, ends_V, (off_V, on_V, over_V), peak_V, remaining, cycle_s,
                on_share,
            )  # fmt: skip
            regime[again[chatters]] = CHATTERING
            drowned = np.isfinite(floods_V)
            if drowned.any():
                regime[again[drowned]] = FLOODED
                unknown = np.full(int(drowned.sum()), np.nan)
                _flood(tally, chain, again[drowned], floods_V[drowned], unknown,
                       (over_V, idle_V), (hold_V, peak_V), remaining)  # fmt: skip

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


def _low_V(chain: Chain) -> Array:
    """Where a loaded bus loses its load on the way down, (n,): at the undervoltage threshold.

    Or above it, where the bus cannot sustain the load any further and collapses. A hair above that.
    """
    need = chain.demand
    return np.maximum(need["off_V"], need["least_V"] * (1 + LANDING))[:, 0]


def _idle_V(chain: Chain) -> Array:
    """Bus voltage that an empty bank climbs to while the switch is open, (n,).

    An active bridge that its body diodes do not lift to its start voltage stays asleep.
    """
    start_V = chain.supply.start_V[chain.half]
    top = chain.supply.top_V[chain.half]
    idle_V, _ = first_sign_change(chain, lambda v: chain.net_current(v, "open"), start_V, top)
    rows = np.flatnonzero(start_V > 0)
    if rows.size:
        part, end_V = chain.take(rows), start_V[rows] * (1 - 1e-12)
        asleep_V, found = first_sign_change(
            part, lambda v: part.net_current(v, "open"), np.zeros(len(rows)), end_V
        )
        idle_V[rows[found]] = asleep_V[found]
    return idle_V


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


def _wait(chain: Chain, on_V: Array, over_V: Array) -> tuple[Array, Walk, NDArray[np.bool_]]:
    """A retrying pack waits, converter idling, while the bus rises: voltage reached, walk, flooded.

    Other packs draw at once: an empty walk.
    """
    wait_s = chain.demand.pack.retry_s if chain.demand.pack.kind == "retrying" else 0.0
    if wait_s == 0:
        return on_V, walk(chain, on_V, on_V, "idle"), np.zeros(len(chain), dtype=bool)
    idle = chain.demand.load(on_V[:, None], idle=True)
    from_V = on_V - (chain.demand["esr_ohm"] * idle.current_A)[:, 0]
    rest_V, settles = first_sign_change(
        chain, lambda v: chain.net_current(v, "idle"), from_V, over_V
    )
    rise = walk(chain, from_V, rest_V, "idle")
    flooded = ~settles & (rise.total_s() < wait_s)
    dwell = rise.within(np.full(len(chain), wait_s))
    reached = _reached(chain, from_V, rest_V, (dwell == rise.seconds).sum(axis=1), rise, dwell)
    left = np.where(flooded, 0.0, wait_s - dwell.sum(axis=1))
    joined = rise.then(hold(chain, rest_V, "idle"), dwell, left)
    return reached, joined, flooded


def _reached(
    chain: Chain, from_V: Array, to_V: Array, whole: NDArray[np.intp], rise: Walk, dwell_s: Array
) -> Array:
    """Bus voltage when a walk is cut after `whole` (n,) steps and a part of the next one.

    The current runs straight between the edges of a step, so that the bus nears its rest there
    like an exponential.
    """
    rows, step = np.arange(len(chain)), np.minimum(whole, CELLS - 1)
    edges = _edges(chain, from_V, to_V)
    low, high = edges[rows, step], edges[rows, step + 1]
    current = chain.net_current(np.stack([low, high], axis=1), "idle")
    current = np.maximum(current, np.maximum(LAST_SHARE * current.max(axis=1), 1e-30)[:, None])
    bend = np.log(current[:, 1] / current[:, 0])
    length = rise.seconds[rows, step]
    share = np.where(length > 0, dwell_s[rows, step] / np.where(length > 0, length, 1.0), 1.0)
    straight = np.abs(bend) < 1e-6
    safe = np.where(straight, 1.0, bend)
    way = np.where(straight, share, np.expm1(safe * share) / np.expm1(safe))
    return np.asarray(np.where(whole >= CELLS, to_V, low + (high - low) * way))


def _load_step(chain: Chain, before_V: Array, off_V: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Bus voltage right after the load connects: the bank's inner voltage has not moved yet.

    False where the step falls through the undervoltage threshold, so that the switch opens again.
    """
    state: State = "idle" if chain.demand.pack.kind == "retrying" else "open"
    inner = chain.inner_V(before_V[:, None], state)
    after, found = first_sign_change(
        chain, lambda v: chain.inner_V(v, "loaded") - inner, before_V, off_V
    )
    sustained = chain.demand.load(after[:, None]).sustained[:, 0]
    return np.where(found, after, off_V), found & sustained & (before_V > off_V)


def _trap(chain: Chain, from_V: Array, off_V: Array) -> Array:
    """The unstable balance below a voltage at which the loaded bus does not fall, or `off_V`.

    A constant-power load takes more current the lower the bus is. A hair's breadth below a resting
    voltage the hand brings more than that.
    """
    start = from_V - 1e-3 * (from_V - off_V)
    trap, found = first_sign_change(chain, lambda v: chain.net_current(v, "loaded"), start, off_V)
    return np.where(found, trap, off_V)


def _release(chain: Chain, at_V: Array, inner_V: Array) -> Array:
    """Bus voltage right after the load has gone at `at_V`: it springs up, the bank stays."""
    inner = inner_V[:, None]
    top = chain.supply.top_V[chain.half]
    after, _ = first_sign_change(chain, lambda v: inner - chain.inner_V(v, "open"), at_V, top)
    return after


def _flood(
    tally: Tally,
    chain: Chain,
    rows: NDArray[np.intp],
    wait_V: Array,
    inner_V: Array,
    levels: tuple[Array, Array],
    reached: tuple[Array, Array],
    remaining: Array,
) -> None:
    """The load is gone for good: the bus climbs to its no-load voltage and stays there.

    `inner_V` is the bank's inner voltage then, NaN where the pack was still waiting at `wait_V`.
    """
    (over_V, idle_V), (hold_V, peak_V) = levels, reached
    part = chain.take(rows)
    released = np.where(np.isnan(inner_V), wait_V, _release(part, over_V[rows], inner_V))
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
    inner_V: Array,
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
    off_V, on_V, over_V = (level[rows] for level in levels)
    part = chain.take(rows)
    released = _release(part, off_V, inner_V)
    resumed = np.maximum(released, on_V)
    refill = walk(part, np.minimum(released, on_V), on_V, "open")
    waited_V, wait, floods = _wait(part, resumed, over_V)
    peak_V[rows] = np.maximum(peak_V[rows], waited_V)
    loaded_V, stays_on = _load_step(part, waited_V, off_V)
    draw = walk(part, np.where(stays_on, loaded_V, off_V), off_V, "loaded")
    chatters = ~floods & (~stays_on | ((released >= on_V) & (wait.total_s() == 0)))
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
        dwell[whole > 0] += whole[whole > 0, None] * phase.seconds[whole > 0]
        tally.add(rows, phase, dwell)
        if phase is draw:
            on_share[rows] += dwell.sum(axis=1)
        rest = rest - length
    return chatters, np.where(floods, waited_V, np.nan)
