"""What every command line shares: its usual arguments, and how an answer is printed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from explorer import stopping
from explorer.errors import printable

StudyFile = Annotated[
    # Whether it can be read is reported by whoever reads it, in one line.
    Path, typer.Argument(metavar="STUDY.toml", help="The study file.", readable=False)
]
AsJson = Annotated[
    bool, typer.Option("--json", help="One JSON object on standard output, nothing else there.")
]


def give_answer(
    answer: dict[str, Any], as_json: bool, words: Callable[[dict[str, Any]], list[str]]
) -> None:
    """Print an answer in words, or as one JSON object with the words on standard error."""
    lines = [printable(line) for line in words(answer)]
    stopping.answering()
    if as_json:
        sys.stderr.write("\n".join(lines) + "\n")
        sys.stdout.write(json_line(answer) + "\n")
    else:
        sys.stdout.write("\n".join(lines) + "\n")


def json_line(answer: dict[str, Any]) -> str:
    """One line of JSON; letters that the output may not have are escapes in it."""
    as_they_are = "utf" in (sys.stdout.encoding or "").lower()
    # No stand-in for a type that JSON lacks: the text "True" would be worse than a failure.
    return json.dumps(answer, ensure_ascii=not as_they_are, allow_nan=False)
