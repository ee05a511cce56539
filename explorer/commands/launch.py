"""launch: search a study to its end, write its page, answer with the front."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from explorer.commands.front_view import FrontView
from explorer.commands.publish import publish
from explorer.decision import again, changes, decisions, repricing
from explorer.errors import Fault, InputError
from explorer.inputs.study import Project, load
from explorer.model import objectives, shape_maps
from explorer.model.names import name_of
from explorer.model.rules import RULES
from explorer.report.measured_reach import beyond_measured
from explorer.search import convergence, probes
from explorer.search import run as search
from explorer.search.progress import Watch, unwatched
from explorer.search.settle import Audit, audit, audit_begun
from explorer.search.shared_sweep import Helper
from explorer.search.workers import on_machines, searching
from explorer.store.keys import ids_of, path_of
from explorer.store.mending import mend
from explorer.store.results import Store

NOTHING_FEASIBLE = "no design of the study keeps every rule"
MOST_NAMED = 6
"""Rules named when nothing is feasible: those that stand in the way most."""


def launch_study(
    path: Path | str,
    *,
    workers: int = search.WORKERS,
    page: bool = True,
    cluster: str | None = None,
    watch: Watch = unwatched,
) -> dict[str, Any]:
    """Search a study, or go on where a search was cut short; the object that `--json` prints.

    `workers` processes search, or the Dask cluster whose scheduler has the address `cluster`.
    Without `page` none is written and `report` is None. `watch` is called as the search goes on.

    InputError where the study is wrong or no design keeps every rule.
    """
    project = load(path)
    shape_maps.solve_wanted(project)  # before every worker would
    with searching(project, Helper(project, watch, workers, cluster)):
        return _launched(project, workers, page, cluster, watch)


def _launched(
    project: Project, workers: int, page: bool, cluster: str | None, watch: Watch
) -> dict[str, Any]:
    begun, noticed = time.monotonic(), _state_of_store(project)
    with Store.open(path_of(project)) as store:
        noticed += decisions.take_in(project, store).notices
        run = store.begin("launch", {"study_hash": project.study_hash})
        summary = search.launch(project, store, watch, workers, cluster)
        with on_machines(cluster or project.study.search.cluster):
            again.evaluate_decided(project, store)
            view, checked = _settled(FrontView.at_todays_prices(project, store), watch, workers)
            closer = view.look_closer(watch, workers)
            if page:
                view.advise(watch, workers)
        summary.hypervolume = convergence.relative_hypervolume(project, view.points)
        moved = _moved(view)
        kept = {**asdict(summary), "looked_at": view.looked_at, "audit": checked._asdict()}
        repricing.conclude(project, store, run, view.stored, view.cost, view.rows, kept)
        if not view.stored.keeps_limits.any():
            raise InputError(_nothing_feasible(project, closer["rejections"]))
        shown = publish(view, page=page and len(view.rows) > 0)
        return {
            "study": project.study.name,
            "objectives": objectives.keys_of(project),
            "designs_considered": summary.designs_considered,
            "designs_feasible": summary.designs_feasible,
            "designs_stepped": int(view.stored.stepped.sum()),
            "audit": checked._asdict(),
            "exact": summary.exact,
            "front": shown["front"],
            "front_size": shown["front_size"],
            "front_thinned": shown["front_thinned"],
            "hypervolume": summary.hypervolume,
            "hypervolume_reference": convergence.box_corner(project),
            "seconds": time.monotonic() - begun,
            "search_seconds": summary.seconds,
            "report": shown["report"],
            "first_screen": shown["first_screen"],
            "picks": shown["picks"],
            "vote_shares": shown["vote_shares"],
            "why_none": shown["why_none"],
            "unsettled": shown["unsettled"],
            "search": asdict(summary),
            **moved,
            "notes": [
                *noticed,
                *project.catalogue.notes,
                *_beyond_measured(project, shown),
                *view.namesakes,
            ],
        }


def _beyond_measured(project: Project, shown: Mapping[str, Any]) -> Iterator[str]:
    """Of the picked designs, what was not measured of their converter and diodes."""
    picked = {name for name in shown["picks"].values() if name is not None}
    for record in shown["front"]:
        words = beyond_measured(project, record)
        if record["design_id"] in picked and words:
            yield f"{name_of(record['design_id'])}: {words}"


def _moved(view: FrontView) -> dict[str, Any]:
    """What study and tables say that they did not at the last run whose front is kept, and which
    designs entered that front and left it since; None and nothing before there was one.
    """
    last = repricing.last_kept(view.store)
    if last is None:
        return {"since": None, "changed": [], "entered": [], "left": []}
    now = view.stored.numbers[view.rows]
    found = changes.since(view.project, view.store, last.inputs)
    return {
        "since": last.when,
        "changed": [one._asdict() for one in found],
        "entered": ids_of(now[~np.isin(now, last.front)]),
        "left": ids_of(last.front[~np.isin(last.front, now)]),
    }


def _state_of_store(project: Project) -> tuple[str, ...]:
    """What stands in the place of the store and is worth a line; a damaged store is mended."""
    path = path_of(project)
    if not decisions.in_fresh_clone(project):
        return mend(path)
    name = decisions.decided_path(project).name
    return (f"{path}: no store beside {name}: a fresh clone, all is computed again",)


def _settled(view: FrontView, watch: Watch, workers: int) -> tuple[FrontView, Audit]:
    """A front that sessions decide, and what a look beyond the filter's band found.

    Designs that the audit shows to stand on the front are on it. An audit that was cut short is
    ended first: what it has stepped by then is no reason to step others.
    """
    if not audit_begun(view.project, view.store):
        view, _ = view.settled(watch, workers)
    found = audit(view.project, view.store, view.stored, view.cost, workers, watch)
    seconds = 60 * view.project.study.promise.minutes
    view, _ = view.again().settled(watch, workers, seconds)
    return view, found


def _nothing_feasible(project: Project, broken: Mapping[str, tuple[int, int]]) -> list[Fault]:
    """Which rules stand in the way, and by how much: the nearest miss of random designs."""
    units = {name: rule.unit for name, rule in RULES.items()}
    units["limit_cost"] = project.catalogue.prices.currency
    missed = {
        name: f", the nearest of them misses it by {by:.4g} {units[name]}"
        for name, by in probes.nearest_miss(project).items()
    }
    worst = sorted(broken.items(), key=lambda item: (item[0] not in missed, -item[1][0]))
    many = f"of {probes.PROBES} random designs"
    return [Fault(str(project.path), "", NOTHING_FEASIBLE)] + [
        Fault(str(project.path), name, f"stands in the way of {count} {many}{missed.get(name, '')}")
        for name, (count, _) in worst[:MOST_NAMED]
    ]
