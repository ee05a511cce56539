"""Every rule that a chain must keep, as a margin in its own unit: at or above 0 is kept."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.inputs.back_parts import BURST_S
from explorer.inputs.study import Project
from explorer.model import overspeed
from explorer.model.back_half import BackHalves, PartColumn
from explorer.model.kernels import accounts
from explorer.model.kernels.records import Records
from explorer.model.regimes import CHATTERING, CYCLING, STARVED, STEADY
from explorer.model.rules import RULES
from explorer.model.simulate import Care, Solved
from explorer.model.space import Designs, Rows
from explorer.model.unloaded import Fronts
from explorer.physics import bank, fuse, window
from explorer.physics.operator import endurance_power
from explorer.physics.surface import TOUCH_C, surface_rise
from explorer.units import RAD_S_PER_RPM, Array

EXTRA_LOW_VOLTAGE_V, WET_EXTRA_LOW_VOLTAGE_V = 60.0, 30.0
"""Ripple-free DC that may be touched, dry and wet (IEC 61140 and 60364-4-41, 414.4.5)."""
INSULATED_AC_V, WET_INSULATED_AC_V = 50.0, 25.0
"""Alternating volts rms of leads with a plain insulation, dry and wet: the ends of extra-low
voltage (IEC 61140, IEC 60364-4-41)."""
LEAST_CYCLE_S = 2.0
"""A window that switches faster wears its switch and never lets a pack settle (judgement)."""


FORWARD_DROP_V = 1.0
"""A blocking diode of a bridge on a capacitor sees the bus and one forward drop, at most this."""


def margins(
    project: Project, designs: Designs, solved: Solved, weakest_share: Array | None = None
) -> dict[str, Array]:
    """Physical margins of every design for one operator and pack, (n,) each, keys of `RULES`.

    The study's limits are added by the evaluation, over all cases (`limit_margins`); the one on
    cost with the prices. `weakest_share`: see `overspeed_margins`.
    """
    fronts, half, need, result = solved[:4]
    found = {name: margin[half] for name, margin in unloaded_margins(project, fronts).items()}
    found["peak_handle_force_N"] = start_margin(fronts, half, result["start_torque_N_m"])
    found |= back_margins(project, designs, need)
    found |= overspeed_margins(project, designs, need, fronts, half, weakest_share)
    found |= _session_margins(project, designs, solved)
    return {name: found[name] for name in RULES if name in found}


class Levels(NamedTuple):
    """The thresholds of a window at their worst, V, (n,) each."""

    off_low: Array
    off_high: Array
    on_low: Array
    on_high: Array
    over_low: Array
    over_high: Array


def worst_levels(project: Project, designs: Designs, back: BackHalves) -> Levels:
    """How far comparators and the resistors that the study builds with may shift each threshold."""
    bands = (
        window.threshold_band(
            back[name][:, 0],
            designs.chosen(project.catalogue, "window", "reference_V"),
            reference_tolerance=designs.chosen(project.catalogue, "window", "reference_tolerance"),
            resistor_tolerance=project.study.build.resistor_tolerance,
        )
        for name in ("off_V", "on_V", "overvoltage_off_V")
    )
    return Levels(*(end for band in bands for end in band))


def start_margin(fronts: Fronts, half: Rows, start_torque_N_m: Array) -> Array:
    """What the hand has left at the empty bank, at its hardest pull, N, (n,)."""
    person = fronts.person
    force = start_torque_N_m / fronts.drives["radius_m"][half]
    return np.asarray(person.force_limit_N - force * (1 + person.unevenness))


def unloaded_margins(project: Project, fronts: Fronts) -> dict[str, Array]:
    """Rules about the front half that need no session: at rest, and too fast, (h,) each."""
    session, person = project.study.session, fronts.person
    shaft = overspeed.run_on_rad_s(session, fronts) * fronts.drives["ratio"]
    most_V = WET_EXTRA_LOW_VOLTAGE_V if session.wet else EXTRA_LOW_VOLTAGE_V
    most_ac_V = WET_INSULATED_AC_V if session.wet else INSULATED_AC_V
    return {
        "turnable_N_m": person.comfort_force_N * fronts.drives["radius_m"] - fronts.drag_N_m(),
        "reachable_ends": fronts.spare_ends,
        "generator_speed_rpm": fronts.speed_limit_rpm - shaft / RAD_S_PER_RPM,
        "extra_low_voltage_V": most_V - overspeed.open_V(session, fronts),
        "open_leads_V": most_ac_V - fronts.leads_V * fronts.machines["emf_V_s"] * shaft,
    }


def back_margins(project: Project, designs: Designs, back: BackHalves) -> dict[str, Array]:
    """Rules that the back half alone keeps or breaks, (n,) each."""

    def at(link: str, field: str) -> Array:
        return designs.chosen(project.catalogue, link, field)

    pack, need = back.pack, {name: value[:, 0] for name, value in back.fields.items()}
    levels, taken = worst_levels(project, designs, back), need["draw_A"]
    at_off = back.load(back["off_V"])
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
    coldest_C, ambient_C = pack.charge_min_C, project.study.session.ambient_C
    warmer_K = np.inf if coldest_C is None else ambient_C - coldest_C
    found |= _inrush(project, designs, back, levels)
    found |= _faults(at, pack.asks_A, taken, intake_A)
    found["pack_temperature_K"] = np.full(len(designs), warmer_K)
    unbound = {name: np.full(len(designs), np.inf) for name in pack.behaviour.unbound}
    return found | unbound


def _inrush(
    project: Project, designs: Designs, back: BackHalves, levels: Levels
) -> dict[str, Array]:
    """Rules about the moment when the window closes onto an empty converter, (n,) each.

    Closed at once, bank, switch and nothing else limit the pulse: `V/(n ESR + R_on)`. Closed
    slowly, the current is that of filling and of the load, and the switch takes half of the energy.
    """

    def at(link: str, field: str) -> Array:
        return designs.chosen(project.catalogue, link, field)

    volts = np.maximum(levels.on_high, back["overvoltage_return_V"][:, 0])
    capacitance, soft_s = at("converter", "input_capacitance_F"), at("window", "soft_start_s")
    known, slowly = np.isfinite(capacitance), soft_s > 0
    load_A = back.load(volts[:, None]).current_A[:, 0]
    ohm = np.maximum(back["esr_ohm"][:, 0] + back["on_resistance_ohm"][:, 0], 1e-9)
    filling_A = capacitance * volts / np.where(slowly, soft_s, 1.0) + load_A
    limit_A = at("window", "current_limit_A") * (1 - at("window", "current_limit_tolerance"))
    current = np.where(slowly, limit_A - filling_A, at("window", "bears_pulse_A") - volts / ohm)
    heat_J = volts * (capacitance * volts + load_A * soft_s) / 2
    energy = np.where(slowly, at("window", "bears_pulse_J") - heat_J, np.inf)
    return {
        "inrush_A": np.where(known, current, np.inf),
        "inrush_J": np.where(known, energy, np.inf),
    }


def _faults(at: PartColumn, asks_A: float, taken_A: Array, intake_A: Array) -> dict[str, Array]:
    """Rules about what a part lets through when the next one asks for too much, (n,) each.

    A part is protected where what lies before it limits the current to its rating, or where a fuse
    of the series stands between the working current and that rating. Whoever does not know what a
    converter does beyond its most current can say neither.
    """
    limits, rises = at("converter", "limits_output") > 0, at("converter", "output_rises") > 0
    gives_A, lead_A = at("converter", "output_current_limit_A"), at("pack_lead", "current_limit_A")
    window_A = at("window", "current_limit_A") * (1 + at("window", "current_limit_tolerance"))
    rated_A = at("converter", "input_current_limit_A")
    held_A = np.where(limits, lead_A - gives_A, -np.inf)
    hops = (
        np.maximum(held_A, fuse.carried_within(lead_A) - taken_A),
        np.maximum(rated_A - window_A, fuse.carried_within(rated_A) - intake_A),
    )
    return {
        "output_overload_A": np.where(rises, gives_A - asks_A, np.inf),
        "protection_A": np.where(limits | rises, np.minimum(*hops), np.inf),
    }


def overspeed_margins(
    project: Project,
    designs: Designs,
    back: BackHalves,
    fronts: Fronts,
    half: Rows,
    weakest_share: Array | None = None,
) -> dict[str, Array]:
    """Rules about the moment when the load is gone and somebody turns too fast, (n,) each.

    `weakest_share` (n,) is how full the fullest cell of each string gets over the mean, where it
    was drawn; by default the worst that pieces within their spread come to.
    """

    def at(link: str, field: str) -> Array:
        return designs.chosen(project.catalogue, link, field)

    need = {name: value[:, 0] for name, value in back.fields.items()}
    clamped = need["clamp_ohm"] > 0
    clamps = overspeed.Clamps(
        need["clamp_V"],
        need["clamp_ohm"],
        need["clamp_by_cell"] > 0,
        need["weakest_share"] if weakest_share is None else weakest_share,
    )
    fast = overspeed.worst(project.study.session, fronts, half, clamps)
    over_high = worst_levels(project, designs, back).over_high
    return {
        "diode_reverse_V": at("rectifier", "reverse_limit_V")
        - fast.bus_V
        - _behind_the_diode(project, fronts, half),
        "cell_voltage_V": need["voltage_rating_V"] - fast.string_V,
        "cell_life_V": need["voltage_limit_V"] - fast.bus_V,
        "clamp_power_W": np.where(clamped, need["clamp_limit_W"] - fast.steady_W, np.inf),
        "hot_surface_K": np.where(
            clamped & np.isfinite(need["clamp_touchable_m2"]),
            TOUCH_C
            - project.study.session.ambient_C
            - surface_rise(fast.steady_W, need["clamp_touchable_m2"]),
            np.inf,
        ),
        "clamp_burst_J": np.where(clamped, need["clamp_limit_J"] - BURST_S * fast.burst_W, np.inf),
        "input_voltage_V": np.minimum(
            at("window", "voltage_limit_V") - fast.bus_V,
            at("converter", "input_max_V") - np.minimum(over_high, fast.bus_V),
        ),
    }


def _session_margins(project: Project, designs: Designs, solved: Solved) -> dict[str, Array]:
    """Rules that only the course of a session decides, (n,) each."""
    fronts, half, need, result = solved[:4]
    person = fronts.person
    held_W = float(endurance_power(person.critical_power_W, person.reserve_J, solved.own_seconds))
    regime = result["regime"]
    often = np.isin(regime, (CYCLING, CHATTERING))
    return {
        "reaches_window_V": result["idle_V"] - worst_levels(project, designs, need).on_high,
        "endurance_W": held_W - result["crank_work_J"] / solved.seconds,
        "keeps_turning_rpm": keeps_turning(fronts.drives["cadence_rad_s"][half], result),
        **hardest(project, designs, fronts, half, Hardest.of(result)),
        "stroke_ripple_V": _ripple(project, designs, solved),
        "cycle_time_s": np.where(often, cycle_s(result) - LEAST_CYCLE_S, np.inf),
    }


def keeps_turning(cadence_rad_s: Array, result: Records) -> Array:
    """The cadence that the hand keeps up, or minus the one asked for where it stalls, breaks away
    or hunts, or its session was given up, rpm, (n,).
    """
    lost = result["fault"] != accounts.SOUND
    return np.where(lost, -cadence_rad_s, result["cadence_rad_s"]) / RAD_S_PER_RPM


def cycle_s(result: Records) -> Array:
    """Time from turn-on to turn-on, s, (n,): 0 where a window chatters, infinite without cycles."""
    many = (result["regime"] == CYCLING) & (result["turn_ons"] > 1)
    other = np.where(result["regime"] == CHATTERING, 0.0, np.inf)
    return np.where(many, result["cycle_s"], other)


class Hardest(NamedTuple):
    """The hardest that a chain is driven, (n,) each: N m at the crank and A rms of a phase at the
    stroke's crest; A into the bus and W of heat in the bridge. Heat is taken as lasting.
    """

    torque_N_m: Array
    phase_A: Array
    bus_A: Array
    bridge_W: Array

    @classmethod
    def of(cls, result: Records) -> Hardest:
        """Of a session."""
        return cls(
            result["peak_torque_N_m"], result["peak_phase_A"], result["peak_bus_A"],
            result["peak_bridge_W"],
        )  # fmt: skip


def hardest(
    project: Project, designs: Designs, fronts: Fronts, half: Rows, at_most: Hardest
) -> dict[str, Array]:
    """Rules about currents, torques and heat at their hardest, (n,) each."""

    def at(link: str, field: str) -> Array:
        return designs.chosen(project.catalogue, link, field)

    valve_A = at_most.bus_A / fronts.bus_valves[half]
    valve_W = at_most.bridge_W / fronts.machines["valves"][half]
    return {
        "crank_torque_N_m": at("crank", "torque_limit_N_m") - at_most.torque_N_m,
        "gear_torque_N_m": at("gearing", "torque_limit_N_m") - at_most.torque_N_m,
        "generator_current_A": at("generator", "bears_A") - at_most.phase_A,
        "lead_current_A": at("lead", "current_limit_A") - at_most.phase_A,
        "diode_current_A": at("rectifier", "current_limit_A") - valve_A,
        "diode_junction_K": at("rectifier", "junction_limit_C")
        - project.study.session.ambient_C
        - valve_W * at("rectifier", "thermal_K_per_W"),
    }


def _behind_the_diode(project: Project, fronts: Fronts, half: Rows) -> Array:
    """What a blocking diode bears beside the bus, V, (n,).

    In a bridge one forward drop, whichever way the machine turns. A machine behind one diode in
    line, turned backwards as fast as forwards, adds its EMF to the bus. Nothing flows then, so
    that the hand feels no load that would stop it.
    """
    backwards_V = overspeed.open_V(project.study.session, fronts)[half]
    adds = fronts.reverse_adds[half] > 0
    return np.where(adds, backwards_V, FORWARD_DROP_V)


def _ripple(project: Project, designs: Designs, solved: Solved) -> Array:
    """Volts left between the trough of the stroke's ripple and what it must not reach.

    At rest: the undervoltage threshold at its highest and the voltage below which the load drags
    the bus down, from the lowest that the loaded bus comes to; and the overvoltage threshold.
    Cycling: half the hysteresis, since a larger swing switches the window at every stroke. The
    bank has the least capacitance that its cells may have; a session has seen the ripple of the
    nominal one, the filter none.
    """
    fronts, need, result = solved.fronts, solved.need, solved.result
    at = {name: value[:, 0] for name, value in need.fields.items()}
    low_fraction = designs.chosen(project.catalogue, "cell", "capacitance_low_fraction")

    def ripple_V(capacitance_F: Array) -> Array:
        return bank.stroke_ripple(
            fronts.person.unevenness, result["working_A"] * result["working_V"],
            np.maximum(result["working_rad_s"], 1e-6), capacitance_F, result["working_V"],
            at["esr_ohm"],
        )  # fmt: skip

    most = ripple_V(at["capacitance_F"] * low_fraction)
    unseen = most - (ripple_V(at["capacitance_F"]) if solved.care is Care.SESSION else 0.0)
    off_high = worst_levels(project, designs, need).off_high
    rests = result["regime"] == STEADY
    floor_V = np.fmax(off_high, result["unstable_equilibrium_V"])
    below = np.where(rests, result["lowest_loaded_V"], 0.0) - unseen / 2 - floor_V
    above = at["overvoltage_off_V"] - np.where(rests, result["hold_V"], 0.0) - most / 2
    cycling = (at["on_V"] - at["off_V"]) / 2 - most
    # Where the bus cannot even sustain the load down to the off threshold, the trough collapses it.
    sustained = need.load(need["off_V"]).sustained[:, 0]
    margin = np.where(sustained, np.where(rests, np.minimum(below, above), cycling), -np.inf)
    return np.where(result["regime"] == STARVED, np.inf, margin)
