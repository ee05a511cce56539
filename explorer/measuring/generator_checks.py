"""Whether a generator's note makes sense before it is fitted, and how its leads differ"""

from __future__ import annotations

import numpy as np

from explorer.inputs.machine_kinds import MACHINE_KINDS
from explorer.measuring.generator_note import GeneratorNote
from explorer.measuring.note_records import NoteFault

PAIRS_APART = 0.05
"""Relative difference between pairs of leads from which on they are doubted; 1 % is usual."""
FASTEST_COUNTED = 50.0
"""Turns a second that nobody counts."""
MOST_APART = 0.15
"""Pairs of leads that differ by more, relative, are a slip of the pen rather than a bad winding."""


def ohms_by_pair(note: GeneratorNote) -> dict[str, float]:
    """Ohms between each pair of leads that the note names, the last reading of each."""
    return {
        one.pair: (one.ohms - one.test_lead_ohms)
        if one.ohms is not None
        else (one.volts or 0.0) / (one.amps or 1.0)
        for one in note.resistance
        if one.pair
    }


def pairs_apart(note: GeneratorNote) -> float:
    """Standard deviation of pairs of leads over their mean, at most `MOST_APART`: a winding whose
    phases differ has no one resistance, and is known no better than that."""
    found = list(ohms_by_pair(note).values())
    if len(found) < 2:
        return 0.0
    return min(float(np.std(found, ddof=1) / np.mean(found)), MOST_APART)


def refuse_nonsense(note: GeneratorNote) -> None:
    """NoteFault for readings that make no sense."""
    if note.as_motor and not MACHINE_KINDS[note.machine].direct:
        raise NoteFault(("as_motor",), "is for a brushed machine, which runs on a DC supply")
    for key in ("open", "loads", "as_motor", "short_circuit"):
        for number, turning in enumerate(getattr(note, key)):
            if turning.turns and turning.turns / (turning.seconds or 1.0) > FASTEST_COUNTED:
                rule = "is too short for turns that are counted: minutes instead of seconds?"
                raise NoteFault((key, number, "seconds"), rule, turning.seconds)
            if turning.hertz is not None and MACHINE_KINDS[note.machine].direct:
                rule = "is for machines with alternating voltage: give turns and seconds, or rpm"
                raise NoteFault((key, number, "hertz"), rule, turning.hertz)
    for number, one in enumerate(note.resistance):
        if (one.ohms is None) == (one.volts is None or one.amps is None):
            raise NoteFault(("resistance", number), "needs volts and amps, or ohms")
        if one.ohms is not None and one.ohms <= one.test_lead_ohms:
            rule = f"must be above the {one.test_lead_ohms:g} ohm of the meter's own leads"
            raise NoteFault(("resistance", number, "ohms"), rule, one.ohms)
    for number, load in enumerate(note.loads):
        if (load.amps is None) == (load.ohms is None):
            raise NoteFault(("loads", number), "needs amps, or ohms of a known load")
    for number, run in enumerate(note.spin_down):
        if run.to_rpm >= run.from_rpm:
            rule = f"must be below from_rpm {run.from_rpm:g}: it slows down"
            raise NoteFault(("spin_down", number, "to_rpm"), rule, run.to_rpm)


def differing_pairs(note: GeneratorNote) -> tuple[str, ...]:
    """Pairs of leads that differ more than a sound winding's do."""
    by_pair = ohms_by_pair(note)
    if len(by_pair) < 2:
        return ()
    low, high = min(by_pair, key=lambda p: by_pair[p]), max(by_pair, key=lambda p: by_pair[p])
    apart = by_pair[high] / by_pair[low] - 1
    if apart < PAIRS_APART:
        return ()
    return (
        f"resistance differs by {apart:.0%} between the pairs {low} and {high}; within 1 % is "
        "usual: look for a bad contact or a shorted coil",
    )
