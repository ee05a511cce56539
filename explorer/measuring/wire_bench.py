"""A lead's drop at a current becomes its row; a converter's points become its bench table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from math import hypot, sqrt

import numpy as np
from pydantic import Field

from explorer.inputs.catalogue import LEAST_BENCH_POINTS
from explorer.inputs.records import Positive
from explorer.measuring.fitting import Gain, Observation, Unknown, UnknownValues, fit
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import NoteFault, NoteRecord, PartNote
from explorer.measuring.results import CellValue, Measured, doubts_of
from explorer.physics.converter import fit_loss

MOST_EFFICIENCY = 0.99
"""More than that no converter of such a chain has (common practice)."""
LEAST_EFFICIENCY = 0.3
BAD_FIT = 0.03
"""Largest error of a fitted efficiency that goes unsaid."""


class DropReading(NoteRecord):
    """Volts along a wire at a current."""

    volts: Positive = Field(description="from end to end, at the contacts", examples=[0.055])
    amps: Positive = Field(description="through it", examples=[1.0])


class LeadNote(PartNote):
    """A lead as it was measured: of a generator's lead one conductor, of the 5 V lead both."""

    drop: tuple[DropReading, ...] = Field(
        default=(), strict=False,
        description="volts along one conductor (generator's lead), or along both together with "
        "their contacts (5 V lead), at a current",
    )  # fmt: skip


def measured_lead(
    identifier: str, note: LeadNote, instruments: Mapping[str, Instrument], kind: str
) -> Measured:
    """The row of a lead or of a 5 V lead: its resistance. NoteFault without a reading."""
    if not note.drop:
        raise NoteFault(("drop",), "too few readings: needs volts along it at a current")
    readings = []
    for number, one in enumerate(note.drop):
        ohm = one.volts / one.amps
        share = hypot(
            instruments["volts_dc"].sd(one.volts) / one.volts,
            instruments["amps"].sd(one.amps) / one.amps,
        )
        gains = (
            Gain("volts_dc", instruments["volts_dc"].gain_sd),
            Gain("amps", instruments["amps"].gain_sd, -1.0),
        )
        readings.append(Observation(f"drop[{number}]", "drop", ohm, share * ohm, _ohms, gains))
    unknowns = [Unknown("resistance_ohm", readings[0].value)]
    found = fit(unknowns, readings)
    return Measured(
        kind=kind, id=identifier, columns=dict(found.values) | dict(note.given),
        relative_sd=found.relative_sd(unknowns), how=("drop at a current",), fits={"drop": found},
        doubts=doubts_of(found),
    )  # fmt: skip


def _ohms(values: UnknownValues) -> float:
    return values["resistance_ohm"]


class PointReading(NoteRecord):
    """One point of a converter: what goes in and what comes out."""

    input_V: Positive = Field(description="at its input", examples=[8.0])
    input_A: Positive = Field(description="into it", examples=[0.72])
    output_V: Positive = Field(description="at its output", examples=[5.05])
    output_A: Positive = Field(description="out of it", examples=[1.0])


class ConverterNote(PartNote):
    """A converter as it was measured on a bench supply, into a resistor."""

    points: tuple[PointReading, ...] = Field(
        default=(), strict=False,
        description=f"{LEAST_BENCH_POINTS} points or more: low, middle and high input, small and "
        "large output",
    )  # fmt: skip


def measured_converter(
    identifier: str, note: ConverterNote, instruments: Mapping[str, Instrument]
) -> Measured:
    """The row of a converter and its points for the bench table; NoteFault for too few of them."""
    if len(note.points) < LEAST_BENCH_POINTS:
        rule = f"too few readings: needs {LEAST_BENCH_POINTS} points, for a loss of six terms"
        raise NoteFault(("points",), rule, len(note.points))
    shares = [_efficiency(number, one) for number, one in enumerate(note.points)]
    output = [one.output_V for one in note.points]
    output_V = float(np.mean(output))
    volts, amps = ([getattr(one, name) for one in note.points] for name in ("input_V", "output_A"))
    law = fit_loss(np.array(volts), np.array(amps), np.array(shares), output_V)
    sd = [_efficiency_sd(one, instruments) for one in note.points]
    doubts = []
    if law.fit_error_efficiency > BAD_FIT:
        doubts.append(
            f"the loss misses one of its points by {100 * law.fit_error_efficiency:.1f} points of "
            "efficiency: look for a reading that does not fit"
        )
    if max(output) / min(output) > 1.05:
        doubts.append(
            f"the output moves from {min(output):g} to {max(output):g} V: was it overloaded?"
        )
    points: tuple[dict[str, CellValue], ...] = tuple(
        {"converter": identifier, "input_V": one.input_V, "output_A": one.output_A,
         "efficiency": float(f"{share:.4g}")}
        for one, share in zip(note.points, shares, strict=True)
    )  # fmt: skip
    relative = _loss_sd(note.points, instruments)
    return Measured(
        kind="converter", id=identifier,
        columns={"output_V": float(f"{output_V:.4g}")} | dict(note.given),
        relative_sd={"output_V": hypot(instruments["volts_dc"].gain_sd,
                                       float(np.std(output)) / output_V / sqrt(len(output))),
                     **{name: relative for name in law._fields if name.startswith("loss_")}},
        how=("points on a bench supply",), doubts=tuple(doubts), points=points,
        beside={"efficiency_sd": float(np.median(sd)), "fit_error_W": law.fit_error_W,
                "fit_error_efficiency": law.fit_error_efficiency},
    )  # fmt: skip


def _efficiency(number: int, one: PointReading) -> float:
    share = one.output_V * one.output_A / (one.input_V * one.input_A)
    if not LEAST_EFFICIENCY <= share <= MOST_EFFICIENCY:
        rule = (
            f"gives out {share:.0%} of what goes in, possible are {LEAST_EFFICIENCY:.0%} to "
            f"{MOST_EFFICIENCY:.0%}: input and output swapped, or a slip by ten?"
        )
        where = f"{one.input_V * one.input_A:.3g} W in, {one.output_V * one.output_A:.3g} W out"
        raise NoteFault(("points", number), rule, where)
    return share


def _efficiency_sd(one: PointReading, instruments: Mapping[str, Instrument]) -> float:
    """Standard uncertainty of an efficiency: two ammeters, and two voltages by one voltmeter."""
    share = one.output_V * one.output_A / (one.input_V * one.input_A)
    parts = [
        instruments[name].sd(value) / value
        for name, value in (("volts_dc", one.input_V), ("volts_dc", one.output_V),
                            ("amps", one.input_A), ("amps", one.output_A))
    ]  # fmt: skip
    # Two ammeters of the same limit; with one for both, its error drops out.
    gain = sqrt(2.0) * instruments["amps"].gain_sd
    return share * sqrt(sum(p * p for p in parts) + gain * gain)


def _loss_sd(points: Sequence[PointReading], instruments: Mapping[str, Instrument]) -> float:
    """Relative standard uncertainty of the loss of all points together.

    A loss is the small difference of two powers, so what the two ammeters are off, one on either
    side, counts as often as these powers exceed it; the voltmeter is the same on both.
    """
    into = sum(one.input_V * one.input_A for one in points)
    out = sum(one.output_V * one.output_A for one in points)
    scatter_W = [
        watts
        * hypot(instruments["volts_dc"].sd(volts) / volts, instruments["amps"].sd(amps) / amps)
        for one in points
        for volts, amps, watts in (
            (one.input_V, one.input_A, one.input_V * one.input_A),
            (one.output_V, one.output_A, one.output_V * one.output_A),
        )
    ]
    shared_W = hypot(into, out) * instruments["amps"].gain_sd
    return hypot(hypot(shared_W, *scatter_W) / (into - out), instruments["volts_dc"].gain_sd)


measured_generator_lead = partial(measured_lead, kind="lead")
measured_pack_lead = partial(measured_lead, kind="pack_lead")
