"""A cell's discharge at constant current and its self-discharge become its row.

IEC 62391-1: hold half an hour at the rated voltage, discharge at constant current;
`C = I t/(U1 - U2)` between U1 = 80 % and U2 = 40 % of it, and the series resistance from the drop
that the line through those readings has at the start of the discharge.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from itertools import pairwise
from math import log, sqrt
from typing import Literal

from pydantic import Field

from explorer.inputs.records import Positive
from explorer.measuring.fitting import Fit, Gain, Observation, Unknown, UnknownValues, fit
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import NoteFault, NoteRecord, PartNote
from explorer.measuring.results import Measured, doubts_of

UPPER, LOWER = 0.8, 0.4
"""Shares of the rated voltage between which the standard takes the line."""
EDGE = 0.02
"""A reading counts as at an end of that range when so near, of the rated voltage."""
RESOLVED_V = 0.004
"""Limit of error of one reading of a falling voltage at a moment, V."""
HALF_WIDTH = sqrt(3.0)
"""Half width of an even distribution over its standard deviation."""


class DischargeReading(NoteRecord):
    """Voltage at a moment of a discharge."""

    seconds: float = Field(ge=0, description="since the current was switched on", examples=[20])
    volts: Positive = Field(description="at the cell's own terminals", examples=[1.7])


class Discharge(NoteRecord):
    """One piece discharged at constant current from its rated voltage."""

    amps: Positive = Field(description="constant current", examples=[0.5])
    held_V: Positive = Field(
        description="voltage that it was held at until the start, half an hour long", examples=[2.7]
    )
    piece: str = Field(default="", description="which piece of the batch", examples=["a"])
    readings: tuple[DischargeReading, ...] = Field(
        strict=False, min_length=1,
        description="at least two between 80 and 40 % of the rated voltage",
    )  # fmt: skip


class SelfDischarge(NoteRecord):
    """A cell left to itself, full and balanced."""

    before_V: Positive = Field(description="at the start", examples=[2.6])
    after_V: Positive = Field(description="at the end", examples=[2.4])
    hours: Positive = Field(description="in between", examples=[24])


class CellNote(PartNote):
    """A cell as it was measured."""

    kind: Literal["supercapacitor", "electrolytic"] = Field(
        default="supercapacitor", description="`supercapacitor` or `electrolytic`",
        examples=["supercapacitor"],
    )  # fmt: skip
    rated_V: Positive = Field(description="as printed on it", examples=[2.7])
    discharge: tuple[Discharge, ...] = Field(
        default=(), strict=False,
        description="constant-current discharges, of one piece or of several of a batch",
    )  # fmt: skip
    self_discharge: tuple[SelfDischarge, ...] = Field(
        default=(), strict=False, description="volts before and after some hours alone"
    )


def measured_cell(
    identifier: str, note: CellNote, instruments: Mapping[str, Instrument]
) -> Measured:
    """The row of a cell: the mean of its pieces, and how far pieces differ where several are there.

    NoteFault where readings between 80 and 40 % are missing.
    """
    if not note.discharge:
        raise NoteFault((), "too few readings: needs a discharge at constant current")
    fits = {
        f"discharge[{number}]": _discharged(number, one, note.rated_V, instruments)
        for number, one in enumerate(note.discharge)
    }
    farads = [one.values["capacitance_F"] for one in fits.values()]
    mean = sum(farads) / len(farads)
    ohms = [one.values["esr_ohm"] for one in fits.values()]
    columns: dict[str, float | int | str] = {
        "kind": note.kind,
        "capacitance_F": mean,
        "esr_ohm": max(sum(ohms) / len(ohms), 0.0),
        "voltage_V": note.rated_V,
    }
    # All were measured with the same instruments: their errors do not average out.
    sds = {
        "capacitance_F": max(one.sd["capacitance_F"] for one in fits.values()),
        "esr_ohm": max(one.sd["esr_ohm"] for one in fits.values()) / max(mean_of(ohms), 1e-9),
    }
    doubts = [words for one in fits.values() for words in doubts_of(one)]
    if len({one.piece for one in note.discharge}) >= 3:
        columns["piece_spread"] = _half_width(farads)
    if note.self_discharge:
        leaks = [_leakage(i, one, mean, note.rated_V) for i, one in enumerate(note.self_discharge)]
        columns["leakage_A"] = mean_of(leaks)
        volt = instruments["volts_dc"].sd(note.rated_V)
        fallen = min(one.before_V - one.after_V for one in note.self_discharge)
        sds["leakage_A"] = sds["capacitance_F"] + sqrt(2.0) * volt / fallen
    if mean_of(ohms) < 2 * sds["esr_ohm"] * abs(mean_of(ohms)):
        doubts.append(
            "series resistance is lost in the doubt about the start: time it better, by a logger"
        )
    how = ("discharge at constant current after IEC 62391-1",)
    return Measured(
        kind="cell", id=identifier, columns=columns | dict(note.given), relative_sd=sds,
        how=(*how, "self-discharge") if note.self_discharge else how, fits=fits,
        doubts=tuple(doubts),
    )  # fmt: skip


def mean_of(values: Sequence[float]) -> float:
    """Arithmetic mean."""
    return sum(values) / len(values)


def _discharged(
    number: int, one: Discharge, rated_V: float, instruments: Mapping[str, Instrument]
) -> Fit:
    """Capacitance and series resistance of one discharge."""
    high, low = (UPPER + EDGE) * rated_V, (LOWER - EDGE) * rated_V
    inside = [
        (i, reading) for i, reading in enumerate(one.readings) if low <= reading.volts <= high
    ]
    keys = ("discharge", number)
    if len(inside) < 2:
        rule = (
            f"too few readings: needs two between {UPPER:.0%} and {LOWER:.0%} of the rated "
            f"voltage, that is {UPPER * rated_V:.3g} and {LOWER * rated_V:.3g} V"
        )
        raise NoteFault((*keys, "readings"), rule, len(inside))
    for (_, before), (i, after) in pairwise(inside):
        if after.seconds <= before.seconds or after.volts >= before.volts:
            rule = f"must fall with time, {before.volts:g} V stood at {before.seconds:g} s"
            raise NoteFault((*keys, "readings", i), rule, f"{after.volts:g} V")
    if one.held_V > 1.05 * rated_V:
        rule = f"must be at most the rated voltage {rated_V:g} V: a cell vents beyond it"
        raise NoteFault((*keys, "held_V"), rule, one.held_V)
    first, last = inside[0][1], inside[-1][1]
    farad = one.amps * (last.seconds - first.seconds) / (first.volts - last.volts)
    at_start = first.volts + one.amps * first.seconds / farad
    unknowns = [
        Unknown("capacitance_F", farad),
        Unknown("esr_ohm", (one.held_V - at_start) / one.amps, logarithmic=False),
    ]
    volts, amps = instruments["volts_dc"], instruments["amps"]
    clock = instruments["seconds"].sd(0.0)
    readings = []
    for i, reading in inside:
        sd = sqrt(volts.sd(reading.volts) ** 2 + (clock * one.amps / farad) ** 2
                  + RESOLVED_V**2 / 3)  # fmt: skip
        by_amps = -(one.held_V - reading.volts) / reading.volts
        readings.append(
            Observation(
                f"discharge[{number}].readings[{i}]", "discharge", reading.volts, sd,
                partial(_falling, one, reading.seconds),
                # The held voltage was read by the same meter: its gain moves both alike.
                (Gain("volts_dc", volts.gain_sd, 1 - one.held_V / reading.volts),
                 Gain("amps", amps.gain_sd, -by_amps)),
            )
        )  # fmt: skip
    return fit(unknowns, readings)


def _falling(one: Discharge, seconds: float, values: UnknownValues) -> float:
    drop = one.amps * (values["esr_ohm"] + seconds / values["capacitance_F"])
    return one.held_V - drop


def _half_width(farads: Sequence[float]) -> float:
    """Half width, relative, of an even spread that has the standard deviation of some pieces."""
    mean = mean_of(farads)
    square = sum((one - mean) ** 2 for one in farads) / (len(farads) - 1)
    return float(f"{max(HALF_WIDTH * sqrt(square) / mean, 1e-4):.3g}")


def _leakage(number: int, one: SelfDischarge, farad: float, rated_V: float) -> float:
    """Leakage at rated voltage, A: the bank's law takes it as proportional to voltage."""
    if one.after_V >= one.before_V:
        rule = f"must be below before_V {one.before_V:g}: a cell left alone only loses"
        raise NoteFault(("self_discharge", number, "after_V"), rule, one.after_V)
    return farad * log(one.before_V / one.after_V) / (one.hours * 3600.0) * rated_V
