"""Where the work goes, name by name: what a step adds to, and the records that come out."""

from __future__ import annotations

import numpy as np

from explorer.model.kernels.back import Taken
from explorer.model.kernels.compiled import inlined
from explorer.units import Array

FLOWS = (
    "gearing", "drag", "copper", "lead", "bridge", "reverse_leakage", "bridge_supply",
    "cell_leakage", "balancing", "clamp", "esr", "window", "converter", "pack_lead", "delivered",
)  # fmt: skip
"""Where the crank's work goes while it flows; `stored` and `kinetic` are left in the end."""
TERMS = (*FLOWS, "stored", "kinetic")
(
    GEARING, DRAG, COPPER, LEAD, BRIDGE, REVERSE, SUPPLY, CELL, BALANCING, CLAMP, ESR, WINDOW,
    CONVERTER, PACK_LEAD, DELIVERED, CRANK, EFFORT_S, LIMIT_S, LOADED_S, HOLD_V_S, ANGLE, CLOCK,
    CHARGE,
) = range(23)  # fmt: skip
"""Columns of the books of a shift: J of each name, J at the crank; seconds weighted with effort,
at the hand's limit, with the load on, with the bus voltage; rad, s and A s of the
front half that have passed."""
ACCOUNTS = 23

RESULT = np.dtype(
    [(f"{name}_J", "f8") for name in (*TERMS, "crank_work")]
    + [
        (name, "f8")
        for name in (
            "seconds",
            "effort",  # session mean, 1 is the limit
            "at_limit_s",
            "loaded_s",
            "first_charge_s",  # since the session began, inf: never
            "cycle_s",  # mean from turn-on to turn-on, inf: none
            "hold_V",  # mean bus voltage while the load is on at the end, NaN: it is not
            "lowest_loaded_V",
            "highest_V",
            "idle_V",  # where the bus comes to rest without a load
            "unstable_equilibrium_V",  # the load runs the bus down below it, NaN: nowhere
            "working_V",  # where the load rests, else the middle of its window
            "working_A",  # into the bus at that voltage, by the curve of held speed
            "working_rad_s",
            "working_torque_N_m",
            "end_inner_V",
            "end_bus_V",
            "start_torque_N_m",  # mean over the turn, at the empty bank
            "peak_torque_N_m",  # at the crank, at the stroke's crest
            "peak_phase_A",  # rms of the strongest moment
            "peak_bus_A",
            "peak_bridge_W",
            "least_reserve_J",
            "end_reserve_J",
            "winding_C",
            "valve_C",
            "cadence_rad_s",  # mean over the time that it turned
            "fastest_rad_s",
            "swing_share",  # of the speed within the last turn, peak to peak over the mean
            "beyond_peak_share",  # of the steps, where more speed meets less torque
        )
    ]
    + [
        (name, "i8")
        for name in ("regime", "fault", "openings", "refused", "turn_ons", "steps", "jumps")
    ]
)
"""What a shift came to. `stored_J` is the bank's change over the shift."""

FAULTS = ("none", "cannot_start", "stalls", "breaks_away", "hunts", "unfinished")
SOUND, CANNOT_START, STALLS, BREAKS_AWAY, HUNTS, UNFINISHED = range(6)
"""What was wrong with a hand; an unfinished shift says nothing, see its `seconds`."""


@inlined
def book_load(books: Array, now: Taken, bus_V: float, seconds: float) -> None:
    """Add what left the bus over some seconds."""
    volt_s = bus_V * seconds
    books[REVERSE] += now.reverse_A * volt_s
    books[SUPPLY] += now.supply_A * volt_s
    books[CELL] += now.cell_A * volt_s
    books[BALANCING] += now.balancing_A * volt_s
    books[CLAMP] += now.clamp_A * volt_s
    books[WINDOW] += now.window_W * seconds
    books[CONVERTER] += now.converter_W * seconds
    books[PACK_LEAD] += now.pack_lead_W * seconds
    books[DELIVERED] += now.delivered_W * seconds
    books[CLOCK] += seconds
    books[HOLD_V_S] += volt_s
