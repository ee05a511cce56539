"""Designs and parts picked by name, for tests of the chain."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model.space import Designs

SOUND = {
    "crank": "crank_mid", "gearing": "belt_4", "generator": "hub_small", "lead": "lead_plain",
    "rectifier": "schottky_3a", "cell": "cell_25f", "clamp": "no_clamp", "window": "window_plain",
    "converter": "buckboost_wide", "pack_lead": "usb_lead_short",
    "cells_series": 5, "cells_parallel": 1, "cadence_rpm": 50.0, "undervoltage_off_V": 5.0,
    "undervoltage_band_V": 1.8, "overvoltage_off_V": 10.5, "delta": 0,
}  # fmt: skip
"""A chain of the small study."""


def pick(project: Project, *changes: dict[str, Any]) -> Designs:
    """The sound chain with each of some changes, in order; without any, itself."""
    rows = [SOUND | change for change in changes or ({},)]
    place = {
        link: {part.id: row for row, part in enumerate(project.catalogue.parts[link])}
        for link in LINKS
    }
    return Designs(
        {link: np.array([place[link][row[link]] for row in rows]) for link in LINKS},
        {name: np.array([float(row[name]) for row in rows]) for name in SETTINGS},
    )


def with_part(project: Project, link: str, part: str, **fields: Any) -> Project:
    """The project with some fields of one part changed."""
    rows = tuple(
        row.model_copy(update=fields) if row.id == part else row
        for row in project.catalogue.parts[link]
    )
    catalogue = replace(project.catalogue, parts={**project.catalogue.parts, link: rows})
    return replace(project, catalogue=catalogue)


def with_person(project: Project, **fields: Any) -> Project:
    """The project with its first operator changed."""
    name, catalogue = project.study.session.operators[0], project.catalogue
    person = catalogue.operators[name].model_copy(update=fields)
    return replace(
        project, catalogue=replace(catalogue, operators={**catalogue.operators, name: person})
    )


def with_pack(project: Project, **fields: Any) -> Project:
    """The project with its first pack changed."""
    name, catalogue = project.study.session.packs[0], project.catalogue
    pack = catalogue.packs[name].model_copy(update=fields)
    return replace(project, catalogue=replace(catalogue, packs={**catalogue.packs, name: pack}))


def with_study(project: Project, section: str, **fields: Any) -> Project:
    """The project with fields of a section of its study changed."""
    part = getattr(project.study, section).model_copy(update=fields)
    return replace(project, study=replace(project.study, **{section: part}))
