"""table: the front of a study as a data frame, and as a file for spreadsheets and scripts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from explorer.commands.front_view import FrontView
from explorer.decision.repricing import NOTHING_VALID
from explorer.errors import Fault, InputError
from explorer.inputs.study import Project, load
from explorer.store.keys import path_of
from explorer.store.results import Store

if TYPE_CHECKING:
    from pandas import DataFrame


def front_table(path: Path | str, *, thinned: bool = False) -> DataFrame:
    """The front of a study as its store has it, at today's prices; computes no physics.

    A row a design, most energy first, the index is `design_id`. Columns are named as the keys of a
    result in JSON; of nested ones each value has a column of its own (`parts.crank`,
    `settings.cadence_rpm`, `margins.cell_voltage_V`, `ledger_J.copper`, `readings.hold_V`), NaN
    where a design has none. Lists (`bill`, `cases`) are left out. `thinned` leaves out what a
    person cannot tell apart, as the page does at first.

    InputError where the study is wrong, or no stored design is valid today. An empty front is an
    empty frame.
    """
    from explorer.report.table import frame

    project = load(path)
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        if not len(view.stored):
            raise InputError([Fault(str(store.path), "", NOTHING_VALID)])
        rows = view.rows[np.isin(view.rows, view.read)] if thinned else view.rows
        return frame(view.records(rows))


def write_table(study: Path, file: Path, *, whole: bool = False) -> dict[str, Any]:
    """Write `front_table` to a CSV or Parquet file, thinned unless the `whole` front is asked for.

    InputError for another kind of file, for one that the study is read from, or Parquet without the
    library that writes it; DiskError where it cannot be written.
    """
    from explorer.report import table

    table.refuse_unknown_kind(file)
    _refuse_own_table(load(study), file)
    found = front_table(study, thinned=not whole)
    table.save(found, file)
    return {
        "study": load(study).study.name,
        "file": str(file),
        "designs": len(found),
        "columns": list(found.columns),
        "thinned": not whole,
    }


def _refuse_own_table(project: Project, file: Path) -> None:
    """A slip of the hand must not replace a table of parts or prices."""
    read = (project.path.parent / name for name in project.catalogue.file_hashes)
    if os.path.realpath(file) in {os.path.realpath(one) for one in read}:
        rule = "must be another file: the study is read from this one"
        raise InputError([Fault(str(file), "", rule)])
