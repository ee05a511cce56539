"""Designs at a fidelity that a person names, under the keys that a result has everywhere."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.study import Project
from explorer.model import costing, demand, supply, waveform
from explorer.model.chain import Chain
from explorer.model.evaluate import Evaluation
from explorer.model.record import design_record
from explorer.model.space import Designs
from explorer.model.stepped import stepped
from explorer.model.supply import CURRENT, Halves

FIDELITIES = ("session", "waveform")
GONE = {"averaged": "session"}
"""Fidelities of earlier releases, and what answers in their place."""
WINDOW_S = 0.5
"""Length of the window that the waveform fidelity judges: many periods, and soon solved."""


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


def _window(project: Project, design: Designs, found: Evaluation) -> dict[str, Any]:
    """The rectified current at switching level against the curve that the search reads."""
    plan, catalogue = project.study.session, project.catalogue
    operator_id, pack_id = plan.operators[0], plan.packs[0]
    hold_V = float(found.readings["hold_V"][0])
    settings = {name: float(value[0]) for name, value in design.settings.items()}
    middle_V = settings["undervoltage_off_V"] + settings["undervoltage_band_V"] / 2
    start_V = hold_V if np.isfinite(hold_V) else middle_V
    fine = waveform.simulate(
        project, design, operator_id, pack_id, start_V=start_V, seconds=WINDOW_S, closed=False,
        whole=True,
    )  # fmt: skip
    waves = fine.waves
    # The search follows the mean of the bus: what the bank holds, and the mean over its ohms.
    bus_V = waves.inner_V + np.mean(waves.bus_V - waves.inner_V)
    person = catalogue.operators[operator_id].model_copy(update={"unevenness": 0.0})
    halves = Halves.of(catalogue, design, person, 60 * plan.minutes, plan.winding_C)
    need = demand.demand(catalogue, design, catalogue.packs[pack_id])
    chain = Chain(supply.curves(halves), np.array([0]), need)
    curve = chain.front(bus_V[None, :], CURRENT)[0]
    judged, read = float(np.mean(waves.rectified_A)), float(np.mean(curve))
    return {
        "start_V": start_V,
        "seconds": fine.seconds,
        "bus_current_A": judged,
        "bus_current_of_the_search_A": read,
        "difference_percent": 100 * (read - judged) / judged if judged else 0.0,
    }
