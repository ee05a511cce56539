"""What pulses on a bank's resistance take off the bus current.

`physics.bridge.soft_bus_steady_state` for one point whose state on a stiff bus is known, and two
numbers that stand for it at any resistance of a bank.
"""

from __future__ import annotations

from math import exp, log, log1p, sqrt
from typing import NamedTuple

from explorer.model.kernels.bridge import Maps, Rectified, Source, rectify
from explorer.model.kernels.compiled import law
from explorer.model.kernels.records import Fields
from explorer.physics.bridge import (
    HARD_BUS,
    PULSED,
    SECANTS,
    SETTLED,
    SHARPNESS,
    SIX_PULSE,
    STAR,
    TRICKLE,
    WINDING,
)

LAWS = (PULSED[STAR], PULSED[WINDING])
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
    universal: Maps, bridge: int, source: Source, behind_V: float, bus_ohm: float, guess_A: float
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
    universal: Maps, row: Fields, source: Source, bus_V: float, bus_ohm: float, stiff: Rectified
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
def pulses(universal: Maps, row: Fields, source: Source, bus_V: float, stiff: Rectified) -> Pulses:
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
