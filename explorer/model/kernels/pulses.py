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
from explorer.units import Array

SECANTS, SETTLED, CLOSE = 16, 1e-5, 2e-3
"""Most secants; what they miss by, at most, as a share of the current; and the step after which
another would change no more than that."""
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


class Shared(NamedTuple):
    """The bridge that shares a bus resistance: A, A, and its place in `Map.overlaps`."""

    bus_A: float
    phase_A: float
    phi: float
    part: float
    current: float


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
def _log_factor(splines: Array, at: Shared, quantity: int) -> float:
    """One of the logarithms of `physics.soft_bus.overlap_table` at a place."""
    turns, parts, currents = splines.shape[1] - 2, splines.shape[2] - 2, splines.shape[3] - 2
    i, across = weights(sqrt(min(at.phi / MOST_PHI, 1.0)) * (turns - 1), turns)
    j, along = weights(min(at.part / MOST_SHARED, 1.0) * (parts - 1), parts)
    k, (c0, c1, c2, c3) = weights(sqrt(min(at.current, 1.0)) * (currents - 1), currents)
    found = 0.0
    for m in range(4):
        for n in range(4):
            p, q = i + m, j + n
            found += across[m] * along[n] * (
                c0 * splines[quantity, p, q, k] + c1 * splines[quantity, p, q, k + 1]
                + c2 * splines[quantity, p, q, k + 2] + c3 * splines[quantity, p, q, k + 3]
            )  # fmt: skip
    return found


@law
def _together(
    universal: Map, row: Fields, source: Source, behind_V: float, bus_ohm: float
) -> Shared:
    """The bridge with a bus resistance shared among its phases, on the voltage behind it."""
    star = row.bridge == SIX_PULSE
    share = THREE_PHASES.share if star else TWO_WINDINGS.share
    short = THREE_PHASES.short if star else TWO_WINDINGS.short
    together = Source(
        source.emf_V, source.electrical_rad_s, source.ohm + share * bus_ohm, source.henry,
        source.saturation_A, source.emission_V, source.valve_ohm,
    )  # fmt: skip
    state = rectify(universal, row.bridge, together, behind_V)
    if not state.bus_A > 0:
        return Shared(0.0, 0.0, 0.0, 0.0, 0.0)
    ohm = together.ohm + row.valves_in_path * source.valve_ohm
    if source.saturation_A > 0:
        each_A = state.bus_A * (2 / 3 if star else 0.5)
        ohm += row.valves_in_path * JUNCTION * source.emission_V * each_A / state.phase_A**2
    reactance = source.electrical_rad_s * source.henry
    most_A = short * source.emf_V / sqrt(ohm * ohm + reactance * reactance)
    return Shared(
        state.bus_A, state.phase_A, atan2(reactance, ohm), share * bus_ohm / ohm,
        state.bus_A / most_A,
    )  # fmt: skip


@law
def soft(
    universal: Map, row: Fields, source: Source, bus_V: float, bus_ohm: float, guess_A: float
) -> Soft:
    """A bridge on a bus with a resistance, at the mean voltage of the bus, by secants from a guess.

    Of more current than would leave a voltage behind the resistance, that is the answer.
    """
    most_A, splines = bus_V / bus_ohm, universal.overlaps
    amps, before, missed = min(guess_A, most_A), 0.0, 0.0
    state = Shared(0.0, 0.0, 0.0, 0.0, 0.0)
    for number in range(SECANTS):
        state = _together(universal, row, source, max(bus_V - bus_ohm * amps, 0.0), bus_ohm)
        miss = state.bus_A * exp(min(_log_factor(splines, state, 0), 0.0)) - amps
        if abs(miss) <= SETTLED * amps or (miss > 0 and amps == most_A):
            break
        step = miss
        if number > 0 and amps != before:
            slope = (miss - missed) / (amps - before)
            if slope < -1e-3:
                step = -miss / slope
        before, missed = amps, miss
        amps = min(max(amps + step, 0.3 * amps), min(3 * amps, most_A))
        if number > 0 and abs(step) <= CLOSE * amps:
            break
    if not state.bus_A > 0:
        return Soft(amps, 1.0, 0.0)
    form = (state.phase_A / state.bus_A) ** 2 * exp(_log_factor(splines, state, 1))
    square = THREE_PHASES.square if row.bridge == SIX_PULSE else TWO_WINDINGS.square
    squares = square * form * exp(max(_log_factor(splines, state, 2), 0.0))
    return Soft(amps, form, max(squares - 1, 0.0))


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
def pulses(
    universal: Map, row: Fields, source: Source, bus_V: float, stiff: Rectified, amps_t: float,
    amps_tt: float,
) -> Pulses:  # fmt: skip
    """Effect of pulses on any bank, from both resistances of `PULSE_OHM`.

    Where the larger would leave nothing behind it, from smaller ones; where even the smaller could
    not bear the current, at the voltage at which it can. `amps_t` and `amps_tt` are those of a
    point near by, or 0: where solving begins.
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
    few, least_A = bank_share(few_ohm), LEAST_LEFT * stiff.bus_A
    guess_A = stiff.bus_A / max(1 + few * (amps_t + few * amps_tt), LEAST_LEFT)
    first = soft(universal, row, source, bus_V, few_ohm, guess_A)
    most_ohm = (1 - LEAST_BEHIND) * bus_V / max(first.bus_A, least_A)
    many_ohm = min(PULSE_OHM[1], most_ohm)
    many = bank_share(many_ohm)
    guess_A = stiff.bus_A / max(1 + many * (amps_t + many * amps_tt), LEAST_LEFT)
    second = soft(universal, row, source, bus_V, many_ohm, guess_A)
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
