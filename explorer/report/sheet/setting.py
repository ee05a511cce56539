"""What is set, cut and chosen when a chain is built: settings, thresholds and small parts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from explorer.decision.dividers import shown_ohm
from explorer.model.regimes import REGIMES
from explorer.model.rules import rule
from explorer.physics.generator import wire_resistance
from explorer.report.format import in_unit, number, of_differences
from explorer.report.sheet.facts import Facts, nearest_value
from explorer.report.sheet.protection import GAUGES, fuse_words
from explorer.report.sheet.slow_closing import (
    GATE_OHM,
    closing_words,
    gate_parts_of,
    shown_farad,
)
from explorer.report.sheet.stock import DRAINED_V, RATINGS_W, rated_W, wire_words
from explorer.report.wording import LINK_WORDS

THRESHOLD_NAMES = ("load off", "load on", "load cut")


class Level(NamedTuple):
    """A threshold: what the design wants, what the resistors give, and its worst band, V."""

    label: str
    wanted_V: float
    set_V: float
    low_V: float
    high_V: float


class Small(NamedTuple):
    """A part too small for a table of its own; its price is not counted."""

    what: str
    value: str
    quantity: int
    why: str


def settings_of(known: Facts) -> Iterator[tuple[str, str]]:
    """What is not bought but set, cut or chosen."""
    window, crank = known.part("window"), known.part("crank")
    yield "crank radius", f"{number(1000 * crank.radius_m)} mm"
    yield "cadence", f"{number(known.setting('cadence_rpm'))} turns a minute"
    series_, parallel = (int(known.setting(f"cells_{n}")) for n in ("series", "parallel"))
    yield (
        "bank",
        (
            f"{series_} cells in series, {parallel} in parallel: {number(known.bank_F)} F, "
            f"at most {number(known.bank_limit_V)} V for the cells' life, never above their rating "
            f"of {number(known.bank_rating_V)} V"
        ),
    )
    how = (
        f"{number(1000 * window.sense_V)} mV across the sense resistor (the window's row says so; "
        "take your own part's figure)"
        if known.sense_ohm
        else "by the switch itself, without a resistor"
    )
    yield (
        "current limit",
        f"{number(known.limit_A)} A within {100 * window.current_limit_tolerance:.0f} %: {how}",
    )
    yield from closing_words(known)
    back = window.overvoltage_return * known.levels_V[2]
    yield "load returns after a cut", f"below {number(back)} V"
    for link in ("lead", "pack_lead"):
        ohm = known.part(link).resistance_ohm
        amps = known.phase_A if link == "lead" else known.pack_A
        yield (
            LINK_WORDS[link],
            (
                f"{number(1000 * ohm)} milliohm, a drop of {number(ohm * amps)} V at "
                f"{number(amps)} A{_gauge(ohm, 1 if link == 'lead' else 2)}"
            ),
        )


def _gauge(ohm: float, conductors: int) -> str:
    """The thinnest wire of which a metre (each way) has no more resistance than this."""
    fitting = [g for g in GAUGES if float(wire_resistance(g, conductors)) <= ohm]
    if not fitting:
        return ""
    return f"; made of copper, {wire_words(max(fitting))} or thicker keeps to it over one metre"


def levels_of(known: Facts) -> Iterator[Level]:
    """The thresholds that the real resistors give."""
    for label, wanted, reached, low, high in zip(
        THRESHOLD_NAMES, known.levels_V, known.string.thresholds_V, *known.band_V, strict=True
    ):
        yield Level(label, wanted, float(reached), float(low), float(high))


def thresholds_check(known: Facts) -> str:
    """Whether the thresholds that the real resistors give keep every rule, at their worst."""
    found, wish = known.as_built, known.project.study.build
    broken = [
        f"{rule(name).broken} (by {in_unit(-float(m[0]), of_differences(rule(name).unit))})"
        for name, m in found.margins.items()
        if m[0] < 0
    ]
    energy, regime = found.delivered_energy_J[0], REGIMES[int(found.regime[0])]
    result = (
        f"The bands hold comparators within {100 * known.part('window').reference_tolerance:g} % "
        f"(the window's row) and resistors within {100 * wish.resistor_tolerance:g} % (the study's "
        "[build]), all at their worst at once. With the thresholds and the current limit that "
        f"these resistors set, the chain delivers {number(float(energy))} J, {regime}; "
    )
    if broken:
        return f"{result}at their worst it breaks: {'; '.join(broken)}. Take finer resistors."
    return f"{result}at their worst every rule is kept."


def small_parts(known: Facts) -> Iterator[Small]:
    """Resistors, fuse, switch and connectors."""
    wish, window, cell = known.project.study.build, known.part("window"), known.part("cell")
    percent = f"{100 * wish.resistor_tolerance:g} %"
    for place, ohm in enumerate(known.string.resistors_ohm, start=1):
        what = f"resistor {shown_ohm(float(ohm))}, {percent}"
        yield Small(what, f"R{place}, {RATINGS_W[0]:g} W", 1, "divider of the window")
    if known.sense_ohm:
        yield Small(
            f"sense resistor {shown_ohm(known.sense_ohm)}, {percent}",
            f"RS, {rated_W(window.sense_V * known.limit_A):g} W, four terminals",
            1,
            f"limits current at {number(known.limit_A)} A, where "
            f"{number(1000 * window.sense_V)} mV fall across it",
        )
    if cell.balancing_ohm > 0:
        ohm = nearest_value(cell.balancing_ohm, wish.resistor_series)
        count = int(known.setting("cells_series") * known.setting("cells_parallel"))
        heat = cell.voltage_V**2 / ohm
        yield Small(
            f"resistor {shown_ohm(ohm)}",
            f"across each cell, {rated_W(heat):g} W",
            count,
            f"balances the cells, {number(1000 * heat)} mW each at most",
        )
    yield from _slowing(known)
    yield from _discharging(known)
    yield Small(
        "fuse and holder",
        fuse_words(known),
        1,
        "at the bank's positive terminal, before anything else: a short of the bank burns",
    )
    yield from _connectors(known)


def _slowing(known: Facts) -> Iterator[Small]:
    """What makes the window close slowly, where its row says that it does."""
    slow = gate_parts_of(known)
    if slow is None:
        return
    yield Small(
        f"capacitor {shown_farad(slow.capacitance_F)}",
        f"{number(known.bank_rating_V)} V, with {shown_ohm(GATE_OHM)} and a diode",
        1,
        f"gate to drain, closes Q in {number(1000 * slow.rises_s, 2)} ms (common practice); logic "
        "to gate through the resistor, the diode across it, bar to the gate",
    )


def _discharging(known: Facts) -> Iterator[Small]:
    """The bleed resistor and its switch."""
    drain = known.bleed
    minutes = number(drain.drains_s / 60)
    yield Small(
        f"bleed resistor {shown_ohm(drain.ohm)}, {drain.rated_W:g} W",
        "wirewound, on metal",
        1,
        f"drains the full bank to {DRAINED_V:g} V in {minutes} minutes; {number(drain.heat_W)} W "
        "at first",
    )
    amps = known.bank_limit_V / drain.ohm
    yield Small(
        "discharge switch",
        f"above {number(known.bank_rating_V)} V DC and {number(amps)} A",
        1,
        "with the bleed resistor; a blown fuse leaves the bank full",
    )


def _connectors(known: Facts) -> Iterator[Small]:
    """Plugs that cannot be mistaken for each other."""
    wires = known.part("generator").machine.wires
    amps = number(1.5 * known.phase_A)
    yield Small(f"connector, {wires} poles", f"{amps} A or more", 1, "generator lead to rectifier")
    most = max(known.bus_A, known.input_A)
    yield Small(
        "connector, 2 poles, keyed",
        f"{number(1.5 * most)} A DC or more; sockets on the bank's side",
        2,
        "bank to bus, window to converter; fits one way only",
    )
