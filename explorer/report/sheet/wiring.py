"""What is joined to what, with which wire; and the chain as it is drawn."""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import pi
from typing import NamedTuple

from explorer.inputs.links import LINKS
from explorer.report.format import number
from explorer.report.sheet.facts import Facts
from explorer.report.sheet.protection import bus_gauge, fuse_words
from explorer.report.sheet.stock import wire_words
from explorer.report.wording import link_words


class Wire(NamedTuple):
    """A connection: from, to, with what, and the current it carries."""

    start: str
    end: str
    wire: str
    current: str


class Symbol(NamedTuple):
    """A link of the drawn chain: shape, name, what flows on to the next, generator wires."""

    shape: str
    name: str
    flow: str = ""
    wires: int = 2


def wires_of(known: Facts) -> Iterator[Wire]:
    """Every connection from the handle to the pack."""
    generator, lead = known.part("generator"), known.part("lead")
    bus = f"copper, {wire_words(bus_gauge(known))} or thicker"
    yield Wire("handle", "gearing", f"shaft, {known.part('gearing').name}", "")
    for name, link in LINKS.items():
        if link.mounted_on and known.part(name).id != link.default_id:
            yield Wire(link_words(name), link.mounted_on, known.part(name).name, "")
    if generator.open_star:
        ends = (
            "in a triangle (delta): the end of each to the start of the next"
            if known.setting("delta")
            else "in a star: three ends together, three starts out"
        )
        yield Wire("windings", "each other", ends, "")
    yield Wire(
        "generator", "rectifier", f"{lead.name}, {generator.machine.wires} wires",
        f"{number(known.phase_A)} A rms a phase",
    )  # fmt: skip
    most = f"{number(max(known.bus_A, known.input_A))} A at most"
    yield Wire("bank +", "fuse, before anything else", "the same, under 5 cm", most)
    yield Wire("fuse", "bus +", bus, most)
    yield Wire("rectifier +", "bus +", bus, f"{number(known.bus_A)} A at most")
    yield Wire("rectifier −", "bank −", bus, f"{number(known.bus_A)} A at most")
    if not known.unclamped:
        each = "each cell" if known.part("clamp").by_cell else "bus + and bank −"
        yield Wire("clamp", each, "copper", "only when the load is gone")
    yield Wire("bus +", "window in", bus, f"{number(known.input_A)} A at most")
    yield Wire("divider R1 to R4", "bus + and bank −", "any thin wire",
               f"{number(1e6 * known.string.current_A)} µA")  # fmt: skip
    drained = known.bank_limit_V / known.bleed.ohm
    yield Wire("bleed resistor, switch", "bus + and bank −", "copper",
               f"{number(drained)} A at first")  # fmt: skip
    yield Wire("window out", "converter in +", bus, f"{number(known.input_A)} A at most")
    yield Wire("bank −", "converter in −", bus, f"{number(known.input_A)} A at most")
    yield Wire("converter out", "pack", known.part("pack_lead").name, f"{number(known.pack_A)} A")


def drawing_of(known: Facts) -> Iterator[Symbol]:
    """The chain from the hand on; a number and its unit stay on one line of a name."""
    return (one._replace(name=_UNIT.sub("\u00a0", one.name)) for one in _symbols(known))


_UNIT = re.compile(r"(?<=\d) (?=[^\W\d_]{1,2}\b)")


def _symbols(known: Facts) -> Iterator[Symbol]:
    """The links from the hand on, as they are wired."""
    generator, clamp = known.part("generator"), known.part("clamp")
    wires = generator.machine.wires
    cells = known.setting("cells_series") * known.setting("cells_parallel")
    bus, taken = (f"{number(amps)} A" for amps in (known.bus_A, known.input_A))
    rpm = f"{number(known.shaft_rad_s * 30 / pi)} rpm"
    yield Symbol("hand", f"hand, {number(known.setting('cadence_rpm'))} turns a minute")
    yield Symbol("gearing", known.part("gearing").name, rpm)
    yield Symbol("generator", generator.name, f"{number(known.phase_A)} A", wires)
    yield Symbol("rectifier", known.part("rectifier").name, bus, wires)
    if clamp.on_bus:
        yield Symbol("clamp", clamp.name)
    each = ", each clamped" if clamp.by_cell else ""
    yield Symbol("fuse", f"fuse, {fuse_words(known)}")
    yield Symbol("bank", f"{cells:.0f} × {known.part('cell').name}{each}", taken)
    yield Symbol("window", known.part("window").name, taken)
    yield Symbol("converter", known.part("converter").name, f"{number(known.pack_A)} A")
    yield Symbol("pack", "pack")
