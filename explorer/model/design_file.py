"""A design that a person already owns: a small TOML file with parts and settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from numbers import Real
from pathlib import Path
from typing import Any, cast

import numpy as np
from pydantic import ValidationError

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.csv_tables import shown
from explorer.inputs.links import LINKS
from explorer.inputs.plausible import implausible
from explorer.inputs.records import SETTING_ROWS, SETTINGS, WHOLE_SETTINGS
from explorer.inputs.rule_words import rule_of
from explorer.inputs.sections import BUDGET_LINES, BudgetLine
from explorer.inputs.study import Project
from explorer.inputs.toml_text import read_toml
from explorer.model.costing import BUILD
from explorer.model.space import Designs

LARGEST_FILE_BYTES = 1_000_000


def read_design(project: Project, path: str | Path) -> Designs:
    """Read `[parts]` (a part id for each link) and `[settings]` (all of them) as one design.

    Any part of the tables that has a price may be named, chosen by the study or not. What the file
    says of small things is left to `built_as`. InputError with every fault.
    """
    _, content = read_toml(Path(path), LARGEST_FILE_BYTES, "a design")
    rest = {name: section for name, section in content.items() if name != BUILD}
    return checked_design(project, rest, str(path))


def built_as(project: Project, path: str | Path) -> Project:
    """The project with the small things of a design's file, in place of the study's where the file
    has a [build] with such lines. InputError with every fault.
    """
    _, content = read_toml(Path(path), LARGEST_FILE_BYTES, "a design")
    if BUILD not in content:
        return project
    faults: list[Fault] = []
    given = _section(str(path), content, BUILD, faults)
    faults += _unknown(str(path), BUILD, given, BUDGET_LINES)
    lines: dict[str, BudgetLine | None] = dict.fromkeys(BUDGET_LINES)
    for name, line in given.items():
        try:
            lines[name] = BudgetLine.model_validate(line)
        except ValidationError as error:
            for found in error.errors(include_url=False):
                where = ".".join(map(str, (BUILD, name, *found["loc"])))
                faults.append(Fault(str(path), where, rule_of(found), shown(found["input"])))
    if faults:
        raise InputError(faults)
    build = project.study.build.model_copy(update=lines)
    return replace(project, study=replace(project.study, build=build))


def checked_design(project: Project, content: Mapping[str, Any], file: str) -> Designs:
    """One design from what stands in its file, or from a mapping of the same shape.

    `file` is what faults name. InputError with every fault.
    """
    faults = [
        Fault(file, shown(name), "is an unknown section", hint=nearest(name, ("parts", "settings")))
        for name in content
        if name not in ("parts", "settings")
    ]
    parts, settings = (_section(file, content, name, faults) for name in ("parts", "settings"))
    faults += _unknown(file, "parts", parts, tuple(LINKS))
    faults += _unknown(file, "settings", settings, SETTINGS)
    rows: dict[str, int] = {}
    for link in LINKS:
        ids = tuple(part.id for part in project.catalogue.parts[link])
        name = parts.get(link)
        where = f"parts.{link}"
        if name is None:
            faults.append(Fault(file, where, "is missing"))
        elif not isinstance(name, str) or name not in ids:
            hint = nearest(str(name), ids)
            faults.append(Fault(file, where, "is not in its table", shown(name), hint))
        elif name not in project.catalogue.prices.breaks:
            faults.append(Fault(file, where, "has no price in prices.csv", name))
        else:
            rows[link] = ids.index(name)
    values: dict[str, float] = {}
    for name in SETTINGS:
        value, where = settings.get(name), f"settings.{name}"
        default = SETTING_ROWS[name].default
        value = default if value is None else value
        if value is None:
            faults.append(Fault(file, where, "is missing"))
        elif isinstance(value, bool) or not isinstance(value, Real):
            faults.append(Fault(file, where, "must be a number", shown(value)))
        elif value != default and not 0 < cast(float, value) < 1e9:
            faults.append(Fault(file, where, "must be above 0 and below 1e9", shown(value)))
        elif rule := implausible(name, float(value)):
            faults.append(Fault(file, where, rule, shown(value)))
        elif name in WHOLE_SETTINGS and float(value) % 1:
            faults.append(Fault(file, where, "must be a whole number", shown(value)))
        else:
            values[name] = float(value)
    if faults:
        raise InputError(faults)
    return Designs(
        {link: np.array([row]) for link, row in rows.items()},
        {name: np.array([value]) for name, value in values.items()},
    )


def _section(
    file: str, content: Mapping[str, Any], name: str, faults: list[Fault]
) -> Mapping[str, Any]:
    section = content.get(name, {})
    if isinstance(section, Mapping):
        return section
    faults.append(Fault(file, name, "must be a table", shown(section)))
    return {}


def _unknown(file: str, name: str, given: Mapping[str, Any], valid: tuple[str, ...]) -> list[Fault]:
    return [
        Fault(file, f"{name}.{shown(key)}", "is unknown", hint=nearest(key, valid))
        for key in given
        if key not in valid
    ]
