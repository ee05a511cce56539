"""review: write the page again from the store; nothing is computed."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from explorer.commands.front_view import FrontView
from explorer.commands.provenance import reports_folder
from explorer.commands.publish import data_of_front, publish
from explorer.decision import changes, repricing
from explorer.decision.changes import Change
from explorer.decision.slips import kept_runs
from explorer.errors import Fault, InputError
from explorer.inputs.csv_tables import shown
from explorer.inputs.study import Project, load
from explorer.store.history import Run
from explorer.store.keys import path_of
from explorer.store.results import Store


def review_studies(*studies: Path | str) -> dict[str, Any]:
    """Write the page of a study again, or of several studies side by side.

    STUDY.toml@2026-11-20 is the study with the prices and the front that its store kept last on
    that day, @2026-11-20T14:05 those of a minute. InputError where nothing valid is stored.
    """
    from explorer.report.page import beside, page

    answers: list[dict[str, Any]] = []
    pages, marks, homes = [], [], []
    dated = any(day is not None for _, day in map(_dated, studies))
    for study in studies:
        path, day = _dated(study)
        project = load(path)
        with Store.open(path_of(project), read_only=True) as store:
            run = None if day is None else _kept_on(store, path, day)
            view = _view(project, store, run, day)
            reuse = list(store.load(project)[1].lines)
            if len(studies) == 1 and run is None:
                changed = [one._asdict() for one in _changed(project, store)]
                answer = {"study": project.study.name, "reuse": reuse, "changed": changed}
                return answer | publish(view)
            data, results = data_of_front(view), view.results
        when = f" of {day.replace('T', ' ')}" if day else ", today" if dated else ""
        pages.append((data, f"{project.study.name}{when}"))
        answers.append({"study": project.study.name, "date": day, "reuse": reuse} | results)
        marks.append(project.study.name + (f"_{day.replace(':', '')}" if day else ""))
        homes.append(reports_folder(project).parent)
    folder = homes[0] / "_beside_".join(marks)
    if len(pages) == 1:
        written = page.write(pages[0][0], folder)
    else:
        both = [data for data, _ in pages]
        written = beside.write_beside(both, folder, [label for _, label in pages])
    return {"studies": answers, "report": str(written)}


def _changed(project: Project, store: Store) -> tuple[Change, ...]:
    """What study and tables say that they did not at the last run whose front is kept."""
    last = repricing.last_kept(store)
    return changes.since(project, store, last.inputs if last else None)


def _view(project: Project, store: Store, run: Run | None, day: str | None) -> FrontView:
    """The front of today, or the one that a run kept on a day; InputError where it is empty."""
    if run is None:
        view = FrontView.at_todays_prices(project, store)
        rule = "holds no feasible design that is valid today, launch first"
    else:
        view = FrontView.of_the_past(project, store, run)
        rule = f"holds no design any more of the front of {day} that is valid today"
    if not len(view.rows):
        raise InputError([Fault(str(store.path), "", rule)])
    return view


def _dated(study: Path | str) -> tuple[Path, str | None]:
    """A study's file, and the day asked for behind an @ where the whole is no file itself."""
    whole = str(study)
    path, at, day = whole.rpartition("@")
    if not at or os.path.exists(whole):  # unlike Path.exists, False for a name that is too long
        return Path(whole), None
    return Path(path), day.strip().replace(" ", "T")


def _kept_on(store: Store, path: Path, day: str) -> Run:
    """The last launch or rerun of a day whose front the store kept."""
    kept = [(run.ended or run.begun, run) for run in kept_runs(store)]
    kept.reverse()
    fitting = [run for when, run in kept if len(day) >= len("2026-11-20") and when.startswith(day)]
    if fitting:
        return fitting[-1]
    days = ", ".join(dict.fromkeys(when[:16] for when, _ in kept))
    rule = f"must be a day or minute whose front is kept: {days}" if days else (
        "cannot be had, no front is kept yet, launch first"
    )  # fmt: skip
    raise InputError([Fault(str(path), "date", rule, shown(day))])
