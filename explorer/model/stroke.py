"""When a mean bus voltage with the stroke's ripple on it first meets a threshold.

Near a threshold the mean runs straight, `drift` volts a radian of the crank, and the ripple is a
sine of amplitude `A` on it. What counts is `k = drift/A`: at or above 1 the bus never turns back
and meets every level once; below, it meets a level at first on the climb to a crest. All is of the
geometry of `k t + cos(t + phase)`; derived for this model, checked by a plain scan in the tests.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.chain import Chain, State
from explorer.model.space import Rows
from explorer.units import Array

HALVINGS = 11
"""Bisections of a first meeting: to a two-thousandth of a turn."""
SLOWEST = 1e-3
"""A drift of less than this share of the ripple's stands still."""
LEAST_RIPPLE_V = 1e-9
LEVEL_HALVINGS = 9
"""Bisections of a mean bus voltage within twice the ripple."""
STEEPEST = 50.0
"""A drift this many times the ripple's is as good as no ripple at all."""


def _early_shares(k: Array) -> Array:
    """How much before its mean a rising bus meets a level, as a share of `A`, mean over phases.

    The highest voltage so far rises only on the climb to each crest, from where the last crest's
    height is regained. Levels are equally likely in its rise of `2 pi k` a turn, so that the
    ripple's mean over the climb, weighted by the rise, is the share: 1 at k = 0, 0 from k = 1 on.
    """
    k = np.clip(k, 1e-9, 1.0)
    crest = np.arccos(-k)  # of k t + sin t
    low, high = -crest, crest  # from the trough before it
    height = k * crest + np.sin(crest) - 2 * np.pi * k
    for _ in range(60):
        middle = (low + high) / 2
        under = k * middle + np.sin(middle) < height
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    # The integral of sin t (k + cos t) from there to the crest, over 2 pi k.
    rise = -k * (np.cos(crest) - np.cos(low)) + (np.sin(crest) ** 2 - np.sin(low) ** 2) / 2
    return np.asarray(rise / (2 * np.pi * k))


_STEPS = np.linspace(0.0, 1.0, 257)
_EARLY = _early_shares(_STEPS**2)


def early_share(k: Array) -> Array:
    """How much before its mean the bus meets a level, as a share of the ripple's amplitude."""
    return np.interp(np.sqrt(np.clip(k, 0.0, 1.0)), _STEPS, _EARLY)


def turned_until(k: Array, gap: Array, phase: Array) -> Array:
    """Radians from a mean that is `gap` amplitudes below a level to the first meeting, (n,).

    `phase` is the ripple's there, 0 at its crest. Negative where the level was met before.
    """
    k = np.maximum(k, SLOWEST)
    steep = k >= 1
    slow = np.minimum(k, 1.0)
    # A crest of the sum lies `lag` after the ripple's own, that much lower.
    lag = np.arcsin(slow)
    least = (gap - np.cos(lag)) / slow
    crest = lag - phase + 2 * np.pi * np.ceil((least + phase - lag) / (2 * np.pi))
    # A bus that never turns back meets the level between the ripple's extremes.
    low = np.where(steep, (gap - 1) / k, crest - np.pi - 2 * lag)
    high = np.where(steep, (gap + 1) / k, crest)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        under = k * middle + np.cos(middle + phase) < gap
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray((low + high) / 2)


class Meeting(NamedTuple):
    """A mean bus voltage near which a ripple meets a threshold, and how the bank runs there.

    All (n,); voltages but `bus_V` are of the bank behind its series resistance. In a radian it
    drifts by `drift_V` towards the threshold, and the bus `1/follows` as far. `ripple_V` is the
    amplitude that counts, 0 with an even hand; the threshold lies `gap` of it ahead; `phase` is the
    ripple's, towards the threshold, when the crank stands at 0; `swing_V` the bank's own ripple, a
    phasor.
    """

    bus_V: Array
    drift_V: Array
    follows: Array
    ripple_V: Array
    gap: Array
    phase: Array
    swing_V: NDArray[np.complex128]

    @property
    def k(self) -> Array:
        """Drift over ripple, (n,)."""
        return np.asarray(self.drift_V / np.maximum(self.ripple_V, LEAST_RIPPLE_V))

    def take(self, rows: Rows | NDArray[np.bool_]) -> Meeting:
        """Those of some rows."""
        fields: list[Any] = [field[rows] for field in self]
        return Meeting(*fields)

    def late(self, angle: Array) -> Array:
        """Radians after `bus_V`, passed at some angles of the crank (n,), that it is met."""
        late = turned_until(self.k, self.gap, angle + self.phase)
        return np.where(self.ripple_V * STEEPEST < self.drift_V, 0.0, late)


class Threshold:
    """A bus voltage at which a window switches, as the ripple of the stroke meets it.

    The bus is at `level_V` when the bank is `ESR (I (1 + a cos) - taken)` below it, currents taken
    at the level: exact, however the current bends. So what counts of the ripple is the bank's own
    and that of the current at the level.
    """

    def __init__(self, chain: Chain, level_V: Array, way: Array, state: State) -> None:
        """Met by a rising bus where `way` (n,) is 1, by a falling one where it is -1."""
        self.chain, self.level_V, self.way, self.state = chain, level_V, way, state
        if chain.supply.unevenness:
            at = chain.swing_at(level_V, state)
            esr = chain.demand["esr_ohm"][:, 0]
            taken_A = chain.taken_A(level_V[:, None], state)[:, 0]
            self.inner_V = level_V - esr * (at.current_A - taken_A)
            self.pull_V = esr * chain.supply.unevenness * at.current_A

    def near(self, bus_V: Array) -> Meeting:
        """How the bank runs towards the threshold at a mean bus voltage (n,)."""
        if not self.chain.supply.unevenness:
            none = np.zeros_like(bus_V)
            return Meeting(bus_V, none, none + 1, none, none, none, none.astype(complex))
        at = self.chain.swing_at(bus_V, self.state)
        ripple = self.way * (at.swing_V + self.pull_V)
        most = np.abs(ripple)
        return Meeting(
            bus_V,
            np.maximum(self.way * at.drift_V, 0.0),
            at.follows,
            most,
            self.way * (self.inner_V - at.inner_V) / np.maximum(most, LEAST_RIPPLE_V),
            np.angle(ripple),
            at.swing_V,
        )

    def meeting(self) -> Meeting:
        """Where a bus that comes from far meets it, averaged over where its strokes begin.

        Where the mean comes to rest on the way the crest alone counts: the threshold is met if the
        rest is no further than the ripple's amplitude.
        """
        here = self.near(self.level_V)
        if not self.chain.supply.unevenness:
            return here
        reach = 2 * here.ripple_V / here.follows
        before_V, after_V = np.maximum(self.level_V - self.way * reach, 0.0), self.level_V
        for _ in range(LEVEL_HALVINGS):
            middle_V = (before_V + after_V) / 2
            there = self.near(middle_V)
            ahead = there.gap > early_share(there.k)
            before_V = np.where(ahead, middle_V, before_V)
            after_V = np.where(ahead, after_V, middle_V)
        return self.near((before_V + after_V) / 2)


def jump_V(
    before_V: NDArray[np.complex128], after_V: NDArray[np.complex128], angle: Array
) -> Array:
    """How far the mean inner voltage jumps when the load goes on or off at some angles, (n,).

    The bank's own voltage does not, but the ripple on its mean, a phasor, is another one after it.
    """
    return np.asarray(((before_V - after_V) * np.exp(1j * angle)).real)
