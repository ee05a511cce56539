"""One design at a fidelity that a person names, under the keys that a result has everywhere."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.study import Project
from explorer.model import costing, demand, supply, waveform
from explorer.model.chain import Chain
from explorer.model.evaluate import Evaluation, evaluate
from explorer.model.record import by_session, record_of
from explorer.model.space import Designs
from explorer.model.supply import CURRENT, Halves

FIDELITIES = ("averaged", "session", "waveform")
COMPARED = (
    "delivered_energy_J", "crank_effort_percent", "regime", "time_to_first_charge_s", "ledger_J",
)  # fmt: skip
"""What of the averaged model stands beside a slower fidelity."""
WINDOW_S = 0.5
"""Length of the window that the waveform fidelity judges: many periods, and soon solved."""


def at_fidelity(project: Project, design: Designs, fidelity: str) -> dict[str, Any]:
    """The record of one design (length 1). InputError for an unknown fidelity.

    averaged is the model of the search; a design outside its range is answered by the session, and
    `fidelity` says so. session steps through time: its numbers and the margins that follow from
    them take the place of the averaged ones, which stay under `averaged`, None where they mean
    nothing; `session_margins` are its own beside them. waveform adds what the bridge gives at
    switching level in a short window around the design's working voltage.
    """
    if fidelity not in FIDELITIES:
        hint = nearest(fidelity, FIDELITIES)
        raise InputError([Fault("--fidelity", "", "is unknown", fidelity, hint)])
    cost, found = float(costing.costs(project, design)[0]), evaluate(project, design)
    holds = bool(found.in_range[0])
    if fidelity == "averaged" and holds:
        return record_of(project, found, 0, cost, fidelity)
    stepped = by_session(project, design)
    quick = record_of(project, found, 0, cost, "averaged")
    record = {
        **record_of(project, stepped.found, 0, cost, "session"),
        "averaged": {name: quick[name] for name in COMPARED} if holds else None,
        "session_margins": {
            name: float(value[0]) for name, value in stepped.margins.items() if value[0] < np.inf
        },
    }
    if fidelity == "waveform":
        record |= {"fidelity": fidelity, "waveform": _window(project, design, found)}
    return record


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
