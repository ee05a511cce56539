"""The page's words in one place: what each name of the model means to a person."""

from __future__ import annotations

from typing import NamedTuple


class MarginWords(NamedTuple):
    """A constraint in words.

    `rule` is what is kept (it follows "nearest limit:"), `broken` what a rejected design does,
    `unit` the margin's unit, `near` the distance that counts as close (judgement, no source),
    `hazard` whether breaking it can hurt a person or destroy a pack, `life` whether it only wears a
    part sooner: a rating passed is a hazard, a derating passed costs life.
    """

    rule: str
    broken: str
    unit: str
    near: float
    hazard: bool = False
    life: bool = False


MARGINS: dict[str, MarginWords] = {
    "cell_voltage_V": MarginWords(
        "cells within their rated voltage when the crank is spun too fast with a full pack",
        "the cells pass their rated voltage when the crank is spun too fast with a full pack",
        "V",
        0.2,
        True,
    ),
    "cell_life_V": MarginWords(
        "cells within their derated voltage when the crank is spun too fast with a full pack",
        "the cells pass the voltage that they last long at when the crank is spun too fast with a "
        "full pack",
        "V",
        0.2,
        life=True,
    ),
    "input_voltage_V": MarginWords(
        "converter and window input voltage",
        "the converter or the window sees more voltage than it bears",
        "V",
        1.0,
        True,
    ),
    "undervoltage_guard_V": MarginWords(
        "switch-off voltage above the converter's least input",
        "the load stays on below the converter's least input, where its output can rise and "
        "destroy the pack",
        "V",
        0.2,
        True,
    ),
    "chatter_V": MarginWords(
        "window wide enough not to chatter",
        "the window chatters: the bank's own resistance drops the bus back below switch-off",
        "V",
        0.2,
    ),
    "stroke_ripple_V": MarginWords(
        "bank large enough to bridge the weak half of each stroke",
        "the bank is too small to bridge the weak half of each stroke",
        "V",
        0.2,
    ),
    "bank_energy_J": MarginWords(
        "energy that the bank can hold",
        "the search's model does not hold for it: it would leave more in the bank than that can "
        "hold",
        "J",
        1.0,
    ),
    "cycle_time_s": MarginWords(
        "charging bursts long enough", "the load switches on and off too often", "s", 2.0
    ),
    "turnable_N_m": MarginWords(
        "torque left to start from rest", "the hand cannot turn it from rest", "N m", 1.0
    ),
    "peak_handle_force_N": MarginWords(
        "force at the handle at the start", "it starts too hard for the hand", "N", 10.0
    ),
    "diode_reverse_V": MarginWords(
        "reverse voltage of the rectifier", "the rectifier sees too much reverse voltage", "V", 4.0
    ),
    "diode_current_A": MarginWords(
        "current of the rectifier", "the rectifier carries too much current", "A", 0.3
    ),
    "diode_junction_K": MarginWords(
        "temperature of the rectifier", "the rectifier gets too hot", "K", 15.0, True
    ),
    "generator_current_A": MarginWords(
        "current of the generator", "the generator's winding carries too much current", "A", 1.0
    ),
    "generator_speed_rpm": MarginWords(
        "speed of the generator when spun too fast",
        "the generator bears less than the speed it would get when spun too fast",
        "rpm",
        100.0,
        True,
    ),
    "crank_torque_N_m": MarginWords(
        "torque of the crank", "the crank's arm is overloaded", "N m", 3.0, True
    ),
    "gear_torque_N_m": MarginWords(
        "torque of the gearing", "the gearing is overloaded", "N m", 3.0, True
    ),
    "first_charge_s": MarginWords(
        "time to the first charge", "it takes too long to the first charge", "s", 15.0
    ),
    "endurance_W": MarginWords(
        "power that the arm can hold for the session",
        "it asks more power than the arm can hold for the session",
        "W",
        3.0,
    ),
    "extra_low_voltage_V": MarginWords(
        "extra-low voltage (60 V DC when dry)",
        "the bus passes the extra-low voltage of 60 V DC",
        "V",
        10.0,
        True,
    ),
    "converter_current_A": MarginWords(
        "input current of the converter", "the converter draws too much current", "A", 0.3
    ),
    "converter_output_A": MarginWords(
        "output current of the converter", "the converter cannot give what the pack draws", "A", 0.2
    ),
    "pack_lead_current_A": MarginWords(
        "current of the 5 V lead", "the 5 V lead carries too much current", "A", 0.3
    ),
    "overvoltage_order_V": MarginWords(
        "cut-off voltage above switch-on",
        "the load would be cut before it is switched on",
        "V",
        0.5,
    ),
    "pack_input_V": MarginWords(
        "voltage that the 5 V lead leaves",
        "the 5 V lead leaves the pack too little voltage",
        "V",
        0.1,
    ),
    "lead_current_A": MarginWords(
        "current of the generator lead", "the generator lead carries too much current", "A", 0.5
    ),
    "clamp_power_W": MarginWords(
        "heat of the overvoltage clamp",
        "the overvoltage clamp gets more heat than it bears",
        "W",
        1.0,
        True,
    ),
    "clamp_burst_J": MarginWords(
        "burst of the overvoltage clamp",
        "the overvoltage clamp burns when the hand runs on without a load",
        "J",
        100.0,
        True,
    ),
    "reaches_window_V": MarginWords(
        "bus voltage that the hand reaches above switch-on",
        "the hand never brings the bus to its switch-on voltage",
        "V",
        0.5,
    ),
    "limit_cost": MarginWords(
        "the study's limit on cost", "it costs more than the study allows", "", 5.0
    ),
    "limit_mass_kg": MarginWords(
        "the study's limit on mass", "it weighs more than the study allows", "kg", 0.3
    ),
    "limit_effort_percent": MarginWords(
        "the study's limit on effort", "it asks more effort than the study allows", "%", 5.0
    ),
    "limit_energy_J": MarginWords(
        "the study's least energy", "it delivers less than the study asks", "J", 50.0
    ),
}

LOOSER: dict[str, str] = {
    "turnable_N_m": "an arm that has {} more to start with",
    "reaches_window_V": "a bus that climbs {} higher",
    "first_charge_s": "{} more until the first charge",
    "endurance_W": "an arm that holds {} more",
    "peak_handle_force_N": "a hand that bears {} more at the start",
    "crank_torque_N_m": "a crank that bears {} more",
    "gear_torque_N_m": "a gearing that bears {} more",
    "generator_speed_rpm": "a generator that bears {} more",
    "generator_current_A": "a winding that bears {} more",
    "lead_current_A": "a generator lead that bears {} more",
    "diode_current_A": "diodes that bear {} more each",
    "diode_junction_K": "diodes that may get {} hotter",
    "diode_reverse_V": "diodes that block {} more",
    "cell_voltage_V": "a bank of cells rated {} higher",
    "cell_life_V": "cells that last at {} more",
    "clamp_power_W": "a clamp that burns {} more",
    "clamp_burst_J": "a clamp that bears {} more in a burst",
    "input_voltage_V": "a converter and a window that bear {} more",
    "extra_low_voltage_V": "a touchable voltage {} higher, which nobody sells",
    "undervoltage_guard_V": "a converter that still works {} lower",
    "overvoltage_order_V": "a cut-off {} nearer to switch-on",
    "chatter_V": "a bank that sags {} less when the load goes on",
    "stroke_ripple_V": "a bank that ripples {} less with each stroke",
    "cycle_time_s": "charging bursts {} shorter",
    "converter_current_A": "a converter and a window that draw {} more",
    "converter_output_A": "a converter that gives {} more",
    "pack_input_V": "a pack that is content with {} less",
    "pack_lead_current_A": "a 5 V lead that bears {} more",
    "limit_cost": "{} more to spend",
    "limit_mass_kg": "{} more to carry",
    "limit_effort_percent": "{} more effort allowed",
}
"""What one would buy or grant to loosen a rule; the braces take the step."""

LEDGER: dict[str, str] = {
    "crank_work": "work at the crank",
    "gearing": "gearing",
    "drag": "generator drag",
    "copper": "copper of the winding",
    "lead": "generator lead",
    "bridge": "rectifier",
    "reverse_leakage": "rectifier leakage",
    "bridge_supply": "rectifier supply",
    "esr": "bank resistance",
    "cell_leakage": "bank leakage",
    "balancing": "cell balancing",
    "clamp": "overvoltage clamp",
    "window": "input window",
    "converter": "converter",
    "pack_lead": "5 V lead",
    "delivered": "into the pack",
    "stored": "left in the bank",
}

LEDGER_GROUPS: dict[str, tuple[str, ...]] = {
    "into the pack": ("delivered",),
    "gearing and drag": ("gearing", "drag"),
    "winding and its lead": ("copper", "lead"),
    "rectifier": ("bridge", "reverse_leakage", "bridge_supply"),
    "bank and clamp": ("esr", "cell_leakage", "balancing", "clamp"),
    "window and converter": ("window", "converter"),
    "5 V lead": ("pack_lead",),
    "left in the bank": ("stored",),
}
"""Terms of the ledger put together along the chain, for the small drawing of several designs."""

READINGS: dict[str, tuple[str, str]] = {
    "handle_force_N": ("mean force at the handle", "N"),
    "start_handle_force_N": ("force at the handle at the start", "N"),
    "crank_power_W": ("power at the crank", "W"),
    "cadence_held_rpm": ("cadence that the hand holds", "rpm"),
    "pack_power_W": ("mean power into the pack", "W"),
    "hold_V": ("bus voltage that it settles at", "V"),
    "peak_V": ("highest bus voltage of the session", "V"),
    "idle_V": ("bus voltage that the hand reaches without load", "V"),
    "cycle_s": ("length of a charging burst with its pause", "s"),
    "on_share": ("share of the time with the load on", ""),
}

HIDDEN_READINGS = frozenset({"unique_speed"})
"""For the model's own checks, of no use to who builds."""

REGIMES: dict[str, str] = {
    "steady": "runs steadily: what the hand gives, the pack takes",
    "cycling": "charges in bursts: the bank fills, empties into the pack and fills again",
    "flooded": "overfills: one burst, then nothing until the load returns",
    "chattering": "chatters: its own load step switches the window off again",
    "starved": "never starts: the bus stays below switch-on",
}

PICK_WORDS: dict[str, str] = {
    "recommended": "Recommended",
    "most_energy": "Most energy",
    "least_cost": "Least cost",
    "lightest": "Lightest",
    "easiest": "Easiest on the arm",
}

LINK_WORDS: dict[str, str] = {
    "crank": "crank",
    "gearing": "gearing",
    "generator": "generator",
    "lead": "generator lead",
    "rectifier": "rectifier",
    "cell": "bank cell",
    "clamp": "overvoltage clamp",
    "window": "input window",
    "converter": "converter",
    "pack_lead": "5 V lead",
}

DECISIVE_LINKS = ("gearing", "generator", "cell")
"""Links that the first line names: what a chain is known by."""

MODEL_NOTES: tuple[str, ...] = (
    "A better part can deliver less. Where the hand gives more than the pack takes, the bank fills "
    "to its cut-off voltage and the load stays off: such a chain is told as flooded. A stiffer "
    "bridge or a faster gear then costs energy, and a thinner one would have been enough.",
    "Energies are averaged over strokes and bursts. Those marked ✓ were also stepped through time "
    "and agree within 3 %; those marked ≠ differ by more, those without a mark were not stepped.",
    "Parts are taken to be what their tables say. The build sheet of a locked design tells how "
    "much the spread of its parts matters.",
)

SETTING_WORDS: dict[str, tuple[str, str]] = {
    "cells_series": ("cells in series", ""),
    "cells_parallel": ("cells in parallel", ""),
    "cadence_rpm": ("cadence", "rpm"),
    "undervoltage_off_V": ("load off below", "V"),
    "undervoltage_band_V": ("load on again higher by", "V"),
    "overvoltage_off_V": ("load cut above", "V"),
}

HOT = "Diodes, clamps and balancing resistors get hot enough to burn skin."

CAUTIONS: tuple[str, ...] = (
    "A charged capacitor bank welds and burns when shorted: fuse its positive terminal before "
    "anything else, and discharge it through a resistor before you touch it.",
    "Use packs with a built-in protection board only. Do not charge lithium cells below freezing, "
    "and do not leave them alone while they charge.",
    "Spinning the crank faster than stated raises the voltage with nothing to hold it once the "
    "load is off: check the bank's voltage with a meter on the first runs.",
    "Set the switch-off voltage with the pack unplugged and measure the converter's output before "
    "anything is connected to it.",
    "Guard gears, belts and chain; a crank can kick back. Wear eye protection on first runs.",
    HOT,
    "Keep every wire within 60 V DC when dry and 30 V DC when wet. Follow local codes, and ask a "
    "licensed electrician where you are unsure.",
    "Salvaged parts differ from their class: measure yours before you trust these numbers.",
)


def cautions_for(*, clamp: bool, balancing: bool) -> tuple[str, ...]:
    """The cautions of one chain, which names no part that it has not."""
    parts = ["Diodes", *["clamps"] * clamp, *["balancing resistors"] * balancing]
    listed = " and ".join(filter(None, [", ".join(parts[:-1]), parts[-1]]))
    own = f"{listed} get hot enough to burn skin."
    return tuple(own if words == HOT else words for words in CAUTIONS)


UNIT_SUFFIXES: dict[str, str] = {
    "_N_m": "N m",
    "_J": "J",
    "_V": "V",
    "_A": "A",
    "_W": "W",
    "_K": "K",
    "_N": "N",
    "_s": "s",
    "_kg": "kg",
    "_rpm": "rpm",
    "_percent": "%",
    "_C": "°C",
}


def unit_of(name: str) -> str:
    """The unit that a name ends with, empty where it has none."""
    return next((u for suffix, u in UNIT_SUFFIXES.items() if name.endswith(suffix)), "")


def margin_words(name: str) -> MarginWords:
    """Words of a margin; a name without an entry speaks for itself."""
    if name in MARGINS:
        return MARGINS[name]
    unit = unit_of(name)
    plain = name.removesuffix("_" + unit.replace(" ", "_")).replace("_", " ")
    return MarginWords(plain, f"{plain} beyond its limit", unit, 1.0)
