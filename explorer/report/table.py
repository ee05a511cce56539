"""Results as a data frame, and the frame as CSV or Parquet."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from explorer.errors import Fault, InputError
from explorer.files import write_atomic
from explorer.inputs.notation import is_formula

if TYPE_CHECKING:
    from pandas import DataFrame

INDEX = "design_id"
SUFFIXES = (".csv", ".parquet")


def frame(records: Sequence[Mapping[str, Any]]) -> DataFrame:
    """Results, a row each, indexed by `design_id`.

    Each value of a nested mapping has a column of its own, its keys joined by a dot; lists are left
    out. Numbers that are None in a result are NaN.

    >>> list(frame([{"design_id": "0a", "cost": 3.5, "parts": {"cell": "x"}}]).columns)
    ['cost', 'parts.cell']
    """
    import pandas as pd

    nested = {key for record in records for key, value in record.items() if _is_nested(value)}
    rows = [dict(_flat(record, nested)) for record in records]
    columns = list(dict.fromkeys(name for row in rows for name in row)) or [INDEX]
    table = pd.DataFrame(rows, columns=columns).set_index(INDEX)
    unknown = [name for name in table if table[name].isna().all()]
    return table.astype(dict.fromkeys(unknown, float))


def _is_nested(value: object) -> bool:
    return isinstance(value, Mapping)


def _flat(
    record: Mapping[str, Any], nested: Collection[str] = (), prefix: str = ""
) -> Iterator[tuple[str, Any]]:
    for key, value in record.items():
        if _is_nested(value):
            yield from _flat(value, prefix=f"{prefix}{key}.")
        elif not isinstance(value, list | tuple) and not (value is None and key in nested):
            yield f"{prefix}{key}", value


def harmless(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe before one that it would.

    >>> harmless("=1+1"), harmless("cell_10f")
    ("'=1+1", 'cell_10f')
    """
    return f"'{text}" if is_formula(text) else text


def refuse_unknown_kind(file: Path) -> None:
    """InputError for a file that is neither CSV nor Parquet, or Parquet that nothing can write."""
    kind = file.suffix.lower()
    if kind not in SUFFIXES:
        rule = f"must end in {' or '.join(SUFFIXES)}"
        raise InputError([Fault(str(file), "", rule, file.suffix or "no ending")])
    if kind == ".parquet" and not (find_spec("pyarrow") or find_spec("fastparquet")):
        rule = "needs a library that writes Parquet: pip install 'genchain[parquet]'"
        raise InputError([Fault(str(file), "", rule)])


def save(table: DataFrame, file: Path) -> Path:
    """Write a frame whole or not at all, as the file's ending says; the file.

    In CSV a text that a spreadsheet would run as a formula has an apostrophe before it; Parquet
    holds texts as they are. CSV is that of RFC 4180 in UTF-8, numbers to the last digit. Errors as
    `refuse_unknown_kind` and `write_atomic`.
    """
    refuse_unknown_kind(file)
    if file.suffix.lower() == ".csv":
        safe = table.rename(columns=harmless).map(harmless_cell)
        safe.index = safe.index.map(harmless_cell)
        return write_atomic(file, safe.to_csv(lineterminator="\r\n"))
    content = BytesIO()
    table.to_parquet(content)
    return write_atomic(file, content.getvalue())


def harmless_cell(value: Any) -> Any:
    """A cell whose text, if it is one, is harmless."""
    return harmless(value) if isinstance(value, str) else value
