"""Test gear that the checks of a build need, each with the range that this design asks of it."""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, log10

from explorer.model.open_readings import winding_ohm
from explorer.report.format import number
from explorer.report.sheet.facts import Facts


def probe_A(known: Facts) -> float:
    """What is sent through a winding to measure it by four wires, A: a power of ten up to 1 A that
    the winding bears.
    """
    bears = known.part("generator").bears_A
    return float(min(10.0 ** floor(log10(bears)), 1.0))


def gear_of(known: Facts) -> Iterator[str]:
    """What to have at hand before the first check."""
    amps = probe_A(known)
    volts = amps * winding_ohm(known.part("generator"))
    highest = max(known.open_V, known.bank_rating_V)
    yield (
        f"a multimeter that resolves {number(volts / 100)} V and shows true rms and hertz, with "
        f"leads good for {number(highest)} V"
    )
    yield (
        f"a bench supply, 0 to {number(known.levels_V[2] + 1)} V, whose current can be limited "
        f"from 0.2 to {number(max(amps, known.input_A))} A"
    )
    pack_V = known.part("converter").output_V
    yield (
        f"a load resistor for the 5 V lead, {number(pack_V / known.pack_A)} ohm, "
        f"{number(2 * pack_V * known.pack_A)} W"
    )
    yield "a capacitor of 100 µF and 63 V, a stopwatch, and a metronome for the cadence"
    yield f"a spring balance up to {number(2 * known.reading('handle_force_N'))} N for the handle"
    yield "eye protection, insulated tools"
