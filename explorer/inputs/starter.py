"""The text of a new study and its empty tables, made from the records that will read them."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from datetime import date
from textwrap import wrap
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from explorer.inputs.catalogue import MODELS, TABLE_NAMES, BenchPoint, columns_of
from explorer.inputs.csv_tables import TableColumns
from explorer.inputs.front_parts import Generator
from explorer.inputs.links import LINKS
from explorer.inputs.prices import Offer, OfferColumns, Price
from explorer.inputs.records import SETTING_ROWS, Record
from explorer.inputs.sections import NAMED_SECTIONS, SECTIONS
from explorer.inputs.spreads import SpreadRow, class_text
from explorer.units import unit_of

SCHEMA_FILE = "study.schema.json"
"""Name of the schema beside a study, which its first line names for editors."""
WIDTH = 96
SECTION_ORDER = (
    "study", "session", "choices", "settings", "limits", "prices", "owned", "search", "outing",
    "build", "promise", "worth",
)  # fmt: skip
SHOWN_SET = {("search", "minutes")}
"""Keys that have a default and are set all the same, as the first that one changes."""
UNCOMMENT = "Example; to use it, put it below the line of column names without its #:"


def study_text(name: str) -> str:
    """The study file: what must be set is set to an example, everything else a comment."""
    lines = [
        f"#:schema {SCHEMA_FILE}",
        *_comment(
            "A study for genchain: this file and the tables beside it. Keys that begin with # have "
            "a default or need not be set; numbers carry their unit in the name."
        ),
    ]
    for section in SECTION_ORDER:
        lines += ["", *_section(section, name)]
    return "\n".join(lines) + "\n"


def table_text(kind: str) -> str:
    """The table of a link, of packs or of operators: every column explained, no rows."""
    model = MODELS[kind]
    about = f"{TABLE_NAMES[kind]}.csv. {_summary(model)}"
    return _table(about, _columns(model), [example_row(kind)])


def prices_text() -> str:
    """prices.csv with an example row for each part that the tables give as an example."""
    rows = [_examples(Price) | {"part": f"my_{link}"} for link in LINKS]
    return _table(
        "prices.csv. What a part costs; nothing else holds prices.", _meanings(Price), rows
    )


def spreads_text() -> str:
    """spreads.csv with what is assumed of classes of parts."""
    about = (
        "spreads.csv. How much parts, hands and settings differ from build to build; what no row "
        "speaks of does not differ. Below stands what is usual of each class."
    )
    text = _table(about, _meanings(SpreadRow), [_examples(SpreadRow)])
    _, rows = class_text().split("\n", 1)
    return text + rows


def bench_text() -> str:
    """converter_points.csv with the points of the example converter."""
    count = max(len(info.examples or ()) for info in BenchPoint.model_fields.values())
    rows = [
        _examples(BenchPoint, number) | {"converter": "my_converter"} for number in range(count)
    ]
    about = "converter_points.csv. Measured points of converters, at least six for each."
    return _table(about, _meanings(BenchPoint), rows)


def example_row(kind: str) -> dict[str, str]:
    """An example row of a table, column -> cell."""
    return _examples(MODELS[kind]) | {"id": f"my_{kind}", "name": f"My {kind.replace('_', ' ')}"}


def _section(name: str, study: str) -> Iterator[str]:
    if name in NAMED_SECTIONS:
        yield from _comment(NAMED_SECTIONS[name])
        yield f"[{name}]"
        if name == "choices":
            yield from (f'# {link} = "all"' for link in LINKS)
            return
        if name == "owned":
            yield "# my_cell = 4"
            return
        for setting, row in SETTING_ROWS.items():
            yield from _comment(f"{row.meaning[0].upper()}{row.meaning[1:]}.")
            yield f"{setting} = {_toml(list(row.example))}"
        return
    model = SECTIONS[name]
    yield from _comment(_summary(model))
    yield f"[{name}]"
    for key, info in model.model_fields.items():
        if key == "offers":
            yield from _offer()
            continue
        yield from _comment(info.description or "")
        if key == "shifts":
            yield f"# Instead of both: {key} = {_toml(_shown(info))}"
            continue
        value = study if (name, key) == ("study", "name") else _shown(info)
        is_set = info.is_required() or (name, key) in SHOWN_SET
        yield f"{'' if is_set else '# '}{key} = {_toml(value)}"


def _offer() -> Iterator[str]:
    """A supplier's price list, as a comment."""
    yield from _comment(_summary(Offer))
    yield "# [[prices.offers]]"
    for key, info in Offer.model_fields.items():
        if info.is_required() and key != "columns":
            yield f"# {key} = {_toml(_shown(info))}"
    named = {k: i.examples[0] for k, i in OfferColumns.model_fields.items() if i.examples}
    yield f"# columns = {_toml(named)}"
    yield f"# dated = {_toml(date(2026, 11, 25))}"


def _table(about: str, columns: dict[str, str], rows: Sequence[dict[str, str]]) -> str:
    lines = list(_comment(about))
    for column, meaning in columns.items():
        unit = unit_of(column)
        lines += _comment(f"{column}{f' ({unit})' if unit else ''}: {meaning}")
    lines += _comment(UNCOMMENT)
    lines += [f"# {_csv_line([row.get(column, '') for column in columns])}" for row in rows]
    return "\n".join([*lines, ",".join(columns)]) + "\n"


def _columns(model: type[Record]) -> dict[str, str]:
    """Columns of a table, in order, and what they hold; values between leads before a phase's."""
    own = set(columns_of(model).valid)
    meanings = {name: text for name, text in _meanings(model).items() if name in own}
    if not issubclass(model, Generator):
        return meanings
    lines = {pattern.format("phase"): pattern for pattern in model.LINE_COLUMNS}
    found: dict[str, str] = {}
    for name, text in meanings.items():
        if name in lines:
            found[lines[name].format("line")] = model.LINE_COLUMNS[lines[name]]
        found[name] = text
    return found


def _meanings(model: type[BaseModel]) -> dict[str, str]:
    own = TableColumns.of(model).valid
    fields = {info.alias or name: info for name, info in model.model_fields.items()}
    return {name: fields[name].description or "" for name in fields if name in own}


def _examples(model: type[BaseModel], number: int = 0) -> dict[str, str]:
    """The examples of a record's fields as cells."""
    return {
        info.alias or name: str(info.examples[min(number, len(info.examples) - 1)])
        for name, info in model.model_fields.items()
        if info.examples
    }


def _shown(info: FieldInfo) -> Any:
    """An example of a key, or else its default."""
    return info.examples[0] if info.examples else info.default


def _summary(model: type[BaseModel]) -> str:
    return " ".join((model.__doc__ or "").split("\n\n")[0].split())


def _comment(text: str) -> Iterator[str]:
    return (f"# {line}" for line in wrap(text, WIDTH - 2, break_on_hyphens=False))


def _csv_line(cells: Sequence[str]) -> str:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="").writerow(cells)
    return stream.getvalue()


def _toml(value: Any) -> str:
    """A plain value as TOML writes it on one line."""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{k} = {_toml(v)}' for k, v in value.items())} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, str | bool):
        return json.dumps(value, ensure_ascii=False)
    return f"{value:.12g}"
