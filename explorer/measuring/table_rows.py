"""A table of a study as lines of text, so that what is not touched stays as it is."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from explorer.errors import Fault
from explorer.files import OUTSIDE, leads_outside
from explorer.inputs.table_text import SAVE_AS, NotText, decoded


@dataclass(frozen=True)
class TableText:
    """A table as lines of text, so that what is not touched stays as it is.

    `head`: lines up to and with the column names. `rows`: cells by column of each line below.
    """

    file: Path
    before: str | None
    head: tuple[str, ...]
    columns: tuple[str, ...]
    lines: tuple[str, ...]
    rows: tuple[Mapping[str, str], ...]
    line_end: str = "\n"

    def find(self, wanted: Mapping[str, str]) -> int | None:
        """The number of the first row that has all of some cells."""
        return next(
            (i for i, row in enumerate(self.rows)
             if all(row.get(column) == cell for column, cell in wanted.items())),
            None,
        )  # fmt: skip

    def with_row(self, cells: Mapping[str, str], at: int | None) -> TableText:
        """This table with a row in the place of one, or at its end."""
        line = _csv_line([cells.get(column, "") for column in self.columns])
        lines, rows = list(self.lines), list(self.rows)
        if at is None:
            lines.append(line)
            rows.append(dict(cells))
        else:
            lines[at], rows[at] = line, dict(cells)
        return dataclasses.replace(self, lines=tuple(lines), rows=tuple(rows))

    def without(self, wanted: Mapping[str, str]) -> TableText:
        """This table without the rows that have all of some cells."""
        kept = [
            (line, row) for line, row in zip(self.lines, self.rows, strict=True)
            if any(row.get(column) != cell for column, cell in wanted.items())
        ]  # fmt: skip
        lines, rows = tuple(line for line, _ in kept), tuple(row for _, row in kept)
        return dataclasses.replace(self, lines=lines, rows=rows)

    def with_columns(self, names: Sequence[str]) -> TableText:
        """This table with columns at its end, empty in every row."""
        if not names:
            return self
        return dataclasses.replace(
            self,
            head=(*self.head[:-1], self.head[-1] + "," + _csv_line(names)),
            columns=(*self.columns, *names),
            lines=tuple(line + "," * len(names) for line in self.lines),
            rows=tuple({**row, **dict.fromkeys(names, "")} for row in self.rows),
        )

    @property
    def text(self) -> str:
        """The file's text."""
        return self.line_end.join((*self.head, *self.lines, ""))


def read_rows(file: Path, folder: Path, new: str) -> TableText | Fault:
    """A table of commas and UTF-8, as lines; a Fault for any other. `new`: what one that is not
    there begins with, empty where it must be there.
    """
    if leads_outside(file, folder):
        return Fault(str(file), "", OUTSIDE)
    try:
        content = file.read_bytes() if file.exists() else None
    except OSError as error:
        return Fault(str(file), "", f"cannot be read: {error.strerror or error}")
    if content is None:
        if not new:
            return Fault(str(file), "", "is missing")
        return _table(file, None, new)
    try:
        decoded(content)
        text = content.decode("utf-8")
    except (NotText, UnicodeDecodeError):
        return Fault(str(file), "", f"is not written to: {SAVE_AS}")
    return _table(file, text, text)


def _table(file: Path, before: str | None, text: str) -> TableText | Fault:
    lines = text.rstrip().splitlines()
    starts = (line.lstrip("\ufeff ") for line in lines)
    names = next((i for i, line in enumerate(starts) if line and line[:1] != "#"), None)
    if names is None or "," not in lines[names]:
        return Fault(str(file), "", f"is not written to: {SAVE_AS}")
    header = next(csv.reader([lines[names].lstrip("\ufeff")]))
    columns = tuple(cell.strip() for cell in header)
    below = [line for line in lines[names + 1 :] if line.strip(", \t")]
    rows = []
    for line in below:
        cells = next(csv.reader([line], skipinitialspace=True))
        if len(cells) != len(columns):
            return Fault(str(file), line[:40], f"must have {len(columns)} cells", str(len(cells)))
        rows.append({name: c.strip() for name, c in zip(columns, cells, strict=True)})
    head = tuple(lines[: names + 1])
    line_end = "\r\n" if "\r\n" in text else "\n"
    return TableText(file, before, head, columns, tuple(below), tuple(rows), line_end)


def _csv_line(cells: Iterable[str]) -> str:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="").writerow(cells)
    return stream.getvalue()
