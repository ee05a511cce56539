"""The bridges on a bus with a resistance of its own: the compiled law once more, for arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.ndimage import map_coordinates

from explorer.physics import bridge, soft_bus
from explorer.units import Array, Real

SHARING = {bridge.STAR: soft_bus.THREE_PHASES, bridge.WINDING: soft_bus.TWO_WINDINGS}
HALVINGS = 60


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

    `bus_V` is the mean at the bridge. The law is that of `explorer.model.kernels.pulses`, here by
    bisection and with the power that goes with it.
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
    phases, bus_V = kind.phases * kind.circuits, flat[4]
    stiff = bridge._bridge(kind, flat).bus_current_A
    low, high = np.zeros_like(stiff), np.minimum(2 * stiff, bus_V / np.maximum(bus_R, 1e-12))
    for _ in range(HALVINGS):
        amps = (low + high) / 2
        more = _behind(kind, flat, np.maximum(bus_V - bus_R * amps, 0.0), bus_R)[0] > amps
        low, high = np.where(more, amps, low), np.where(more, high, amps)
    amps, form, squares, junction_V = _behind(
        kind, flat, np.maximum(bus_V - bus_R * (low + high) / 2, 0.0), bus_R
    )
    rms, variance = np.sqrt(form) * amps, np.maximum(squares - 1, 0.0) * amps**2
    resistance = flat[2] + kind.drops * flat[7]
    power = bus_V * amps + bus_R * variance + phases * resistance * rms**2 + junction_V * amps
    return SoftState(*(value.reshape(shape) for value in (amps, rms, power, variance)))


def _behind(
    kind: bridge.Kind, flat: list[Array], behind_V: Array, bus_R: Array
) -> tuple[Array, Array, Array, Array]:
    """Bus current, squares of phase and of bus rms over it, and the junctions' volts."""
    sharing, about = SHARING[kind], list(flat)
    about[2], about[4] = flat[2] + sharing.share * bus_R, behind_V
    amps, rms, power = bridge._bridge(kind, about)
    flows = amps > 0
    safe, squares = np.where(flows, amps, 1.0), np.where(flows, rms, 1.0) ** 2
    ohmic = about[2] + kind.drops * flat[7]
    junction = soft_bus.JUNCTION * flat[6] * safe * (2 / 3 if kind.phases == 3 else 0.5) / squares
    ohm = ohmic + np.where((flat[5] > 0) & flows, kind.drops * junction, 0.0)
    reactance = flat[1] * flat[3]
    short = sharing.short * flat[0] / np.hypot(ohm, reactance)
    places = soft_bus.places(
        np.minimum(np.arctan2(reactance, ohm), soft_bus.MOST_PHI),
        np.minimum(sharing.share * bus_R / ohm, soft_bus.MOST_SHARED),
        np.minimum(amps / np.where(short > 0, short, np.inf), 1.0),
    )
    splines = soft_bus.overlap_splines(soft_bus.overlap_table(sharing))
    at = [1 + place * (n - 3) for place, n in zip(places, splines.shape, strict=False)]
    left, wider, rest = (
        map_coordinates(splines[..., k], np.stack(at), order=3, prefilter=False, mode="nearest")
        for k in range(soft_bus.FACTORS)
    )
    form = (rms / safe) ** 2 * np.exp(wider)
    heat_W = kind.phases * kind.circuits * ohmic * rms**2
    junction_V = np.where(flows, (power - behind_V * amps - heat_W) / safe, 0.0)
    squares = sharing.square * form * np.exp(np.maximum(rest, 0.0))
    return amps * np.exp(np.minimum(left, 0.0)), form, squares, junction_V
