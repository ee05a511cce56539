"""The battery pack as the 5 V lead sees it: steady, regulating or retrying."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.units import Array, Real


class Charging(NamedTuple):
    """What the pack takes: current A, power at its terminals W, heat of the 5 V lead W."""

    current_A: Array
    delivered_W: Array
    lead_W: Array


def charging(
    output_V: Real,
    lead_ohm: Real,
    *,
    current_A: Real,
    hold_V: Real,
    regulating: Real,
) -> Charging:
    """Current and power into a pack behind a lead, from an output that holds its voltage.

    A regulating pack lowers its current until its own input is at `hold_V`. Broadcasts.

    >>> taken = charging(5.0, 0.1, current_A=2.0, hold_V=4.9, regulating=True)
    >>> round(float(taken.current_A), 3)
    1.0
    """
    volts, ohm = np.asarray(output_V, dtype=float), np.asarray(lead_ohm, dtype=float)
    spare = np.maximum(volts - hold_V, 0.0)
    held = np.where(ohm > 0, spare / np.where(ohm > 0, ohm, 1.0), np.inf)
    held = np.where(spare > 0, held, 0.0)
    amps = np.where(regulating, np.minimum(current_A, held), current_A)
    lead = ohm * amps**2
    return Charging(amps, volts * amps - lead, lead)


def minutes_per_percent(capacity_Wh: Real, charging_efficiency: float, power_W: Real) -> Array:
    """Minutes at a power until a pack has one percent more, from `60 E/(100 eta P)`.

    >>> round(float(minutes_per_percent(19.25, 1.0, 2.31)), 2)
    5.0
    """
    return np.asarray(0.6 * np.asarray(capacity_Wh) / (charging_efficiency * np.asarray(power_W)))
