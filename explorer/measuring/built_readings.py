"""Readings of a chain that was built: what each should be, and what a wrong one means"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from math import hypot
from typing import Any, NamedTuple

import numpy as np

from explorer.inputs.study import Project
from explorer.measuring.class_values import class_spread
from explorer.measuring.instruments import INSTRUMENTS
from explorer.model.evaluation import Evaluation
from explorer.model.open_readings import open_rectified_V, open_winding_V, winding_ohm
from explorer.model.regimes import STEADY
from explorer.model.space import Designs
from explorer.model.stepped import sessions_of
from explorer.physics.window import threshold_band
from explorer.units import RAD_S_PER_RPM

COVERAGE_SDS = 1.96
CADENCE_SD = 0.03
"""How well a hand keeps a cadence over the turns of a reading, relative (judgement)."""
SETTLED_SD = 0.05
"""Standard deviation of what follows from the whole chain, relative (judgement): the hand's."""
CHARGE_SD = 0.15


@dataclass(frozen=True)
class Built:
    """One design that was built, and what the model says of it."""

    project: Project
    design: Designs

    def part(self, link: str) -> Any:
        """The chosen part of a link; of a generator in delta the star that behaves like it."""
        chosen: Any = self.project.catalogue.parts[link][int(self.design.parts[link][0])]
        return chosen.in_delta if link == "generator" and self.setting("delta") else chosen

    def setting(self, name: str) -> float:
        """A setting of the design."""
        return float(self.design.settings[name][0])

    @cached_property
    def found(self) -> Evaluation:
        """Its session."""
        return sessions_of(self.project, self.design)

    @property
    def energy_J(self) -> float:
        """What it delivers at nominal values, J."""
        return float(self.found.delivered_energy_J[0])

    @property
    def broken(self) -> tuple[str, ...]:
        """Rules that it breaks at nominal values."""
        return tuple(name for name, margin in self.found.margins.items() if margin[0] < 0)

    @property
    def shaft_rad_s(self) -> float:
        """Speed of the generator at the cadence, rad/s."""
        return self.setting("cadence_rpm") * RAD_S_PER_RPM * float(self.part("gearing").ratio)

    def with_part(self, link: str, columns: tuple[str, ...], factor: float) -> Built:
        """The same with some columns of a part times a factor."""
        rows = list(self.project.catalogue.parts[link])
        at = int(self.design.parts[link][0])
        change = {name: getattr(rows[at], name) * factor for name in columns}
        rows[at] = rows[at].model_copy(update=change)
        parts = {**self.project.catalogue.parts, link: tuple(rows)}
        catalogue = replace(self.project.catalogue, parts=parts)
        return Built(replace(self.project, catalogue=catalogue), self.design)

    def with_setting(self, name: str, value: float) -> Built:
        """The same with another value of a setting."""
        settings = {**self.design.settings, name: np.array([value])}
        return Built(self.project, replace(self.design, settings=settings))


class Consequence(NamedTuple):
    """What a reading says of the chain: columns of a link's part, or a setting."""

    link: str
    columns: tuple[str, ...] = ()
    setting: str = ""


@dataclass(frozen=True)
class ReadingKind:
    """One reading of the build sheet.

    `expected` None where the design has no such reading. `band`: the least and the most that a
    sound chain gives. `low`, `high`: what a reading below or above means.
    """

    key: str
    about: str
    expected: Callable[[Built], float | None]
    band: Callable[[Built, float], tuple[float, float]]
    change: Consequence
    low: str
    high: str


def _spread(instrument: str, *sds: float) -> Callable[[Built, float], tuple[float, float]]:
    """A band of 95 % from an instrument's uncertainty and relative ones."""
    meter = INSTRUMENTS[instrument]

    def band(_built: Built, value: float) -> tuple[float, float]:
        width = COVERAGE_SDS * hypot(meter.sd(value), value * hypot(meter.gain_sd, *sds))
        return value - width, value + width

    return band


def _threshold(built: Built, value: float) -> tuple[float, float]:
    window = built.part("window")
    low, high = threshold_band(
        value, window.reference_V, reference_tolerance=window.reference_tolerance,
        resistor_tolerance=built.project.study.build.resistor_tolerance,
    )  # fmt: skip
    meter = INSTRUMENTS["volts_dc"].sd(value)
    return float(low) - meter, float(high) + meter


def _winding_ohm(built: Built) -> float:
    return winding_ohm(built.part("generator"))


def _winding_V(built: Built) -> float:
    return open_winding_V(built.part("generator"), built.shaft_rad_s)


def _rectified_V(built: Built) -> float:
    generator, valve = built.part("generator"), built.part("rectifier")
    return open_rectified_V(generator, valve, built.shaft_rad_s)


def _charge_s(built: Built) -> float | None:
    """Seconds to the first charge without those that a pack waits, as the build sheet has them."""
    seconds = float(built.found.time_to_first_charge_s[0])
    packs = [built.project.catalogue.packs[one] for one in built.project.study.session.packs]
    return seconds - max(pack.wait_s for pack in packs) if np.isfinite(seconds) else None


def _settled(name: str) -> Callable[[Built], float | None]:
    def reading(built: Built) -> float | None:
        value = float(built.found.readings[name][0])
        steady = int(built.found.regime[0]) == STEADY or name == "pack_power_W"
        return value if steady and np.isfinite(value) and value > 0 else None

    return reading


EMF_COLUMN = Consequence("generator", ("emf_phase_V_s",))
EMF_SD = class_spread("generator", "emf_phase_V_s")
READING_KINDS: tuple[ReadingKind, ...] = (
    ReadingKind(
        "winding_ohm", "between each pair of generator wires, the meter's leads taken off",
        _winding_ohm, _spread("ohms", class_spread("generator", "resistance_phase_ohm"), 0.012),
        Consequence("generator", ("resistance_phase_ohm",)),
        "another winding than the table's, or a shorted coil",
        "another winding than the table's, a bad contact, or a broken strand",
    ),
    ReadingKind(
        "winding_V", "between two open generator wires at the design's cadence (true rms, or DC)",
        _winding_V, _spread("volts_ac", EMF_SD, CADENCE_SD), EMF_COLUMN,
        "cadence, gear ratio or EMF constant is not the table's; one pair low: a bad winding",
        "cadence, gear ratio or EMF constant is not the table's: overspeed voltage grows with it",
    ),
    ReadingKind(
        "open_bus_V", "of 100 microfarads behind the bridge at the design's cadence, no bank",
        _rectified_V, _spread("volts_dc", EMF_SD, CADENCE_SD), EMF_COLUMN,
        "about half: a valve is open or reversed; near nothing: one is shorted",
        "the generator gives more than its row says",
    ),
    ReadingKind(
        "on_V", "at which the window switches the load on, on a bench supply",
        lambda built: built.setting("undervoltage_off_V") + built.setting("undervoltage_band_V"),
        _threshold, Consequence("window", setting="undervoltage_band_V"),
        "a wrong resistor beside its tap: too near the off threshold, it chatters",
        "a wrong resistor beside its tap: the bank may never come so high",
    ),
    ReadingKind(
        "off_V", "at which it switches the load off",
        lambda built: built.setting("undervoltage_off_V"), _threshold,
        Consequence("window", setting="undervoltage_off_V"),
        "a wrong resistor beside its tap: below its least input a converter runs wild",
        "a wrong resistor beside its tap: too near the on threshold, it chatters",
    ),
    ReadingKind(
        "cut_V", "at which it cuts the load off at the top",
        lambda built: built.setting("overvoltage_off_V"), _threshold,
        Consequence("window", setting="overvoltage_off_V"),
        "a wrong resistor beside its tap: it cuts a load that the bank could carry",
        "a wrong resistor beside its tap: the converter may get more than it bears",
    ),
    ReadingKind(
        "converter_V", "at the converter's output without load",
        lambda built: float(built.part("converter").output_V),
        _spread("volts_dc", class_spread("converter", "output_V")),
        Consequence("converter", ("output_V",)),
        "set too low: the pack may not take its current", "set too high: it may harm the pack",
    ),
    ReadingKind(
        "charge_s", "from an empty bank to the load's first start at the design's cadence",
        _charge_s, _spread("seconds", CHARGE_SD), Consequence("cell", ("capacitance_F",)),
        "cells hold less than the table says", "cells hold more, or a phase is missing",
    ),
    ReadingKind(
        "bus_V", "that the bank settles at with the pack connected", _settled("hold_V"),
        _spread("volts_dc", SETTLED_SD), Consequence("operator"),
        "less power at the crank than computed: cadence, drag, or the hand",
        "the load takes less than computed",
    ),
    ReadingKind(
        "pack_W", "volts times amps at the pack's input, over some minutes",
        _settled("pack_power_W"), _spread("watts", SETTLED_SD), Consequence("pack"),
        "the pack draws less, hunts, or the chain gives less than computed",
        "the pack draws more than its row says",
    ),
)  # fmt: skip
"""Readings of the build sheet in its order; those that change nothing name a link without columns.
"""


class Judged(NamedTuple):
    """A reading beside what it should be. `sds`: how many standard deviations it is off."""

    kind: ReadingKind
    read: float
    expected: float
    low: float
    high: float
    sds: float

    @property
    def in_band(self) -> bool:
        """Whether a sound chain gives it."""
        return self.low <= self.read <= self.high

    @property
    def meaning(self) -> str:
        """What a reading outside its band means, "" for one inside."""
        if self.in_band:
            return ""
        return self.kind.low if self.read < self.low else self.kind.high


class ExpectedReading(NamedTuple):
    """A reading that a design has, the value to expect, and the ends of its band."""

    kind: ReadingKind
    value: float
    low: float
    high: float


def expected_readings(built: Built) -> Iterator[ExpectedReading]:
    """Every reading that a design has."""
    for kind in READING_KINDS:
        value = kind.expected(built)
        if value is not None:
            yield ExpectedReading(kind, value, *kind.band(built, value))


def judged(built: Built, readings: Mapping[str, float]) -> list[Judged]:
    """Readings beside what they should be; KeyError for one that the design does not have."""
    expected = {one.kind.key: one for one in expected_readings(built)}
    found = []
    for key, read in readings.items():
        kind, value, low, high = expected[key]
        side = (high - value) if read > value else (value - low)
        sds = COVERAGE_SDS * (read - value) / max(side, 1e-12)
        found.append(Judged(kind, read, value, low, high, sds))
    return found


def as_read(built: Built, found: list[Judged]) -> Built:
    """The chain as its readings outside their bands say that it is.

    A reading of the bridge counts for the EMF constant only where the wires were not read.
    """
    keys = {one.kind.key for one in found}
    for one in found:
        if one.in_band or (one.kind.key == "open_bus_V" and "winding_V" in keys):
            continue
        change = one.kind.change
        if change.columns:
            built = built.with_part(change.link, change.columns, one.read / one.expected)
        elif change.setting == "undervoltage_band_V":
            built = built.with_setting(
                change.setting, one.read - built.setting("undervoltage_off_V")
            )
        elif change.setting:
            on = built.setting("undervoltage_off_V") + built.setting("undervoltage_band_V")
            built = built.with_setting(change.setting, one.read)
            if change.setting == "undervoltage_off_V":  # the on threshold stays where it is
                built = built.with_setting("undervoltage_band_V", on - one.read)
    return built
