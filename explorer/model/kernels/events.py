"""What happens when a step ends on a threshold: window, pack and valves switch."""

from __future__ import annotations

from math import inf

from explorer.model.kernels.advance import COLLAPSED, TIMED
from explorer.model.kernels.back import IDLE, LATCHED, LOADED, OPEN, opens_V
from explorer.model.kernels.compiled import law
from explorer.model.kernels.motion import Context, bus_now, floor, lifted
from explorer.model.kernels.records import Fields

CONNECTED, STOPPED = 1, 2
"""What a switch led to: a pack that draws; a window that switches by its own load step."""


@law
def _over_on(ctx: Context, s: Fields) -> bool:
    """Whether the bus without a load stands above the turn-on threshold."""
    return s.inner_V >= lifted(ctx, s, ctx.load.on_V, s.rad_s, s.angle)


@law
def _connect(ctx: Context, s: Fields, seen: Fields, waited: bool) -> int:
    """The pack draws; unless the bank cannot bear it, and the window opens at once."""
    before = s.mode
    s.timer_s, s.mode = inf, LOADED
    now = bus_now(ctx, s, max(s.bus_V, s.inner_V))
    least_V = opens_V(ctx.load, LOADED)
    bears = now.found and now.bus_V >= least_V and now.taken.sustained
    if bears and s.inner_V >= floor(ctx, s, now.bus_V, s.rad_s, s.angle):
        s.bus_V = now.bus_V
        seen.lowest_loaded_V = min(seen.lowest_loaded_V, now.bus_V)
        seen.turn_ons += 1
        if seen.first_charge_s == inf:
            seen.first_charge_s = s.clock_s
        return CONNECTED
    s.mode = OPEN
    seen.refused += 1
    if waited and before == IDLE:
        return _again(ctx, s, seen)
    return STOPPED


@law
def _again(ctx: Context, s: Fields, seen: Fields) -> int:
    """Close once more where the bus without load is above the threshold; no wait: chatter."""
    if not _over_on(ctx, s):
        return 0
    if ctx.load.retry_s > 0:
        s.mode, s.timer_s = IDLE, ctx.load.retry_s
        return 0
    return STOPPED


@law
def _close(ctx: Context, s: Fields, seen: Fields) -> int:
    """Turn on: a retrying pack waits first."""
    if ctx.load.retry_s > 0:
        s.mode, s.timer_s = IDLE, ctx.load.retry_s
        return 0
    return _connect(ctx, s, seen, False)


@law
def switch(ctx: Context, s: Fields, seen: Fields, event: int) -> int:
    """Change what a step's end asks for; `CONNECTED` or `STOPPED` where it came to that."""
    led = 0
    closed = s.mode == IDLE or s.mode == LOADED
    if event == TIMED:
        led = _connect(ctx, s, seen, True)
    elif event == 2:
        s.asleep = 1 - s.asleep
    elif event == 1 and closed:
        s.mode, s.timer_s = LATCHED, inf
        seen.openings += 1
    elif closed and (event == -1 or event == COLLAPSED):
        # Undervoltage: the load goes, the bus springs up, perhaps over the turn-on threshold.
        s.mode, s.timer_s = OPEN, inf
        seen.openings += 1
        led = _again(ctx, s, seen)
    elif event != COLLAPSED:
        led = _close(ctx, s, seen)
    if led == STOPPED:
        return led
    now = bus_now(ctx, s, max(s.bus_V, s.inner_V))
    s.trend_V = 0.0
    if now.found:
        s.bus_V, s.net_A = now.bus_V, now.net_A
    return led
