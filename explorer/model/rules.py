"""The rules that a chain must keep: one row a rule, with its words, read by everything.

To add a rule, add its row here and compute its margin in `margins`. A margin is at or above 0 where
the rule is kept, in the unit that its name ends with.
"""

from __future__ import annotations

from dataclasses import dataclass

from explorer.units import unit_of


@dataclass(frozen=True)
class Rule:
    """One rule.

    `unit` is its margin's unit (empty for the currency of the study), `description` what it
    demands, in a sentence; `label` what is kept, as a noun ("nearest limit: ..."); `broken` what a
    design that breaks it does; `loosened_by` what one would buy or grant to loosen it by an amount,
    which the braces take, empty where nothing on sale loosens it. `near` is the distance that
    counts as close (judgement, no source). `hazard`: breaking it can hurt a person or destroy a
    pack. `shortens_life`: breaking it only wears a part sooner. Exceeding a rating is a hazard,
    exceeding a derating costs life.
    """

    unit: str
    description: str
    label: str
    broken: str
    loosened_by: str
    near: float
    hazard: bool = False
    shortens_life: bool = False


RULES: dict[str, Rule] = {
    "turnable_N_m": Rule(
        unit="N m",
        description="The hand can turn the chain's own drag from rest.",
        label="torque left to start from rest",
        broken="the hand cannot turn it from rest",
        loosened_by="an arm with {} more to start with",
        near=1.0,
    ),
    "reaches_window_V": Rule(
        unit="V",
        description="The bank climbs to the voltage at which the load connects.",
        label="voltage of the bank that the hand reaches above switch-on",
        broken="the hand never brings the bank to the switch-on voltage",
        loosened_by="a bank that climbs {} higher",
        near=0.5,
    ),
    "first_charge_s": Rule(
        unit="s",
        description="The pack is charged soon enough after the first turn.",
        label="time to the first charge",
        broken="it takes too long to the first charge",
        loosened_by="{} more until the first charge",
        near=15.0,
    ),
    "endurance_W": Rule(
        unit="W",
        description="The hand can keep this up for the whole session.",
        label="power that the arm can hold for the session",
        broken="it needs more power than the arm can hold for the session",
        loosened_by="an arm that holds {} more",
        near=3.0,
    ),
    "peak_handle_force_N": Rule(
        unit="N",
        description="The hardest pull, at the empty bank, is within the hand's limit.",
        label="force at the handle at the start",
        broken="it starts too hard for the hand",
        loosened_by="a hand that can pull {} more at the start",
        near=10.0,
    ),
    "keeps_turning_rpm": Rule(
        unit="rpm",
        description="The hand keeps turning: it does not stall, break away or hunt.",
        label="cadence that the hand keeps up",
        broken="the hand does not turn it steadily: it stalls, breaks away or hunts",
        loosened_by="",
        near=1.0,
    ),
    "crank_torque_N_m": Rule(
        unit="N m",
        description="The crank withstands the hardest pull.",
        label="torque of the crank",
        broken="the crank's arm is overloaded",
        loosened_by="a crank rated {} higher",
        near=3.0,
        hazard=True,
    ),
    "gear_torque_N_m": Rule(
        unit="N m",
        description="The gearing withstands the hardest pull.",
        label="torque of the gearing",
        broken="the gearing is overloaded",
        loosened_by="a gearing rated {} higher",
        near=3.0,
        hazard=True,
    ),
    "reachable_ends": Rule(
        unit="ends",
        description="A triangle (delta) needs both ends of each of the three windings.",
        label="ends of the windings that can be reached",
        broken="the windings cannot be connected in delta, since their star point is out of reach",
        loosened_by="",
        near=1.0,
    ),
    "generator_speed_rpm": Rule(
        unit="rpm",
        description="The generator withstands the overspeed.",
        label="speed of the generator when spun too fast",
        broken="the generator turns faster than its rating when spun too fast",
        loosened_by="a generator rated {} faster",
        near=100.0,
        hazard=True,
    ),
    "generator_current_A": Rule(
        unit="A",
        description="The winding carries the largest phase current.",
        label="current of the generator",
        broken="the generator's winding carries too much current",
        loosened_by="a winding rated {} higher",
        near=1.0,
    ),
    "lead_current_A": Rule(
        unit="A",
        description="The generator lead carries the largest phase current.",
        label="current of the generator lead",
        broken="the generator lead carries too much current",
        loosened_by="a generator lead rated {} higher",
        near=0.5,
    ),
    "diode_current_A": Rule(
        unit="A",
        description="Each diode carries its share of the largest current.",
        label="current of the rectifier",
        broken="the rectifier carries too much current",
        loosened_by="diodes rated {} higher each",
        near=0.3,
    ),
    "diode_junction_K": Rule(
        unit="K",
        description="The diodes stay cool enough.",
        label="temperature of the rectifier",
        broken="the rectifier gets too hot",
        loosened_by="diodes that may get {} hotter",
        near=15.0,
        hazard=True,
    ),
    "diode_reverse_V": Rule(
        unit="V",
        description="The diodes block the bus at overspeed, and a machine turned backwards.",
        label="reverse voltage of the rectifier",
        broken="the rectifier sees too much reverse voltage",
        loosened_by="diodes that block {} more",
        near=4.0,
    ),
    "cell_voltage_V": Rule(
        unit="V",
        description="At overspeed not even the fullest cell of a string exceeds its rating.",
        label="cells within their rated voltage when the crank is spun too fast with a full pack",
        broken="the cells exceed their rated voltage when the crank is spun too fast with a full "
        "pack",
        loosened_by="a bank of cells rated {} higher",
        near=0.2,
        hazard=True,
    ),
    "cell_life_V": Rule(
        unit="V",
        description="At overspeed the cells stay within the derating that makes them last.",
        label="cells within their derated voltage when the crank is spun too fast with a full pack",
        broken="the cells exceed the voltage at which they last long when the crank is spun too "
        "fast with a full pack",
        loosened_by="cells that last at {} more",
        near=0.2,
        shortens_life=True,
    ),
    "clamp_power_W": Rule(
        unit="W",
        description="The clamp can burn off what the hand delivers when the load is gone.",
        label="heat of the overvoltage clamp",
        broken="the overvoltage clamp gets more heat than its rating",
        loosened_by="a clamp that burns off {} more",
        near=1.0,
        hazard=True,
    ),
    "clamp_burst_J": Rule(
        unit="J",
        description="The clamp withstands a burst from a hand that runs on when the load is gone.",
        label="burst of the overvoltage clamp",
        broken="the overvoltage clamp burns when the hand runs on without a load",
        loosened_by="a clamp that withstands {} more in a burst",
        near=100.0,
        hazard=True,
    ),
    "hot_surface_K": Rule(
        unit="K",
        description="What a hand can touch of the clamp does not burn it.",
        label="heat of the clamp's surface, where a hand can touch it",
        broken="the clamp gets hot enough to burn a hand that touches it for a second",
        loosened_by="a larger clamp or a cover over it, {} cooler",
        near=10.0,
        hazard=True,
    ),
    "input_voltage_V": Rule(
        unit="V",
        description="Window and converter withstand the highest bus voltage.",
        label="converter and window input voltage",
        broken="the converter or the window sees more voltage than its rating",
        loosened_by="a converter and a window rated {} higher",
        near=1.0,
        hazard=True,
    ),
    "extra_low_voltage_V": Rule(
        unit="V",
        description="Nothing exceeds extra-low voltage at overspeed.",
        label="extra-low voltage (60 V DC when dry)",
        broken="its wires exceed the extra-low voltage of 60 V DC",
        loosened_by="a touchable voltage {} higher, which nobody sells",
        near=10.0,
        hazard=True,
    ),
    "open_leads_V": Rule(
        unit="V",
        description="The open generator leads stay extra-low voltage at overspeed.",
        label="alternating voltage between the generator's open leads (50 V dry, 25 V wet)",
        broken="the generator's open leads exceed extra-low voltage when it is spun too fast",
        loosened_by="leads better guarded, for {} more",
        near=5.0,
        hazard=True,
    ),
    "inrush_A": Rule(
        unit="A",
        description="The window's switch bears the current that fills an empty converter.",
        label="inrush when the load connects",
        broken="the window's switch welds or burns when it closes onto an empty converter",
        loosened_by="a switch that bears {} more for a moment, or closes slowly",
        near=3.0,
        hazard=True,
    ),
    "inrush_J": Rule(
        unit="J",
        description="The window's switch bears the heat of closing slowly.",
        label="heat of the switch while the load connects",
        broken="the window's switch overheats while it closes slowly",
        loosened_by="a switch that bears {} more in closing",
        near=0.01,
        hazard=True,
    ),
    "pack_temperature_K": Rule(
        unit="K",
        description="The pack is warm enough to be charged.",
        label="surroundings above the coldest at which the pack may be charged",
        broken="the pack is charged in colder surroundings than its cells bear",
        loosened_by="a pack that may be charged {} colder",
        near=5.0,
        hazard=True,
    ),
    "undervoltage_guard_V": Rule(
        unit="V",
        description="The load is cut before the converter loses control of its output.",
        label="switch-off voltage above the converter's least input",
        broken="the load stays on where the converter's output can rise and destroy the pack",
        loosened_by="a converter that still works {} lower",
        near=0.2,
        hazard=True,
    ),
    "overvoltage_order_V": Rule(
        unit="V",
        description="The overvoltage threshold lies above the turn-on threshold.",
        label="cut-off voltage above switch-on",
        broken="the load would be cut before it is switched on",
        loosened_by="a cut-off {} nearer to switch-on",
        near=0.5,
    ),
    "chatter_V": Rule(
        unit="V",
        description="The window does not switch by its own load step.",
        label="window wide enough that the load stays on",
        broken="the load switches on and off at once (chatter): the bank's own resistance drops "
        "its voltage back below switch-off",
        loosened_by="a bank that sags {} less when the load goes on",
        near=0.2,
    ),
    "stroke_ripple_V": Rule(
        unit="V",
        description="The bank carries the load between strokes.",
        label="bank large enough to bridge the weak half of each stroke",
        broken="the bank is too small to bridge the weak half of each stroke",
        loosened_by="a bank that ripples {} less with each stroke",
        near=0.2,
    ),
    "cycle_time_s": Rule(
        unit="s",
        description="The window does not switch too often.",
        label="charging bursts long enough",
        broken="the load switches on and off too often",
        loosened_by="charging bursts {} shorter",
        near=2.0,
    ),
    "converter_current_A": Rule(
        unit="A",
        description="Window and converter carry the input current.",
        label="input current of the converter",
        broken="the converter draws too much current",
        loosened_by="a converter and a window that draw {} more",
        near=0.3,
    ),
    "converter_output_A": Rule(
        unit="A",
        description="The converter can give the pack's current.",
        label="output current of the converter",
        broken="the converter cannot give what the pack draws",
        loosened_by="a converter that gives {} more",
        near=0.2,
    ),
    "output_overload_A": Rule(
        unit="A",
        description="A converter whose output rises under overload is never overloaded.",
        label="current left before the converter's output rises",
        broken="the pack can overload the converter, whose rising output can destroy the pack",
        loosened_by="a converter that gives {} more, or one that limits its current",
        near=0.2,
        hazard=True,
    ),
    "protection_A": Rule(
        unit="A",
        description="What limit, fuse and converter let through, the next part bears.",
        label="protection that fits together",
        broken="more is let through than the next part bears, and no fuse fits between",
        loosened_by="a converter or a 5 V lead rated {} higher",
        near=0.2,
    ),
    "pack_input_V": Rule(
        unit="V",
        description="The 5 V lead leaves the pack enough voltage.",
        label="voltage that the 5 V lead leaves",
        broken="the 5 V lead leaves the pack too little voltage",
        loosened_by="a pack that needs {} less",
        near=0.1,
    ),
    "pack_lead_current_A": Rule(
        unit="A",
        description="The 5 V lead carries the pack's current.",
        label="current of the 5 V lead",
        broken="the 5 V lead carries too much current",
        loosened_by="a 5 V lead rated {} higher",
        near=0.3,
    ),
    "limit_cost": Rule(
        unit="",
        description="The study's limit on cost.",
        label="the study's limit on cost",
        broken="it costs more than the study allows",
        loosened_by="{} more to spend",
        near=5.0,
    ),
    "limit_mass_kg": Rule(
        unit="kg",
        description="The study's limit on mass.",
        label="the study's limit on mass",
        broken="it weighs more than the study allows",
        loosened_by="{} more to carry",
        near=0.3,
    ),
    "limit_effort_percent": Rule(
        unit="%",
        description="The study's limit on crank effort.",
        label="the study's limit on effort",
        broken="it takes more effort than the study allows",
        loosened_by="{} more effort allowed",
        near=5.0,
    ),
    "limit_energy_J": Rule(
        unit="J",
        description="The study's least delivered energy.",
        label="the study's least energy",
        broken="it delivers less than the study demands",
        loosened_by="",
        near=50.0,
    ),
}
"""In the order of a result's margins."""


def rule(name: str) -> Rule:
    """The rule of a margin; one that this release does not know is described by its name.

    >>> rule("spin_N_m").label, rule("spin_N_m").unit
    ('spin', 'N m')
    """
    if name in RULES:
        return RULES[name]
    unit = unit_of(name)
    plain = name.removesuffix("_" + unit.replace(" ", "_")).replace("_", " ")
    return Rule(unit, f"{plain} within its limit", plain, f"{plain} beyond its limit", "", 1.0)
