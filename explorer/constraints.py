"""Every rule that a chain must keep, as a margin in its own unit: at or above 0 is kept."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.averaged import CHATTERING, CYCLING, STARVED, STEADY, Session
from explorer.chain import Chain
from explorer.config import Project
from explorer.physics import bank, operator, window
from explorer.space import Designs
from explorer.supply import Halves, VoltageGrid, asked, no_load_V
from explorer.units import RAD_S_PER_RPM, Array

EXTRA_LOW_VOLTAGE_V = 60.0
"""Ripple-free DC, dry (IEC 61140 and 60364-4-41); wet surroundings allow less."""
LEAST_CYCLE_S = 2.0
"""A window that switches faster wears its switch and never lets a pack settle (judgement)."""


class Rule(NamedTuple):
    """Unit of a margin, what the rule says, and whether breaking it can hurt someone."""

    unit: str
    says: str
    hazard: bool = False


RULES = {
    "turnable_N_m": Rule("N m", "The hand can turn the chain's own drag from rest."),
    "reaches_window_V": Rule("V", "The bank climbs to the voltage at which the load connects."),
    "first_charge_s": Rule("s", "The pack is charged soon enough after the first turn."),
    "endurance_W": Rule("W", "The hand can keep this up for the whole session."),
    "peak_handle_force_N": Rule("N", "The hardest pull, at the empty bank, is bearable."),
    "crank_torque_N_m": Rule("N m", "The crank bears the hardest pull.", True),
    "gear_torque_N_m": Rule("N m", "The gearing bears the hardest pull.", True),
    "generator_speed_rpm": Rule("rpm", "The generator bears the overspeed.", True),
    "generator_current_A": Rule("A", "The winding bears the largest phase current."),
    "lead_current_A": Rule("A", "The lead bears the largest phase current."),
    "diode_current_A": Rule("A", "Each diode bears its share of the largest current."),
    "diode_junction_K": Rule("K", "The diodes stay cool enough.", True),
    "diode_reverse_V": Rule("V", "The diodes block the bus at overspeed."),
    "cell_voltage_V": Rule("V", "No cell is overcharged at overspeed with a full pack.", True),
    "clamp_power_W": Rule("W", "The clamp can burn what the hand brings when the load is gone.",
                          True),
    "input_voltage_V": Rule("V", "Window and converter bear the highest bus voltage.", True),
    "extra_low_voltage_V": Rule("V", "Nothing exceeds extra-low voltage at overspeed.", True),
    "undervoltage_guard_V": Rule(
        "V", "The load is cut before the converter loses control of its output.", True
    ),
    "overvoltage_order_V": Rule("V", "The overvoltage threshold lies above the turn-on threshold."),
    "chatter_V": Rule("V", "The window does not switch by its own load step."),
    "stroke_ripple_V": Rule("V", "The bank carries the load between strokes."),
    "cycle_time_s": Rule("s", "The window does not switch too often."),
    "converter_current_A": Rule("A", "Window and converter carry the input current."),
    "converter_output_A": Rule("A", "The converter can give the pack's current."),
    "pack_input_V": Rule("V", "The 5 V lead leaves the pack enough voltage."),
    "pack_lead_current_A": Rule("A", "The 5 V lead bears the pack's current."),
    "limit_mass_kg": Rule("kg", "The study's limit on mass."),
    "limit_effort_percent": Rule("%", "The study's limit on crank effort."),
    "limit_energy_J": Rule("J", "The study's least delivered energy."),
}  # fmt: skip


def margins(
    project: Project,
    designs: Designs,
    chain: Chain,
    halves: Halves,
    session: Session,
) -> dict[str, Array]:
    """Physical margins of every design for one operator and pack, (n,) each.

    `halves` has the front halves that `chain.half` points to. Study limits on mass, effort and
    energy are added by the evaluation, over all cases; the one on cost with the prices.
    """
    study, catalogue = project.study, project.catalogue
    person, pack = halves.operator, chain.demand.pack
    need = {name: value[:, 0] for name, value in chain.demand.fields.items()}
    supply, half = chain.supply, chain.half
    every = np.arange(len(designs))

    def at(link: str, field: str) -> Array:
        return designs.chosen(catalogue, link, field)

    # Everything that happens on the way up to the highest voltage of the session.
    peak, _ = VoltageGrid.locate(session.peak_V)
    peak = peak + 1
    stroke = 1 + person.unevenness
    worst_phase_A = supply.worst_phase_A[half, peak] * stroke
    worst_torque = supply.worst_torque_N_m[half, peak] * stroke
    valves_at_once = np.array([3.0, 2.0, 1.0])[halves.kind[half]]
    worst_valve_A = supply.worst_bus_A[half, peak] / valves_at_once
    valves = np.array([6.0, 8.0, 1.0])[halves.kind[half]]
    valve_W = supply.worst_bridge_W[half, peak] / valves

    overspeed_V, clamp_W = _overspeed(project, chain, halves)
    start_force = supply.start_torque_N_m[half] / halves.radius_m[half]
    off_high = need["off_V"] * (1 + at("window", "tolerance"))
    off_low = need["off_V"] * (1 - at("window", "tolerance"))
    over_high = need["overvoltage_off_V"] * (1 + at("window", "tolerance"))
    at_off = chain.demand.load(need["off_V"][:, None])
    at_off_A = at_off.current_A[:, 0]
    sustained = at_off.sustained[:, 0]
    shortfall = np.where(sustained, 0.0, np.inf)
    taken = need["draw_A"]
    powers = crank_power(session) / study.session.minutes / 60
    first_limit = study.limits.first_charge_s or study.session.minutes * 60
    input_current = need["input_limit_A"] - at_off_A - shortfall
    regulating = pack.kind == "regulating"
    return {
        "turnable_N_m": person.comfort_force_N * halves.radius_m[half]
        - supply.rest_torque_N_m[half],
        "reaches_window_V": session.idle_V - need["on_V"] * (1 + at("window", "tolerance")),
        "first_charge_s": np.maximum(first_limit - session.first_charge_s, -1e6),
        "endurance_W": halves.power_limit_W - powers,
        "peak_handle_force_N": person.force_limit_N - start_force * stroke,
        "crank_torque_N_m": at("crank", "torque_limit_N_m") - worst_torque,
        "gear_torque_N_m": at("gearing", "torque_limit_N_m") - worst_torque,
        "generator_speed_rpm": at("generator", "speed_limit_rpm")
        - halves.cadence_rad_s[half] * halves.ratio[half] * study.session.overspeed / RAD_S_PER_RPM,
        "generator_current_A": at("generator", "current_limit_A") - worst_phase_A,
        "lead_current_A": at("lead", "current_limit_A") - worst_phase_A,
        "diode_current_A": at("rectifier", "current_limit_A") - worst_valve_A,
        "diode_junction_K": at("rectifier", "junction_limit_C")
        - study.session.ambient_C
        - valve_W * at("rectifier", "thermal_K_per_W"),
        "diode_reverse_V": at("rectifier", "reverse_limit_V") - overspeed_V - 1.0,
        "cell_voltage_V": need["voltage_limit_V"] - overspeed_V,
        "clamp_power_W": np.where(need["clamp_ohm"] > 0, need["clamp_limit_W"] - clamp_W, np.inf),
        "input_voltage_V": np.minimum(
            at("window", "voltage_limit_V") - overspeed_V,
            at("converter", "input_max_V") - np.minimum(over_high, overspeed_V),
        ),
        "extra_low_voltage_V": EXTRA_LOW_VOLTAGE_V
        - no_load_V(halves, half, study.session.overspeed),
        "undervoltage_guard_V": off_low
        - at("converter", "input_min_V")
        - need["on_resistance_ohm"] * np.where(sustained, at_off_A, 0.0),
        "overvoltage_order_V": need["overvoltage_off_V"] * (1 - at("window", "tolerance"))
        - need["on_V"] * (1 + at("window", "tolerance")),
        "chatter_V": window.chatter_margin(
            need["off_V"], need["on_V"], at("window", "tolerance"), need["esr_ohm"], at_off_A
        )
        - shortfall,
        "stroke_ripple_V": _ripple(chain, session, person.unevenness, at("cell",
                                   "capacitance_low_fraction"), off_high),
        "cycle_time_s": np.where(
            np.isin(session.regime, (CYCLING, CHATTERING)),
            np.minimum(session.cycle_s, 1e6) - LEAST_CYCLE_S,
            np.inf,
        ),
        "converter_current_A": np.full(len(every), np.inf) if regulating else input_current,
        "converter_output_A": at("converter", "output_current_limit_A") - taken,
        "pack_input_V": at("converter", "output_V")
        - taken * need["pack_lead_ohm"]
        - pack.hold_V
        + (1e-9 if regulating else 0.0),
        "pack_lead_current_A": at("pack_lead", "current_limit_A") - taken,
    }  # fmt: skip


def crank_power(session: Session) -> Array:
    """Work at the crank over the session, J, (n,)."""
    heat = session.heats_J.sum(axis=1)
    return np.asarray(heat + session.esr_J + session.delivered_J + session.stored_J)


def _overspeed(project: Project, chain: Chain, halves: Halves) -> tuple[Array, Array]:
    """Highest bus voltage at overspeed with the load gone, and the heat of the clamp then.

    Without a clamp the no-load voltage; with one, its threshold and the drop of the current that
    the sprinting hand can push through it at that voltage.
    """
    half, need = chain.half, chain.demand.fields
    open_V = no_load_V(halves, half, project.study.session.overspeed)
    clamp_V, ohm = need["clamp_V"][:, 0], need["clamp_ohm"][:, 0]
    speed = halves.cadence_rad_s[half] * project.study.session.overspeed
    pushed = asked(halves, half, speed, np.minimum(clamp_V, open_V))
    person = halves.operator
    sprint_W = speed * operator.sprint_torque(
        speed, person.sprint_torque_N_m, person.sprint_speed_rad_s
    )
    share = np.minimum(sprint_W / np.maximum(pushed.crank_W, 1e-9), 1.0)
    current = np.where(ohm > 0, pushed.current_A * share, 0.0)
    clamped = clamp_V + ohm * current
    bus_V = np.where((ohm > 0) & (clamped < open_V), clamped, open_V)
    heat = bank.clamp_current(bus_V, clamp_V, ohm) * bus_V
    return bus_V, heat


def _ripple(
    chain: Chain, session: Session, unevenness: float, low_capacitance: Array, off_high: Array
) -> Array:
    """Volts left between the trough of the stroke's ripple and what it must not reach.

    Steady: the undervoltage threshold at its highest and the overvoltage one; cycling: half the
    hysteresis, since a larger swing switches the window at every stroke.
    """
    need = {name: value[:, 0] for name, value in chain.demand.fields.items()}
    middle = (need["off_V"] + need["on_V"]) / 2
    bus_V = np.where(session.regime == STEADY, session.hold_V, middle)
    front = chain.supply.read(chain.half, bus_V[:, None], slice(None))[:, 0]
    ripple = bank.stroke_ripple(
        unevenness,
        front[:, 0] * bus_V,
        np.maximum(front[:, -1], 1e-6),
        need["capacitance_F"] * low_capacitance,
        bus_V,
    )
    steady = np.minimum(bus_V - ripple / 2 - off_high, need["overvoltage_off_V"] - bus_V
                        - ripple / 2)  # fmt: skip
    cycling = (need["on_V"] - need["off_V"]) / 2 - ripple
    settled = np.where(session.regime == STEADY, steady, cycling)
    return np.where(session.regime == STARVED, np.inf, settled)
