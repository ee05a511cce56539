"""How far a chain takes its converter and its diodes beyond what was measured of them, in words."""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt
from typing import Any

from explorer.inputs.front_parts import Generator, Rectifier
from explorer.inputs.records import Part
from explorer.inputs.study import Project
from explorer.report.format import listed, number


def beyond_measured(project: Project, record: Mapping[str, Any]) -> str:
    """What of a design's work no measurement covers; "" where all is within. `record`: its result,
    with `parts`, `settings` and `margins`.
    """
    parts = record["parts"]
    generator = _part(project, parts, "generator")
    assert isinstance(generator, Generator)
    found = [beyond_points(project, parts, record["settings"])]
    left_A = record["margins"].get("generator_current_A")
    if left_A is not None:
        found.append(beyond_currents(project, parts, generator.bears_A - float(left_A)))
    return " ".join(filter(None, found))


def valve_peak_A(generator: Generator, phase_A: float) -> float:
    """The largest current through one valve, A, from that of a phase, A rms.

    An alternating one counts as a sine. On an empty bank, where a session's is largest, it is one
    within 4 %; towards the open voltage it becomes pulses, which are higher (two windings without
    inductance: by 14 % at a fifth of it).
    """
    return phase_A * (1.0 if generator.machine.direct else sqrt(2.0))


def beyond_currents(project: Project, parts: Mapping[str, str], phase_A: float) -> str:
    """How far the diodes carry more than they were measured at, by the largest current of a phase,
    A rms; "" where all is within, or where their row is of a sheet or a class.
    """
    generator, valve = _part(project, parts, "generator"), _part(project, parts, "rectifier")
    assert isinstance(generator, Generator)
    assert isinstance(valve, Rectifier)
    peak_A = valve_peak_A(generator, phase_A)
    over_A = peak_A - valve.measured_to_A
    if valve.measured_to_A == 0 or over_A <= 1e-9:
        return ""
    return (
        f"{valve.name} was measured up to {number(valve.measured_to_A)} A. This chain drives up to "
        f"{number(peak_A)} A through each, {number(over_A, 2)} A above what was measured: its drop "
        "there is a law's guess."
    )


def _part(project: Project, parts: Mapping[str, str], link: str) -> Part:
    return next(one for one in project.catalogue.parts[link] if one.id == parts[link])


def beyond_points(
    project: Project, parts: Mapping[str, str], settings: Mapping[str, float | int]
) -> str:
    """What of the converter's work no bench point covers, by the window's thresholds and the packs'
    currents; "" where all is within.
    """
    reach = project.catalogue.converter_reach.get(parts["converter"])
    if reach is None:
        return ""
    packs = [project.catalogue.packs[name] for name in project.study.session.packs]
    ends = (
        (float(settings["undervoltage_off_V"]), reach.least_V, reach.most_V, "V at its input"),
        (float(settings["overvoltage_off_V"]), reach.least_V, reach.most_V, "V at its input"),
        *(
            (float(pack.current_A), reach.least_A, reach.most_A, "A at its output")
            for pack in packs
        ),
    )
    found = dict.fromkeys(
        f"{number(value)} {unit}, {number(off, 2)} {unit[0]} {'above' if value > most else 'below'}"
        for value, least, most, unit in ends
        if (off := max(value - most, least - value)) > 1e-9
    )
    if not found:
        return ""
    name = _part(project, parts, "converter").name
    return (
        f"{name} was measured from {number(reach.least_V)} to {number(reach.most_V)} V at its "
        f"input and {number(reach.least_A)} to {number(reach.most_A)} A at its output. This chain "
        f"works it at {listed(list(found))} what was measured: its loss there is a law's guess."
    )
