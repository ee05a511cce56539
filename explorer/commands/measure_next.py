"""measure next: what to measure before a choice is made, and what knowing it is worth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from explorer.commands.front_view import FrontView
from explorer.errors import Fault, InputError
from explorer.inputs.csv_tables import shown
from explorer.inputs.study import load
from explorer.measuring.what_to_measure import WORTH_DRAWS, what_to_measure
from explorer.model.names import id_called
from explorer.store.keys import path_of
from explorer.store.results import Store


def next_measurement(
    study: Path, design_id: str | None = None, *, draws: int = WORTH_DRAWS, workers: int = 2
) -> dict[str, Any]:
    """What it is worth to know each uncertain number of the contenders of a choice, most first.

    `design_id`: the design whose choice is in question, the recommended one without it. Reads the
    store, and writes nothing. InputError where nothing is stored, or not that design.
    """
    project = load(study)
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        row = None
        if design_id is not None:
            design_id = id_called(design_id, view.stored.numbers, str(store.path))
            row = view.stored.find(design_id)
            if row is None or not view.stored.feasible[row]:
                rule = "is no design that the store holds today and that keeps every rule"
                raise InputError([Fault(str(store.path), "ID", rule, shown(design_id))])
        found = what_to_measure(view.picker, row, draws=draws, workers=workers)
        if found is None:
            raise InputError(
                [Fault(str(store.path), "", "holds no design to choose: launch first")]
            )
        at = np.array([view.stored.find(one) for one in found["contenders"]])
        energies = view.stored.delivered_energy_J[at].tolist()
    return {
        "study": project.study.name,
        **found,
        "contenders": [
            {"design_id": one, "delivered_energy_J": energy}
            for one, energy in zip(found["contenders"], energies, strict=True)
        ],
    }
