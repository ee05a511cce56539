"""What every section of a study file is, and the kinds of value that several have."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from explorer.inputs.records import Identifier


def _printable(name: str) -> str:
    if not name.isprintable():
        raise ValueError("must be a printable name")
    return name


Folder = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_printable)]


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
