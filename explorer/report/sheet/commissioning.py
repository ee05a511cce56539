"""Commissioning: what to measure before a pack is connected, and what each reading means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import pi

from explorer.model.open_readings import (
    USB_LIMITS_V,
    open_rectified_V,
    open_winding_V,
    winding_ohm,
)
from explorer.model.regimes import CYCLING, STEADY
from explorer.report.format import number
from explorer.report.sheet.facts import Facts
from explorer.report.sheet.gear import probe_A

EMF_SPREAD = 0.05
WINDING_SPREAD = 0.10
BLEED_TOLERANCE = 0.05
"""Of a usual wirewound resistor (common practice)."""
CELL_HIGH = 1.2
"""How far new cells may exceed their row's capacitance (common practice: -10/+20 %)."""


@dataclass(frozen=True)
class CommissioningStep:
    """One thing to do: the reading to expect, its band, what a wrong one means, the caution."""

    do: str
    expect: str
    band: str
    if_wrong: str
    caution: str = ""


def _open_bus_V(known: Facts, factor: float = 1.0) -> float:
    """Open bus voltage at a multiple of the cadence."""
    generator, valve = known.part("generator"), known.part("rectifier")
    return open_rectified_V(generator, valve, known.shaft_rad_s * factor)


def commissioning(known: Facts) -> Iterator[CommissioningStep]:
    """The steps in order, each computed for this design."""
    yield from _generator_steps(known)
    yield from _bus_steps(known)
    yield from _window_steps(known)
    yield from _load_steps(known)


def _generator_steps(known: Facts) -> Iterator[CommissioningStep]:
    generator = known.part("generator")
    wires = generator.machine.where_measured
    ohm, amps = winding_ohm(generator), probe_A(known)
    yield CommissioningStep(
        f"Nothing connected. Resistance of {wires}, by four wires: send {amps:g} A through from "
        "the bench supply and read the volts at the machine itself, with probes of their own; "
        f"{'volts are ohms' if amps == 1 else f'volts over {amps:g} are ohms'}.",
        f"{number(ohm)} ohm",
        _within(ohm, WINDING_SPREAD, "ohm"),
        "Unequal readings: a broken or shorted winding. All off alike: another winding than the "
        "table's; measure it and change its row.",
    )
    volts, turns = (
        open_winding_V(generator, known.shaft_rad_s),
        number(known.setting("cadence_rpm")),
    )
    cycles = known.shaft_rad_s * generator.pole_pairs / (2 * pi)
    direct = generator.machine.direct
    current = "DC" if direct else f"AC at {number(cycles)} Hz"
    band = _within(volts, EMF_SPREAD, "V")
    if not direct:
        # A hand keeps its cadence less exactly than this band: hertz say how fast it really was.
        band = f"{_within(volts / cycles, EMF_SPREAD, 'V')} for each hertz, at whatever cadence"
    yield CommissioningStep(
        f"Still nothing connected. Turn the crank at {turns} turns a minute and measure {wires}.",
        f"{number(volts)} V {current}",
        band,
        "Low in all: cadence, gear ratio or EMF constant is not the table's. One phase low: a bad "
        "contact or winding.",
        "Guard the gears and keep hands and sleeves off: a crank can kick back.",
    )


def _bus_steps(known: Facts) -> Iterator[CommissioningStep]:
    turns = number(known.setting("cadence_rpm"))
    valves = known.part("generator").valves
    volts = _open_bus_V(known)
    factor = known.overspeed_factor
    fast = _open_bus_V(known, factor)
    yield CommissioningStep(
        f"Connect the rectifier ({valves} valves) with a small capacitor (100 µF, 63 V) in place "
        f"of the bank. Turn at {turns} turns a minute.",
        f"{number(volts)} V DC",
        _within(volts, EMF_SPREAD + 0.02, "V"),
        "About half: one valve is open or reversed. Near nothing: plus and minus are swapped, or "
        "a valve is shorted; stop when the crank turns hard with nothing connected. "
        f"{known.beyond_currents}".rstrip(),
        f"Turned {number(factor)} times as fast, as a hand let go does, it gives {number(fast)} V: "
        "stay within 60 V DC when dry and 30 V DC when wet.",
    )
    limit, rating, worst = known.bank_limit_V, known.bank_rating_V, known.spun_V
    wrong = ["Higher: the generator gives more than its row says"]
    wrong[0] += ", or the clamp is not connected." if not known.unclamped else "."
    if known.part("cell").balancing_ohm > 0:
        wrong.append("Cells apart by more than 0.2 V: balancing resistors are missing.")
    else:
        wrong.append("Cells apart by more than 0.2 V: sort them by capacitance.")
    if not known.unclamped:
        wrong.append("The clamp holds the bank below its limit.")
    yield CommissioningStep(
        "Drain the bank through the bleed resistor, then connect it through its fuse; window and "
        f"converter stay off. Turn at {number(factor * known.setting('cadence_rpm'))} turns a "
        "minute until nothing rises any more; watch each cell.",
        f"at most {number(worst)} V on the bank, {number(known.fullest_V)} V on the fullest cell",
        f"up to {number(limit)} V on the bank, which the cells last long at; stop at "
        f"{number(rating)} V, their rating",
        " ".join(wrong),
        "A charged bank welds and burns when shorted. Eye protection; tools insulated; discharge "
        "it through the resistor before you touch the wiring.",
    )
    charge = known.spread.readings.get("time_to_first_charge_s")
    if charge:
        start, packs = known.levels_V[1], (case.need.pack for case in known.cases)
        waits = [pack.wait_s for pack in packs]
        firsts = [float(c.time_to_first_charge_s[0]) for c in known.evaluation.cases]
        slowest = firsts.index(float(known.evaluation.time_to_first_charge_s[0]))
        wait = waits[slowest]
        yield CommissioningStep(
            "Drain the bank; window and converter stay off. Time how long it takes at "
            f"{turns} turns a minute to {number(start)} V.",
            f"about {number(float(known.evaluation.time_to_first_charge_s[0]) - wait)} s",
            f"{number(charge[0] - wait)} to {number(charge[2] - wait)} s",
            "Slower: capacitance above the table's, or a phase is missing. Faster: cells with less "
            "capacitance than they should have.",
        )

    yield _drain_step(known)


def _drain_step(known: Facts) -> CommissioningStep:
    """Charge and time are known here without anybody's hand, so this reading is the one to judge
    cells by: half of a voltage is gone after `R C ln 2`.
    """
    drain, cell = known.bleed, known.part("cell")
    low, high = (1 - BLEED_TOLERANCE) * cell.capacitance_low_fraction, 1 + BLEED_TOLERANCE
    return CommissioningStep(
        f"Turn until the bank is at {number(known.levels_V[1])} V, let the crank go and close the "
        "discharge switch. Time how long the voltage takes to halve.",
        f"{number(drain.halves_s)} s",
        f"{number(low * drain.halves_s)} s to {number(high * drain.halves_s * CELL_HIGH)} s",
        "Shorter: cells hold less than their row says, or one is shorted. Longer: a bad contact at "
        "the bleed resistor, or another value.",
        "The bleed resistor gets hot.",
    )


def _window_steps(known: Facts) -> Iterator[CommissioningStep]:
    (off, on, over), (low, high) = known.string.thresholds_V, known.band_V
    back = float(known.part("window").overvoltage_return)
    rising = f"load on at {number(on)} V, load cut at {number(over)} V"
    falling = f"load returns at {number(back * over)} V, load off at {number(off)} V"
    yield CommissioningStep(
        "Take the window alone to a bench supply limited to 0.2 A, a lamp or 1 kilohm as its load. "
        "Raise the voltage slowly, then lower it.",
        f"going up: {rising}; going down: {falling}",
        f"on {_span(low[1], high[1])}, cut {_span(low[2], high[2])}, return "
        f"{_span(back * low[2], back * high[2])}, off {_span(low[0], high[0])}",
        "All off alike: another reference voltage. One off: a wrong resistor beside its tap. On "
        "and off at one voltage: hysteresis is missing and the load would chatter.",
    )
    converter = known.part("converter")
    volts = converter.output_V
    yield CommissioningStep(
        f"Converter behind the window, no load. Supply {number(known.levels_V[1] + 0.1)} V, then "
        f"every volt up to {number(known.levels_V[2] - 0.1)} V, then down to switch-off.",
        f"{number(volts)} V throughout",
        f"{number(0.99 * volts)} to {number(1.01 * volts)} V, and never outside "
        f"{USB_LIMITS_V[0]:g} to {USB_LIMITS_V[1]:g} V (USB)",
        "It climbs when the input falls: the window switches off too late. Do not go on: below "
        f"{number(converter.input_min_V)} V such a converter can give its input or more to the "
        f"pack and destroy it. {known.beyond_points}".rstrip(),
        "The pack stays unplugged until this step has passed.",
    )


def _load_steps(known: Facts) -> Iterator[CommissioningStep]:
    converter, lead = known.part("converter"), known.part("pack_lead")
    amps = known.pack_A
    volts = converter.output_V - amps * lead.resistance_ohm
    watts = volts * amps
    regime = int(known.evaluation.regime[0])
    turns = number(known.setting("cadence_rpm"))
    settles = known.spread.readings.get("hold_V")
    hot = "Resistor, diodes and clamp" if not known.unclamped else (
        "Resistor and diodes"
    )  # fmt: skip
    expect = f"{number(volts)} V across the resistor while the load is on"
    band = f"{number(0.98 * volts)} to {number(1.02 * volts)} V"
    if settles and regime == STEADY:
        expect += f"; the bank settles at {number(known.reading('hold_V'))} V"
        band += f"; bank {_span(settles[0], settles[2])}"
    elif regime == CYCLING:
        cycle = known.spread.readings.get("cycle_s")
        expect += f"; on and off every {number(known.reading('cycle_s'))} s"
        band += f"; every {number(cycle[0])} to {number(cycle[2])} s" if cycle else ""
    yield CommissioningStep(
        "Fuse out, bank discharged: join window and converter to the bus. Fuse in. "
        f"In place of the pack, a resistor of {number(volts / amps)} ohm for at least "
        f"{number(2 * watts)} W at the end of the 5 V lead. Crank for three minutes at {turns} "
        "turns a minute.",
        expect,
        band,
        "The bank sags to switch-off at once: less power at the crank than computed, check "
        "cadence and drag. It climbs to the cut: the converter does not take its power. (Its loss "
        "is a law that meets the bench points of its table within "
        f"{number(100 * converter.fit_error_efficiency)} % of efficiency.)",
        f"{hot} get hot enough to burn skin.",
    )
    force = known.spread.readings.get("handle_force_N")
    power = known.spread.readings.get("pack_power_W")
    bands = [f"{number(power[0])} to {number(power[2])} W into the pack"] if power else []
    bands += [f"{number(force[0])} to {number(force[2])} N"] if force else []
    yield CommissioningStep(
        "Unplug the resistor. Connect the pack, and stay with it.",
        f"{number(known.reading('pack_power_W'))} W into the pack, "
        f"{number(known.reading('handle_force_N'))} N at the handle{known.of_whom}",
        ", ".join(bands),
        "Power drops in and out though the resistor ran well: the pack draws more or hunts; lower "
        "its current or enlarge the bank.",
        "Packs with a protection board only, not below freezing, not unattended. Follow local "
        "codes, and ask a licensed electrician where you are unsure.",
    )


def _within(value: float, spread: float, unit: str) -> str:
    return f"{number(value * (1 - spread))} to {number(value * (1 + spread))} {unit}"


def _span(low: float, high: float) -> str:
    return f"{number(float(low))} to {number(float(high))} V"
