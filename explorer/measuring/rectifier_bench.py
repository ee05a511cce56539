"""A diode's or a valve's forward drops at some currents become its row."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from math import hypot
from typing import Literal

import numpy as np
from pydantic import Field

from explorer.inputs.records import Positive
from explorer.measuring.class_values import class_spread
from explorer.measuring.fitting import Fit, Gain, Observation, Unknown, UnknownValues, fit
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import NoteFault, NoteRecord, PartNote
from explorer.measuring.results import Measured, doubts_of
from explorer.physics.valve import forward_drop

LEAST_CURRENTS_RATIO = 3.0
"""Highest over lowest current that forward drops of a diode need, to part slope from resistance."""
CLASS_OHM = 0.045
CLASS_OHM_SD = 0.7
"""Series resistance of a diode of some amperes, and its logarithmic uncertainty (judgement)."""


class DiodeClass(NoteRecord):
    """What junctions of a class have: nVt and its relative spread, and drops that are usual."""

    emission_V: float
    emission_sd: float
    least_V: float
    most_V: float


DIODE_CLASSES: Mapping[str, DiodeClass] = {
    "schottky": DiodeClass(emission_V=0.030, emission_sd=0.1, least_V=0.1, most_V=1.0),
    "silicon": DiodeClass(emission_V=0.046, emission_sd=0.15, least_V=0.4, most_V=1.4),
}
"""nVt of 1.0 to 1.4 times 25.7 mV of Schottky diodes, 1.5 to 2.1 times of junctions, and forward
drops between milliamperes and some amperes (class values, from memory)."""


class ForwardReading(NoteRecord):
    """Forward drop of one valve at a current."""

    volts: Positive = Field(description="across one valve, forwards", examples=[0.36])
    amps: Positive = Field(description="through it", examples=[0.5])


class LeakReading(NoteRecord):
    """Reverse current of one valve at a voltage."""

    volts: Positive = Field(description="across it, backwards", examples=[12])
    amps: Positive = Field(description="through it", examples=[5e-5])


class RectifierNote(PartNote):
    """A diode or an active valve as it was measured."""

    kind: Literal["schottky", "silicon", "active"] = Field(
        description="`schottky`, `silicon` or `active`", examples=["schottky"]
    )
    forward: tuple[ForwardReading, ...] = Field(
        default=(), strict=False, description="forward drops at two or three currents, the highest "
        "ten times the lowest, each read within a second or two: a warm diode drops less",
    )  # fmt: skip
    reverse: tuple[LeakReading, ...] = Field(
        default=(),
        strict=False,
        description="reverse current at the bus voltage, where it is known",
    )


def measured_rectifier(
    identifier: str, note: RectifierNote, instruments: Mapping[str, Instrument]
) -> Measured:
    """The row of a diode: saturation current, nVt and series resistance of `physics.valve`.

    NoteFault where the currents are too few or too alike.
    """
    active = note.kind == "active"
    currents = sorted({one.amps for one in note.forward})
    need = 1 if active else 2
    if len(currents) < need:
        rule = f"too few readings: needs forward drops at {need} currents or more"
        raise NoteFault(("forward",), rule, len(currents))
    if not active and currents[-1] < LEAST_CURRENTS_RATIO * currents[0]:
        rule = f"must span a factor of {LEAST_CURRENTS_RATIO:g} in current or more"
        raise NoteFault(("forward",), rule, f"{currents[0]:g} to {currents[-1]:g} A")
    unknowns, law = _ohmic(note) if active else _junction(note)
    readings = list(_observations(note, instruments, law, {u.name: u.start for u in unknowns}))
    found = fit(unknowns, readings)
    columns: dict[str, float | int | str] = {
        "kind": note.kind, **found.values, "measured_to_A": _highest(note, found),
    }  # fmt: skip
    if active:
        columns |= {"saturation_A": 0.0, "emission_V": 0.0}
    sds = found.relative_sd(unknowns)
    for one in note.reverse[-1:]:
        columns["leakage_A"] = one.amps
        sds["leakage_A"] = instruments["amps"].gain_sd
    assumed = {}
    if not active and len(currents) < 3:
        assumed["resistance_ohm"] = "two currents do not part it from the slope: mostly its class's"
    return Measured(
        kind="rectifier", id=identifier, columns=columns | dict(note.given), relative_sd=sds,
        how=("forward drops",), fits={"forward": found}, assumed=assumed,
        doubts=(*doubts_of(found), *_plausible(note)),
    )  # fmt: skip


def _highest(note: RectifierNote, found: Fit) -> float:
    """The highest current whose drop the fit rests on, A."""
    return max(
        one.amps for number, one in enumerate(note.forward)
        if f"forward[{number}]" not in found.dropped
    )  # fmt: skip


def _ohmic(note: RectifierNote) -> tuple[list[Unknown], partial[float]]:
    one = note.forward[-1]
    return [Unknown("resistance_ohm", one.volts / one.amps)], partial(_drop, True)


def _junction(note: RectifierNote) -> tuple[list[Unknown], partial[float]]:
    usual = DIODE_CLASSES[note.kind]
    middle = sorted(note.forward, key=lambda one: one.amps)[0]
    # Logarithms: saturation current and slope then trade places along a straight line.
    over = np.clip((middle.volts - CLASS_OHM * middle.amps) / usual.emission_V, 1.0, 60.0)
    start = float(middle.amps / np.expm1(over))
    ohm_sd = max(CLASS_OHM_SD, class_spread("rectifier", "resistance_ohm"))
    return [
        Unknown("saturation_A", start),
        Unknown("emission_V", usual.emission_V, expected_sd=usual.emission_sd),
        Unknown("resistance_ohm", CLASS_OHM, expected_sd=ohm_sd),
    ], partial(_drop, False)


def _drop(ohmic: bool, amps: float, values: UnknownValues) -> float:
    linear = values["resistance_ohm"] * amps
    if ohmic:
        return linear
    return linear + float(forward_drop(amps, values["saturation_A"], values["emission_V"]))


def _observations(
    note: RectifierNote,
    instruments: Mapping[str, Instrument],
    law: partial[float],
    start: UnknownValues,
) -> list[Observation]:
    readings = []
    for number, one in enumerate(note.forward):
        by_amps = (law(1.001 * one.amps, start) - law(one.amps, start)) / 0.001 / one.volts
        amps = instruments["amps"].sd(one.amps) / one.amps * by_amps * one.volts
        gains = (
            Gain("volts_dc", instruments["volts_dc"].gain_sd),
            Gain("amps", instruments["amps"].gain_sd, -by_amps),
        )
        sd = hypot(instruments["volts_dc"].sd(one.volts), amps)
        readings.append(
            Observation(
                f"forward[{number}]", "forward", one.volts, sd, partial(law, one.amps), gains
            )
        )
    return readings


def _plausible(note: RectifierNote) -> tuple[str, ...]:
    usual = DIODE_CLASSES.get(note.kind)
    if usual is None:
        return ()
    return tuple(
        f"forward[{number}]: {one.volts:g} V is no usual drop of a {note.kind} diode "
        f"({usual.least_V:g} to {usual.most_V:g} V): two diodes in a row, or another class?"
        for number, one in enumerate(note.forward)
        if not usual.least_V <= one.volts <= usual.most_V
    )
