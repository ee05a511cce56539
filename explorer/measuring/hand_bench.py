"""A person at the crank: all-out efforts of two or three lengths become critical power and W'."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from math import hypot, pi, sqrt
from typing import Self

from pydantic import Field, model_validator

from explorer.inputs.records import Positive
from explorer.measuring.fitting import Fit, Gain, Observation, Unknown, fit
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import NoteFault, NoteRecord, PartNote
from explorer.measuring.results import Measured, doubts_of
from explorer.physics.operator import endurance_power
from explorer.units import STANDARD_GRAVITY

SHORTEST_S, LONGEST_S = 120.0, 2400.0
"""Lengths that the law of Monod & Scherrer holds for: about 2 to 40 minutes."""
LEAST_RATIO = 2.0
"""The longest effort over the shortest that part critical power from W'."""
DAY_TO_DAY = 0.03
"""By how much the same person differs from day to day, relative (judgement)."""
COMFORT_SD = 0.1
"""How exactly a person says what is comfortable, relative (judgement)."""


class AllOut(NoteRecord):
    """The most work that could be done in a time, until nothing was left."""

    seconds: Positive = Field(description="how long it was held", examples=[180])
    watts: Positive | None = Field(
        default=None, description="mean power at the crank, where a meter says it", examples=[62]
    )
    kg: Positive | None = Field(
        default=None,
        description="mean pull at the handle by a luggage scale, or the weight that a drum lifts",
        examples=[4.2],
    )
    radius_m: Positive | None = Field(
        default=None, description="of the crank, or of the drum", examples=[0.17]
    )
    turns: Positive | None = Field(
        default=None, description="turns of the crank in that time", examples=[200]
    )

    @model_validator(mode="after")
    def _power(self) -> Self:
        three = (self.kg, self.radius_m, self.turns)
        if (self.watts is None) == any(one is None for one in three):
            raise ValueError("needs watts, or kg, radius_m and turns")
        return self

    @property
    def power_W(self) -> float:
        """Mean power, W."""
        if self.watts is not None:
            return self.watts
        work = (self.kg or 0.0) * STANDARD_GRAVITY * 2 * pi * (self.radius_m or 0.0)
        return work * (self.turns or 0.0) / self.seconds


class Comfort(NoteRecord):
    """A pull that stays comfortable, by a luggage scale at the handle."""

    kg: Positive = Field(description="that the scale shows", examples=[4.1])


class OperatorNote(PartNote):
    """A person as measured."""

    all_out: tuple[AllOut, ...] = Field(
        default=(), strict=False,
        description="all-out efforts of two or three lengths, each on a day of its own",
    )  # fmt: skip
    comfort: tuple[Comfort, ...] = Field(
        default=(), strict=False, description="pulls that stay comfortable"
    )
    cadence_rpm: tuple[Positive, ...] = Field(
        default=(), strict=False,
        description="turns a minute, counted now and then over a session", examples=[[58, 60, 55]],
    )  # fmt: skip


def measured_operator(
    identifier: str, note: OperatorNote, instruments: Mapping[str, Instrument]
) -> Measured:
    """The row of a person: `P = CP + W'/t` (Monod & Scherrer 1965) through all-out efforts."""
    lengths = sorted(one.seconds for one in note.all_out)
    if len(lengths) < 2 or lengths[-1] < LEAST_RATIO * lengths[0]:
        rule = (
            "too few readings: needs all-out efforts of two lengths, the longer at least "
            f"{LEAST_RATIO:g} times the shorter, such as 3 and 12 minutes"
        )
        raise NoteFault(("all_out",), rule, f"{len(lengths)} of them")
    for number, one in enumerate(note.all_out):
        if not SHORTEST_S <= one.seconds <= LONGEST_S:
            rule = f"must last {SHORTEST_S:g} to {LONGEST_S:g} s, for which the law holds"
            raise NoteFault(("all_out", number, "seconds"), rule, one.seconds)
    found, unknowns = _endurance(note, instruments)
    columns: dict[str, float | int | str] = dict(found.values)
    sds = found.relative_sd(unknowns)
    how = ["all-out efforts"]
    if note.comfort:
        newtons = [one.kg * STANDARD_GRAVITY for one in note.comfort]
        columns["comfort_force_N"] = sum(newtons) / len(newtons)
        sds["comfort_force_N"] = hypot(COMFORT_SD / sqrt(len(newtons)), instruments["kg"].gain_sd)
        how.append("comfortable pull by a scale")
    beside = {}
    if note.cadence_rpm:
        beside["cadence_rpm"] = sum(note.cadence_rpm) / len(note.cadence_rpm)
    return Measured(
        kind="operator", id=identifier, columns=columns | dict(note.given), relative_sd=sds,
        how=tuple(how), fits={"all_out": found}, beside=beside,
        doubts=doubts_of(found),
    )  # fmt: skip


def _endurance(
    note: OperatorNote, instruments: Mapping[str, Instrument]
) -> tuple[Fit, list[Unknown]]:
    efforts = sorted(note.all_out, key=lambda one: one.seconds)
    short, long = efforts[0], efforts[-1]
    reserve = (short.power_W - long.power_W) / (1 / short.seconds - 1 / long.seconds)
    if reserve <= 0:
        first, second = note.all_out.index(short), note.all_out.index(long)
        rule = (
            f"contradicts all_out[{second}]: {short.seconds:g} s at {short.power_W:.3g} W, yet "
            f"{long.seconds:g} s at {long.power_W:.3g} W"
        )
        raise NoteFault(("all_out", first), rule)
    critical = long.power_W - reserve / long.seconds
    if critical <= 0:
        first, second = note.all_out.index(short), note.all_out.index(long)
        rule = f"and all_out[{second}] leave no power that can be held for long: not both all out?"
        raise NoteFault(("all_out", first), rule)
    unknowns = [
        Unknown("critical_power_W", critical, logarithmic=False),
        Unknown("reserve_J", reserve, logarithmic=False),
    ]
    readings = []
    for number, one in enumerate(note.all_out):
        name = "watts" if one.watts is not None else "kg"
        meter = instruments[name]
        own = meter.scatter if one.watts is not None else meter.sd(one.kg or 1.0) / (one.kg or 1.0)
        sd = one.power_W * hypot(own, DAY_TO_DAY)
        readings.append(
            Observation(
                f"all_out[{number}]", "all_out", one.power_W, sd, partial(_power, one.seconds),
                (Gain(name, meter.gain_sd),),
            )
        )  # fmt: skip
    return fit(unknowns, readings), unknowns


def _power(seconds: float, values: Mapping[str, float]) -> float:
    return float(endurance_power(values["critical_power_W"], values["reserve_J"], seconds))
