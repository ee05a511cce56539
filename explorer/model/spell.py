"""A spell of the load that lasts but a stroke or two, stepped through the stroke.

There a ripple on a mean says too little: it has hardly begun when the window opens again.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.chain import Chain
from explorer.model.space import Rows
from explorer.model.supply import SLOWEST_RAD_S, SWING, TERMS
from explorer.units import Array

POINTS = 20
"""Bus voltages at which currents are tabulated between the two thresholds."""
STEPS = 10
"""Steps in which a spell is expected to be over."""
MOST_STEPS = 40
"""A spell that takes longer was none for stepping."""


class Spell(NamedTuple):
    """How long the load stayed, NaN where it stays, and inner voltage and turn of the crank."""

    seconds: Array
    turned_rad: Array
    inner_V: Array


class Draw:
    """The load on, from a charged bank down to where the window opens or the bus collapses.

    With `I (1 + a cos)` from the front half and `T` taken, the bus V stands over the bank's inner
    voltage by `ESR (I (1 + a cos) - T)`, and that moves by `(I (1 + a cos) - T)/(C w)` a radian.
    The spell is over when no bus voltage above the threshold fits the inner one any more.
    """

    def __init__(self, chain: Chain, low_V: Array, high_V: Array) -> None:
        """Between two bus voltages (n,)."""
        volts = low_V[:, None] + (high_V - low_V)[:, None] * np.linspace(0.0, 1.0, POINTS)
        front = chain.front(volts, SWING)
        esr = chain.demand["esr_ohm"]
        self.current, self.taken = front[0], chain.taken_A(volts, "loaded")
        rad_s = np.maximum(front[TERMS.index("rad_s")], SLOWEST_RAD_S)
        self.steady_V, self.pull_V = volts + esr * self.taken, esr * self.current
        self.rad_s, self.farad = rad_s, chain.demand["capacitance_F"][:, 0]
        self.unevenness = chain.supply.unevenness

    def run(self, inner_V: Array, angle: Array, about_rad: Array) -> Spell:
        """From an inner voltage and an angle of the crank (n,); it lasts `about_rad`."""
        begun, inner_V, step = angle, inner_V.copy(), np.maximum(about_rad / STEPS, 1e-3)
        seconds, angle = np.full(len(angle), np.nan), angle.copy()
        passed_s = np.zeros(len(angle))
        live = np.arange(len(angle))
        pace, _, spare = self._pace(live, inner_V, angle)
        seconds[spare <= 0] = 0.0
        live = np.flatnonzero(spare > 0)
        pace, spare = pace[live], spare[live]
        for _ in range(MOST_STEPS):
            if not live.size:
                break
            start_V, turn = inner_V[live], step[live]
            half = turn / 2
            middle, rad_s, _ = self._pace(live, start_V + pace * half, angle[live] + half)
            end_V = start_V + middle * turn
            pace, _, left = self._pace(live, end_V, angle[live] + turn)
            ends = left <= 0
            share = np.where(ends, spare / np.where(ends, spare - left, 1.0), 1.0)
            inner_V[live] = start_V + share * (end_V - start_V)
            angle[live] += share * turn
            passed_s[live] += share * turn / rad_s
            seconds[live[ends]] = passed_s[live[ends]]
            live, pace, spare = live[~ends], pace[~ends], left[~ends]
        return Spell(seconds, angle - begun, inner_V)

    def _pace(self, rows: Rows, inner_V: Array, angle: Array) -> tuple[Array, Array, Array]:
        """How the inner voltage moves in a radian, the crank's speed, and how far it may fall."""
        stroke = 1 + self.unevenness * np.cos(angle)
        inner = self.steady_V[rows] - self.pull_V[rows] * stroke[:, None]
        floor_V = inner.min(axis=1)
        spare_V = inner_V - floor_V
        inner -= np.maximum(inner_V, floor_V)[:, None]
        left = POINTS - 1 - (inner <= 0)[:, ::-1].argmax(axis=1)
        right = np.minimum(left + 1, POINTS - 1)
        each = np.arange(len(rows))
        near, far = inner[each, left], inner[each, right]
        share = np.where(far > 0, near / np.where(far > 0, near - far, 1.0), 0.0)
        current, taken = self.current[rows, left], self.taken[rows, left]
        current = current + (self.current[rows, right] - current) * share
        taken = taken + (self.taken[rows, right] - taken) * share
        rad_s = self.rad_s[rows, left]
        return (current * stroke - taken) / (self.farad[rows] * rad_s), rad_s, spare_V
