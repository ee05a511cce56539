"""rerun: stored physics at today's prices; what moved, and how every locked design stands."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from explorer.commands.front_view import FrontView
from explorer.commands.history import inputs_at_locks
from explorer.commands.publish import publish
from explorer.decision import again, bids, changes, decisions, lock, not_known, repricing, slips
from explorer.decision.picks import WISHES
from explorer.errors import Fault, InputError, nearest
from explorer.inputs.csv_tables import shown
from explorer.inputs.links import LINKS
from explorer.inputs.sections import MOST_PIECES
from explorer.inputs.study import Project, load
from explorer.model.odds import promise_results
from explorer.search.progress import Watch, unwatched
from explorer.store.history import Run
from explorer.store.keys import path_of
from explorer.store.promises import odds_of
from explorer.store.results import Store

Owned = Mapping[str, int | None] | Collection[str]


def rerun_study(
    path: Path | str,
    *,
    owned: Owned = (),
    search: bool = False,
    quick: bool = False,
    page: bool = True,
    slip: str = "",
    watch: Watch = unwatched,
) -> dict[str, Any]:
    """Cost every stored design at today's prices; the object that `--json` prints.

    `owned` says which parts count as free beside those of the study's [owned], and for this run in
    their place: a mapping from each part to how many pieces there are in all, None for as many as a
    design takes; or only their names. `search` goes on searching
    first, where new prices may justify it. What new prices bring up is stepped through time, unless
    `quick` says that no physics is computed: `unsettled` then names it. Without `page` none is
    written and `report` is None. `slip` names a run whose prices or tables were wrong and are
    corrected now, `last` or its minute: it stays in the history and is compared with no more.

    InputError where the study, its locks or `owned` are wrong, or nothing valid is stored.
    """
    if quick and search:
        raise InputError([Fault("--quick", "", "computes no physics, so it excludes --search")])
    project = load(path)
    project = replace(project, what_if=_owned_parts(project, owned))
    noticed = () if quick else _fresh_clone(project)
    with (
        nullcontext() if quick else _alone(project, watch),
        Store.open(path_of(project), existing=not noticed) as store,
    ):
        decided = decisions.take_in(project, store)
        wrong = slips.slipped_run(project, store, slip) if slip else None
        computed = {} if quick else _compute(project, store, search, watch)
        answer = _repriced(project, store, decided, page, wrong)
        answer["notes"] = [*noticed, *answer["notes"]]
        return answer | computed


def _alone(project: Project, watch: Watch) -> AbstractContextManager[None]:
    from explorer.search.run import WORKERS
    from explorer.search.shared_sweep import Helper
    from explorer.search.workers import searching

    return searching(project, Helper(project, watch, WORKERS))


def _compute(project: Project, store: Store, search: bool, watch: Watch) -> dict[str, Any]:
    """All physics of a rerun, and how many designs that took."""
    from explorer.search import run as searching

    searched = _search_again(project, store, watch) if search else {}
    stepped = again.evaluate_decided(project, store)
    view = FrontView.at_todays_prices(project, store)
    view, settled = view.settled(watch, searching.WORKERS, project.study.promise.settle_seconds)
    stepped += settled
    if len(view.rows) and not len(view.picker.holding()):
        # As in a fresh clone or after a change of the session: nothing was looked at closely yet.
        stepped += view.picker.draw_builds(searching.WORKERS)
    return {
        **searched,
        "physics_evaluations": searched.get("physics_evaluations", 0) + stepped,
    }


def _repriced(
    project: Project, store: Store, decided: decisions.Decided, page: bool, wrong: Run | None
) -> dict[str, Any]:
    """What today's prices make of what is stored; no physics. `wrong` is a run that held a slip."""
    locks = lock.locks_of(project, decided)
    stored, _ = store.load(project)
    if wrong is not None and len(stored):
        slips.mark_slip(store, wrong)
    found = repricing.reprice_and_record(project, store, stored, locks=locks)
    answer = {
        "study": project.study.name,
        "currency": project.catalogue.prices.currency,
        "slip": None if wrong is None else wrong.ended or wrong.begun,
        **found.summary(),
        "cannot_know": [one.plain for one in not_known.not_known(project, store)],
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
            "promise": _promises(project, store, one),
            "changed": changed[at_lock.get(one.design_id)],
        }
        for one, verdict in zip(locks, answer["locked"], strict=True)
    ]
    answer["worth_paying"] = bids.worth_paying(project, stored, found.cost)
    view = FrontView(project, store, stored, found.cost, found.front)
    answer["notes"] += view.namesakes
    if not len(view.rows):
        picks = dict.fromkeys(WISHES)
        nothing = {
            "front": [],
            "front_thinned": False,
            "unsettled": [],
            "report": None,
            "first_screen": [],
        }
        return answer | nothing | {"picks": picks}
    verdicts = {verdict.design_id: verdict for verdict in found.locked}
    return answer | publish(view, verdicts, page=page)


def _fresh_clone(project: Project) -> tuple[str, ...]:
    """That decisions stand without a store and are evaluated again, where it is so."""
    if not decisions.in_fresh_clone(project):
        return ()
    path, name = path_of(project), decisions.decided_path(project).name
    return (f"{path}: no store beside {name}: a fresh clone, what was decided is evaluated again",)


def _promises(project: Project, store: Store, one: lock.Lock) -> dict[str, Any]:
    """What builds of a locked design promised on the day of the lock, and do today."""
    (odds,) = odds_of(project, store, np.array([int(one.design_id, 16)], np.uint64))
    terms, energy_J = project.study.promise, one.result["delivered_energy_J"]
    today = promise_results(odds, terms, project.builds_differ, energy_J)
    return {
        name: {"when_locked": one.result.get(name), "today": today[name]}
        for name in ("promised_energy_J", "hazard_chance", "draws")
    }


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


def owned_of(text: str) -> dict[str, int | None]:
    """Owned parts as a person lists them, `PART` or `PART:COUNT` between commas: part -> pieces,
    None without a count. InputError for a count that is no whole number, or a part named twice.
    """
    pieces: dict[str, int | None] = {}
    faults = []
    for entry in filter(None, (one.strip() for one in text.split(","))):
        part, colon, count = (one.strip() for one in entry.partition(":"))
        if colon and not re.fullmatch("[0-9]{1,7}", count):
            rule = "must have a whole number of pieces after its colon"
            faults.append(Fault("--owned", shown(part), rule, shown(count) or "nothing"))
        elif part in pieces:
            faults.append(Fault("--owned", shown(part), "must be named once"))
        pieces[part] = int(count) if colon and count.isascii() and count.isdigit() else None
    if faults:
        raise InputError(faults)
    return pieces


def _owned_parts(project: Project, owned: Owned) -> dict[str, int | None]:
    """Owned part -> pieces, None for any number; InputError with every fault."""
    known = tuple(part.id for link in LINKS for part in project.catalogue.parts[link])
    faults = [
        Fault("--owned", shown(name), "is in no table of parts", hint=nearest(name, known))
        for name in owned
        if name not in known
    ]
    pieces = dict(owned) if isinstance(owned, Mapping) else dict.fromkeys(owned)
    rule = f"must be a whole number of pieces from 0 to {MOST_PIECES:,}"
    faults += [
        Fault("--owned", shown(name), rule, shown(count))
        for name, count in pieces.items()
        if count is not None and not (type(count) is int and 0 <= count <= MOST_PIECES)
    ]
    if faults:
        raise InputError(faults)
    return pieces
