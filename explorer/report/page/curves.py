"""Curves of single designs: over the session, and over the cadence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from explorer.inputs.study import Project
from explorer.report import whose
from explorer.report.format import number
from explorer.report.goals import DesignResult
from explorer.report.page.columns import rounded
from explorer.report.page.content import DesignCurves, ValueColumn


class CurvesOf(NamedTuple):
    """Whose the curves are, in words; empty where the study has one case only."""

    session: str = ""
    force: str = ""
    power: str = ""

    @classmethod
    def study(cls, project: Project) -> CurvesOf:
        """Those of a study: sessions are of its first crew and pack, see `decision.closer_look`."""
        if not whose.is_one_of_several(project):
            return cls()
        plan = project.study.session
        first = f"{whose.crew_name(project, (shift.operator for shift in plan.crews[0]))} into "
        return cls(
            first + whose.pack_name(project, plan.packs[0]),
            whose.READINGS_CASE,
            whose.combined(project),
        )


UNNAMED = CurvesOf()
"""Curves of a study with one case."""


def curves_of(
    sessions: Mapping[str, DesignResult],
    cadences: Mapping[str, DesignResult],
    known: Mapping[str, DesignResult],
    of: CurvesOf = UNNAMED,
) -> tuple[DesignCurves, ...]:
    """Curves of the designs that were looked at closely, by design id; `known` are their results.

    A session is {time_s, bus_V, pack_W, close}, `close` the same of its end; a cadence curve is
    {cadence_rpm, handle_force_N, pack_power_W}.
    """
    found: list[DesignCurves] = []
    for design_id, trace in sessions.items():
        whole = _over_session(design_id, trace, known.get(design_id, {}), of)
        found.append(whole)
        if whole.sentence and "close" in trace:
            found.append(_close(whole, trace["close"]))
    found.extend(_over_cadence(design_id, curve, of) for design_id, curve in cadences.items())
    return tuple(found)


def _named(label: str, name: str) -> str:
    """A label with whose it is."""
    return f"{label}, {name}" if name else label


def _over_session(
    design_id: str, trace: DesignResult, result: DesignResult, of: CurvesOf
) -> DesignCurves:
    """Voltage at the bank and power over the session, with the window's thresholds drawn in."""
    settings = result.get("settings", {})
    off, band = settings.get("undervoltage_off_V"), settings.get("undervoltage_band_V")
    levels = [
        ("load off below", off),
        ("load on above", None if off is None or band is None else off + band),
        ("load cut above", settings.get("overvoltage_off_V")),
    ]
    return DesignCurves(
        design_id,
        _named("Voltage at the bank and power over the session", of.session),
        ValueColumn("time_s", "time", "s", rounded(trace["time_s"])),
        (
            ValueColumn("bus_V", "voltage at the bank", "V", rounded(trace["bus_V"])),
            ValueColumn("pack_W", "power into the pack", "W", rounded(trace["pack_W"])),
        ),
        tuple((name, float(level)) for name, level in levels if level is not None),
        too_fine(trace["time_s"], (result.get("readings") or {}).get("cycle_s")),
    )


def _over_cadence(design_id: str, curve: DesignResult, of: CurvesOf) -> DesignCurves:
    """Force and power over the cadence."""
    force, power = curve["handle_force_N"], curve["pack_power_W"]
    return DesignCurves(
        design_id,
        "Force and power against cadence",
        ValueColumn("cadence_rpm", "cadence", "rpm", rounded(curve["cadence_rpm"])),
        (
            ValueColumn(
                "handle_force_N", _named("force at the handle", of.force), "N", rounded(force)
            ),
            ValueColumn(
                "pack_power_W", _named("power into the pack", of.power), "W", rounded(power)
            ),
        ),
        sentence=over_cadence(curve["cadence_rpm"], power),
    )


def _close(whole: DesignCurves, end: DesignResult) -> DesignCurves:
    """The end of a session on a scale of its own, with the same window drawn in."""
    seconds = number(float(end["time_s"][-1]) - float(end["time_s"][0]), 2)
    columns = zip((whole.x, *whole.curves), ("time_s", "bus_V", "pack_W"), strict=True)
    x, *curves = (replace(column, values=rounded(end[name])) for column, name in columns)
    title = f"Its last {seconds} s"
    return replace(whole, title=title, x=x, curves=tuple(curves), sentence="", screen_only=True)


def too_fine(time_s: Sequence[float], cycle_s: float | None) -> str:
    """A caution where the kept points are too far apart to show single bursts."""
    spacing = float(np.median(np.diff(np.asarray(time_s, dtype=float))))
    if cycle_s is None or cycle_s > 4 * spacing:
        return ""
    return (
        f"Its bursts take some {number(cycle_s, 2)} s, the points drawn stand {number(spacing, 2)} "
        "s apart: read the range of the curve, not its single steps."
    )


def over_cadence(cadence_rpm: Sequence[float], power_W: Sequence[float | None]) -> str:
    """Where cranking gives most, and that faster can be less; None where the power is unknown."""
    known = [(turns, watts) for turns, watts in zip(cadence_rpm, power_W, strict=True)
             if watts is not None]  # fmt: skip
    turns, power = np.array(known, dtype=float).reshape(-1, 2).T
    if not power.size or not power.max() > 0:
        return "At none of these cadences does the pack gain anything."
    most = int(power.argmax())
    text = f"Most power into the pack at {number(turns[most])} rpm: {number(power[most])} W."
    less = np.flatnonzero((np.arange(power.size) > most) & (power < power[most] / 2))
    if less.size:
        text += (
            f" From {number(turns[less[0]])} rpm on it is {number(power[less[0]], 2)} W: faster "
            "is less, as a rule because the bank then fills to its cut-off and the load stays off."
        )
    return text
