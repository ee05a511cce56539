"""`genchain start`: a folder with a study to be filled in, its empty tables and its schema."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from explorer.commands.schema import schema, text_of
from explorer.errors import Fault, InputError
from explorer.files import is_there, write_folder
from explorer.inputs import starter
from explorer.inputs.catalogue import IDENTIFIER, TABLE_NAMES
from explorer.inputs.csv_tables import shown


def start(name: str, *, home: Path) -> dict[str, Any]:
    """Write the folder `home/name`; InputError for a name that no study may have, or one taken.

    The study is complete but for its tables: `check` names each that has no rows yet.
    """
    if not IDENTIFIER.match(name):
        rule = "must be lower-case letters, digits and _, a letter first, at most 48"
        raise InputError([Fault("start", "NAME", rule, shown(name))])
    folder = home / name
    if is_there(folder):
        raise InputError([Fault(str(folder), "", "exists already, and nothing is overwritten")])
    files = {
        f"{name}.toml": starter.study_text(name),
        starter.SCHEMA_FILE: text_of(schema("study")) + "\n",
        **{f"parts/{stem}.csv": starter.table_text(kind) for kind, stem in TABLE_NAMES.items()},
        "parts/prices.csv": starter.prices_text(),
        "parts/spreads.csv": starter.spreads_text(),
        "bench/converter_points.csv": starter.bench_text(),
    }
    write_folder(folder, files)
    return {
        "study": str(folder / f"{name}.toml"),
        "files": [str(folder / file) for file in files],
    }
