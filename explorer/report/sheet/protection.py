"""What protects what in a chain: fuse, current limit, converter, wires and clamp."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite
from typing import NamedTuple

from explorer.physics.fuse import FUSE_FACTOR, FUSE_HOLDS, FUSE_OPENS, rated_for
from explorer.physics.generator import wire_resistance
from explorer.physics.surface import surface_rise
from explorer.report.format import number
from explorer.report.sheet.facts import Facts
from explorer.report.sheet.stock import area_mm2, wire_words
from explorer.report.sheet.stuck_valve import stuck_valve
from explorer.units import M2_PER_CM2

WIRE_A_PER_MM2 = 8.0
"""Continuous current of a short single copper wire in free air (common practice, no source)."""
GAUGES = range(10, 31)
BUS_WIRE_M = 0.3
"""Length of a wire between two boards of the bus (judgement)."""
BUS_DROP = 0.01
"""Largest share of the bus voltage that such a wire may drop (judgement)."""


class Guard(NamedTuple):
    """A protecting part, where it stands, what it protects and what it does not."""

    what: str
    where: str
    protects: str
    leaves: str


def fuse_A(known: Facts) -> float | None:
    """The rated current of the bank's fuse; None where the series has none so large.

    The load draws continuously, the charging current flows only while the bank is empty.
    """
    least = max(FUSE_FACTOR * known.input_A, known.bus_A)
    rated = float(rated_for(least))
    return rated if isfinite(rated) else None


def fuse_words(known: Facts) -> str:
    """The fuse to buy."""
    rated = fuse_A(known)
    if rated:
        return f"{rated:g} A, slow, DC"
    return f"above {number(max(FUSE_FACTOR * known.input_A, known.bus_A))} A, slow, DC"


def wire_carries_A(gauge: int) -> float:
    """Continuous current of a wire of a gauge, A, by its area (ASTM B258).

    >>> round(wire_carries_A(18), 1)
    6.6
    """
    return WIRE_A_PER_MM2 * area_mm2(gauge)


def bus_gauge(known: Facts) -> int:
    """The thinnest wire, AWG, that survives what the fuse lets through and drops a hundredth of the
    bus voltage at most.
    """
    amps = max(known.bus_A, known.input_A)
    most_ohm = BUS_DROP * known.levels_V[0] / max(amps, 1e-9)
    let_A = FUSE_HOLDS * (fuse_A(known) or amps)
    fitting = [
        gauge
        for gauge in GAUGES
        if float(wire_resistance(gauge, 2 * BUS_WIRE_M)) <= most_ohm
        and wire_carries_A(gauge) >= let_A
    ]
    return max(fitting, default=min(GAUGES))


def guards(known: Facts) -> Iterator[Guard]:
    """Everything that protects something, from the bank on."""
    yield _fuse(known)
    yield _limit(known)
    yield _converter(known)
    yield _wires(known)
    yield _generator_side(known)
    if not known.unclamped:
        yield _clamp(known)


def _fuse(known: Facts) -> Guard:
    cell = known.part("cell")
    ohm = cell.esr_ohm * known.setting("cells_series") / known.setting("cells_parallel")
    short = f"up to {number(known.bank_limit_V / ohm)} A" if ohm > 0 else "hundreds of amperes"
    rated = fuse_A(known)
    opens = f", {number(FUSE_OPENS * rated)} A," if rated else ""
    return Guard(
        f"fuse, {fuse_words(known)}",
        "at the bank's positive terminal, before anything else",
        f"every wire and part against the bank's own short circuit ({short})",
        "Cells against overcharge, converter and pack against overload: it carries "
        f"{FUSE_HOLDS:g} times its rating for an hour and opens for sure from {FUSE_OPENS:g} "
        f"times{opens} on. {_while_open(known)}",
    )


def _while_open(known: Facts) -> str:
    """What a bus without its bank comes to while somebody cranks."""
    least = min(known.part("window").voltage_limit_V, known.part("converter").input_max_V)
    if known.part("clamp").on_bus:
        return "When it is open the clamp still holds the bus: it sits on the generator's side."
    if known.open_V <= least:
        return (
            f"When it is open the bus rises to {number(known.open_V)} V at the fastest; window and "
            f"converter withstand {number(least)} V."
        )
    return (
        f"When it is open the bus rises to {number(known.open_V)} V at the fastest, and window and "
        f"converter withstand only {number(least)} V: with an open fuse do not crank before both "
        "are unplugged, or add an overvoltage arrester across the bus."
    )


def _limit(known: Facts) -> Guard:
    window, converter = known.part("window"), known.part("converter")
    most = known.limit_A * (1 + window.current_limit_tolerance)
    rating_A, rated = converter.input_current_limit_A, fuse_A(known)
    protects, leaves = "the window's own switch and the wire behind it", []
    if most <= rating_A:
        protects += f", and the converter, which takes {number(rating_A)} A"
    else:
        leaves.append(
            f"The converter, which takes {number(rating_A)} A: only its own limit protects it."
        )
    if rated and most >= FUSE_OPENS * rated:
        leaves.append(f"The fuse opens before it acts, from {number(FUSE_OPENS * rated)} A on.")
    else:
        protects += "; it acts before the fuse opens"
    leaves.append("Everything before the window.")
    at = f"{number(known.limit_A)} A, {number(most)} A at most"
    return Guard(f"current limit, {at}", "in the window", protects, " ".join(leaves))


def _converter(known: Facts) -> Guard:
    converter, lead = known.part("converter"), known.part("pack_lead")
    gives, rating_A = converter.output_current_limit_A, lead.current_limit_A
    held = gives <= rating_A
    protects = f"the 5 V lead, which carries {number(rating_A)} A" if held else "itself"
    leaves = "" if held else (
        f"The 5 V lead carries only {number(rating_A)} A: put a fuse of at most "
        f"{number(rating_A)} A into it. "
    )  # fmt: skip
    return Guard(
        f"converter, limits its output at {number(gives)} A",
        "behind the window",
        protects,
        f"{leaves}The pack against a voltage too high: overloaded, or below its least input, a "
        "converter can leave 5 V upwards. The pack's own protection board has to hold then.",
    )


def _wires(known: Facts) -> Guard:
    gauge = bus_gauge(known)
    rating_A, rated = wire_carries_A(gauge), fuse_A(known)
    let = FUSE_HOLDS * rated if rated else 0.0
    held = rated and rating_A >= let
    return Guard(
        f"bus wires, {wire_words(gauge)} or thicker",
        "from the fuse to rectifier, window and converter",
        f"nothing; the fuse protects them: they carry {number(rating_A)} A, it lets "
        f"{number(let)} A pass for an hour"
        if held
        else f"nothing; they carry {number(rating_A)} A, the fuse lets more pass: take thicker "
        "ones",
        "The piece between terminal and fuse, which nothing protects: keep it under 5 cm and "
        "insulate it. The divider's thin wires: put its first resistor at the bus.",
    )


def _generator_side(known: Facts) -> Guard:
    lead, generator = known.part("lead"), known.part("generator")
    rating_A = min(lead.current_limit_A, generator.bears_A)
    amps = known.phase_A
    words = (
        f"no fuse is needed: the machine gives {number(amps)} A at most, lead and winding carry "
        f"{number(rating_A)} A"
        if amps <= rating_A
        else f"nothing: the machine gives {number(amps)} A, lead and winding carry "
        f"{number(rating_A)} A"
    )
    return Guard(
        "generator, winding and lead",
        "before the rectifier",
        words,
        stuck_valve(known, fuse_A(known)),
    )


def _clamp(known: Facts) -> Guard:
    clamp = known.part("clamp")
    volts = number(clamp.threshold_V)
    if clamp.by_cell:
        return Guard(
            f"clamp, {volts} V a cell", "across each cell", "each cell when the load is gone",
            f"Window and converter while the fuse is open. {_surface(known)}",
        )  # fmt: skip
    return Guard(
        f"clamp, {volts} V",
        "across the bus, on the generator's side of the fuse",
        "the bank as a whole, window and converter when the load is gone",
        f"A single cell that holds less than the others. {_surface(known)}",
    )


def _surface(known: Facts) -> str:
    """How hot a hand finds the clamp after somebody has cranked on without a load."""
    clamp = known.part("clamp")
    if not clamp.surface_cm2:
        return "How hot its surface gets is unknown: do not touch it."
    pieces = known.setting("cells_series") if clamp.by_cell else 1.0
    left_W = float(known.evaluation.margins["clamp_power_W"][0])
    heat_W = clamp.power_limit_W - left_W / pieces
    rise_K = float(surface_rise(heat_W, clamp.surface_cm2 * M2_PER_CM2))
    hot = f"Its surface gets {number(rise_K)} K hotter than the air when the hand goes on"
    return f"{hot}: keep its cover on." if clamp.guarded else f"{hot}."
