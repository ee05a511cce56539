"""measure: an empty note for the bench, and notes that become rows with an uncertainty."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from explorer.errors import Fault, InputError, nearest
from explorer.files import is_there, write_atomic
from explorer.inputs.catalogue import TABLE_NAMES
from explorer.measuring.blank_note import blank_note
from explorer.measuring.filing import file_rows
from explorer.measuring.fit_figure import residual_figure
from explorer.measuring.note_kinds import ALIASES, NOTE_KINDS
from explorer.measuring.notes import read_notes


def write_note(kind: str, file: Path | None = None) -> dict[str, Any]:
    """An empty note of a kind, and the file that it was written to, if any.

    InputError for an unknown kind, or a file that is there already.
    """
    name = ALIASES.get(kind, kind)
    if name not in NOTE_KINDS:
        hint = nearest(kind, (*NOTE_KINDS, *ALIASES))
        rule = f"must be one of {', '.join(NOTE_KINDS)}"
        raise InputError([Fault("measure note", "KIND", rule, kind, hint)])
    text = blank_note(NOTE_KINDS[name])
    if file is not None:
        if is_there(file):
            raise InputError([Fault(str(file), "", "exists already, and nothing is overwritten")])
        write_atomic(file, text)
    return {"kind": name, "text": text, "file": None if file is None else str(file)}


def read_bench(
    notes: Path, into: Path | None = None, *, replace: bool = False, figure: Path | None = None
) -> dict[str, Any]:
    """What notes come to: `rows` and `uncertainty` (table -> id -> column -> value, relative
    standard deviation), `assumed` alike with reasons, `doubts`, `fits`, `beside`; `written`, the
    changes to the tables of a study where they go `into` one.

    `figure`: an SVG file to be written with how far each reading lies from the fitted laws.
    InputError with every fault of the notes; nothing is then written.
    """
    found = read_notes(notes)
    answer: dict[str, Any] = {
        key: {} for key in ("rows", "uncertainty", "assumed", "fits", "beside", "points")
    }
    doubts = []
    for one in found.measured:
        table = TABLE_NAMES[one.kind]
        for key, value in (
            ("rows", dict(one.columns)),
            ("uncertainty", dict(one.relative_sd)),
            ("assumed", dict(one.assumed)),
            ("fits", one.quality),
            ("beside", dict(one.beside)),
            ("points", [dict(point) for point in one.points]),
        ):
            if value:
                answer[key].setdefault(table, {})[one.id] = value
        doubts += [f"{one.kind}.{one.id}: {words}" for words in one.doubts]
    written = [] if into is None else file_rows(found, into, replace=replace)
    if figure is not None:
        write_atomic(figure, residual_figure(found.measured))
    return {
        "notes": str(notes),
        "dated": found.dated.isoformat(),
        **answer,
        "doubts": doubts,
        "written": written,
        "figure": None if figure is None else str(figure),
    }
