"""The bridges on a bus with a resistance of its own: the compiled law once more, for arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.model.kernels.pulses import HARD_BUS, LAWS, SECANTS, SETTLED, SHARPNESS, TRICKLE
from explorer.physics import bridge
from explorer.units import Array, Real

PULSED = {bridge.STAR: LAWS[0], bridge.WINDING: LAWS[1]}


class SoftState(NamedTuple):
    """A `bridge.BridgeState`, and the variance of the current into the bus over a period, A^2."""

    bus_current_A: Array
    phase_rms_A: Array
    electromagnetic_power_W: Array
    bus_variance_A2: Array


def soft_bus_steady_state(
    kind: bridge.Kind,
    *,
    emf_peak_V: Real,
    electrical_rad_s: Real,
    resistance_ohm: Real,
    inductance_H: Real,
    bus_V: Real,
    diode_saturation_A: Real,
    diode_emission_V: Real,
    diode_resistance_ohm: Real,
    bus_ohm: Real,
) -> SoftState:
    """`steady_state` or `two_phase_steady_state` on a bus with a resistance of its own. Broadcasts.

    `bus_V` is the mean at the bridge. The law is that of `explorer.model.kernels.pulses`, here for
    arrays and with the power that goes with it.
    """
    values = bridge._checked(
        emf_peak_V=emf_peak_V,
        electrical_rad_s=electrical_rad_s,
        resistance_ohm=resistance_ohm,
        inductance_H=inductance_H,
        bus_V=bus_V,
        diode_saturation_A=diode_saturation_A,
        diode_emission_V=diode_emission_V,
        diode_resistance_ohm=diode_resistance_ohm,
        bus_ohm=bus_ohm,
    )
    shape = np.broadcast_shapes(*(value.shape for value in values))
    *flat, bus_R = (np.broadcast_to(value, shape).reshape(-1) for value in values)
    law = PULSED[kind]
    resistance = flat[2] + kind.drops * flat[7]
    impedance = np.hypot(resistance, flat[1] * flat[3])
    phases, bus = kind.phases * kind.circuits, flat[4]

    current, rms, power = (np.array(value) for value in bridge._bridge(kind, flat))
    form = (rms / np.where(current > 0, current, np.inf)) ** 2
    junction = power - bus * current - phases * resistance * rms**2
    apart = np.clip((form - law.smooth) / (law.parted - law.smooth), 0.0, 1.0)
    soft = (bus_R > HARD_BUS * impedance) & (apart > 0)
    soft &= (bus_R * current > TRICKLE * bus) & (bus_R * current < bus)
    at = np.flatnonzero(soft)
    if at.size:
        ohm, behind = flat[2][at] + law.share * bus_R[at], [value[at] for value in flat]
        behind[2] = ohm
        pulses, state = _pulses(kind, behind, bus_R[at], current[at])
        power_p = state.phase_rms_A**2 * phases * (ohm + kind.drops * flat[7][at])
        power_p += (bus[at] - bus_R[at] * pulses) * pulses
        sharpness = SHARPNESS * impedance[at] / bus_R[at]
        # I^-p = stiff^-p + apart pulses^-p, in logs.
        excess = np.log(apart[at]) - sharpness * np.log(pulses / current[at])
        share = np.exp(-np.logaddexp(0.0, -excess))
        joined = current[at] * np.exp(-np.logaddexp(0.0, excess) / sharpness)
        least, lent = state.phase_rms_A**2 / pulses**2, 1 - (1 - law.lent) * apart[at]
        form[at] = least + lent * np.maximum(np.minimum(form[at], law.most) - least, 0.0)
        drop = junction[at] / current[at]
        drop += share * ((state.electromagnetic_power_W - power_p) / pulses - drop)
        current[at], junction[at] = joined, drop * joined
    # Ripple is the excess of the pulses' mean square, or next to nothing: bent at one another.
    ripple = law.bend * np.logaddexp(0.0, (law.square * form - 1) / law.bend)
    rms = np.sqrt(form) * current
    variance = ripple * current**2
    power = bus * current + bus_R * variance + phases * resistance * rms**2 + junction
    return SoftState(*(value.reshape(shape) for value in (current, rms, power, variance)))


def _pulses(
    kind: bridge.Kind, values: list[Array], bus_R: Array, guess: Array
) -> tuple[Array, bridge.BridgeState]:
    """The current I that a bridge gives at `bus_V - bus_R I`, and its state; (n,) each.

    By secants, kept between 0 and the current that would leave no voltage behind the resistance.
    """
    mean_V = values[4]

    def state(at: NDArray[np.intp], amps: Array) -> Array:
        inside = [value[at] for value in values]
        inside[4] = np.maximum(mean_V[at] - bus_R[at] * amps, 0.0)
        return np.stack(bridge._bridge(kind, inside))

    every = np.arange(guess.size)
    most = mean_V / bus_R
    before, amps = np.zeros(guess.size), guess.copy()
    found = state(every, amps)
    miss_before, miss = np.full(guess.size, np.nan), found[0] - amps
    for _ in range(SECANTS):
        at = np.flatnonzero(np.abs(miss) > SETTLED * amps)
        if not at.size:
            break
        # The first step takes the current that comes out; the later ones the slope of two.
        moved = amps[at] - before[at]
        slope = (miss[at] - miss_before[at]) / np.where(moved == 0, 1.0, moved)
        straight = np.isfinite(slope) & (slope < -1e-3)
        step = np.where(straight, -miss[at] / np.where(straight, slope, 1.0), miss[at])
        before[at], miss_before[at] = amps[at], miss[at]
        amps[at] = np.clip(amps[at] + step, 0.3 * amps[at], np.minimum(3 * amps[at], most[at]))
        found[:, at] = state(at, amps[at])
        miss[at] = found[0, at] - amps[at]
    return found[0], bridge.BridgeState(*found)
