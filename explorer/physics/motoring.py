"""What a bank does to a machine once a valve that failed closed puts it across the winding."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.units import Array, Real


class Driven(NamedTuple):
    """A machine across a voltage at standstill: A, N m at its shaft, and the speed, rad/s, at which
    its EMF equals the voltage.
    """

    current_A: Array
    torque_N_m: Array
    speed_rad_s: Array


def driven(volts: Real, emf_V_s: Real, ohm: Real) -> Driven:
    """Stall and end of a machine of an EMF constant between its ends, behind a resistance.

    The largest at any place of the rotor: of a machine with phases the constant is that of the peak
    between two leads, and it stops there, since nothing commutates. Inductance only delays it.

    >>> driven(12.0, 0.1, 0.5).torque_N_m.round(3).item()
    2.4
    """
    volts, emf, ohm = (np.asarray(value, dtype=float) for value in (volts, emf_V_s, ohm))
    current = volts / ohm
    return Driven(current, emf * current, volts / emf)
