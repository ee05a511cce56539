"""Designs at a fidelity that a person names, under the keys that a result has everywhere."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluation import Evaluation
from explorer.model.record import design_record
from explorer.model.regimes import STEADY
from explorer.model.space import Designs
from explorer.model.stepped import stepped, window

FIDELITIES = ("session", "waveform")
GONE = {"averaged": "session"}
"""Fidelities of earlier releases, and what answers in their place."""


def at_fidelity(project: Project, designs: Designs, fidelity: str) -> list[dict[str, Any]]:
    """The records of some designs. InputError for an unknown fidelity.

    session steps through time; `session_margins` are what only it knows. waveform adds what the
    bridge gives at switching level in a short window around the design's working voltage.
    """
    if fidelity not in FIDELITIES:
        hint = GONE.get(fidelity) or nearest(fidelity, FIDELITIES)
        raise InputError([Fault("--fidelity", "", "is unknown", fidelity, hint)])
    cost, done = costing.costs(project, designs), stepped(project, designs)
    records = []
    for row in range(len(designs)):
        own = {name: float(value[row]) for name, value in done.margins.items()}
        record = design_record(project, done.found, row, float(cost[row]))
        record |= {"fidelity": fidelity, "session_margins": own}
        if fidelity == "waveform":
            one = np.array([row])
            record["waveform"] = _window(project, designs.take(one), done.found.take(one))
        records.append(record)
    return records


def _window(project: Project, design: Designs, found: Evaluation) -> dict[str, Any] | None:
    """What the bridge gives to the bus at switching level beside what the session says; None where
    the hand finds no speed to hold. Operator and pack are those that readings are of.
    """
    case = found.cases[int(found.ledger_case[0])].name
    steady, hold_V = found.regime[0] == STEADY, float(found.readings["hold_V"][0])
    settings = {name: float(value[0]) for name, value in design.settings.items()}
    middle_V = settings["undervoltage_off_V"] + settings["undervoltage_band_V"] / 2
    start_V = hold_V if steady else middle_V
    seen = window(project, design, case.operator, case.pack, start_V=start_V)
    return seen._asdict() if seen else None
