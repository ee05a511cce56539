"""What pulses on a bank's resistance take off the bus current.

The bus is then a constant voltage behind a resistance, as a bank is whose load is steady, and
pulses of current make ripple on it. Two limits are known. Pulses that do not overlap pass two
valves and the bus in series: exactly the stiff bridge with the resistance shared among the phases,
on the voltage behind it (derived). A current without ripple sees the mean, as a stiff bus has it.
In between the smaller of both currents is close, and where they meet the truth is a little smaller
still: they are joined as `I^-p` with `p = SHARPNESS Z/bus_ohm`, a fit to the switching-level twin.
Of random currents 95 in 100 come out within 0.5 % on a bus of up to 2 Z and within 3.3 % (most
10 %) up to 8 Z for a star; for windings within 1.2 % up to Z/2 and 3.5 % up to 2 Z, and not well
beyond. A stiff bus in its place is four to six times as far off (tests/bench/bridge_accuracy.py).
"""

from __future__ import annotations

from math import exp, log, log1p, sqrt
from typing import NamedTuple

from explorer.model.kernels.bridge import Map, Rectified, Source, rectify
from explorer.model.kernels.compiled import law
from explorer.model.kernels.records import Fields
from explorer.physics.bridge import SIX_PULSE


class Pulsed(NamedTuple):
    """What a bus resistance means to a kind of bridge; forms are (phase rms / bus current)^2.

    `share` of the resistance is borne by each phase while pulses do not overlap, and `square`
    times the form is then (bus rms / bus current)^2. Pulses part from `smooth` to `parted` of a
    stiff bus. `most` is the largest form that the stiff bus lends, in part or, where pulses have
    parted, with `lent`; `bend` rounds the corner between a smooth current and pulses.
    """

    share: float
    square: float
    smooth: float
    parted: float
    most: float
    lent: float
    bend: float


LAWS = (
    Pulsed(0.5, 1.5, 0.62, 0.66, 0.69, 0.7, 0.033),
    Pulsed(1.0, 2.0, 0.42, 0.50, 0.58, 0.75, 0.045),
)
"""Of a star of three phases and of one winding. Shares and squares are exact, the rest is fitted
to the switching-level twin."""
SHARPNESS = 100.0
"""How sharply the two limits of a soft bus join, in bus resistances over a phase's impedance."""
HARD_BUS = 0.01
"""A bus of less resistance than this share of a phase's impedance is stiff."""
TRICKLE = 1e-6
"""Nor is the drop of a current felt that is less than this share of the bus voltage."""
SECANTS, SETTLED = 12, 1e-4
PULSE_OHM = (0.2, 1.0)
"""Resistances of a bank at which the effect of pulses is solved, across what banks have."""


class Soft(NamedTuple):
    """A bridge on a bus with a resistance: A, and two forms.

    `form` is the square of phase rms over bus current, `ripple` the pulses' variance over the
    square of their mean.
    """

    bus_A: float
    form: float
    ripple: float


class Pulses(NamedTuple):
    """What pulses leave of the current over a bank's resistance R: `1/(1 + R a/(1 + R b))`.

    And of rms over current: `1/(1 + R c/(1 + R b))`. a is `pulse_S`, b `fade_S`, c `form_S`.
    """

    pulse_S: float
    fade_S: float
    form_S: float
    ripple: float


@law
def _pulsing(
    universal: Map, bridge: int, source: Source, behind_V: float, bus_ohm: float, guess_A: float
) -> Rectified:
    """What pulses one by one leave on a bus of some resistance, by secants.

    The resistance is shared among the phases of `source`, on the voltage behind it; `behind_V` is
    the mean at the bridge.
    """
    amps, before, missed, most = guess_A, 0.0, 0.0, behind_V / bus_ohm
    state = Rectified(0.0, 0.0, 0.0)
    for number in range(SECANTS):
        state = rectify(universal, bridge, source, max(behind_V - bus_ohm * amps, 0.0))
        miss = state.bus_A - amps
        if abs(miss) <= SETTLED * amps:
            break
        step = miss
        if number > 0 and amps != before:
            slope = (miss - missed) / (amps - before)
            if slope < -1e-3:
                step = -miss / slope
        before, missed = amps, miss
        amps = min(max(amps + step, 0.3 * amps), min(3 * amps, most))
    return state


@law
def _softplus(value: float) -> float:
    return max(value, 0.0) + log1p(exp(-abs(value)))


@law
def soft(
    universal: Map, row: Fields, source: Source, bus_V: float, bus_ohm: float, stiff: Rectified
) -> Soft:
    """A bridge on a bus with a resistance, whose `stiff` state is known."""
    about = LAWS[0 if row.bridge == SIX_PULSE else 1]
    resistance = source.ohm + row.valves_in_path * source.valve_ohm
    reactance = source.electrical_rad_s * source.henry
    impedance = sqrt(resistance * resistance + reactance * reactance)
    current = stiff.bus_A
    form = (stiff.phase_A / current) ** 2
    apart = min(max((form - about.smooth) / (about.parted - about.smooth), 0.0), 1.0)
    lost_V = bus_ohm * current
    if bus_ohm > HARD_BUS * impedance and apart > 0 and TRICKLE * bus_V < lost_V < bus_V:
        shared = Source(
            source.emf_V, source.electrical_rad_s, source.ohm + about.share * bus_ohm,
            source.henry, source.saturation_A, source.emission_V, source.valve_ohm,
        )  # fmt: skip
        state = _pulsing(universal, row.bridge, shared, bus_V, bus_ohm, current)
        if state.bus_A > 0:
            sharpness = SHARPNESS * impedance / bus_ohm
            over = log(apart) - sharpness * log(state.bus_A / current)
            current *= exp(-_softplus(over) / sharpness)
            least = (state.phase_A / state.bus_A) ** 2
            lent = 1 - (1 - about.lent) * apart
            form = least + lent * max(min(form, about.most) - least, 0.0)
    ripple = about.bend * _softplus((about.square * form - 1) / about.bend)
    return Soft(current, form, ripple)


@law
def pulses(universal: Map, row: Fields, source: Source, bus_V: float, stiff: Rectified) -> Pulses:
    """Effect of pulses on any bank, from the law at both resistances of `PULSE_OHM`."""
    few, many = PULSE_OHM
    first = soft(universal, row, source, bus_V, few, stiff)
    if first.bus_A > stiff.bus_A * (1 - 1e-6):
        return Pulses(0.0, 0.0, 0.0, first.ripple)
    second = soft(universal, row, source, bus_V, many, stiff)
    little = max(stiff.bus_A / max(first.bus_A, 0.1 * stiff.bus_A) - 1, 0.0) / few
    much = max(stiff.bus_A / max(second.bus_A, 0.1 * stiff.bus_A) - 1, 0.0) / many
    fades = min(max(little / much if much > 0 else 1.0, 1.0), 0.8 * many / few)
    fade_S = (fades - 1) / (many - fades * few)
    narrower = max(stiff.phase_A / stiff.bus_A / sqrt(first.form) - 1, 0.0) / few
    whole = 1 + few * fade_S
    return Pulses(little * whole, fade_S, narrower * whole, first.ripple)
