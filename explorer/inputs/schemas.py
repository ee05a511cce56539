"""JSON Schema of the files that people write, from the records that read them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from explorer.inputs.links import LINKS
from explorer.inputs.plausible import RANGES
from explorer.inputs.records import SETTING_ROWS, WHOLE_SETTINGS
from explorer.inputs.sections import (
    BUDGET_LINES,
    MOST_PIECES,
    MOST_VALUES,
    NAMED_SECTIONS,
    SECTIONS,
    BudgetLine,
    Build,
    Setting,
)
from explorer.inputs.session_section import Session

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
ID_TEXT: Schema = {"type": "string", "pattern": "^[a-z][a-z0-9_]{0,47}$"}


def study_schema() -> Schema:
    """What a study file may hold, with the meaning of every key."""
    required = [name for name, row in SETTING_ROWS.items() if row.default is None]
    definitions: Schema = {}
    sections: Schema = {}
    for name, model in SECTIONS.items():
        schema = model.model_json_schema(ref_template="#/$defs/{model}")
        definitions |= schema.pop("$defs", {})
        if model is Session:
            schema |= _one_of_either(schema, ("minutes", "operators"), "shifts")
        sections[name] = schema
    sections["choices"] = _table(NAMED_SECTIONS["choices"], {name: _choice(name) for name in LINKS})
    sections["settings"] = _table(
        NAMED_SECTIONS["settings"],
        {name: _setting(name) for name in SETTING_ROWS},
        required=required,
    )
    sections["owned"] = {
        "type": "object",
        "description": NAMED_SECTIONS["owned"],
        "propertyNames": ID_TEXT,
        "additionalProperties": {"type": "integer", "minimum": 0, "maximum": MOST_PIECES},
    }
    return {
        "$schema": DIALECT,
        "title": "A study of genchain",
        **_table(
            "Who cranks, which parts may be chosen, and what is asked.",
            {name: tidy(section) for name, section in sections.items()},
            required=["study", "session", "settings"],
        ),
        "$defs": {name: tidy(schema) for name, schema in definitions.items()},
    }


def design_schema() -> Schema:
    """What the file of one design may hold."""
    parts: Schema = {
        name: ID_TEXT | {"description": f"Id of a row of {link.table}.csv."}
        for name, link in LINKS.items()
    }
    required = [name for name, row in SETTING_ROWS.items() if row.default is None]
    settings: Schema = {
        name: {
            **_number(name),
            "description": row.meaning,
        }
        for name, row in SETTING_ROWS.items()
    }
    tables = {
        "parts": _table("The part of each link.", parts, required=list(parts)),
        "settings": _table("Every setting, one number.", settings, required=required),
    }
    about = "One chain: its parts and settings."
    line = tidy(BudgetLine.model_json_schema())
    lines: Schema = {
        name: line | {"description": Build.model_fields[name].description} for name in BUDGET_LINES
    }
    tables["build"] = _table("Small things, in place of the study's.", lines)
    return {
        "$schema": DIALECT,
        "title": "A design of genchain",
        **_table(about, tables, required=["parts", "settings"]),
    }


SCHEMAS: dict[str, Callable[[], Schema]] = {"study": study_schema, "design": design_schema}
"""Kinds of files by name."""


def _table(about: str, keys: Schema, required: list[str] | None = None) -> Schema:
    return {
        "type": "object",
        "description": about,
        "properties": keys,
        "additionalProperties": False,
        **({"required": required} if required else {}),
    }


def _one_of_either(schema: Schema, usual: tuple[str, ...], instead: str) -> Schema:
    """What a section needs that has either some keys or another one in their place."""
    others: Schema = {name: False for name in usual}
    return {
        "required": [name for name in schema["required"] if name not in usual],
        "oneOf": [
            {"required": list(usual), "properties": {instead: False}},
            {"required": [instead], "properties": others},
        ],
    }


def _choice(link: str) -> Schema:
    ids: Schema = {"type": "array", "items": ID_TEXT, "minItems": 1, "uniqueItems": True}
    return {
        "description": f'Ids of {LINKS[link].table}.csv that may be chosen, or "all".',
        "anyOf": [{"const": "all"}, ids],
        "default": "all",
    }


def _number(name: str) -> Schema:
    whole, limits, default = name in WHOLE_SETTINGS, RANGES[name], SETTING_ROWS[name].default
    return {
        "type": "integer" if whole else "number",
        "minimum": limits.least if default is None else min(limits.least, default),
        "maximum": limits.most,
    }


def _setting(name: str) -> Schema:
    number = _number(name)
    span = tidy(Setting.model_json_schema())
    del span["properties"]["listed"]  # how a list is kept, no key of the file
    span["oneOf"] = [{"required": ["step"]}, {"required": ["sweep_points"]}]
    return {
        "description": SETTING_ROWS[name].meaning,
        "anyOf": [
            number,
            {"type": "array", "items": number, "minItems": 1, "maxItems": MOST_VALUES},
            span,
        ],
        "examples": [list(SETTING_ROWS[name].example)],
    }


def tidy(schema: Schema) -> Schema:
    """A schema without titles that only repeat a key, and without null, which TOML has not."""
    kept = {
        word: _tidy_word(word, value)
        for word, value in schema.items()
        if word != "title" and (word, value) != ("default", None)
    }
    others = [one for one in kept.get("anyOf", ()) if one != {"type": "null"}]
    if len(others) == 1:
        del kept["anyOf"]
        return {**others[0], **kept}
    return {**kept, "anyOf": others} if others else kept


def _tidy_word(word: str, value: Any) -> Any:
    if word in ("properties", "$defs"):
        return {name: tidy(schema) for name, schema in value.items()}
    if word in ("items", "additionalProperties") and isinstance(value, dict):
        return tidy(value)
    return [tidy(one) for one in value] if word == "anyOf" else value
