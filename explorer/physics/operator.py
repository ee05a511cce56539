"""The person at the crank: how much, how hard, how long."""

from __future__ import annotations

import numpy as np

from explorer.units import Array, Real


def endurance_power(critical_power_W: Real, reserve_J: Real, duration_s: Real) -> Array:
    """Mean power that can be held for a duration: `CP + W'/t`.

    Source: Monod & Scherrer 1965, Ergonomics 8; good for about 2 to 40 minutes. Broadcasts; W, J,
    s. Raises ValueError for a duration that is not above 0.

    >>> float(endurance_power(45.0, 3600.0, 600.0))
    51.0
    """
    duration = np.asarray(duration_s, dtype=float)
    if np.any(duration <= 0):
        raise ValueError(f"duration must be above 0 s, got {duration.min()}")
    return np.asarray(critical_power_W + np.asarray(reserve_J) / duration)


TEST_HAND_SPEED_M_S = 75 * 2 * np.pi / 60 * 0.17
"""Hand speed of the tests that critical power comes from: 75 turns a minute at 0.17 m."""


def equivalent_power(force_N: Real, hand_m_s: Real, kappa_m_s: Real, p_W_s2_m2: Real) -> Real:
    """What a mean handle force at a hand speed costs, W: `F (v + kappa) + p v^2`.

    Work proper, the cost of holding the force, and that of turning the arms. `kappa_m_s` and
    `p_W_s2_m2` are fits to published rates of oxygen uptake (see the tests); 0 for both leaves the
    external power. Broadcasts; N, m/s.

    >>> equivalent_power(0.0, 2.0, 0.6, 15.0)
    60.0
    """
    return force_N * (hand_m_s + kappa_m_s) + p_W_s2_m2 * hand_m_s * hand_m_s


def equivalent_limit(external_W: Real, kappa_m_s: Real, p_W_s2_m2: Real) -> Real:
    """An external power that was measured at the test's hand speed, as equivalent power, W.

    The person paid for arms and force in the test, too: `(1 + kappa/v_r) P + p v_r^2`.
    """
    factor = 1 + kappa_m_s / TEST_HAND_SPEED_M_S
    return factor * external_W + p_W_s2_m2 * TEST_HAND_SPEED_M_S * TEST_HAND_SPEED_M_S


def external_excess(equivalent_W: Real, critical_W: Real, kappa_m_s: Real) -> Real:
    """By how much an equivalent power exceeds critical power, in watts of the test, W.

    What the reserve W' pays: `(P_eq - (A CP + p v_r^2))/A` with `A = 1 + kappa/v_r`. `critical_W`
    is critical power as an `equivalent_limit`.
    """
    return (equivalent_W - critical_W) / (1 + kappa_m_s / TEST_HAND_SPEED_M_S)


def sprint_torque(speed_rad_s: Real, torque_at_rest_N_m: Real, speed_unloaded_rad_s: Real) -> Array:
    """Most torque of a short effort, the straight torque-velocity line `T0 (1 - w/w0)`, >= 0.

    Source: the linear torque-velocity relation of sprint cranking (Vandewalle et al. 1987 and
    later). Broadcasts; rad/s, N m.
    """
    share = 1 - np.asarray(speed_rad_s, dtype=float) / speed_unloaded_rad_s
    return np.asarray(torque_at_rest_N_m * np.clip(share, 0.0, 1.0))


def reserve_after(
    reserve_J: Real,
    power_W: Real,
    seconds: Real,
    *,
    critical_power_W: Real,
    full_reserve_J: Real,
) -> Array:
    """Work left above critical power after a spell at constant power.

    Above critical power the reserve W' falls by the excess; below, it returns exponentially with
    the deficit, `tau = W'/(CP - P)`. Source: differential W' balance, Skiba et al. 2015. Shapes
    broadcast; J, W, s. May go below 0, which says that the spell was too much.
    """
    reserve, power, spell = (np.asarray(a, dtype=float) for a in (reserve_J, power_W, seconds))
    excess = power - critical_power_W
    full = np.asarray(full_reserve_J, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        returned = full - (full - reserve) * np.exp(
            np.where(full > 0, np.minimum(excess, 0.0) * spell / np.where(full > 0, full, 1), 0.0)
        )
    return np.asarray(np.where(excess >= 0, reserve - excess * spell, returned))
