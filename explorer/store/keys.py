"""Names of things in a store: its file, a search, a design; and what stands for what it lacks."""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import blake2b
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from explorer import MODEL_VERSION
from explorer.inputs.catalogue import Catalogue
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTING_ROWS, SETTINGS
from explorer.inputs.study import Project
from explorer.model.space import Designs, part_word, setting_word

Numbers = NDArray[np.uint64]
"""Design ids as numbers: the 12 hexadecimal digits read as one."""


def default_row(link: str) -> str | None:
    """The row that a design from before a link is taken to have; None: none can stand for it."""
    return LINKS[link].default_id


def default_setting(name: str) -> float | None:
    """The value that a design from before a setting is taken to have; None: none can."""
    return SETTING_ROWS[name].default


def path_of(project: Project) -> Path:
    """Where the store of a study stands."""
    return project.path.parent / f"{project.study.name}.store.sqlite"


def search_key(project: Project) -> str:
    """Name of a search: the same exactly while its stored progress holds.

    Counts the model, the scenario, the physics of the parts that may be chosen, settings, limits
    and search options; not prices, nor the limit on cost.
    """
    study, catalogue = project.study, project.catalogue
    limits = study.limits_of_parts.model_dump(mode="json", exclude={"cost"})
    rows = {
        link: [(part, catalogue.row_hashes[link][part]) for part in study.choices[link]]
        for link in LINKS
    }
    settings = {
        name: study.settings[name].model_dump(mode="json")
        for name in SETTINGS
        if study.settings[name].values != (default_setting(name),)
    }
    search = study.search.model_dump(mode="json", exclude={"minutes", "cluster"})
    named = [MODEL_VERSION, project.scenario_hash, rows, settings, limits, search]
    return content_hash([*named, "by promise"] if study.by_promise else named)


def design_numbers(catalogue: Catalogue, designs: Designs) -> Numbers:
    """Ids of many designs as numbers, (n,); the same as `space.design_id`, some ten times faster.

    >>> f"{int(np.uint64(0xab)):012x}"
    '0000000000ab'
    """
    columns: list[list[str]] = []
    for link in LINKS:
        words = [part_word(link, part.id) for part in catalogue.parts[link]]
        columns.append([words[row] for row in designs.parts[link].tolist()])
    for name in SETTINGS:
        values, inverse = np.unique(designs.settings[name], return_inverse=True)
        words = [setting_word(name, value) for value in values]
        columns.append([words[row] for row in inverse.reshape(-1).tolist()])
    digests = b"".join(
        blake2b(";".join(filter(None, words)).encode(), digest_size=6).digest().rjust(8, b"\0")
        for words in zip(*columns, strict=True)
    )
    return np.frombuffer(digests, dtype=">u8").astype(np.uint64)


def ids_of(numbers: Iterable[int]) -> list[str]:
    """Design ids from their numbers."""
    return [f"{int(number):012x}" for number in numbers]
