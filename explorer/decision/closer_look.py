"""What is computed once for a front: draws of builds, curves over time, and what rules cost."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from typing import Any

import numpy as np

from explorer import front
from explorer.decision.picks import Picker
from explorer.decision.rule_costs import rule_costs
from explorer.decision.traces import for_page
from explorer.inputs.study import Project
from explorer.model.evaluation import json_number
from explorer.model.space import Designs, Rows
from explorer.search.progress import Step, Watch
from explorer.store.keys import ids_of

CADENCES_RPM = np.linspace(30.0, 90.0, 13)
MOST_COURSES = 50
SHOWN = ("bus_curves", "cadences", "rule_costs")
"""What is looked at: `bus_curves`, `at_other_cadences`, `rule_costs`."""


def at_other_cadences(project: Project, designs: Designs, ids: Sequence[str]) -> dict[str, Any]:
    """Handle force and power into the pack of some designs over cadence, by design id."""
    from explorer.model.stepped import sessions_of

    count = len(CADENCES_RPM)
    rows = np.repeat(np.arange(len(designs)), count)
    many = designs.take(rows)
    settings = {**many.settings, "cadence_rpm": np.tile(CADENCES_RPM, len(designs))}
    found = sessions_of(project, Designs(many.parts, settings))
    shape = (len(designs), count)
    seconds = 60 * project.study.session.minutes
    force = found.readings["handle_force_N"].reshape(shape)
    power = (found.delivered_energy_J / seconds).reshape(shape)
    return {
        name: {
            "cadence_rpm": CADENCES_RPM.tolist(),
            "handle_force_N": force[k].tolist(),
            "pack_power_W": [json_number(watts) for watts in power[k]],
        }
        for k, name in enumerate(ids[: len(designs)])
    }


def bus_curves(project: Project, designs: Designs, ids: Sequence[str]) -> dict[str, Any]:
    """The bus over the first case's session of some designs, by design id (`traces.for_page`)."""
    from explorer.model.stepped import course

    plan = project.study.session
    case = plan.operators[0], plan.packs[0]
    return {
        name: for_page(course(project, designs.take(np.array([row])), *case))
        for row, name in enumerate(ids)
    }


def look_closer(
    picker: Picker, locked: Sequence[int], watch: Watch, workers: int, known: Set[str] = frozenset()
) -> Iterator[tuple[str, Any]]:
    """What a front's page shows beside its designs; `locked` are rows of locked designs.

    Each of `SHOWN` that is not `known`, one after the other, so that it can be kept.
    """
    if known >= set(SHOWN):
        return
    watch(Step("draw", 0, 1, 0))
    picker.draw_builds(workers)
    watch(Step("draw", 1, 1, 0))
    project, stored, picked = picker.project, picker.stored, picker.picked()
    read = picker.rows[front.reading_front(picker.points)]
    closely = list(dict.fromkeys([*picked.values(), *locked, *picker.runners_up()]))
    close = np.array(closely[:MOST_COURSES], dtype=np.int64)
    designs, ids = stored.designs.take(close), ids_of(stored.numbers[close])
    looks: tuple[Callable[[], Any], ...] = (
        lambda: bus_curves(project, designs, ids),
        lambda: at_other_cadences(project, designs, ids) if len(close) else {},
        lambda: rule_costs(project, stored.designs.take(read), _places(picker, picked, read)),
    )
    for name, look in zip(SHOWN, looks, strict=True):
        if name not in known:
            yield name, look()


def _places(picker: Picker, picked: Mapping[str, int], read: Rows) -> dict[str, int]:
    """Where the picks stand among the rows that are read, by design id."""
    places = {row: place for place, row in enumerate(read.tolist())}
    rows = [row for row in dict.fromkeys(picked.values()) if row in places]
    names = ids_of(picker.stored.numbers[np.array(rows, dtype=np.int64)])
    return {name: places[row] for name, row in zip(names, rows, strict=True)}
