"""A pack's current while its input is lowered: which kind it is, and what it holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, hypot, pi, sqrt
from typing import NamedTuple

from pydantic import Field
from scipy.optimize import brentq
from scipy.special import ndtr

from explorer.inputs.pack_kinds import PACK_KINDS
from explorer.inputs.records import NonNegative, Positive
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import NoteFault, NoteRecord, PartNote
from explorer.measuring.results import Measured
from explorer.measuring.spread_rows import COVERAGE

TAPERED = (0.1, 0.85)
"""A current between these shares of the full one was lowered by the pack itself."""
HELD_WITHIN_V = 0.15
"""While it lowers its current, a pack that holds its input keeps it within so much."""
HOLDS_SD_V = 0.01
"""Standard deviation of the input that a pack holds (judgement)."""
HELD_SD = 3.0
"""An input within so many standard deviations of the held one is held."""
LEAST_STEP_V = 0.02
"""A supply is lowered by no less."""


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
    near_full = _full_current(note.lowered)
    states = [_state(one.amps / near_full) for one in note.lowered]
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
    meter = instruments["volts_dc"]
    if holds:
        hold_V, sd_V, doubts = _held(note.lowered, states)
        hold_sd = hypot(sd_V / hold_V, meter.gain_sd)
        on = _above(note.lowered, states, hold_V + HELD_SD * hypot(meter.sd(hold_V), HOLDS_SD_V))
    else:
        found = _let_go(note.lowered, states)
        hold_V, doubts = 0.5 * (found.above_V + found.below_V), found.doubts
        normal_sd = hypot(meter.gain_sd, found.scatters * meter.sd(hold_V) / hold_V)
        width = (found.above_V - found.below_V) / hold_V
        hold_sd = even_and_normal_sd(0.5 * width, normal_sd)
        on = _above(note.lowered, states, 0.0)
    full = sum(on) / len(on)
    amps_sd = sqrt(instruments["amps"].gain_sd ** 2
                   + (instruments["amps"].sd(full) / full) ** 2 / len(on))  # fmt: skip
    columns: dict[str, float | int | str] = {
        "kind": kind.name, "current_A": full, "hold_V": hold_V,
        "retry_s": note.tries_again_s or 0.0,
    }  # fmt: skip
    sds = {"current_A": amps_sd, "hold_V": hold_sd}
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


def _above(readings: Sequence[SweepReading], states: Sequence[str], least_V: float) -> list[float]:
    """Currents that the pack takes where nothing holds it back, A: those of an input above a
    voltage. One at the held voltage is lowered already, though by less than shows by itself.
    """
    full = [one for one, state in zip(readings, states, strict=True) if state == "full"]
    free = [one.amps for one in full if one.volts > least_V]
    return free or [max(one.amps for one in full)]


def even_and_normal_sd(half_width: float, sd: float) -> float:
    """Half of the 95 % interval of an even and a normal error together, over 1.96: the standard
    deviation of a normal error with the same interval. Both in one unit, so is what comes out.

    An even error alone has 95 % within 0.95 of its half width, where 1.96 of its own standard
    deviations are 1.13 of it (JCGM 101, 5.3 and 7: the interval is that of the distribution).
    """
    if half_width < 0.01 * sd:
        return sd

    def outside(reach: float) -> float:
        far, near = (reach + half_width) / sd, (reach - half_width) / sd
        one_tail = (far * ndtr(-far) - _density(far)) - (near * ndtr(-near) - _density(near))
        return float(2 * one_tail * sd / (2 * half_width)) - 0.05

    return float(brentq(outside, 0.0, half_width + 6 * sd)) / COVERAGE


def _density(x: float) -> float:
    return exp(-0.5 * x * x) / sqrt(2 * pi)


class _LetGo(NamedTuple):
    """Between which voltages a pack lets go; by how many times the scatter of one reading their
    middle is uncertain; doubts."""

    above_V: float
    below_V: float
    scatters: float
    doubts: tuple[str, ...]


def _let_go(readings: Sequence[SweepReading], states: Sequence[str]) -> _LetGo:
    """Where it lets go: between the last reading with a current and how far the input went.

    A reading after it has let go stands at the supply's own voltage. Behind a series resistance
    that is higher than the reading before, and only the step before says how far the input would
    have fallen: the middle is then 1.5 times the one reading less half the one before.
    """
    first_off = states.index("off")
    if first_off == 0:
        raise NoteFault(("lowered", 0), "must start with the pack drawing its current", "0 A")
    above, below = readings[first_off - 1].volts, readings[first_off].volts
    scatters = sqrt(0.5)
    if below >= above:
        if first_off < 2:
            rule = "too few readings: needs two with its full current before it lets go"
            raise NoteFault(("lowered",), rule, first_off)
        below, scatters = 2 * above - readings[first_off - 2].volts, sqrt(1.5**2 + 0.5**2)
    low = min(below, above - LEAST_STEP_V)
    doubts = (f"it lets go somewhere between {low:g} and {above:g} V: take smaller steps there",)
    return _LetGo(above, low, scatters, doubts if above - low > 0.3 else ())
