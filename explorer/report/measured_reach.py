"""How far a chain takes its converter outside the points that it was measured at, in words."""

from __future__ import annotations

from collections.abc import Mapping

from explorer.inputs.study import Project
from explorer.report.format import listed, number


def beyond_points(
    project: Project, parts: Mapping[str, str], settings: Mapping[str, float | int]
) -> str:
    """What of the converter's work no bench point covers, by the window's thresholds and the packs'
    currents; "" where all is within.

    Diodes are a law of a class or of a note, and keep no points.
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
    (name,) = (p.name for p in project.catalogue.parts["converter"] if p.id == parts["converter"])
    return (
        f"{name} was measured from {number(reach.least_V)} to {number(reach.most_V)} V at its "
        f"input and {number(reach.least_A)} to {number(reach.most_A)} A at its output. This chain "
        f"works it at {listed(list(found))} what was measured: its loss there is a law's guess."
    )
