"""A window that closes slowly: what makes it do so, and what then fills the converter's input."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from explorer.decision.dividers import series, shown_ohm
from explorer.report.format import number
from explorer.report.sheet.facts import Facts
from explorer.report.sheet.stock import nearest_of

GATE_OHM = 10e3
"""Resistor from the logic to the gate: small beside `HOLD_OHM`, so that the gate gets nearly all of
the bus (common practice)."""
HOLD_OHM = 100e3
"""Resistor from gate to source that keeps the switch open without supply (common practice)."""
PLATEAU_V = 2.5
"""Gate against source while the drain moves: that of switches for logic levels (from memory)."""


class GateParts(NamedTuple):
    """What slows a P-channel switch: capacitor from gate to drain, F, behind `GATE_OHM`; how long
    the drain then takes to rise to the bus, s.
    """

    capacitance_F: float
    rises_s: float


def gate_parts(bus_V: float, soft_start_s: float) -> GateParts | None:
    """The capacitor from gate to drain by which a switch closes in a time, s, onto a bus, V.

    While the drain rises the gate stays at its plateau, and the current that the gate's resistor
    takes, less what the resistor to the source gives, flows through the capacitor alone:
    `C = I t/V` (common practice). The nearest of E6. None for a bus too low to drive a gate,
    or a switch that closes at once.
    """
    current_A = (bus_V - PLATEAU_V) / GATE_OHM - PLATEAU_V / HOLD_OHM
    if soft_start_s <= 0 or current_A <= 0:
        return None
    capacitance_F = nearest_of(current_A * soft_start_s / bus_V, list(series("E6")))
    return GateParts(capacitance_F, capacitance_F * bus_V / current_A)


def gate_parts_of(known: Facts) -> GateParts | None:
    """Those of a design, at the voltage at which its window closes; None for a switch that limits
    by itself, which has its own way to close slowly, and for one that closes at once.
    """
    window = known.part("window")
    return gate_parts(known.levels_V[1], window.soft_start_s) if window.sense_V > 0 else None


def closing_words(known: Facts) -> Iterator[tuple[str, str]]:
    """How the window closes, where its row says that it does so slowly."""
    window, converter = known.part("window"), known.part("converter")
    if window.soft_start_s <= 0:
        return
    words = f"closes over {number(1000 * window.soft_start_s)} ms"
    if converter.input_capacitance_F:
        amps = converter.input_capacitance_F * known.levels_V[1] / window.soft_start_s
        words += f", so the converter fills with {number(amps, 2)} A"
    if gate_parts_of(known) is None:
        words += "; see the switch's data sheet"
    yield "soft start", words


def gate_words(known: Facts) -> str:
    """What sits at the gate of the switch."""
    hold = f"{shown_ohm(HOLD_OHM)} to the source: open without supply"
    return hold if gate_parts_of(known) is None else f"{hold}; slowed as drawn"


def shown_farad(value: float) -> str:
    """A capacitance as it is printed on a bag.

    >>> shown_farad(3.3e-7), shown_farad(1.5e-6), shown_farad(4.7e-11)
    ('330 nF', '1.5 µF', '47 pF')
    """
    for factor, unit in ((1e-6, "µ"), (1e-9, "n")):
        if value >= 0.9999 * factor:
            return f"{value / factor:.4g} {unit}F"
    return f"{value / 1e-12:.4g} pF"
