"""An empty note: what to do, in which order, what can hurt, and every key with its meaning."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap
from types import UnionType
from typing import Any, get_args

from pydantic.fields import FieldInfo

from explorer.measuring.instruments import INSTRUMENTS
from explorer.measuring.note_kinds import NoteKind
from explorer.measuring.note_records import NoteRecord, PartNote
from explorer.units import unit_of

LINE_LETTERS = 96


def blank_note(kind: NoteKind) -> str:
    """The text of an empty note: its heading, and everything to be filled in as comments.

    Once the `#` before the lines of the example are gone, it reads.
    """
    lines = [
        *_comment(f"Notes of {kind.about}, for genchain measure read. Work from top to bottom."),
        "#",
        *_numbered("What to do:", kind.steps),
        "#",
        *_numbered("What can hurt:", kind.cautions),
        "",
        "# The day of the readings.",
        "# dated = 2026-11-25",
        "",
        *_comment(f"Put your own id in the place of my_{kind.name}."),
        f"[{kind.name}.my_{kind.name}]",
        "# An example. Take the # away and write down what your instruments showed:",
        *(f"#: {line}" for line in kind.example),
        "",
        *_comment("Every key:"),
        *_keys(kind.note, ""),
        "#",
        *_comment(
            "given: columns of the row that were not measured. like: the id of a row of the "
            "study's table whose values stand for what was not measured. sure: true where a value "
            "ten times the usual is right."
        ),
        "",
        "# What the sheets of your instruments say; without it, usual hand-held ones are taken.",
        "#- [instruments.volts_dc]",
        "#- percent = 0.8         # limit of error in percent of the reading",
        "#- floor = 0.002         # and in the reading's unit, as of the last digit",
        "#- most = 20             # end of the range",
        *_comment("Instruments: " + ", ".join(f"{k} ({v.about})" for k, v in INSTRUMENTS.items())),
    ]
    return "\n".join(lines) + "\n"


def filled_example(kind: NoteKind) -> str:
    """The empty note with the lines of its example in force."""
    lines = blank_note(kind).splitlines()
    return "\n".join(line.removeprefix("#: ") for line in lines) + "\n"


def _comment(text: str, first: str = "# ", rest: str = "# ") -> list[str]:
    return wrap(text, LINE_LETTERS, initial_indent=first, subsequent_indent=rest)


def _numbered(heading: str, steps: tuple[str, ...]) -> list[str]:
    lines = [f"# {heading}"]
    for number, step in enumerate(steps, 1):
        lines += _comment(step, f"# {number}. ", "#    ")
    return lines


def _keys(model: type[NoteRecord], indent: str) -> Iterator[str]:
    """Every key of a record with its unit and meaning, deeper ones below it."""
    common = set(PartNote.model_fields) if issubclass(model, PartNote) else set()
    for name, field in model.model_fields.items():
        if name in common:
            continue
        key = field.alias or name
        unit = unit_of(key)
        words = f"{key}{f' ({unit})' if unit else ''}: {field.description}"
        yield from _comment(words, f"# {indent}", f"# {indent}    ")
        inner = _entries(field)
        if inner is not None:
            yield from _keys(inner, indent + "  ")


def _entries(field: FieldInfo) -> type[NoteRecord] | None:
    """The record that the entries of a list are; None for any other key."""
    found: Any = field.annotation
    if isinstance(found, UnionType):
        return None
    first = next(iter(get_args(found)), None)
    return first if isinstance(first, type) and issubclass(first, NoteRecord) else None
