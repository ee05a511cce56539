"""JSON Schema of studies and designs: true to what is read, with the meaning of every key."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from explorer.commands.schema import schema, text_of
from explorer.errors import InputError
from explorer.inputs.catalogue import TABLE_NAMES
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.sections import SECTIONS
from explorer.inputs.starter import SECTION_ORDER, study_text
from explorer.inputs.study import Project, load
from explorer.model.design_file import read_design
from tests.helpers.chains import SOUND

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "studies" / "flood_gauge.toml"


def content(text: str) -> Any:
    """TOML as JSON has it: dates as text."""
    return json.loads(json.dumps(tomllib.loads(text), default=str))


def wrong(kind: str, text: str) -> list[str]:
    found = jsonschema.Draft202012Validator(schema(kind)).iter_errors(content(text))
    return [error.message for error in found]


def keys(part: dict[str, Any], whole: dict[str, Any], at: str = "") -> Iterator[tuple[str, Any]]:
    """Every key of a file with what the schema says of it."""
    if "$ref" in part:
        yield from keys(whole["$defs"][part["$ref"].rsplit("/", 1)[1]], whole, at)
    for name, inner in part.get("properties", {}).items():
        yield f"{at}.{name}", inner
        yield from keys(inner, whole, f"{at}.{name}")
    named = part.get("additionalProperties") or None
    for inner in (part.get("items"), named, *part.get("anyOf", ())):
        yield from keys(inner, whole, at) if inner else ()


@pytest.mark.parametrize("kind", ["study", "design", "notes"])
def test_schemas_are_valid_and_explain_every_key(kind: str) -> None:
    found = schema(kind)
    jsonschema.Draft202012Validator.check_schema(found)
    explained = dict(keys(found, found))
    assert len(explained) > ({"study": 40, "design": 15, "notes": 80}[kind])
    for name, key in explained.items():
        assert key.get("description", "").strip(), name
    assert "null" not in json.dumps(found)  # TOML has no such value
    assert "listed" not in json.dumps(found)


def test_the_schema_of_a_study_has_every_key_that_is_read() -> None:
    found = schema("study")["properties"]
    assert set(found) == set(SECTION_ORDER)
    for name, model in SECTIONS.items():
        assert set(found[name]["properties"]) == set(model.model_fields)
    assert set(found["choices"]["properties"]) == set(LINKS)
    assert set(found["settings"]["properties"]) == set(SETTINGS)
    assert found["search"].get("required", []) == []
    assert set(TABLE_NAMES) > set(found["choices"]["properties"])


def test_the_demo_names_its_schema_which_stands_beside_it() -> None:
    first = DEMO.read_text("utf-8").splitlines()[0]
    named = re.fullmatch(r"#:schema (\S+)", first)
    assert named
    beside = DEMO.parent / named[1]
    # As values: of equal numbers, older releases of pydantic write 0 where newer ones write 0.0.
    assert json.loads(beside.read_text("utf-8")) == json.loads(text_of(schema("study"))), (
        "write it anew: genchain schema study > studies/study.schema.json"
    )
    assert wrong("study", DEMO.read_text("utf-8")) == []


def test_studies_that_load_suit_the_schema(small_study: Path) -> None:
    assert wrong("study", small_study.read_text("utf-8")) == []
    assert wrong("study", study_text("my_study")) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("minutes = 10\n", "minutes = 0\n"),
        ("minutes = 10\n", 'minutes = "ten"\n'),
        ("minutes = 10\n", "minutes = 10\nminuets = 5\n"),
        ('packs = ["telemetry_pack"]', 'packs = "telemetry_pack"'),
        ("cells_series = [5, 6]", "cells_series = [5.5]"),
        ("cadence_rpm = [50, 65]", "cadence_rpm = { low = 50, high = 65 }"),
        (
            "cadence_rpm = [50, 65]",
            "cadence_rpm = { low = 5, high = 6, step = 1, sweep_points = 2 }",
        ),
        ("cadence_rpm = [50, 65]\n", ""),
        ("cadence_rpm = [50, 65]", "cadence_rpm = []"),
        ("seed = 7", 'sampler = "best"'),
        ("seed = 7", "seed = -1"),
        ('currency = "EUR"', 'currency = "euro"'),
        ("[limits]", "[limit]"),
        ("[settings]", '[choices]\ncell = "some"\n[settings]'),
        ("[settings]", "[choices]\ncell = []\n[settings]"),
        ("[settings]", '[choices]\nflywheel = ["a"]\n[settings]'),
    ],
)
def test_what_the_schema_refuses_is_refused_when_read(
    small_study: Path, old: str, new: str
) -> None:
    text = small_study.read_text("utf-8")
    assert old in text
    small_study.write_text(text.replace(old, new, 1))
    assert wrong("study", small_study.read_text("utf-8"))
    with pytest.raises(InputError):
        load(small_study)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("cadence_rpm = [50, 65]", "cadence_rpm = 60"),
        ("cadence_rpm = [50, 65]", "cadence_rpm = { low = 50, high = 65, step = 5 }"),
        ("cadence_rpm = [50, 65]", "cadence_rpm = { low = 50, high = 65, sweep_points = 3 }"),
        ("seed = 7\nevaluations = 2000", "minutes = 2"),
        ("[search]\nseed = 7\nevaluations = 2000", ""),
        ('currency = "EUR"', "rates = { USD = 0.9 }\nrates_dated = 2026-11-02"),
        ("[settings]", '[choices]\ncell = "all"\nclamp = ["no_clamp"]\n[settings]'),
    ],
)
def test_what_is_read_suits_the_schema(small_study: Path, old: str, new: str) -> None:
    text = small_study.read_text("utf-8")
    assert old in text
    small_study.write_text(text.replace(old, new, 1))
    assert wrong("study", small_study.read_text("utf-8")) == []
    load(small_study)


def test_a_design_that_is_read_suits_the_schema(small_project: Project, tmp_path: Path) -> None:
    parts = "\n".join(f'{link} = "{SOUND[link]}"' for link in LINKS)
    settings = "\n".join(f"{name} = {SOUND[name]}" for name in SETTINGS)
    file = tmp_path / "mine.toml"
    file.write_text(f"[parts]\n{parts}\n\n[settings]\n{settings}\n")
    assert wrong("design", file.read_text()) == []
    read_design(small_project, file)
    for old, new in (("cells_series = 5", "cells_series = 5.5"), ("crank = ", "cranks = ")):
        file.write_text(f"[parts]\n{parts}\n\n[settings]\n{settings}\n".replace(old, new, 1))
        assert wrong("design", file.read_text())
        with pytest.raises(InputError):
            read_design(small_project, file)


def test_only_files_that_people_write_have_a_schema() -> None:
    with pytest.raises(InputError, match="must be study, design or notes, got studdy"):
        schema("studdy")
