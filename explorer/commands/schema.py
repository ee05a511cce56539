"""`genchain schema`: the JSON Schema of a file that people write, for editors that check it."""

from __future__ import annotations

import json
from typing import Any

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.schemas import SCHEMAS as READ_SCHEMAS


def _notes() -> dict[str, Any]:
    """That of notes, whose fits need more than a schema does: imported when it is asked for."""
    from explorer.measuring.note_kinds import note_schema

    return note_schema()


SCHEMA_KINDS = {**READ_SCHEMAS, "notes": _notes}
"""Kinds of files by name."""


def schema(kind: str) -> dict[str, Any]:
    """The schema of a kind of file, `study`, `design` or `notes`; InputError for another."""
    if kind not in SCHEMA_KINDS:
        hint = nearest(kind, tuple(SCHEMA_KINDS))
        *others, last = SCHEMA_KINDS
        rule = f"must be {', '.join(others)} or {last}"
        raise InputError([Fault("schema", "", rule, kind, hint)])
    return SCHEMA_KINDS[kind]()


def text_of(found: dict[str, Any]) -> str:
    """A schema as the text of a file, without its last line end."""
    return json.dumps(found, indent=2, ensure_ascii=False)
