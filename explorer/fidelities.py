"""One design at a fidelity that a person names, under the keys that a result has everywhere."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer import costing, demand, evaluate, session, supply, waveform
from explorer.averaged import REGIMES
from explorer.chain import Chain
from explorer.config import Project
from explorer.errors import Fault, InputError, nearest
from explorer.space import Designs
from explorer.supply import CURRENT, Halves

FIDELITIES = ("averaged", "session", "waveform")
WINDOW_S = 0.5
"""Length of the window that the waveform fidelity judges: many periods, and soon solved."""


def at_fidelity(project: Project, design: Designs, fidelity: str) -> dict[str, Any]:
    """The record of one design (length 1). InputError for an unknown fidelity.

    averaged is the model of the search. session steps through time: its energy, ledger, effort,
    first charge and regime take the place of the averaged ones, which stay under `averaged`; the
    margins stay those of the averaged model, with the session's own beside them. waveform adds what
    the bridge gives at switching level in a short window around the design's working voltage.
    """
    if fidelity not in FIDELITIES:
        hint = nearest(fidelity, FIDELITIES)
        raise InputError([Fault("--fidelity", "", "is unknown", fidelity, hint)])
    found = evaluate.evaluate(project, design)
    cost = float(costing.costs(project, design)[0])
    record = {**evaluate.design_record(project, found, 0, cost), "fidelity": fidelity}
    if fidelity == "averaged":
        return record
    record = _stepped(project, design, record)
    if fidelity == "waveform":
        record["waveform"] = _window(project, design, found)
    return record


def _stepped(project: Project, design: Designs, record: dict[str, Any]) -> dict[str, Any]:
    plan = project.study.session
    cases = [(o, p) for o in plan.operators for p in plan.packs]
    results = [session.simulate(project, design, *case) for case in cases]
    energies = [float(result.delivered_energy_J[0]) for result in results]
    efforts = [float(result.effort[0]) for result in results]
    worst = plan.over_cases == "worst"
    weakest = results[int(np.argmin(energies))]
    first = max(float(result.time_to_first_charge_s[0]) for result in results)
    replaced = {
        "delivered_energy_J": min(energies) if worst else float(np.mean(energies)),
        "crank_effort_percent": max(efforts) if worst else float(np.mean(efforts)),
        "regime": REGIMES[int(weakest.regime[0])],
        "time_to_first_charge_s": evaluate.number(first),
        "ledger_J": {name: float(value[0]) for name, value in weakest.ledger_J.items()},
        "cases": [
            {
                "operator": operator_id,
                "pack": pack_id,
                "delivered_energy_J": energy,
                "crank_effort_percent": effort,
                "regime": REGIMES[int(result.regime[0])],
            }
            for (operator_id, pack_id), result, energy, effort in zip(
                cases, results, energies, efforts, strict=True
            )
        ],
    }
    return {
        **record,
        **replaced,
        "averaged": {name: record[name] for name in replaced if name != "cases"},
        "session_margins": {
            name: float(value[0]) for name, value in weakest.margins.items() if value[0] < np.inf
        },
    }


def _window(project: Project, design: Designs, found: evaluate.Evaluation) -> dict[str, Any]:
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
