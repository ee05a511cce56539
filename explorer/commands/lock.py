"""lock: decide for a design and write its build sheet, or take the decision back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from explorer.commands.provenance import reports_folder
from explorer.decision import advising, decisions, lock
from explorer.files import finish_together
from explorer.inputs.study import load
from explorer.store.keys import path_of
from explorer.store.results import Store


def lock_design(
    study: Path, design: str, *, note: str = "", release: bool = False, page: bool = True
) -> dict[str, Any]:
    """Lock a stored design and write its build sheet, or take the lock off again.

    Without `page` no sheet is written, `sheet` and `bill` are None; the warning is given all the
    same. InputError for a design that is not stored, breaks a rule of physics or is locked already.
    """
    from explorer.report.sheet import sheet
    from explorer.report.sheet.facts import facts

    project = load(study)
    if release:
        lock.must_be_locked(project, decisions.of_study(project), design)  # a wrong one: no store
    with Store.open(path_of(project), existing=not release) as store:
        finish_together(reports_folder(project))  # a sheet whose lock was killed
        noticed = decisions.take_in(project, store).notices
        if release:
            path = lock.release(project, store, design)
            answer = {"study": project.study.name, "released": design, "file": str(path)}
            return {**answer, "notes": list(noticed)}
        stored = store.load(project)[0]
        decision = lock.prepare(project, store, design, note, stored=stored)
        advised = advising.of_lock(project, store, stored, decision)
        decision = replace(
            decision,
            advice=advised.advice.plain,
            options=[option.plain for option in advised.options],
        )
        known = facts(project, decision)
        # Built before anything is kept: building can fail, and takes its time.
        built = sheet.build_sheet(project, decision, known) if page else None

        def write_sheet() -> Sequence[Path]:
            return () if built is None else sheet.write_sheet(built, reports_folder(project))

        path, files = lock.keep(project, store, decision, write_sheet)
        names = map(str, files) if files else (None, None)
        return {
            "study": project.study.name,
            "file": str(path),
            "locked": decision.record,
            **dict(zip(("sheet", "bill"), names, strict=True)),
            "warning": sheet.hazard_warning(known),
            "notes": [*noticed, *project.catalogue.notes],
        }
