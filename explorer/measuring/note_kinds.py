"""The kinds of note that a person may take at the bench: one row a kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from explorer.inputs.machine_kinds import MACHINE_KINDS
from explorer.measuring.cell_bench import CellNote, measured_cell
from explorer.measuring.generator_fit import measured_generator
from explorer.measuring.generator_note import GeneratorNote
from explorer.measuring.hand_bench import OperatorNote, measured_operator
from explorer.measuring.note_records import PartNote
from explorer.measuring.pack_bench import PackNote, measured_pack
from explorer.measuring.rectifier_bench import RectifierNote, measured_rectifier
from explorer.measuring.results import Measured
from explorer.measuring.wire_bench import (
    ConverterNote,
    LeadNote,
    measured_converter,
    measured_generator_lead,
    measured_pack_lead,
)

LOCAL_CODES = "Follow local codes, and ask a qualified person where you are unsure."


@dataclass(frozen=True)
class NoteKind:
    """One kind of note, under the name of its row's kind in `inputs.catalogue.MODELS`.

    `measured` takes id, note and instruments. `steps`: what to do, in which order. `cautions`: how
    it can hurt. `example`: lines of a note that reads, below its heading.
    """

    name: str
    about: str
    note: type[PartNote]
    measured: Callable[..., Measured]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    example: tuple[str, ...]


_GENERATOR_STEPS = (
    "Nothing connected. Measure ohms between every pair of leads, better volts at a known current "
    "of about an ampere; note the temperature of the room. Pairs agree within 1 %.",
    "Turn the shaft evenly with a drill, count turns and seconds, and read the volts between two "
    "open leads. Say what the meter shows: true rms, average, peak, peak to peak, or DC behind a "
    "bridge. Twice, at two speeds.",
    "Count the cycles in a turn: magnets over two, or the reading's hertz over its turns a second.",
    "Hang a weight on a thread over a disc on the shaft: what just keeps it turning slowly, and "
    "what keeps it turning fast.",
    "Put the leads on the bridge, a resistor behind it, and read volts and amps at two loads or "
    "more, turns counted. Keep each short: the winding warms.",
    "Ring the inductance: a known capacitor across two leads, a short pulse, and the frequency, at "
    "several places of the rotor. Or all leads joined, the current of one at a counted speed.",
    "A brushed machine: run it on a supply, shaft free, at three voltages or more.",
)
_GENERATOR_CAUTIONS = (
    "Open leads of a machine that is turned fast carry its full voltage: stay below 60 V DC or "
    "25 V AC, less in the wet, and touch no bare lead.",
    "Guard drill, disc and thread: hair, sleeves and gloves are pulled in. Wear eye protection.",
    "Resistors and the winding get hot. A drill that jams turns the machine: clamp it.",
    LOCAL_CODES,
)

NOTE_KINDS: Mapping[str, NoteKind] = {
    one.name: one
    for one in (
        NoteKind(
            "generator", "a machine that the crank turns", GeneratorNote, measured_generator,
            _GENERATOR_STEPS, _GENERATOR_CAUTIONS,
            (
                'class = "three_phase"',
                "cycles_per_turn = 7                                    # or magnets = 14",
                'open = [ { volts = 4.6, meter = "true_rms", turns = 60, seconds = 20 } ]',
                'resistance = [ { volts = 0.62, amps = 1.0, pair = "ab" } ]',
                "drag = [ { kg = 0.5, radius_m = 0.08, rpm = 6 }, "
                "{ kg = 0.6, radius_m = 0.08, rpm = 120 } ]",
                "given = { mass_kg = 2.3, current_limit_A = 10, speed_limit_rpm = 600 }",
            ),
        ),
        NoteKind(
            "rectifier", "one diode or one active valve", RectifierNote, measured_rectifier,
            (
                "Send a known current through one diode, forwards, and read the volts at its legs.",
                "Three currents, the highest ten times the lowest, such as 0.1, 0.5 and 2 A; each "
                "within a second or two, since a warm diode drops less.",
                "What it blocks and bears is on its sheet: put it under given, or name a row of "
                "its class with like.",
            ),
            ("A diode at some amperes burns fingers. Limit the supply's current.", LOCAL_CODES),
            (
                'kind = "schottky"',
                "forward = [ { volts = 0.290, amps = 0.1 }, { volts = 0.368, amps = 0.5 }, "
                "{ volts = 0.578, amps = 3.0 } ]",
                'like = "schottky_3a"',
            ),
        ),
        NoteKind(
            "cell", "one capacitor of the bank", CellNote, measured_cell,
            (
                "Charge the cell to its rated voltage with the current limited, and hold it for "
                "half an hour (IEC 62391-1).",
                "Discharge it at constant current, and read its own terminals between 80 and 40 % "
                "of the rated voltage: about a minute in all. Its series resistance comes out only "
                "if the start is timed well: with a logger, whose clock you name below, as "
                "[instruments.seconds] with floor = 0.02.",
                "Charge it again, leave it alone for a day, and read it before and after.",
                "Three pieces or more of a batch say how far pieces differ.",
            ),
            (
                "A charged cell welds and burns when shorted: take off rings, discharge it through "
                "a resistor, never by a wire. Fuse it.",
                "Never above the rated voltage, never backwards: it vents. Wear eye protection.",
                LOCAL_CODES,
            ),
            (
                "rated_V = 2.7",
                "discharge = [ { amps = 0.5, held_V = 2.7, readings = [ { seconds = 29, volts = "
                "2.1 }, { seconds = 54, volts = 1.6 }, { seconds = 79, volts = 1.1 } ] } ]",
                "self_discharge = [ { before_V = 2.60, after_V = 2.52, hours = 24 } ]",
                'like = "cell_25f"',
            ),
        ),
        NoteKind(
            "converter", "a buck-boost converter on a supply", ConverterNote, measured_converter,
            (
                "Set its output on a bench supply, a resistor behind it, no pack.",
                "Read volts and amps at input and output: low, middle and high input, small and "
                "large output, six points or more, within its own limits.",
                "Its limits of input are on its sheet: put them under given, or name a row of its "
                "class with like.",
            ),
            (
                "Below its least input a converter's output can rise: no pack on it until the "
                "whole chain was tried on a resistor.",
                "Load resistors get hot.",
                LOCAL_CODES,
            ),
            (
                "points = [",
                "    { input_V = 4.5, input_A = 0.62, output_V = 5.05, output_A = 0.5 },",
                "    { input_V = 4.5, input_A = 2.10, output_V = 5.03, output_A = 1.5 },",
                "    { input_V = 7.0, input_A = 0.40, output_V = 5.05, output_A = 0.5 },",
                "    { input_V = 7.0, input_A = 1.26, output_V = 5.04, output_A = 1.5 },",
                "    { input_V = 11.0, input_A = 0.26, output_V = 5.05, output_A = 0.5 },",
                "    { input_V = 11.0, input_A = 0.79, output_V = 5.04, output_A = 1.5 },",
                "]",
                'like = "buckboost_wide"',
            ),
        ),
        *(
            NoteKind(
                name, about, LeadNote, measured,
                (f"Send a known current through {what}, and read the volts from end to end.",),
                ("A thin lead at its limit gets hot.", LOCAL_CODES),
                ("drop = [ { volts = 0.055, amps = 1.0 } ]", f'like = "{like}"'),
            )
            for name, about, measured, what, like in (
                ("lead", "one conductor between generator and rectifier",
                 measured_generator_lead, "one conductor", "lead_plain"),
                ("pack_lead", "the 5 V lead, both conductors", measured_pack_lead,
                 "both conductors and their contacts", "usb_lead_short"),
            )
        ),
        NoteKind(
            "pack", "what is charged", PackNote, measured_pack,
            (
                "Feed the pack from a supply through its lead, half charged, and read volts at its "
                "own input and amps.",
                "Lower the supply from 5 V in small steps and read on, until it takes nothing.",
                "Note whether it lowers its current step by step, lets go, or lets go and tries "
                "again by itself, after how many seconds.",
            ),
            (
                "Protected packs only, never below freezing, never unattended.",
                "Never above the pack's absolute maximum input.",
                LOCAL_CODES,
            ),
            (
                "lowered = [ { volts = 5.0, amps = 2.0 }, { volts = 4.6, amps = 2.0 }, "
                "{ volts = 4.42, amps = 1.2 }, { volts = 4.41, amps = 0.5 } ]",
                "given = { capacity_Wh = 19, input_max_V = 5.5 }",
            ),
        ),
        NoteKind(
            "operator", "who turns the crank", OperatorNote, measured_operator,
            (
                "Warm up. Turn as hard as can be held for about three minutes; note mean pull at "
                "the handle by a luggage scale, radius, turns and seconds.",
                "On another day the same for about ten or twelve minutes; a third length in "
                "between shows slips.",
                "Pull the scale as hard as stays comfortable for a session, a few times.",
                "Count turns of a minute now and then during a usual session.",
            ),
            (
                "All-out efforts are for healthy, rested people; ask a physician first in case of "
                "doubt, stop with pain, dizziness or a tight chest. Never alone.",
                "Guard gears and crank: a crank can kick back.",
                LOCAL_CODES,
            ),
            (
                "all_out = [ { watts = 62, seconds = 180 }, { watts = 50, seconds = 720 } ]",
                "comfort = [ { kg = 4.1 }, { kg = 4.3 } ]",
                'like = "adult_one_arm"',
            ),
        ),
    )
}  # fmt: skip
"""Kinds of notes by name."""

ALIASES: Mapping[str, str] = {**dict.fromkeys(MACHINE_KINDS, "generator"), "hand": "operator"}
"""Other names that a person may ask for an empty note by."""


def note_schema() -> dict[str, Any]:
    """JSON Schema of a notes file: every kind of note by id, the day, and the instruments."""
    from explorer.inputs.schemas import DIALECT, tidy
    from explorer.measuring.instruments import INSTRUMENTS, InstrumentNote

    definitions: dict[str, Any] = {}
    sections: dict[str, Any] = {
        "dated": {
            "description": "The day of the readings; without it, today.",
            "examples": ["2026-11-25"],
            "type": "string",
            "format": "date",
        }
    }
    for kind in NOTE_KINDS.values():
        one = kind.note.model_json_schema(ref_template="#/$defs/{model}")
        definitions |= one.pop("$defs", {})
        sections[kind.name] = {
            "type": "object",
            "description": f"Notes of {kind.about}, by id: [{kind.name}.my_{kind.name}].",
            "propertyNames": {"pattern": "^[a-z][a-z0-9_]{0,47}$"},
            "additionalProperties": tidy(one),
        }
    instrument = InstrumentNote.model_json_schema()
    sections["instruments"] = {
        "type": "object",
        "description": "What sheets of your own instruments say.",
        "properties": {
            name: {**tidy(instrument), "description": f"Of the {one.about}."}
            for name, one in INSTRUMENTS.items()
        },
        "additionalProperties": False,
    }
    return {
        "$schema": DIALECT,
        "title": "Notes from the bench for genchain",
        "type": "object",
        "description": "Readings as they were taken, by kind and id.",
        "properties": sections,
        "additionalProperties": False,
        "$defs": {name: tidy(one) for name, one in definitions.items()},
    }
