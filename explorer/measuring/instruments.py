"""How far instruments may be off: standard uncertainties of readings, and the ranges of meters.

Limits of error as the sheets of hand-held instruments state them (common practice, no source). A
limit counts as a rectangular distribution, whose standard uncertainty is the limit over sqrt(3)
(JCGM 100, 4.3.7).
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot, sqrt
from typing import NamedTuple

from pydantic import Field

from explorer.inputs.records import Positive
from explorer.measuring.note_records import NoteRecord

RECTANGULAR = 1 / sqrt(3.0)


class Instrument(NamedTuple):
    """`gain`: limit of the error that all its readings share, relative. `scatter`: standard
    uncertainty of one reading by itself, relative. `floor`: its limit in the reading's unit, as of
    the last digit. `most`: the end of its range, None where no note says it."""

    about: str
    gain: float
    scatter: float
    floor: float
    most: float | None = None

    def sd(self, value: float) -> float:
        """Standard uncertainty of one reading by itself, in its unit."""
        return hypot(self.scatter * value, RECTANGULAR * self.floor) or 1e-12

    @property
    def gain_sd(self) -> float:
        """Standard uncertainty that its readings share, relative."""
        return RECTANGULAR * self.gain


INSTRUMENTS: Mapping[str, Instrument] = {
    "volts_ac": Instrument("voltmeter on AC", 0.015, 0.005, 0.005),
    "volts_dc": Instrument("voltmeter on DC", 0.008, 0.002, 0.002),
    "scope": Instrument("oscilloscope", 0.03, 0.01, 0.01),
    "amps": Instrument("ammeter", 0.015, 0.005, 0.002),
    "ohms": Instrument("ohmmeter", 0.01, 0.005, 0.02),
    "hertz": Instrument("frequency counter, or a recording", 0.001, 0.002, 0.0),
    "turns": Instrument("turns counted by eye", 0.0, 0.0, 0.25),
    "seconds": Instrument("stopwatch in the hand", 0.0, 0.0, 0.3),
    "rpm": Instrument("tachometer", 0.002, 0.005, 0.5),
    "kg": Instrument("kitchen or luggage scale", 0.02, 0.01, 0.005),
    "metres": Instrument("ruler", 0.0, 0.01, 0.001),
    "farads": Instrument("the known capacitor", 0.05, 0.0, 0.0),
    "watts": Instrument("power at the crank", 0.03, 0.03, 0.0),
}
"""What is taken where a note says nothing of an instrument."""


class InstrumentNote(NoteRecord):
    """What a sheet says of an instrument of yours."""

    percent: Positive | None = Field(
        default=None, description="limit of its error in percent of the reading", examples=[0.8]
    )
    floor: Positive | None = Field(
        default=None, description="limit of error in the reading's unit, as of its last digit",
        examples=[0.002],
    )  # fmt: skip
    most: Positive | None = Field(
        default=None, description="end of its range: it cannot have shown more", examples=[20]
    )

    def applied(self, usual: Instrument) -> Instrument:
        """The usual instrument with what the note says of it."""
        return usual._replace(
            gain=usual.gain if self.percent is None else self.percent / 100,
            floor=usual.floor if self.floor is None else self.floor,
            most=self.most,
        )
