"""`genchain schema`: the JSON Schema of a file that people write, for editors that check it."""

from __future__ import annotations

import json
from typing import Any

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.schemas import SCHEMAS


def schema(kind: str) -> dict[str, Any]:
    """The schema of a kind of file, `study` or `design`; InputError for another."""
    if kind not in SCHEMAS:
        hint = nearest(kind, tuple(SCHEMAS))
        raise InputError([Fault("schema", "", f"must be {' or '.join(SCHEMAS)}", kind, hint)])
    return SCHEMAS[kind]()


def text_of(found: dict[str, Any]) -> str:
    """A schema as the text of a file, without its last line end."""
    return json.dumps(found, indent=2, ensure_ascii=False)
