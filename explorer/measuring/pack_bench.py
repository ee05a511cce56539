"""A pack's current while its input is lowered: which kind it is, and what it holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

from pydantic import Field

from explorer.inputs.pack_kinds import PACK_KINDS
from explorer.inputs.records import NonNegative, Positive
from explorer.measuring.class_values import EVEN
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import NoteFault, NoteRecord, PartNote
from explorer.measuring.results import Measured

TAPERED = (0.1, 0.85)
"""A current between these shares of the full one was lowered by the pack itself."""
HELD_WITHIN_V = 0.15
"""While it lowers its current, a pack that holds its input keeps it within so much."""


class SweepReading(NoteRecord):
    """Volts at the pack's input and its current."""

    volts: Positive = Field(description="at the pack's own input", examples=[4.6])
    amps: NonNegative = Field(description="that it takes", examples=[1.9])


class PackNote(PartNote):
    """A pack as it was measured, on a supply that is lowered step by step."""

    lowered: tuple[SweepReading, ...] = Field(
        default=(), strict=False,
        description="readings in the order taken, from 5 V down until it takes nothing, or next to "
        "it; in series with about half an ohm, as of a lead",
    )  # fmt: skip
    tries_again_s: Positive | None = Field(
        default=None,
        description="where it let go, waited and tried again by itself: seconds between two tries",
        examples=[8],
    )


def measured_pack(
    identifier: str, note: PackNote, instruments: Mapping[str, Instrument]
) -> Measured:
    """The row of a pack; NoteFault where the readings do not say how it behaves."""
    if len(note.lowered) < 3:
        rule = "too few readings: needs three or more, from 5 V down until it lets go"
        raise NoteFault(("lowered",), rule, len(note.lowered))
    full = _full_current(note.lowered)
    states = [_state(one.amps / full) for one in note.lowered]
    holds = states.count("tapered") >= 2
    waits = note.tries_again_s is not None
    if holds and waits:
        raise NoteFault(
            ("tries_again_s",), "contradicts readings of a current that falls step by step"
        )
    if not holds and "off" not in states:
        rule = "too few readings: lower the input until its current falls or stops"
        raise NoteFault(("lowered",), rule, f"{note.lowered[-1].volts:g} V at the end")
    kind = next(
        one for one in PACK_KINDS.values()
        if one.holds_input == holds and one.waits_to_connect == waits
    )  # fmt: skip
    hold_V, sd_V, doubts = _held(note.lowered, states) if holds else _let_go(note.lowered, states)
    meter = instruments["volts_dc"]
    on = [one.amps for one, state in zip(note.lowered, states, strict=True) if state == "full"]
    amps_sd = sqrt(instruments["amps"].gain_sd ** 2
                   + (instruments["amps"].sd(full) / full) ** 2 / len(on))  # fmt: skip
    columns: dict[str, float | int | str] = {
        "kind": kind.name, "current_A": full, "hold_V": hold_V,
        "retry_s": note.tries_again_s or 0.0,
    }  # fmt: skip
    sds = {"current_A": amps_sd, "hold_V": sqrt((sd_V / hold_V) ** 2 + meter.gain_sd**2)}
    if waits:
        sds["retry_s"] = instruments["seconds"].sd(0.0) / (note.tries_again_s or 1.0)
    return Measured(
        kind="pack", id=identifier, columns=columns | dict(note.given), relative_sd=sds,
        how=("current while the input was lowered",), doubts=doubts,
    )  # fmt: skip


def _full_current(readings: Sequence[SweepReading]) -> float:
    """What it takes when nothing holds it back, A: the mean of the readings near the largest."""
    most = max(one.amps for one in readings)
    if most <= 0:
        raise NoteFault(("lowered",), "must have a reading with a current, the pack takes nothing")
    near = [one.amps for one in readings if one.amps > TAPERED[1] * most]
    return sum(near) / len(near)


def _state(share: float) -> str:
    if share < TAPERED[0]:
        return "off"
    return "tapered" if share < TAPERED[1] else "full"


def _held(
    readings: Sequence[SweepReading], states: Sequence[str]
) -> tuple[float, float, tuple[str, ...]]:
    """Voltage that its input stays at while its current falls, its standard uncertainty, doubts."""
    volts = [one.volts for one, state in zip(readings, states, strict=True) if state == "tapered"]
    mean = sum(volts) / len(volts)
    sd = sqrt(sum((v - mean) ** 2 for v in volts) / (len(volts) - 1) / len(volts))
    doubts: tuple[str, ...] = ()
    if max(volts) - min(volts) > HELD_WITHIN_V:
        doubts = (
            f"its input moves from {max(volts):g} to {min(volts):g} V while its current falls: it "
            "does not hold it well",
        )
    return mean, sd, doubts


def _let_go(
    readings: Sequence[SweepReading], states: Sequence[str]
) -> tuple[float, float, tuple[str, ...]]:
    """Between which voltages it lets go: their middle, its standard uncertainty, doubts.

    A reading after it has let go stands at the supply's own voltage, so only the step that it let
    go in says something: between the last reading with a current and how far the supply went.
    """
    first_off = states.index("off")
    if first_off == 0:
        raise NoteFault(("lowered", 0), "must start with the pack drawing its current", "0 A")
    above, below = readings[first_off - 1].volts, readings[first_off].volts
    low = min(below, above - 0.02)
    width = above - low
    doubts = (f"it lets go somewhere between {low:g} and {above:g} V: take smaller steps there",)
    return 0.5 * (above + low), EVEN * width, doubts if width > 0.3 else ()
