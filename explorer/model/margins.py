"""Every rule that a chain must keep, as a margin in its own unit: at or above 0 is kept."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.inputs.back_parts import BURST_S
from explorer.inputs.study import Project
from explorer.model import overspeed
from explorer.model.averaged import Session
from explorer.model.chain import Chain
from explorer.model.demand import Demand
from explorer.model.limits import OF_LIMITS as OF_LIMITS
from explorer.model.limits import limit_margins as limit_margins
from explorer.model.regimes import CHATTERING, CYCLING, STARVED, STEADY
from explorer.model.rules import RULES
from explorer.model.space import Designs, Rows
from explorer.model.supply import TERMS, Halves, Supply, asked
from explorer.physics import bank, window
from explorer.units import RAD_S_PER_RPM, Array

EXTRA_LOW_VOLTAGE_V = 60.0
"""Ripple-free DC, dry (IEC 61140 and 60364-4-41); wet surroundings allow less."""
LEAST_CYCLE_S = 2.0
"""A window that switches faster wears its switch and never lets a pack settle (judgement)."""


FORWARD_DROP_V = 1.0
"""A blocking diode of a bridge on a capacitor sees the bus and one forward drop, at most this."""


def margins(
    project: Project,
    designs: Designs,
    chain: Chain,
    halves: Halves,
    session: Session,
    weakest_share: Array | None = None,
) -> dict[str, Array]:
    """Physical margins of every design for one operator and pack, (n,) each, keys of `RULES`.

    `halves` has the front halves that `chain.half` points to. The study's limits are added by the
    evaluation, over all cases (`limit_margins`); the one on cost with the prices.
    """
    front = front_margins(project, chain.supply, halves)
    found = {name: margin[chain.half] for name, margin in front.items()}
    found |= back_margins(project, designs, chain.demand)
    found |= overspeed_margins(project, designs, chain, halves, weakest_share)
    found |= _session_margins(project, designs, chain, halves, session)
    return {name: found[name] for name in RULES if name in found}


class Levels(NamedTuple):
    """The thresholds of a window at their worst, V, (n,) each."""

    off_low: Array
    off_high: Array
    on_low: Array
    on_high: Array
    over_low: Array
    over_high: Array


def worst_levels(project: Project, designs: Designs, demand: Demand) -> Levels:
    """How far comparators and the resistors that the study builds with may shift each threshold."""
    bands = (
        window.threshold_band(
            demand[name][:, 0],
            designs.chosen(project.catalogue, "window", "reference_V"),
            reference_tolerance=designs.chosen(project.catalogue, "window", "reference_tolerance"),
            resistor_tolerance=project.study.build.resistor_tolerance,
        )
        for name in ("off_V", "on_V", "overvoltage_off_V")
    )
    return Levels(*(end for band in bands for end in band))


def front_margins(project: Project, supply: Supply, halves: Halves) -> dict[str, Array]:
    """Rules that the front half alone keeps or breaks, (h,) each."""
    person = halves.operator
    start_force = supply.start_torque_N_m / halves.radius_m
    return {
        "peak_handle_force_N": person.force_limit_N - start_force * (1 + person.unevenness),
        **unloaded_margins(project, halves),
    }


def unloaded_margins(project: Project, halves: Halves) -> dict[str, Array]:
    """Rules about the front half that need no curves: at rest, and too fast, (h,) each."""
    person, session = halves.operator, project.study.session
    every, rest = np.arange(len(halves)), np.zeros(len(halves))
    drag = asked(halves, every, rest, rest).torque_N_m
    shaft = overspeed.run_on_rad_s(session, halves) * halves.ratio
    return {
        "turnable_N_m": person.comfort_force_N * halves.radius_m - drag,
        "generator_speed_rpm": halves.speed_limit_rpm - shaft / RAD_S_PER_RPM,
        "extra_low_voltage_V": EXTRA_LOW_VOLTAGE_V - overspeed.open_V(session, halves),
    }


def back_margins(project: Project, designs: Designs, demand: Demand) -> dict[str, Array]:
    """Rules that the back half alone keeps or breaks, (n,) each."""

    def at(link: str, field: str) -> Array:
        return designs.chosen(project.catalogue, link, field)

    pack, need = demand.pack, {name: value[:, 0] for name, value in demand.fields.items()}
    levels, taken = worst_levels(project, designs, demand), need["draw_A"]
    at_off = demand.load(demand["off_V"])
    intake_A = at_off.current_A[:, 0]
    # A bus that cannot sustain the load at the off threshold breaks every rule about its current.
    shortfall = np.where(at_off.sustained[:, 0], 0.0, np.inf)
    found = {
        "undervoltage_guard_V": levels.off_low
        - need["on_resistance_ohm"] * np.where(shortfall == 0, intake_A, 0.0)
        - at("converter", "input_min_V"),
        "overvoltage_order_V": levels.over_low - levels.on_high,
        "chatter_V": window.chatter_margin(
            levels.off_high, levels.on_low, need["esr_ohm"], intake_A
        )
        - shortfall,
        "converter_current_A": need["input_limit_A"] - intake_A - shortfall,
        "converter_output_A": at("converter", "output_current_limit_A") - taken,
        "pack_input_V": at("converter", "output_V") - taken * need["pack_lead_ohm"] - pack.hold_V,
        "pack_lead_current_A": at("pack_lead", "current_limit_A") - taken,
    }
    unbound = {name: np.full(len(designs), np.inf) for name in pack.behaviour.unbound}
    return found | unbound


def overspeed_margins(
    project: Project,
    designs: Designs,
    chain: Chain,
    halves: Halves,
    weakest_share: Array | None = None,
) -> dict[str, Array]:
    """Rules about the moment when the load is gone and somebody turns too fast, (n,) each.

    `weakest_share` (n,) is how full the fullest cell of each string gets over the mean, where it
    was drawn; by default the worst that pieces within their spread come to.
    """

    def at(link: str, field: str) -> Array:
        return designs.chosen(project.catalogue, link, field)

    need = {name: value[:, 0] for name, value in chain.demand.fields.items()}
    clamped = need["clamp_ohm"] > 0
    clamps = overspeed.Clamps(
        need["clamp_V"],
        need["clamp_ohm"],
        need["clamp_by_cell"] > 0,
        need["weakest_share"] if weakest_share is None else weakest_share,
    )
    fast = overspeed.worst(project.study.session, halves, chain.half, clamps)
    over_high = worst_levels(project, designs, chain.demand).over_high
    return {
        "diode_reverse_V": at("rectifier", "reverse_limit_V")
        - fast.bus_V
        - _behind_the_diode(project, halves, chain.half),
        "cell_voltage_V": need["voltage_rating_V"] - fast.string_V,
        "cell_life_V": need["voltage_limit_V"] - fast.bus_V,
        "clamp_power_W": np.where(clamped, need["clamp_limit_W"] - fast.steady_W, np.inf),
        "clamp_burst_J": np.where(clamped, need["clamp_limit_J"] - BURST_S * fast.burst_W, np.inf),
        "input_voltage_V": np.minimum(
            at("window", "voltage_limit_V") - fast.bus_V,
            at("converter", "input_max_V") - np.minimum(over_high, fast.bus_V),
        ),
    }


def worst_on_the_way(
    project: Project, designs: Designs, supply: Supply, halves: Halves, half: Rows, peak_V: Array
) -> dict[str, Array]:
    """Rules about currents, torques and heat on the way up to `peak_V` (n,), at the stroke's peak.

    The next node of the curves above the peak stands for it. Diode heat is taken as lasting.
    """

    def at(link: str, field: str) -> Array:
        return designs.chosen(project.catalogue, link, field)

    node = supply.locate(half, peak_V[:, None])[:, 0] + 1
    stroke = 1 + halves.operator.unevenness
    phase_A = supply.worst_phase_A[half, node] * stroke
    torque = supply.worst_torque_N_m[half, node] * stroke
    valve_A = supply.worst_bus_A[half, node] / halves.machine("bus_valves")[half]
    valve_W = supply.worst_bridge_W[half, node] / halves.machine("valves")[half]
    return {
        "crank_torque_N_m": at("crank", "torque_limit_N_m") - torque,
        "gear_torque_N_m": at("gearing", "torque_limit_N_m") - torque,
        "generator_current_A": at("generator", "current_limit_A") - phase_A,
        "lead_current_A": at("lead", "current_limit_A") - phase_A,
        "diode_current_A": at("rectifier", "current_limit_A") - valve_A,
        "diode_junction_K": at("rectifier", "junction_limit_C")
        - project.study.session.ambient_C
        - valve_W * at("rectifier", "thermal_K_per_W"),
    }


def _session_margins(
    project: Project, designs: Designs, chain: Chain, halves: Halves, session: Session
) -> dict[str, Array]:
    """Rules that only the course of a session decides, (n,) each."""
    half = chain.half
    levels = worst_levels(project, designs, chain.demand)
    return {
        "reaches_window_V": session.idle_V - levels.on_high,
        "endurance_W": halves.power_limit_W
        - crank_work(session) / project.study.session.minutes / 60,
        **worst_on_the_way(project, designs, chain.supply, halves, half, session.peak_V),
        "stroke_ripple_V": _ripple(
            chain,
            session,
            halves.operator.unevenness,
            designs.chosen(project.catalogue, "cell", "capacitance_low_fraction"),
            levels.off_high,
        ),
        "bank_energy_J": bank_energy(chain, session),
        "cycle_time_s": np.where(
            np.isin(session.regime, (CYCLING, CHATTERING)), session.cycle_s - LEAST_CYCLE_S, np.inf
        ),
    }


STORED_SLACK = 0.01
"""By how much of what the bank can hold a sum over voltages may miss it and still be believed."""


def bank_energy(chain: Chain, session: Session) -> Array:
    """How far the energy left in the bank lies outside 0 .. C V^2/2 at the highest voltage of the
    session, J, negative; infinite where it lies inside.

    An averaged session beyond that is outside of the model's range: none of its numbers holds.
    """
    held_J = most_stored_J(chain, session)
    inside = np.minimum(session.stored_J, held_J - session.stored_J)
    return np.where(inside >= -STORED_SLACK * held_J, np.inf, inside)


def most_stored_J(chain: Chain, session: Session) -> Array:
    """What the bank holds at the highest voltage of the session, J, (n,)."""
    return bank.stored_energy(chain.demand["capacitance_F"][:, 0], session.peak_V)


def crank_work(session: Session) -> Array:
    """Work at the crank over the session, J, (n,)."""
    heat = session.heats_J.sum(axis=1)
    return np.asarray(heat + session.esr_J + session.delivered_J + session.stored_J)


def _behind_the_diode(project: Project, halves: Halves, half: Rows) -> Array:
    """What a blocking diode bears beside the bus, V, (n,).

    In a bridge one forward drop, whichever way the machine turns. A machine behind one diode in
    line, turned backwards as fast as forwards, adds its EMF to the bus. Nothing flows then, so
    that the hand feels no load that would stop it.
    """
    backwards_V = overspeed.open_V(project.study.session, halves)[half]
    adds = halves.machine("reverse_adds")[half] > 0
    return np.where(adds, backwards_V, FORWARD_DROP_V)


def _ripple(
    chain: Chain, session: Session, unevenness: float, low_capacitance: Array, off_high: Array
) -> Array:
    """Volts left between the trough of the stroke's ripple and what it must not reach.

    At rest: the undervoltage threshold at its highest and the voltage below which the load drags
    the bus down, from the lowest that the loaded bus comes to; and the overvoltage threshold.
    Cycling: half the hysteresis, since a larger swing switches the window at every stroke.
    """
    need = {name: value[:, 0] for name, value in chain.demand.fields.items()}
    rests = np.isfinite(session.floor_V)
    middle = (need["off_V"] + need["on_V"]) / 2
    bus_V = np.where(rests, session.floor_V, middle)
    front = chain.front(bus_V[:, None])[..., 0]
    ripple = bank.stroke_ripple(
        unevenness,
        front[0] * bus_V,
        np.maximum(front[TERMS.index("rad_s")], 1e-6),
        need["capacitance_F"] * low_capacitance,
        bus_V,
        need["esr_ohm"],
    )
    below = session.floor_V - ripple / 2 - np.maximum(off_high, session.trap_V)
    above = need["overvoltage_off_V"] - session.hold_V - ripple / 2
    steady = np.where(session.regime == STEADY, np.minimum(below, above), below)
    cycling = (need["on_V"] - need["off_V"]) / 2 - ripple
    # Where the bus cannot even sustain the load down to the off threshold, the trough collapses it.
    sustained = chain.demand.load(chain.demand["off_V"]).sustained[:, 0]
    margin = np.where(sustained, np.where(rests, steady, cycling), -np.inf)
    return np.where(session.regime == STARVED, np.inf, margin)
