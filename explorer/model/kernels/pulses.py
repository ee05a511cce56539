"""What pulses on a bank's resistance take off the bus current.

The bus is then a constant voltage behind a resistance, as a bank is whose load is steady, and
pulses of current make ripple on it: see `explorer.physics.soft_bus` for the bridge that *shares*
that resistance, which is exact while pulses do not overlap, and for the tables of what is left
where they do. Errors: tests/bench/bridge_accuracy.py.
"""

from __future__ import annotations

from math import atan2, exp, sqrt
from typing import NamedTuple

from explorer.model.kernels.bridge import Map, Rectified, Source, rectify, weights
from explorer.model.kernels.compiled import law
from explorer.model.kernels.records import Fields
from explorer.physics.bridge import SIX_PULSE
from explorer.physics.soft_bus import JUNCTION, MOST_PHI, MOST_SHARED, THREE_PHASES, TWO_WINDINGS

SECANTS, SETTLED = 16, 1e-5
PULSE_OHM = (0.1, 0.7)
"""Resistances of a bank at which the effect of pulses is solved, across what banks have."""
UNIT_OHM = 1.0
"""Over which a bank's resistance R counts as `t = R/(R + UNIT_OHM)`."""
LEAST_BEHIND = 0.05
"""Share of the bus voltage that is left behind the larger of them."""
LEAST_LEFT = 0.3
"""What both may leave of the current, at least: beyond them lies no bus that a chain has."""
SCARCE = 1e-9
"""A current that drops less than this share of the bus voltage on a bank is felt by nobody."""


class Soft(NamedTuple):
    """A bridge on a bus with a resistance: A, and two forms.

    `form` is the square of phase rms over bus current, `ripple` the pulses' variance over the
    square of their mean.
    """

    bus_A: float
    form: float
    ripple: float


class Overlap(NamedTuple):
    """Factors of bus current, of form, and of its (bus rms/bus current)^2 over parted pulses'."""

    current: float
    form: float
    squares: float


class Pulses(NamedTuple):
    """What a bank's resistance takes off the current, as parabolas of t (see `UNIT_OHM`).

    The current is the stiff one over `1 + a t + b t^2`, phase rms over current likewise over
    `1 + c t + d t^2`, the pulses' ripple `e + f t`: exact at both of `PULSE_OHM`.
    """

    amps_t: float
    amps_tt: float
    form_t: float
    form_tt: float
    ripple: float
    ripple_t: float


@law
def _overlap(universal: Map, phi: float, shared: float, current: float) -> Overlap:
    """What the overlap of pulses leaves, for a shared bridge; see `physics.soft_bus`."""
    splines = universal.overlaps
    turns, shares, currents = splines.shape[0] - 2, splines.shape[1] - 2, splines.shape[2] - 2
    i, (a0, a1, a2, a3) = weights(sqrt(min(phi / MOST_PHI, 1.0)) * (turns - 1), turns)
    j, (b0, b1, b2, b3) = weights(min(shared / MOST_SHARED, 1.0) * (shares - 1), shares)
    k, (c0, c1, c2, c3) = weights(sqrt(min(current, 1.0)) * (currents - 1), currents)
    across, along, up = (a0, a1, a2, a3), (b0, b1, b2, b3), (c0, c1, c2, c3)
    amps = form = squares = 0.0
    for m in range(4):
        for n in range(4):
            for q in range(4):
                weight = across[m] * along[n] * up[q]
                amps += weight * splines[i + m, j + n, k + q, 0]
                form += weight * splines[i + m, j + n, k + q, 1]
                squares += weight * splines[i + m, j + n, k + q, 2]
    return Overlap(exp(min(amps, 0.0)), exp(form), exp(max(squares, 0.0)))


@law
def _behind(universal: Map, row: Fields, source: Source, behind_V: float, bus_ohm: float) -> Soft:
    """A bridge on a voltage behind a resistance."""
    star = row.bridge == SIX_PULSE
    share = THREE_PHASES.share if star else TWO_WINDINGS.share
    square = THREE_PHASES.square if star else TWO_WINDINGS.square
    short = THREE_PHASES.short if star else TWO_WINDINGS.short
    together = Source(
        source.emf_V, source.electrical_rad_s, source.ohm + share * bus_ohm, source.henry,
        source.saturation_A, source.emission_V, source.valve_ohm,
    )  # fmt: skip
    state = rectify(universal, row.bridge, together, behind_V)
    if not state.bus_A > 0:
        return Soft(0.0, 1.0, 0.0)
    ohm = together.ohm + row.valves_in_path * source.valve_ohm
    if source.saturation_A > 0:
        each_A = state.bus_A * (2 / 3 if star else 0.5)
        ohm += row.valves_in_path * JUNCTION * source.emission_V * each_A / state.phase_A**2
    reactance = source.electrical_rad_s * source.henry
    most_A = short * source.emf_V / sqrt(ohm * ohm + reactance * reactance)
    left = _overlap(universal, atan2(reactance, ohm), share * bus_ohm / ohm, state.bus_A / most_A)
    form = (state.phase_A / state.bus_A) ** 2 * left.form
    return Soft(state.bus_A * left.current, form, max(square * form * left.squares - 1, 0.0))


@law
def soft(
    universal: Map, row: Fields, source: Source, bus_V: float, bus_ohm: float, stiff: Rectified
) -> Soft:
    """A bridge on a bus with a resistance, at the mean voltage of the bus, by secants.

    Its `stiff` state is known. Of more current than would leave a voltage behind the resistance,
    that is the answer.
    """
    if not stiff.bus_A > 0:
        return Soft(0.0, 1.0, 0.0)
    most_A = bus_V / bus_ohm
    amps, before, missed = min(stiff.bus_A, most_A), 0.0, 0.0
    state = Soft(amps, 1.0, 0.0)
    for number in range(SECANTS):
        state = _behind(universal, row, source, max(bus_V - bus_ohm * amps, 0.0), bus_ohm)
        miss = state.bus_A - amps
        if abs(miss) <= SETTLED * amps:
            break
        step = miss
        if number > 0 and amps != before:
            slope = (miss - missed) / (amps - before)
            if slope < -1e-3:
                step = -miss / slope
        before, missed = amps, miss
        amps = min(max(amps + step, 0.3 * amps), min(3 * amps, most_A))
    return Soft(min(state.bus_A, most_A), state.form, state.ripple)


@law
def bank_share(bank_ohm: float) -> float:
    """A bank's resistance as `Pulses` counts it, from 0 to 1."""
    return bank_ohm / (bank_ohm + UNIT_OHM)


@law
def _parabola(low: float, high: float, few: float, many: float) -> tuple[float, float]:
    """a and b of `a t + b t^2` that is `low` at `few` and `high` at `many`."""
    first, second = low / few, high / many
    bend = (second - first) / (many - few)
    return first - bend * few, bend


@law
def pulses(universal: Map, row: Fields, source: Source, bus_V: float, stiff: Rectified) -> Pulses:
    """Effect of pulses on any bank, from both resistances of `PULSE_OHM`.

    Of so much current that the larger would leave nothing behind it, from smaller ones; of more
    than even the smaller could bear, at the voltage at which that bears it.
    """
    if not stiff.bus_A * PULSE_OHM[0] > SCARCE * bus_V:
        return Pulses(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if bus_V < stiff.bus_A * PULSE_OHM[0]:
        bus_V = stiff.bus_A * PULSE_OHM[0]
        stiff = rectify(universal, row.bridge, source, bus_V)
        if not stiff.bus_A * PULSE_OHM[0] > SCARCE * bus_V:
            return Pulses(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    most_ohm = (1 - LEAST_BEHIND) * bus_V / stiff.bus_A
    few_ohm = min(PULSE_OHM[0], most_ohm / 3)
    first = soft(universal, row, source, bus_V, few_ohm, stiff)
    least_A = LEAST_LEFT * stiff.bus_A
    most_ohm = (1 - LEAST_BEHIND) * bus_V / max(first.bus_A, least_A)
    many_ohm = min(PULSE_OHM[1], most_ohm)
    second = soft(universal, row, source, bus_V, many_ohm, stiff)
    few, many = bank_share(few_ohm), bank_share(many_ohm)
    amps_t, amps_tt = _parabola(
        stiff.bus_A / max(first.bus_A, least_A) - 1,
        stiff.bus_A / max(second.bus_A, least_A) - 1, few, many,
    )  # fmt: skip
    form = stiff.phase_A / stiff.bus_A
    form_t, form_tt = _parabola(
        form / sqrt(first.form) - 1, form / sqrt(second.form) - 1, few, many
    )
    ripple_t = (second.ripple - first.ripple) / (many - few)
    return Pulses(amps_t, amps_tt, form_t, form_tt, first.ripple - ripple_t * few, ripple_t)
