"""Moving the bus of a chain from one voltage to another: how long it takes and where the work goes.

A walk runs in `CELLS` steps; in a step the powers are those of one voltage and the time is that
which moves the bank's charge. Power balances there, so the energy ledger closes to rounding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from explorer.model.chain import HEAT, Chain, State
from explorer.model.space import Rows
from explorer.units import Array

CELLS = 20
"""Steps of a walk."""
_EVEN = np.linspace(0.0, 1.0, CELLS + 1)
EDGES = (_EVEN + (1 - np.cos(np.pi * _EVEN)) / 2) / 2
"""Where they end, as shares of the way: closer at both ends, where a walk may set out from a verge
or come near its rest, and takes long."""
STRIDES = np.linspace(0.0, 1.0, 9)
"""Where a stride looks at the currents."""
FOOT = 0.5
"""How much the logarithm of the current may fall or rise in a step before steps are laid closer
there."""
SCAN = 32
"""Steps in which a root is looked for."""
LAST_SHARE = 0.01
"""Of the current at the near edge of a step, the least that its far edge is taken to have."""
NO_PACE = 1e-9
"""A phase that is over at once."""
SECANTS = 6
"""Steps that settle a root between two nodes of the curves, where only the load bends."""


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
    rad_s: Array
    end_inner_V: Array

    def total_s(self) -> Array:
        """How long the phase lasts, s (inf where it never ends), (n,)."""
        return np.asarray(self.seconds.sum(axis=1))

    def turned_rad(self) -> Array:
        """How far the crank turns meanwhile, (n,); 0 where the phase never ends."""
        ends = np.asarray(np.isfinite(self.seconds).all(axis=1))
        return np.asarray(np.where(ends[:, None], self.seconds * self.rad_s, 0.0).sum(axis=1))

    def within(self, available_s: Array) -> Array:
        """Seconds in each step when the phase is cut off after `available_s` (n,): (n, cells)."""
        before = np.zeros_like(self.seconds)
        np.cumsum(self.seconds[:, :-1], axis=1, out=before[:, 1:])
        return np.clip(available_s[:, None] - before, 0.0, self.seconds)

    def stretched(self, extra_s: Array, extra_V: Array) -> Walk:
        """The phase ending `extra_s` (n,) later, or sooner, the bank `extra_V` further."""
        sooner = (extra_s < 0) & np.isfinite(self.total_s())
        cut_s = np.where(sooner, self.total_s() + extra_s, 0.0)
        seconds = np.where(sooner[:, None], self.within(cut_s), self.seconds)
        seconds[:, -1] += np.maximum(extra_s, 0.0)
        return replace(self, seconds=seconds, end_inner_V=self.end_inner_V + extra_V)

    def lasting(self, seconds: Array) -> Walk:
        """The phase at a pace that lets it last so long, (n,); as it is where that is NaN.

        The bank moves by as much: what a longer phase takes more, the hand brings more.
        """
        total = self.total_s()
        known = np.isfinite(seconds) & np.isfinite(total) & (total > 0)
        pace = np.where(known, seconds, 1.0) / np.where(known, total, 1.0)
        pace = np.maximum(pace, NO_PACE)[:, None]
        return replace(self, seconds=self.seconds * pace, stored_W=self.stored_W / pace)

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
            rad_s=both(self.rad_s, stay.rad_s),
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


def walk(chain: Chain, from_V: Array, to_V: Array, state: State) -> Walk:
    """Move the bus from one voltage to another (n,) in a switch state.

    In a step the net current runs nearly straight from edge to edge. Its powers are taken where
    that line has its mean over time, the logarithmic mean, so that a walk that nearly comes to
    rest is timed as well as a brisk one. What the current there differs from that mean tells how
    the line is bent.
    """
    volts, edge_A = laid(chain, from_V, to_V, state)
    inner = volts - chain.demand["esr_ohm"] * edge_A
    rising = (to_V >= from_V)[:, None]
    share = _mean_place(np.where(rising, edge_A, -edge_A))
    typical = volts[:, :-1] + np.diff(volts, axis=1) * share
    flow = chain.powers(typical, state)
    net_A = _mean_current(edge_A, flow.net_A)
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
    esr_W = typical * net_A - stored_W + flow.ripple_W
    return Walk(
        seconds, flow.heats_W, flow.delivered_W, esr_W, stored_W, flow.effort, flow.rad_s,
        ground[:, -1],
    )  # fmt: skip


def laid(chain: Chain, from_V: Array, to_V: Array, state: State) -> tuple[Array, Array]:
    """Edges of the steps of a walk, V, and net currents there; (n, CELLS + 1) each."""
    volts = edges(chain, from_V, to_V)
    edge_A = chain.net_current(volts, state)
    rows, closer_V = _closer(chain, volts, np.where(to_V >= from_V, 1.0, -1.0)[:, None] * edge_A)
    if rows.size:
        volts[rows], edge_A[rows] = closer_V, chain.take(rows).net_current(closer_V, state)
    return volts, edge_A


def edges(chain: Chain, from_V: Array, to_V: Array) -> Array:
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


def _closer(chain: Chain, volts: Array, edge_A: Array) -> tuple[Rows, Array]:
    """Steps laid anew, and of which walks: where the current dies off at the foot of a diode's
    exponential, no step runs straight. `edge_A` is in the direction of the walk.

    Half of the steps go evenly with the way as before, half with the logarithm of the current, down
    to a ten-thousandth of the largest.
    """
    most = edge_A.max(axis=1, keepdims=True)
    level = np.log(np.maximum(edge_A, np.maximum(LAST_SHARE**2 * most, 1e-30)))
    bend = np.abs(np.diff(level, axis=1))
    start_V = chain.supply.start_V[chain.half]
    jumps = (start_V > volts.min(axis=1)) & (start_V < volts.max(axis=1))
    rows = np.flatnonzero((bend.max(axis=1) > FOOT) & ~jumps)
    bend = bend[rows] / bend[rows].sum(axis=1, keepdims=True)
    want = np.cumsum((bend + np.diff(EDGES)) / 2, axis=1)
    want /= want[:, -1:]
    want = np.concatenate([np.zeros((len(rows), 1)), want], axis=1)
    left = (want[:, 1:, None] <= _EVEN).sum(axis=1).clip(0, CELLS - 1)
    each = np.arange(len(rows))[:, None]
    share = (_EVEN - want[each, left]) / (want[each, left + 1] - want[each, left])
    low, high = volts[rows[:, None], left], volts[rows[:, None], left + 1]
    return rows, low + share.clip(0.0, 1.0) * (high - low)


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


def _mean_current(edge_A: Array, typical_A: Array) -> Array:
    """Mean over time of the current in each step, from its edges (n, cells + 1) and its typical
    place (n, cells).

    A parabola over the line between the edges has two thirds of its height at the middle as its
    mean (Simpson's rule); at most other places between, nearly so.
    """
    first, last = edge_A[:, :-1], edge_A[:, 1:]
    forth = (first * last > 0) & (first * typical_A > 0)
    ends = np.where(forth[..., None], np.abs(np.stack([first, last], axis=-1)), 1.0)
    straight = np.copysign(_log_mean(ends.reshape(-1, 2)).reshape(first.shape), typical_A)
    return np.where(forth, (straight + 2 * typical_A) / 3, typical_A)


def hold(chain: Chain, bus_V: Array, state: State) -> Walk:
    """Stay at a bus voltage (n,): one endless step. What still flows is stored."""
    volts = bus_V[:, None]
    flow = chain.powers(volts, state)
    esr_W = chain.demand["esr_ohm"] * flow.net_A**2
    endless = np.full(volts.shape, np.inf)
    stored_W = volts * flow.net_A - esr_W
    return Walk(
        endless, flow.heats_W, flow.delivered_W, esr_W + flow.ripple_W, stored_W, flow.effort,
        flow.rad_s, bus_V,
    )  # fmt: skip


def standstill(chain: Chain, bus_V: Array) -> Walk:
    """No time at a bus voltage (n,): a phase that a chain does not have."""
    none = np.zeros((len(chain), 1))
    return Walk(none, (none,) * len(HEAT), none, none, none, none, none, bus_V)


def stride(chain: Chain, from_V: Array, to_V: Array, state: State) -> tuple[Array, Array]:
    """How long a walk takes, s, and how far the crank turns, rad; (n,) each, without its powers.

    Infinite and 0 where it never ends. Coarser than `walk`.
    """
    volts = from_V[:, None] + (to_V - from_V)[:, None] * STRIDES
    at = chain.swing(volts, state)
    pace = np.where(to_V >= from_V, 1.0, -1.0)[:, None] * at.drift_V
    ends = np.asarray((pace > 0).all(axis=1))
    pace = np.where(ends[:, None], pace, 1.0)
    turned = np.abs(np.diff(at.inner_V, axis=1)) / _log_mean(pace)
    rad_s = (at.rad_s[:, 1:] + at.rad_s[:, :-1]) / 2
    seconds = (turned / rad_s).sum(axis=1)
    return np.where(ends, seconds, np.inf), np.where(ends, turned.sum(axis=1), 0.0)


def _log_mean(ends: Array) -> Array:
    """Mean over time of what runs straight between its values (n, k + 1), above 0: (n, k)."""
    first, last = ends[:, :-1], ends[:, 1:]
    bend = np.log(first / last)
    straight = np.abs(bend) < 1e-3
    mean = (first - last) / np.where(straight, 1.0, bend)
    return np.where(straight, (first + last) / 2, mean)


def first_sign_change(
    chain: Chain,
    function: Callable[[Array], Array],
    from_V: Array,
    to_V: Array,
    *,
    scan: int = SCAN,
) -> tuple[Array, NDArray[np.bool_]]:
    """First voltage on the way `from_V` -> `to_V` (n,) at which a function of (n, k) turns.

    The function, of the bus of `chain`, is positive at the start; one that is not has turned there,
    and `found` is False where it keeps its sign. A scan that misses nothing wider than 1/`scan` of
    the way, a scan of the nodes of the curves and the clamp's knee inside the bracket, then a
    bracketed secant between two of them.
    """
    rows = np.arange(len(from_V))
    volts = from_V[:, None] + (to_V - from_V)[:, None] * np.linspace(0.0, 1.0, scan + 1)
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
