"""What salvaged machines of each class usually measure, and rows that look like a slip of the pen.

Ranges are from memory, of low confidence: they find a wrong unit, they judge no motor.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import log, pi, sqrt

from explorer.inputs.front_parts import Generator
from explorer.inputs.machine_kinds import MACHINE_KINDS, MachineKind

FAR = 3.0
"""Beyond this many times either end of its class's range a value is doubted."""
KNOWN_BY = 1
"""With more than so many of its other values far off, a row is of no class here."""

EMF_EXAMPLE = "4.6 V true rms at 3 turns a second are 4.6 sqrt(2)/(2 pi 3) = 0.345"
EMF_SLIPS = (
    "usual slips: rms volts for each turn a second (4.4 times as much), volts for each turn a "
    "minute (a tenth), rms instead of peak (0.7), the value between leads in the column of a phase "
    "(1.7)"
)


def emf_constant(volts_rms: float, turns_per_second: float) -> float:
    """Peak volts per radian a second from a true-rms reading of a sine at a speed.

    >>> round(emf_constant(4.6, 3.0), 3)
    0.345
    """
    return volts_rms * sqrt(2.0) / (2 * pi * turns_per_second)


@dataclass(frozen=True)
class MachineClass:
    """Usual ranges of a class: (low, high) of each quantity, as measured at the leads of one phase
    or of one winding; the EMF constant between two leads.
    """

    name: str
    kind: str
    ranges: Mapping[str, tuple[float, float]]


def _class(name: str, kind: str, *ranges: tuple[float, float]) -> MachineClass:
    return MachineClass(name, kind, dict(zip(QUANTITIES, ranges, strict=True)))


QUANTITIES = (
    "emf_V_s", "resistance_ohm", "inductance_H", "pole_pairs", "drag_torque_N_m", "mass_kg",
)  # fmt: skip
CLASSES = (
    _class("small hub motor, direct", "three_phase", (0.55, 0.65), (0.15, 0.3), (3e-4, 6e-4),
           (15, 15), (0.1, 0.3), (2, 2.7)),
    _class("e-bike hub motor, direct", "three_phase", (0.8, 1.2), (0.05, 0.15), (1e-4, 3e-4),
           (20, 23), (0.4, 0.9), (4, 7)),
    _class("washer motor, direct drive", "three_phase", (3, 10), (3, 10), (0.015, 0.06), (12, 28),
           (0.3, 1), (3.5, 6)),
    _class("outrunner of 50 to 60 mm", "three_phase", (0.024, 0.064), (0.015, 0.06), (1e-5, 4e-5),
           (7, 7), (0.03, 0.15), (0.3, 0.9)),
    _class("stepper of middle size", "two_phase", (0.3, 0.8), (0.5, 3), (1.5e-3, 0.01), (50, 50),
           (0.03, 0.07), (0.6, 1.1)),
    _class("treadmill motor", "brushed_dc", (0.2, 0.4), (0.5, 2), (2e-3, 8e-3), (1, 2),
           (0.1, 0.25), (3, 6)),
)  # fmt: skip
"""From memory, of low confidence."""


def doubts(generator: Generator, columns: Mapping[str, str]) -> Iterator[tuple[str, float, str]]:
    """Columns of a row whose value lies far outside its class, with the value and why.

    The class of a value is the one of its kind that the row's other values suit best; of a kind
    without classes nothing is known to be far off. `columns` are the row's cells by column, which
    say whether a value was given between two leads or of a phase.
    """
    own = _measured(generator)
    of_its_kind = [one for one in CLASSES if one.kind == generator.kind]
    for quantity in QUANTITIES if of_its_kind else ():
        # Which class it is the other values say: a slip would else find a class that it suits.
        others = [name for name in QUANTITIES if name != quantity]
        best = min(of_its_kind, key=lambda one: sum(_distance(one, own, name) for name in others))
        known = sum(_is_far(best, own, name) for name in others) <= KNOWN_BY
        if not known or not _is_far(best, own, quantity):
            continue
        column = _column(quantity, columns)
        # A phase's value in its own column; the class's range goes with it.
        share = 1.0
        if column == "emf_phase_V_s":
            share = 1 / generator.machine.emf_leads_per_phase
        if column in ("resistance_line_ohm", "inductance_line_H"):
            share = 2.0
        low, high = (f"{share * end:.3g}" for end in best.ranges[quantity])
        span = low if low == high else f"{low} to {high}"
        why = f"is far from what a {best.name} has there ({span})"
        if quantity == "emf_V_s":
            why += f"; it is {_emf_meaning(generator.machine, column)}: {EMF_EXAMPLE}; {EMF_SLIPS}"
        yield column, share * own[quantity], why


def _emf_meaning(machine: MachineKind, column: str) -> str:
    if column == "emf_phase_V_s" and machine.line_columns:
        return "that between two leads over sqrt(3), peak volts for each radian a second"
    return machine.emf_means


def line_column_meanings() -> dict[str, str]:
    """What the column of an EMF constant between two leads holds, with a worked example."""
    return {
        pattern.format("line"): f"{machine.emf_means}: {EMF_EXAMPLE}"
        for machine in MACHINE_KINDS.values()
        for pattern in machine.line_columns
        if pattern.startswith("emf_")
    }


def _measured(generator: Generator) -> dict[str, float]:
    """The quantities of a row as the classes have them."""
    return {
        "emf_V_s": generator.machine.emf_leads_per_phase * generator.emf_phase_V_s,
        "resistance_ohm": generator.resistance_phase_ohm,
        "inductance_H": generator.inductance_H,
        "pole_pairs": float(generator.pole_pairs),
        "drag_torque_N_m": generator.drag_torque_N_m,
        "mass_kg": generator.mass_kg,
    }


def _distance(one: MachineClass, own: Mapping[str, float], quantity: str) -> float:
    """How far a value lies outside its range, as the logarithm of a ratio; 0 inside."""
    low, high = one.ranges[quantity]
    value = max(own[quantity], 1e-12)
    return max(log(low / value), log(value / high), 0.0)


def _is_far(one: MachineClass, own: Mapping[str, float], quantity: str) -> bool:
    return _distance(one, own, quantity) > log(FAR)


def _column(quantity: str, columns: Mapping[str, str]) -> str:
    """The column that the row filled for a quantity."""
    stem, _, unit = quantity.partition("_")
    names = (quantity, f"{stem}_line_{unit}", f"{stem}_phase_{unit}")
    return next((name for name in names if columns.get(name)), quantity)
