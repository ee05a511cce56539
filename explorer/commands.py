"""What a person can ask for, one function a command: study file in, plain JSON-able answer out."""

from __future__ import annotations

import platform
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from explorer import MODEL_VERSION, __version__, costing, evaluate, front, lock, reprice
from explorer import launch as search
from explorer.config import Project, load
from explorer.design_file import read_design
from explorer.errors import Fault, InputError, nearest
from explorer.launch import Summary, Watch, unwatched
from explorer.parts import LINKS
from explorer.space import Space
from explorer.store import Store, Stored, path_of
from explorer.tables import shown
from explorer.units import Array

Answer = dict[str, Any]
LIBRARIES = ("numpy", "scipy", "optuna", "moocore", "bokeh")
NOTHING_FEASIBLE = "no design of the study keeps every rule"
MOST_NAMED = 6
"""Rules named when nothing is feasible: those that stand in the way most."""


def check(study: Path) -> Answer:
    """Read a study and its tables; says what it holds, raises InputError with every fault."""
    project = load(study)
    space = Space.of(project)
    return {
        "study": project.study.name,
        "combinations": space.size,
        "continuous": list(space.continuous),
        "plan": search.plan(project, space).why,
        "choices": {link: len(names) for link, names in project.study.choices.items()},
        "notes": list(project.catalogue.notes),
    }


def launch(study: Path, *, watch: Watch = unwatched, workers: int = search.WORKERS) -> Answer:
    """Search the study to its end, write the page, and answer with the front."""
    project = load(study)
    with Store.open(path_of(project)) as store:
        run = store.begin("launch", {"study_hash": project.study_hash})
        summary = search.launch(project, store, watch, workers)
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs)
        rows = reprice.front_rows(project, stored, cost)
        broken = search.rejections(project)
        points = stored.objectives(cost)[rows]
        summary.hypervolume = search.relative_hypervolume(project, points)
        kept = {**asdict(summary), "rejections": broken}
        reprice.conclude(project, store, run, stored, cost, rows, kept)
        if not len(rows):
            raise InputError(_nothing_feasible(project, broken))
        page = _page(project, store, stored, cost, rows)
        return {
            "study": project.study.name,
            "designs_considered": summary.designs_considered,
            "designs_feasible": summary.designs_feasible,
            "exact": summary.exact,
            "front": page["front"],
            "front_size": len(rows),
            "hypervolume": summary.hypervolume,
            "seconds": summary.seconds,
            "report": page["report"],
            "picks": page["picks"],
            "search": kept,
            "notes": list(project.catalogue.notes),
        }


def review(study: Path) -> Answer:
    """Write the page again from the store; computes nothing."""
    project = load(study)
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(project)
        cost = costing.costs(project, stored.designs)
        rows = reprice.front_rows(project, stored, cost)
        if not len(rows):
            rule = "holds no feasible design that is valid today, launch first"
            raise InputError([Fault(str(store.path), "", rule)])
        page = _page(project, store, stored, cost, rows)
        return {"study": project.study.name, "reuse": list(reuse.lines), **page}


def rerun(
    study: Path,
    *,
    owned: Collection[str] = (),
    fresh_search: bool = False,
    watch: Watch = unwatched,
) -> Answer:
    """Stored physics at today's prices: what moved, and how every locked design stands.

    `fresh_search` looks again afterwards where new prices may justify it.
    """
    project = load(study)
    _known_parts(project, owned)
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        locks = lock.read_locks(project)
        found = reprice.rerun(project, store, stored, locks=locks, owned=owned)
        answer = {"study": project.study.name, **found.summary()}
        cost, rows = found.cost, found.front
        if fresh_search:
            summary = search.launch(project, store, watch)
            answer["search"] = asdict(summary)
            stored, _ = store.load(project)
            cost = costing.costs(project, stored.designs, owned=owned)
            rows = reprice.front_rows(project, stored, cost)
        if len(rows):
            verdicts = {verdict.design_id: verdict for verdict in found.locked}
            answer |= _page(project, store, stored, cost, rows, verdicts)
        else:
            answer |= {"front": [], "picks": {}, "report": None}
        return answer


def lock_design(study: Path, design: str, *, note: str = "", release: bool = False) -> Answer:
    """Lock a stored design, or take the lock off again."""
    project = load(study)
    with Store.open(path_of(project)) as store:
        if release:
            path = lock.release(project, store, design)
            return {"study": project.study.name, "released": design, "file": str(path)}
        path = lock.lock(project, store, design, note)
        (written,) = [one for one in lock.read_locks(project) if one.design_id == design]
        return {"study": project.study.name, "file": str(path), "locked": written.record}


def evaluate_design(study: Path, design: Path, *, fidelity: str = "averaged") -> Answer:
    """What one design that a person already owns delivers, with margins and ledger."""
    project = load(study)
    designs = read_design(project, design)
    return evaluate_designs(project, designs, fidelity)[0]


def evaluate_designs(project: Project, designs: Any, fidelity: str) -> list[Answer]:
    """Records of some designs at a fidelity."""
    found = evaluate.evaluate(project, designs)
    cost = costing.costs(project, designs)
    return [
        {**evaluate.design_record(project, found, row, cost[row]), "fidelity": fidelity}
        for row in range(len(designs))
    ]


def _known_parts(project: Project, owned: Collection[str]) -> None:
    known = tuple(part.id for link in LINKS for part in project.catalogue.parts[link])
    faults = [
        Fault("--owned", shown(name), "is in no table of parts", hint=nearest(name, known))
        for name in owned
        if name not in known
    ]
    if faults:
        raise InputError(faults)


def _nothing_feasible(project: Project, broken: Mapping[str, tuple[int, int]]) -> list[Fault]:
    """Which rules stand in the way, and by how much: the nearest miss of random designs."""
    worst = sorted(broken.items(), key=lambda item: -item[1][0])[:MOST_NAMED]
    missed = search.nearest_miss(project)
    return [Fault(str(project.path), "", NOTHING_FEASIBLE)] + [
        Fault(
            str(project.path),
            name,
            f"stands in the way of {count} of {search.PROBES} random designs, "
            f"best missed by {missed[name]:.3g}"
            if name in missed
            else f"stands in the way of {count} of {search.PROBES} random designs",
        )
        for name, (count, _) in worst
    ]


def _page(
    project: Project,
    store: Store,
    stored: Stored,
    cost: Array,
    rows: Any,
    verdicts: Mapping[str, reprice.Verdict] | None = None,
) -> Answer:
    """Write the page for the front at `rows`; answers with reading front, picks and path."""
    from explorer.report import page, view

    points = stored.objectives(cost)[rows]
    reading = front.reading_front(points)
    picked = front.picks(points)
    locks = lock.read_locks(project)
    chosen = np.union1d(reading, list(picked.values()))
    evaluation = store.evaluation(project, stored, rows[chosen])
    records = [
        evaluate.design_record(project, evaluation, k, cost[row])
        for k, row in enumerate(rows[chosen])
    ]
    place = {int(number): k for k, number in enumerate(chosen)}
    picks = {wish: records[place[k]]["design_id"] for wish, k in picked.items()}
    shown_records = records + _locked_records(project, store, stored, cost, locks, records)
    last = _last_search(store)
    data = view.build(
        project,
        shown_records,
        picks,
        search=last,
        rejections={k: (v[0], v[1]) for k, v in last.get("rejections", {}).items()},
        provenance=provenance(project, last),
        front_size=len(rows),
        history=_history(store),
        locked=[_locked_entry(one, verdicts) for one in locks],
        effects=_effects(project, stored, cost),
    )
    folder = project.path.parent.parent / "reports" / project.study.name
    return {"front": records, "picks": picks, "report": str(page.write(data, folder))}


def _locked_records(
    project: Project,
    store: Store,
    stored: Stored,
    cost: Array,
    locks: Sequence[lock.Lock],
    records: Sequence[Answer],
) -> list[Answer]:
    """Locked designs that are not among the records, as the store holds them."""
    known = {record["design_id"] for record in records}
    found = []
    for one in locks:
        row = stored.find(one.design_id)
        if one.design_id in known or row is None or not stored.feasible[row]:
            continue
        evaluation = store.evaluation(project, stored, np.array([row]))
        found.append(evaluate.design_record(project, evaluation, 0, cost[row]))
    return found


def _locked_entry(one: lock.Lock, verdicts: Mapping[str, reprice.Verdict] | None) -> Answer:
    verdict = (verdicts or {}).get(one.design_id)
    return {
        "design_id": one.design_id,
        "status": verdict.status if verdict else "locked",
        "note": one.note,
        "beaten_by": verdict.beaten_by if verdict else None,
    }


def _last_search(store: Store) -> Answer:
    """Summary of the last launch that ended."""
    for run in reversed(store.history()):
        if run.kind == "launch" and run.result:
            return dict(run.result)
    return asdict(Summary())


def _history(store: Store) -> list[Answer]:
    entries = []
    for run in store.history():
        result = run.result or {}
        what = run.kind if run.ended else f"{run.kind}, not finished"
        if "front_size" in result:
            what += f": front of {result['front_size']} designs"
        if "price_changes" in result:
            what += f", {len(result['price_changes'])} price changes"
        if "design_id" in run.intent:
            what += f" {run.intent['design_id']}"
        entries.append({"when": run.ended or run.begun, "what": what})
    return entries


def _effects(
    project: Project, stored: Stored, cost: Array
) -> dict[str, dict[str, dict[str, float]]]:
    """Best value of each objective over all feasible stored designs with each part."""
    feasible = reprice.affordable(project, stored, cost)
    points = stored.objectives(cost)[feasible]
    effects: dict[str, dict[str, dict[str, float]]] = {}
    for link in LINKS:
        part = stored.designs.parts[link][feasible]
        effects[link] = {}
        for row in np.unique(part):
            best = points[part == row].min(axis=0) * [-1, 1, 1, 1]
            name = project.catalogue.parts[link][int(row)].id
            effects[link][name] = dict(zip(reprice.OBJECTIVES, map(float, best), strict=True))
    return effects


def provenance(project: Project, last: Mapping[str, Any]) -> Answer:
    """What a page was made from."""
    return {
        "study": project.study_hash,
        "scenario": project.scenario_hash,
        "prices": project.catalogue.prices.content_hash,
        "tables": dict(project.catalogue.file_hashes),
        "model version": MODEL_VERSION,
        "genchain": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
        "seed": last.get("seed"),
    }
