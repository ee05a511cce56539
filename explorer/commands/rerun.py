"""rerun: stored physics at today's prices; what moved, and how every locked design stands."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict
from pathlib import Path
from typing import Any

from explorer.commands.front_view import FrontView
from explorer.commands.history import inputs_at_locks
from explorer.commands.publish import publish
from explorer.decision import again, changes, decisions, lock, price_sensitivity, repricing
from explorer.decision.picks import WISHES
from explorer.errors import Fault, InputError, nearest
from explorer.inputs.csv_tables import shown
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project, load
from explorer.search.progress import Watch, unwatched
from explorer.store.keys import path_of
from explorer.store.results import Store
from explorer.store.stored import Stored

Owned = Mapping[str, int | None] | Collection[str]


def rerun_study(
    path: Path | str,
    *,
    owned: Owned = (),
    search: bool = False,
    quick: bool = False,
    page: bool = True,
    watch: Watch = unwatched,
) -> dict[str, Any]:
    """Cost every stored design at today's prices; the object that `--json` prints.

    `owned` names parts that count as free, as many as a design takes: names, or a mapping from each
    name to None. Counts are not supported yet, and a number is refused. `search` goes on searching
    first, where new prices may justify it. What new prices bring up is stepped through time, unless
    `quick` says that no physics is computed: `unsettled` then names it. Without `page` none is
    written and `report` is None.

    InputError where the study, its locks or `owned` are wrong, or nothing valid is stored.
    """
    if quick and search:
        raise InputError([Fault("--quick", "", "computes no physics, so it excludes --search")])
    project = load(path)
    free = _owned_parts(project, owned)
    noticed = () if quick else _fresh_clone(project)
    with (
        nullcontext() if quick else _alone(project, watch),
        Store.open(path_of(project), existing=not noticed) as store,
    ):
        decided = decisions.take_in(project, store)
        computed = {} if quick else _compute(project, store, free, search, watch)
        answer = _repriced(project, store, decided, free, page)
        answer["notes"] = [*noticed, *answer["notes"]]
        return answer | computed


def _alone(project: Project, watch: Watch) -> AbstractContextManager[None]:
    from explorer.search.run import WORKERS
    from explorer.search.shared_sweep import Helper
    from explorer.search.workers import searching

    return searching(project, Helper(project, watch, WORKERS))


def _compute(
    project: Project, store: Store, free: tuple[str, ...], search: bool, watch: Watch
) -> dict[str, Any]:
    """All physics of a rerun, and how many designs that took."""
    from explorer.search import run as searching

    searched = _search_again(project, store, watch) if search else {}
    stepped = again.evaluate_decided(project, store)
    view = FrontView.at_todays_prices(project, store, free)
    stepped += view.settled(watch, searching.WORKERS, project.study.promise.settle_seconds)[1]
    return {
        **searched,
        "physics_evaluations": searched.get("physics_evaluations", 0) + stepped,
    }


def _repriced(
    project: Project, store: Store, decided: decisions.Decided, free: tuple[str, ...], page: bool
) -> dict[str, Any]:
    """What today's prices make of what is stored; no physics."""
    locks = lock.locks_of(project, decided)
    stored, _ = store.load(project)
    found = repricing.reprice_and_record(project, store, stored, locks=locks, owned=free)
    answer = {
        "study": project.study.name,
        "currency": project.catalogue.prices.currency,
        **found.summary(),
        "notes": [*decided.notices, *project.catalogue.notes],
    }
    at_lock = inputs_at_locks(store) if locks else {}
    changed = {
        name: [change._asdict() for change in changes.since(project, store, name)]
        for name in {at_lock.get(one.design_id) for one in locks}
    }
    answer["locked"] = [
        {
            **verdict,
            **_tips(project, found, stored, one),
            "changed": changed[at_lock.get(one.design_id)],
        }
        for one, verdict in zip(locks, answer["locked"], strict=True)
    ]
    view = FrontView(project, store, stored, found.cost, found.front, free)
    if not len(view.rows):
        picks = dict.fromkeys(WISHES)
        nothing = {"front": [], "front_thinned": False, "unsettled": [], "report": None}
        return answer | nothing | {"picks": picks}
    verdicts = {verdict.design_id: verdict for verdict in found.locked}
    return answer | publish(view, verdicts, page=page)


def _fresh_clone(project: Project) -> tuple[str, ...]:
    """That decisions stand without a store and are evaluated again, where it is so."""
    if not decisions.in_fresh_clone(project):
        return ()
    path, name = path_of(project), decisions.decided_path(project).name
    return (f"{path}: no store beside {name}: a fresh clone, what was decided is evaluated again",)


def _tips(
    project: Project, found: repricing.Repriced, stored: Stored, one: lock.Lock
) -> dict[str, Any]:
    """Beside its verdict: prices at which a locked design is beaten."""
    ends = price_sensitivity.break_even_prices(project, stored, found.cost, one, owned=found.owned)
    return {"tips": [end.plain for end in ends]}


def _search_again(project: Project, store: Store, watch: Watch) -> dict[str, Any]:
    """Go on searching, and say how many designs that took."""
    from explorer.search import run as searching

    earlier = (run.result for run in store.newest("launch", "search"))
    before = next((r["designs_evaluated"] for r in earlier if r), 0)
    run = store.begin("search", {"study_hash": project.study_hash})
    summary = searching.launch(project, store, watch, again=True)
    store.finish(run, asdict(summary))
    computed = summary.designs_evaluated - (before if summary.resumed else 0)
    return {"search": asdict(summary), "physics_evaluations": max(computed, 0)}


def _owned_parts(project: Project, owned: Owned) -> tuple[str, ...]:
    """Ids of the owned parts; InputError with every fault."""
    known = tuple(part.id for link in LINKS for part in project.catalogue.parts[link])
    faults = [
        Fault("--owned", shown(name), "is in no table of parts", hint=nearest(name, known))
        for name in owned
        if name not in known
    ]
    if isinstance(owned, Mapping):
        faults += [
            Fault("--owned", shown(name), "must be None, counts are not supported yet", str(count))
            for name, count in owned.items()
            if count is not None
        ]
    if faults:
        raise InputError(faults)
    return tuple(owned)
