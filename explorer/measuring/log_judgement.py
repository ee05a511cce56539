"""A log against its design: in which builds it would be usual, what is not, and whose fault it is

Builds are those of the promise, each stepped through its session and read as the log was, with the
errors of usual meters. What the log shows is compared sign by sign with what these show.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from explorer.inputs.study import Project
from explorer.measuring.instruments import INSTRUMENTS
from explorer.measuring.log_signs import SIGNS, BankCurrents, Design, LogWindow, Sign, signs_of
from explorer.measuring.plug_log import PlugLog, as_logged
from explorer.model import promise
from explorer.model.space import Designs
from explorer.model.stepped import traced
from explorer.units import Array

BUILDS = 160
"""Builds that say what is usual; others than those that a promise rests on are not needed."""
BAND = (0.025, 0.975)
BAND_SDS = 1.96
LEAST_WIDTH = 0.01
"""Least half width of a sign's band, of its middle: what logger and shunt may be off by."""
ACCUSED_SHARE = 0.98
"""Of sound builds that no accusation may touch, as far as the drawn ones can say."""
LEAST_SDS = 3.0
LOG_METERS = {"bus_V": "volts_dc", "bus_A": "amps", "out_V": "volts_dc", "out_A": "amps",
          "cadence_rpm": "rpm"}  # fmt: skip


class Finding(NamedTuple):
    """A sign of a log: what it reads, what half of the builds are below, its 95 % band, and by how
    many of its own standard deviations it is off; 0 on a side that is no fault.
    """

    sign: Sign
    read: float
    usual: float
    low: float
    high: float
    sds: float

    @property
    def meaning(self) -> str:
        """What it means on its side of the band."""
        return self.sign.low if self.read < self.usual else self.sign.high


@dataclass(frozen=True)
class JudgedLog:
    """A log and what builds would show: `bus_V` and `out_W` bands (3, n), 2.5th, 50th and 97.5th
    percentile. `suspect` is the first finding beyond `limit_sds`, which so few sound builds pass;
    `chance` how many of these stay below what the log shows.
    """

    log: PlugLog
    findings: tuple[Finding, ...]
    bands: Mapping[str, Array]
    limit_sds: float
    suspect: Finding | None
    chance: float


@dataclass(frozen=True)
class Reference:
    """What sound builds show at the times of a log, and by what it is read."""

    read_by: Design
    logs: tuple[PlugLog, ...]

    @classmethod
    def of(
        cls, project: Project, design: Designs, time_s: Array, builds: int = BUILDS
    ) -> Reference:
        """Builds of one design (length 1), each stepped through its session."""
        window = window_of(project, design)
        read_by = Design(window, charging_of(project, design, window))
        return cls(read_by, tuple(_logs(project, design, time_s, builds)))


def window_of(project: Project, design: Designs) -> LogWindow:
    """The design's thresholds, and what the study's first pack draws."""
    settings = {name: float(values[0]) for name, values in design.settings.items()}
    off_V = settings["undervoltage_off_V"]
    pack = project.catalogue.packs[project.study.session.packs[0]]
    return LogWindow(
        off_V, off_V + settings["undervoltage_band_V"], settings["overvoltage_off_V"],
        pack.current_A, settings["cadence_rpm"],
    )  # fmt: skip


CADENCE_SHARES = np.linspace(0.2, 1.3, 12)
STRONG = {"critical_power_W": 20.0, "comfort_force_N": 20.0, "force_limit_N": 20.0,
          "sprint_torque_N_m": 20.0}  # fmt: skip
"""How many times stronger the hand is that turns at every cadence."""
VOLT_NODES, CHARGE_S, CHARGE_ROWS = 80, 600.0, 6001


def charging_of(project: Project, design: Designs, window: LogWindow) -> BankCurrents:
    """What the design's parts, as in their tables, put into the bank in its first charge, by
    sessions of a hand that holds every cadence.
    """
    name = project.study.session.operators[0]
    person = project.catalogue.operators[name]
    strong = {field: by * getattr(person, field) for field, by in STRONG.items()}
    held = {"inertia_kg_m2": 0.0, "unevenness": 0.0, "unevenness_turn": 0.0}
    operators = {**project.catalogue.operators, name: person.model_copy(update=strong | held)}
    # Of shifts in a row the strong hand does all.
    alone = project.study.session.model_copy(update={"operators": (name,), "shifts": ()})
    able = replace(
        project,
        study=replace(project.study, session=alone),
        catalogue=replace(project.catalogue, operators=operators),
    )
    cadences = design.settings["cadence_rpm"] * CADENCE_SHARES
    many = design.take(np.zeros(len(cadences), np.int64))
    many = Designs(many.parts, {**many.settings, "cadence_rpm": cadences})
    volts, rows = np.linspace(0.0, window.on_V, VOLT_NODES), []
    for log in _stepped(able, many, np.linspace(0.0, CHARGE_S, CHARGE_ROWS)):
        top = int(np.maximum.accumulate(log.columns["bus_V"]).argmax())
        reached = log.columns["bus_V"] >= window.on_V
        top = int(reached.argmax()) if reached.any() else top
        amps = np.interp(volts, log.columns["bus_V"][:top], log.columns["bus_A"][:top], right=0.0)
        rows.append(amps)
    return BankCurrents(cadences, volts, np.stack(rows))


def _logs(project: Project, design: Designs, time_s: Array, builds: int) -> Iterator[PlugLog]:
    rng = np.random.default_rng([project.study.search.seed, 3])
    for group in promise.by_hand(range(builds)):
        drawn = promise.draw(project, design, group)
        for log in _stepped(drawn.project, drawn.designs, time_s):
            yield _read_by_meters(log, rng)


def _stepped(project: Project, designs: Designs, time_s: Array) -> Iterator[PlugLog]:
    """What sessions of designs of the study's first case would log, with ideal meters.

    Whole sessions, however short the log is: a hand that has to last turns less hard.
    """
    plan = project.study.session
    for k in range(len(designs)):
        one = designs.take(np.array([k]))
        course = traced(project, one, plan.operators[0], plan.packs[0], coarse=True)
        cell, converter, lead = (
            project.catalogue.parts[link][int(one.parts[link][0])]
            for link in ("cell", "converter", "pack_lead")
        )
        strings = float(one.settings["cells_series"][0]) / float(one.settings["cells_parallel"][0])
        yield as_logged(
            course, time_s,
            esr_ohm=cell.esr_ohm * strings,  # type: ignore[attr-defined]
            output_V=converter.output_V,  # type: ignore[attr-defined]
            lead_ohm=lead.resistance_ohm,  # type: ignore[attr-defined]
        )  # fmt: skip


def _read_by_meters(log: PlugLog, rng: np.random.Generator) -> PlugLog:
    """The log as usual meters would have it: each with a gain error, and scatter in every row."""
    columns = {}
    for name, values in log.columns.items():
        meter = INSTRUMENTS[LOG_METERS[name]]
        scatter = np.abs(values) * meter.scatter + meter.floor / np.sqrt(3)
        gain = 1 + meter.gain_sd * rng.normal()
        columns[name] = values * gain + scatter * rng.normal(size=len(values))
    return PlugLog(log.time_s, columns)


def judged_log(log: PlugLog, reference: Reference) -> JudgedLog:
    """A log beside the builds of a reference that has its times."""
    known = [
        PlugLog(one.time_s, {name: v for name, v in one.columns.items() if log.has(name)})
        for one in reference.logs
    ]
    seen = [signs_of(one, reference.read_by) for one in known]
    read = signs_of(log, reference.read_by)
    findings, offs = [], []
    for sign in SIGNS:
        usual = np.array([one[sign.key] for one in seen])
        if not np.isfinite(read[sign.key]) or np.isfinite(usual).mean() < 0.5:
            continue
        low, middle, high = np.nanquantile(usual, (BAND[0], 0.5, BAND[1]))
        width = max(max(LEAST_WIDTH, sign.least_share) * abs(middle), sign.resolution, 1e-9)
        low, high = min(low, middle - width), max(high, middle + width)
        ends = (sign, float(middle), float(low), float(high))
        off = _off(read[sign.key], *ends)
        findings.append(Finding(sign, read[sign.key], *ends[1:], off))
        offs.append([_off(float(value), *ends) for value in usual])
    most = np.nanmax(np.abs(offs), axis=0) if offs else np.zeros(1)
    limit = max(LEAST_SDS, float(np.quantile(most, ACCUSED_SHARE)))
    worst = max((abs(one.sds) for one in findings), default=0.0)
    suspect = next((one for one in findings if abs(one.sds) > limit), None)
    chance = float((most < worst).sum() / (len(most) + 1)) if suspect else 0.0
    return JudgedLog(log, tuple(findings), _bands(log, known), limit, suspect, chance)


def _off(value: float, sign: Sign, middle: float, low: float, high: float) -> float:
    """By how many standard deviations of its side a value is off, 0 on a side that is no fault."""
    if not np.isfinite(value) or not (sign.low if value < middle else sign.high):
        return 0.0
    side = (high - middle) if value > middle else (middle - low)
    return float(BAND_SDS * (value - middle) / side)


def _bands(log: PlugLog, known: list[PlugLog]) -> dict[str, Array]:
    found = {}
    for name, needs in (("bus_V", ("bus_V",)), ("out_W", ("out_V", "out_A"))):
        if log.has(*needs):
            courses = np.stack([course_of(one, name) for one in known])
            found[name] = np.quantile(courses, (BAND[0], 0.5, BAND[1]), axis=0)
    return found


def course_of(log: PlugLog, name: str) -> Array:
    """Bus voltage or power into the pack of a log, (n,)."""
    if name == "out_W":
        return np.asarray(log.columns["out_V"] * log.columns["out_A"])
    return log.columns[name]
