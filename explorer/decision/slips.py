"""Runs whose tables held a slip that is corrected: kept in the history, compared with no more.

A slip is a run's own record, appended like any other: which run it is of, and when that was said.
"""

from __future__ import annotations

from collections.abc import Iterator

from explorer.decision import changes
from explorer.decision.price_changes import price_changes, term_changes, terms
from explorer.errors import Fault, InputError
from explorer.inputs.csv_tables import shown
from explorer.inputs.study import Project
from explorer.store.history import Run
from explorer.store.results import Store

SLIP = "slip"
"""Kind of the record in the history."""
LAST = "last"
"""What stands for the newest run that is no slip yet."""
MINUTE = len("2026-11-20T14:05")


def kept_runs(store: Store) -> Iterator[Run]:
    """Launches and reruns whose front the store kept, newest first, what-ifs aside."""
    return (
        run
        for run in store.newest()
        if run.result and "front" in run.result and not run.result.get("owned")
    )


def slips(store: Store) -> frozenset[int]:
    """Numbers of the runs that were said to hold a slip."""
    return frozenset(int(run.intent["run"]) for run in store.newest(SLIP))


def compared_runs(store: Store) -> Iterator[Run]:
    """Kept runs that later ones are compared with: those without a slip, newest first."""
    wrong = slips(store)
    return (run for run in kept_runs(store) if run.id not in wrong)


def slipped_run(project: Project, store: Store, when: str) -> Run:
    """The run of a moment, `last` or 2026-11-20T14:05, that somebody calls a slip.

    InputError where there is none that is compared, where the minute fits several, or where the run
    saw what study and tables say today: then nothing was corrected.
    """
    runs = list(compared_runs(store))
    moments = [run.ended or run.begun for run in runs]
    asked = when.strip().replace(" ", "T")
    if asked == LAST:
        found = runs[:1]
    else:
        fits = len(asked) >= MINUTE
        found = [r for r, at in zip(runs, moments, strict=True) if fits and at.startswith(asked)]
    if len(found) != 1:
        known = ", ".join(at if found else at[:MINUTE] for at in moments) or "none yet"
        rule = f"must be {LAST}, or the minute of one run whose front is kept: {known}"
        raise InputError([Fault("--slip", "", rule, shown(when))])
    if not _corrected(project, store, found[0]):
        rule = (
            "names a run that saw the prices and tables of today: correct the slip first, then "
            "rerun with --slip"
        )
        raise InputError([Fault("--slip", "", rule, shown(when))])
    return found[0]


def mark_slip(store: Store, run: Run) -> None:
    """Note that a run held a slip; it is compared with no more."""
    marked = store.begin(SLIP, {"run": run.id, "of": run.ended or run.begun})
    store.finish(marked, {})


def _corrected(project: Project, store: Store, run: Run) -> bool:
    """Whether prices, the study's terms or its tables are not what a run saw."""
    assert run.result is not None
    then = store.prices_of(run.result["prices"])
    return (
        any(price_changes(then, project.catalogue.prices))
        or any(term_changes(run.result.get("terms", {}), terms(project)))
        or bool(changes.since(project, store, run.result.get("inputs")))
    )
