"""What a note of a generator may hold: every way of measuring one, with the meaning of each key."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from explorer.inputs.front_parts import MachineKindName
from explorer.inputs.machine_kinds import MACHINE_KINDS
from explorer.inputs.records import NonNegative, Positive, described
from explorer.measuring.note_records import NoteRecord, PartNote, Turning

AcMeter = Literal["true_rms", "average", "peak", "peak_to_peak"]
Meter = Literal["true_rms", "average", "peak", "peak_to_peak", "rectified"]
Diodes = Literal["schottky", "silicon", "active"]


class OpenReading(Turning):
    """Volts at the open leads while the shaft turns."""

    volts: Positive = Field(
        description="between two leads, of a two-phase machine at one winding", examples=[4.6]
    )
    meter: Meter = Field(
        default="true_rms",
        description="what the volts are: `true_rms`, `average` (a meter that averages and is "
        "marked in rms of a sine), `peak`, `peak_to_peak` (both of an oscilloscope), or "
        "`rectified` (the mean behind an open bridge by a DC meter; of a brushed machine its "
        "DC volts)",
        examples=["true_rms"],
    )
    smoothed: bool = Field(
        default=False,
        description="true where a capacitor behind the open bridge holds the peak",
        examples=[False],
    )
    drop_volts: NonNegative = Field(
        default=0.0,
        description="of all diodes in the path at the meter's current, with `rectified`",
        examples=[0.2],
    )


class ResistanceReading(NoteRecord):
    """Resistance between two leads at rest: volts at a known current, or an ohmmeter."""

    volts: Positive | None = Field(
        default=None, description="between two leads, measured at the leads", examples=[0.62]
    )
    amps: Positive | None = Field(default=None, description="through them", examples=[1.0])
    ohms: Positive | None = Field(
        default=None, description="by an ohmmeter, in place of volts and amps", examples=[0.62]
    )
    test_lead_ohms: NonNegative = Field(
        default=0.0,
        description="of the ohmmeter's own leads held together, taken off",
        examples=[0.2],
    )
    pair: str = Field(default="", description="which pair of leads", examples=["ab"])


class LoadReading(Turning):
    """Volts and amps into a load at a counted speed: behind the bridge, or at two leads."""

    volts: Positive = Field(description="across the load", examples=[9.4])
    amps: Positive | None = Field(default=None, description="through it", examples=[1.2])
    ohms: Positive | None = Field(
        default=None, description="of a known load, in place of amps", examples=[8.0]
    )
    meter: Meter = Field(
        default="rectified",
        description="`rectified`: DC behind the bridge, of a brushed machine at its terminals; "
        "else a resistor across two leads, read by such a meter",
        examples=["rectified"],
    )
    diodes: Diodes = Field(
        default="schottky", description="class of the bridge's diodes", examples=["schottky"]
    )


class DragReading(NoteRecord):
    """A weight on a thread over a disc or arm that just keeps the open machine turning."""

    kg: Positive = Field(description="mass that just keeps it turning", examples=[0.5])
    radius_m: Positive = Field(description="from the axle to the thread", examples=[0.08])
    rpm: NonNegative = Field(default=0.0, description="turns a minute meanwhile", examples=[6])


class SpinDown(NoteRecord):
    """How long the open machine takes from one speed to a lower one, nobody driving it."""

    from_rpm: Positive = Field(description="speed at the start", examples=[300])
    to_rpm: NonNegative = Field(description="speed at the end", examples=[60])
    seconds: Positive = Field(description="in between", examples=[2.4])
    inertia_kg_m2: Positive | None = Field(
        default=None, description="of all that turns, where it is known", examples=[0.01]
    )
    added_kg_m2: NonNegative = Field(
        default=0.0,
        description="of a body fixed to the shaft for this run, such as a ring of known mass: "
        "m r^2; with a run without it, no inertia need be known",
        examples=[0.004],
    )


class MotorRun(Turning):
    """A brushed machine run as a motor on a supply, its shaft free."""

    volts: Positive = Field(description="at its terminals", examples=[6.0])
    amps: Positive = Field(description="that it takes", examples=[0.29])
    free: bool = Field(
        default=True,
        description="whether its shaft turns nothing else: then its current also says its drag",
        examples=[True],
    )


class Ringing(NoteRecord):
    """A known capacitor across two leads, charged or pulsed, and the frequency that it rings at."""

    hertz: Positive = Field(description="of the ringing, the shaft at rest", examples=[1600])
    farads: Positive = Field(description="of the capacitor", examples=[1e-5])


class ShortCircuit(Turning):
    """Current of one lead with all leads joined, while the shaft turns."""

    amps: Positive = Field(
        description="true rms in one lead; of a brushed machine DC", examples=[6]
    )


class GeneratorNote(PartNote):
    """A generator as it was measured."""

    machine: MachineKindName = Field(
        alias="class", description=described(MACHINE_KINDS), examples=["three_phase"]
    )
    cycles_per_turn: Annotated[int, Field(ge=1)] | None = Field(
        default=None,
        description="electrical cycles in a turn of the shaft, that is pole pairs",
        examples=[7],
    )
    magnets: Annotated[int, Field(ge=2, multiple_of=2)] | None = Field(
        default=None,
        description="poles of the rotor, twice the cycles; in place of those",
        examples=[14],
    )
    at_C: Annotated[float, Field(ge=-40, le=150)] | None = Field(
        default=None, description="winding's temperature while it was measured", examples=[20]
    )
    open: tuple[OpenReading, ...] = Field(
        default=(), strict=False, description="volts at the open leads at counted turns"
    )
    resistance: tuple[ResistanceReading, ...] = Field(
        default=(), strict=False, description="between each pair of leads"
    )
    loads: tuple[LoadReading, ...] = Field(
        default=(), strict=False, description="two or more loads at counted turns"
    )
    drag: tuple[DragReading, ...] = Field(
        default=(), strict=False, description="weights that just keep it turning, slowly and faster"
    )
    spin_down: tuple[SpinDown, ...] = Field(
        default=(), strict=False, description="runs with nobody driving"
    )
    as_motor: tuple[MotorRun, ...] = Field(
        default=(), strict=False, description="runs as a motor, brushed machines only"
    )
    ringing: tuple[Ringing, ...] = Field(
        default=(), strict=False, description="inductance by ringing with a known capacitor"
    )
    short_circuit: tuple[ShortCircuit, ...] = Field(
        default=(), strict=False, description="inductance by short-circuit current at speed"
    )
