"""What each measurement takes: minutes, instruments, and the note that it goes into"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class Effort(NamedTuple):
    """Minutes with the instruments at hand (judgement), the instruments, and how the result comes
    back: `note`, the kind of note for `measure note`, or "" where a person changes the row by hand.
    """

    minutes: float
    instruments: tuple[str, ...]
    note: str = ""


_VOLTS, _OHMS, _CLOCK = "multimeter", "multimeter and a known current of 1 A", "stopwatch"
_SCALE, _SUPPLY = "luggage scale", "bench supply with a current limit"
EFFORTS: Mapping[tuple[str, str], Effort] = {
    ("operator", "critical_power_W"): Effort(60, (_SCALE, _CLOCK), "operator"),
    ("operator", "reserve_J"): Effort(60, (_SCALE, _CLOCK), "operator"),
    ("operator", "comfort_force_N"): Effort(10, (_SCALE,), "operator"),
    ("operator", "unevenness"): Effort(30, (_SCALE, "video of one turn"), ""),
    ("gearing", "efficiency"): Effort(40, (_SCALE, "weight on a thread", _CLOCK), ""),
    ("gearing", "drag_torque_N_m"): Effort(20, (_SCALE,), ""),
    ("generator", "emf_phase_V_s"): Effort(15, (_VOLTS, "drill", _CLOCK), "generator"),
    ("generator", "resistance_phase_ohm"): Effort(10, (_OHMS,), "generator"),
    ("generator", "inductance_phase_H"): Effort(
        40, ("capacitor of known size", "scope or frequency counter"), "generator"
    ),
    ("generator", "drag_torque_N_m"): Effort(20, (_SCALE, "weight on a thread"), "generator"),
    ("lead", "resistance_ohm"): Effort(10, (_OHMS,), "lead"),
    ("rectifier", "saturation_A"): Effort(15, (_VOLTS, _SUPPLY), "rectifier"),
    ("rectifier", "resistance_ohm"): Effort(15, (_VOLTS, _SUPPLY), "rectifier"),
    ("rectifier", "leakage_A"): Effort(15, ("multimeter with microamperes", _SUPPLY), ""),
    ("cell", "capacitance_F"): Effort(45, (_VOLTS, _SUPPLY, _CLOCK), "cell"),
    ("cell", "esr_ohm"): Effort(45, ("voltage logger", _SUPPLY), "cell"),
    ("cell", "leakage_A"): Effort(15, (_VOLTS, "a day of waiting"), "cell"),
    ("clamp", "threshold_V"): Effort(10, (_VOLTS, _SUPPLY), ""),
    ("window", "on_resistance_ohm"): Effort(10, (_OHMS,), ""),
    ("window", "current_limit_A"): Effort(15, (_VOLTS, _SUPPLY, "load resistors"), ""),
    ("converter", "loss_W"): Effort(
        60, ("two multimeters", _SUPPLY, "load resistors"), "converter"
    ),
    ("converter", "output_V"): Effort(5, (_VOLTS, _SUPPLY), ""),
    ("pack_lead", "resistance_ohm"): Effort(10, (_OHMS,), "pack_lead"),
    ("settings", "undervoltage_off_V"): Effort(15, (_VOLTS, _SUPPLY), ""),
    ("settings", "undervoltage_band_V"): Effort(15, (_VOLTS, _SUPPLY), ""),
    ("settings", "overvoltage_off_V"): Effort(15, (_VOLTS, _SUPPLY), ""),
}
"""By link (`operator`, `settings`) and the first field of the number."""
UNKNOWN_EFFORT = Effort(30, (), "")
"""Of a number that a new link brings."""


def effort_of(where: str, field: str) -> Effort:
    """What measuring a number takes.

    >>> effort_of("generator", "emf_phase_V_s").note
    'generator'
    """
    return EFFORTS.get((where, field), UNKNOWN_EFFORT)


def joint_effort(efforts: list[Effort]) -> Effort:
    """What measurements of one note take that are made in one go: numbers that come of the same
    readings with the same instruments take their time once.
    """
    minutes = {(one.instruments, one.minutes): one.minutes for one in efforts}
    instruments = dict.fromkeys(name for one in efforts for name in one.instruments)
    return Effort(sum(minutes.values()), tuple(instruments), efforts[0].note)
