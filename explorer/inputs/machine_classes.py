"""What salvaged machines of each class usually measure, and rows that look like a slip of the pen.

Ranges are from memory, of low confidence: they find a wrong unit, they judge no motor.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import log, pi, sqrt
from typing import NamedTuple

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


class Slip(NamedTuple):
    """A usual slip: by how many times it makes a value too large, and what it is."""

    factor: float
    what: str


SLIPS: Mapping[str, tuple[Slip, ...]] = {
    "emf_V_s": (
        Slip(2 * pi / sqrt(2), "rms volts for each turn a second instead of peak volts for each "
             "radian a second"),
        Slip(2 * pi, "peak volts for each turn a second instead of each radian a second"),
        Slip(2 * pi / 60, "peak volts for each turn a minute instead of each radian a second"),
        Slip(2 * pi / 60 / sqrt(2), "rms volts for each turn a minute instead of peak volts for "
             "each radian a second"),
        Slip(60.0, "turns a minute taken for turns a second"),
        Slip(1 / 60, "turns a second taken for turns a minute"),
        Slip(1 / sqrt(2), "rms instead of peak"),
        Slip(2.0, "peak to peak instead of peak"),
        Slip(sqrt(3), "the value between leads in the column of a phase"),
        Slip(1 / sqrt(3), "the value of a phase in the column between leads"),
    ),
    "resistance_ohm": (
        Slip(2.0, "between leads instead of one phase"),
        Slip(0.5, "one phase instead of between leads"),
        Slip(1000.0, "milliohms instead of ohms"),
    ),
    "inductance_H": (
        Slip(2.0, "between leads instead of one phase"),
        Slip(0.5, "one phase instead of between leads"),
        Slip(1000.0, "millihenries instead of henries"),
        Slip(1e6, "microhenries instead of henries"),
    ),
    "pole_pairs": (Slip(2.0, "magnets instead of pairs of them"),),
    "drag_torque_N_m": (
        Slip(1 / 9.80665, "kilograms times metres instead of newtons times metres"),
        Slip(100.0, "newton centimetres instead of newton metres"),
        Slip(1000.0, "newton millimetres instead of newton metres"),
    ),
    "mass_kg": (Slip(1000.0, "grams instead of kilograms"),),
}  # fmt: skip
"""Usual slips by quantity."""
TENFOLD = (Slip(10.0, "a slip by ten"), Slip(0.1, "a slip by ten"))
SLIP_NEAR = 1.15
"""A slip is named where without it the value lies within its range, or so many times outside."""


def likely_slip(quantity: str, value: float, usual: tuple[float, float]) -> str:
    """The slip that would bring a value into its usual range, "" where none would.

    >>> likely_slip("emf_V_s", 0.6 * 4.443, (0.55, 0.65))
    'rms volts for each turn a second instead of peak volts for each radian a second'
    """
    low, high = usual
    middle = sqrt(low * high)
    fitting = [
        (abs(log(value / one.factor / middle)), one.what)
        for one in (*SLIPS.get(quantity, ()), *TENFOLD)
        if low / SLIP_NEAR <= value / one.factor <= high * SLIP_NEAR
    ]
    return min(fitting)[1] if fitting else ""


def nearest_class(
    kind: str, measured: Mapping[str, float], leaving_out: str = ""
) -> MachineClass | None:
    """The class of a kind that what was measured suits best; None for a kind without classes.

    `measured`: values by name of `QUANTITIES`, as the ranges have them; none need be there.
    """
    known = [name for name in measured if name != leaving_out]
    alike = [one for one in CLASSES if one.kind == kind]
    return min(
        alike, key=lambda one: sum(_distance(one, measured, name) for name in known), default=None
    )


def times_usual(one: MachineClass, measured: Mapping[str, float], quantity: str) -> float:
    """How many times a value is the middle of its class's range."""
    low, high = one.ranges[quantity]
    return measured[quantity] / sqrt(low * high)


class Story(NamedTuple):
    """One way to explain an odd machine: it is of a class, and one quantity is wrong.

    `apart`: how far its other values lie outside the class, as a sum of logarithms.
    """

    apart: float
    quantity: str
    best: MachineClass


def stories_of(kind: str, measured: Mapping[str, float]) -> list[Story]:
    """Every story of a machine with a value far off, the likeliest first.

    Which class it is the other values say: a slip would else find a class that it suits.
    """
    found = []
    for quantity in measured:
        best = nearest_class(kind, measured, leaving_out=quantity)
        others = [name for name in measured if name != quantity]
        if best is None or sum(_is_far(best, measured, name) for name in others) > KNOWN_BY:
            continue
        if _is_far(best, measured, quantity):
            apart = sum(_distance(best, measured, name) for name in others)
            found.append(Story(apart, quantity, best))
    return sorted(found, key=lambda one: one.apart)


def far_off(kind: str, measured: Mapping[str, float]) -> dict[str, MachineClass]:
    """Quantities far outside the class of the likeliest story: what looks odd in another class is
    none where one slip explains everything in this one.
    """
    found = stories_of(kind, measured)
    return {one.quantity: one.best for one in found if one.best is found[0].best}


def doubts(generator: Generator, columns: Mapping[str, str]) -> Iterator[tuple[str, float, str]]:
    """Columns of a row whose value lies far outside its class, with the value and why.

    The class of a value is the one of its kind that the row's other values suit best; of a kind
    without classes nothing is known to be far off. `columns` are the row's cells by column, which
    say whether a value was given between two leads or of a phase.
    """
    own = _measured(generator)
    for quantity, best in far_off(generator.kind, own).items():
        column = _column(quantity, columns)
        # A phase's value in its own column; the class's range goes with it.
        share = 1.0
        if column == "emf_phase_V_s":
            share = 1 / generator.machine.emf_leads_per_phase
        if column in ("resistance_line_ohm", "inductance_line_H"):
            share = 2.0
        slip = likely_slip(quantity, own[quantity], best.ranges[quantity])
        low, high = (f"{share * end:.3g}" for end in best.ranges[quantity])
        span = low if low == high else f"{low} to {high}"
        why = f"is far from what a {best.name} has there ({span})"
        if quantity == "emf_V_s":
            why += f"; it is {_emf_meaning(generator.machine, column)}: {EMF_EXAMPLE}; {EMF_SLIPS}"
        if slip:
            why += f"; {times_usual(best, own, quantity):.2g} times the middle of that: {slip}?"
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
