"""How the hand holds its cadence: a mean torque, set anew in every sector of the turn.

It asks for the torque that the chain takes at the cadence asked for and the bus voltage of the
moment, pushes harder as long as the mean of the last turn is slower, and takes out what error
lasts. A mean torque beyond comfort of power or force, or whose crest is beyond the force limit, is
not given: the crank then slows until the limit is kept.
"""

from __future__ import annotations

from math import pi

from explorer.model.kernels.compiled import law
from explorer.model.kernels.front import front
from explorer.model.kernels.hand import effort, equivalent_power, external_excess, most_torque
from explorer.model.kernels.motion import SECTORS, Context, most_W
from explorer.model.kernels.records import Fields
from explorer.units import Array

GOVERNED = 2
"""The hand's torque is set anew every so many sectors."""
CATCHES = 0.5
"""Share of a lasting error of the cadence that the hand takes out in a turn."""


@law
def mean_speed(s: Fields, ring: Array, sector: int) -> float:
    """Mean crank speed of the last turn, or since the crank began to turn, rad/s.

    `ring` holds when each sector was last entered, below 0 where it was not; `sector` is the one
    that was entered a turn ago.
    """
    oldest = ring[sector]
    if oldest >= 0 and s.turned_rad >= 2 * pi:
        return 2 * pi / max(s.clock_s - oldest, 1e-6)
    return s.turned_rad / max(s.clock_s - s.began_s, 1e-6)


@law
def govern(ctx: Context, s: Fields, mean_rad_s: float) -> None:
    """Set the hand's mean torque, its effort, and what it draws from the reserve."""
    drive, limit, person = ctx.chain.drive, ctx.chain.setup, ctx.person
    cadence, most = drive.cadence_rad_s, most_W(ctx, s)
    now = front(ctx.chain, s.asleep == 1, cadence, s.bus_V)
    error, turn_s = cadence - mean_rad_s, 2 * pi / cadence
    agile = limit.inertia / turn_s
    s.swing = min(mean_rad_s / cadence, 1.0)
    wanted = now.torque_N_m + s.lasting_N_m + agile * error
    most_N_m = most_torque(limit, most, mean_rad_s)
    most_N_m = min(
        most_N_m, person.force_limit_N * limit.radius_m / (1 + s.swing * (limit.crest - 1))
    )
    line = 1 - mean_rad_s / person.sprint_speed_rad_s
    most_N_m = max(min(most_N_m, person.sprint_torque_N_m * line), 0.0)
    s.at_limit = 0
    if wanted > most_N_m:
        s.torque_N_m, s.at_limit = most_N_m, 1
    else:
        s.torque_N_m = max(wanted, 0.0)
    if s.at_limit == 0 or error < 0:
        gain = CATCHES * GOVERNED / SECTORS * (max(now.torque_w, 0.0) + agile)
        lasting = s.lasting_N_m + gain * error
        bound = max(now.torque_N_m, 0.1 * limit.torque_N_m)
        s.lasting_N_m = min(max(lasting, -bound), bound)
    asked = equivalent_power(
        s.torque_N_m / limit.radius_m, mean_rad_s * limit.radius_m, limit.kappa_m_s,
        limit.p_W_s2_m2,
    )  # fmt: skip
    s.effort = effort(limit, s.torque_N_m, mean_rad_s)
    s.over_W = external_excess(asked, limit.tired_W, limit.kappa_m_s)
