"""What every section of a study file is, and the kinds of value that several have."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from explorer.inputs.records import Identifier, Text


def _printable(name: str) -> str:
    if not name.isprintable():
        raise ValueError("must be a printable name")
    return name


Folder = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_printable)]


LIKE_SPACE = str.maketrans({"\u00a0": " ", "\u200d": ""})
"""A space that does not break and what joins signs: no letters, and nothing that hides any."""


def _line(text: str) -> str:
    if not text.translate(LIKE_SPACE).isprintable():
        raise ValueError("must be printable text on one line")
    return text


def _lines(text: str) -> str:
    if not all(one.translate(LIKE_SPACE).isprintable() for one in re.split(r"[\n\t]", text)):
        raise ValueError("must be printable text")
    return text


Line = Annotated[Text, AfterValidator(_line)]
PlainText = Annotated[str, Field(min_length=1, max_length=2000), AfterValidator(_lines)]
"""Without control characters, which a terminal or a page would follow instead of showing them."""


def _each_once(names: tuple[str, ...]) -> tuple[str, ...]:
    if len(set(names)) < len(names):
        raise ValueError("must name each once")
    return names


Names = Annotated[
    tuple[Identifier, ...], Field(strict=False, min_length=1), AfterValidator(_each_once)
]


class Section(BaseModel):
    """A table of the study file: typed as TOML types it, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
