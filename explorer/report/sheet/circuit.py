"""The window wire by wire, and the bank cell by cell: rows and what their drawings show."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from explorer.decision.dividers import shown_ohm
from explorer.report.format import number
from explorer.report.sheet.facts import Facts, nearest_value
from explorer.report.sheet.slow_closing import (
    GATE_OHM,
    gate_parts_of,
    gate_words,
    shown_farad,
)

COMPARATORS = ("load off", "load on", "load cut")
"""What the three comparators decide, at the taps from above."""


class Joint(NamedTuple):
    """Points of the window that are joined, in their order, and why."""

    points: tuple[str, ...]
    why: str


class SlowGate(NamedTuple):
    """What slows the gate, as its drawing names it: the resistor from the logic to the gate, and
    the capacitor from gate to drain.
    """

    resistor: str
    capacitor: str


class WindowDrawing(NamedTuple):
    """What the drawing of the window names: values of the divider's resistors from the bus down, of
    the sense resistor (empty where the switch limits by itself), the reference, and what slows the
    gate, where something does.
    """

    divider: tuple[str, ...]
    sense: str
    reference: str
    gate: SlowGate | None


class CellRow(NamedTuple):
    """One group of the bank: its place, what its minus and plus are joined to, and the most that a
    meter shows across it and from the bank's minus to its plus, V.
    """

    place: int
    minus: str
    plus: str
    across_V: str
    to_here_V: str


def circuit_of(known: Facts) -> WindowDrawing:
    """The window as drawn."""
    window, slow = known.part("window"), gate_parts_of(known)
    return WindowDrawing(
        tuple(shown_ohm(float(ohm)) for ohm in known.string.resistors_ohm),
        shown_ohm(known.sense_ohm) if known.sense_ohm else "",
        f"{number(window.reference_V)} V",
        None if slow is None else SlowGate(shown_ohm(GATE_OHM), shown_farad(slow.capacitance_F)),
    )


def joints_of(known: Facts) -> Iterator[Joint]:
    """Every joint of the window."""
    (off, on, over), window = known.string.thresholds_V, known.part("window")
    sense = known.sense_ohm
    first = ("bus +", "RS", "source of Q") if sense else ("bus +", "source of Q")
    yield Joint(first, "the load's current")
    yield Joint(("drain of Q", "converter in +"), "its body diode points to the source")
    if sense:
        limit = f"limits at {number(1000 * window.sense_V)} mV"
        yield Joint(("both ends of RS", "K4"), f"{limit}; own thin wires")
    yield Joint(("bus +", "R1", "R2", "R3", "R4", "bank −"), "divider, R1 close to the bus")
    yield Joint(("R1/R2", "K1 +"), f"opens Q below {number(off)} V")
    yield Joint(("R2/R3", "K2 +"), f"closes Q above {number(on)} V")
    back = number(window.overvoltage_return * over)
    yield Joint(("R3/R4", "K3 +"), f"opens Q from {number(over)} V down to {back} V")
    yield Joint(("reference", "K1, K2, K3 −"), f"{number(window.reference_V)} V")
    yield Joint(("logic", "gate of Q"), gate_words(known))
    yield Joint(("supply", "bus +, bank −"), f"draws {number(1000 * window.supply_A)} mA")


def cells_of(known: Facts) -> Iterator[CellRow]:
    """The bank from its minus on, at the most it may be charged to."""
    count = int(known.setting("cells_series"))
    each = known.bank_limit_V / count
    for place in range(1, count + 1):
        yield CellRow(
            place,
            "bank −" if place == 1 else f"plus of {place - 1}",
            "fuse: bank +" if place == count else f"minus of {place + 1}",
            f"{number(each)} V",
            f"{number(each * place)} V",
        )


def bank_words(known: Facts) -> str:
    """How the bank's groups are made up."""
    cell, parallel = known.part("cell"), int(known.setting("cells_parallel"))
    words = ["Sleeve or print marks minus; measure each cell's polarity before you solder."]
    if parallel > 1:
        words.insert(0, f"Each place holds {parallel} cells side by side, plus to plus.")
    if cell.balancing_ohm > 0:
        ohm = shown_ohm(
            nearest_value(cell.balancing_ohm, known.project.study.build.resistor_series)
        )
        side = " of every cell" if parallel > 1 else ""
        words.append(f"A resistor of {ohm} from plus to minus{side} balances it.")
    if known.part("clamp").by_cell:
        words.append("A clamp sits across each place, plus to plus.")
    return " ".join(words)
