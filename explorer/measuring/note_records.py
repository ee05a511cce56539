"""What every record of a note has: strict keys, and speeds as one takes them."""

from __future__ import annotations

from math import hypot, pi
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from explorer.inputs.records import Positive, Text
from explorer.units import RAD_S_PER_RPM

Finite = Annotated[float, Field(allow_inf_nan=False)]


class NoteRecord(BaseModel):
    """Part of a note: unknown keys are refused, text is no number."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class NoteFault(ValueError):
    """Something of a note that is wrong: where (keys and numbers of entries), rule and value."""

    def __init__(self, keys: tuple[str | int, ...], rule: str, value: object = "") -> None:
        self.keys, self.rule, self.value = keys, rule, value
        super().__init__(rule)


class PartNote(NoteRecord):
    """What every note of a part may say beside its readings."""

    name: Text | None = Field(
        default=None, description="what people call it", examples=["Hub motor from the skip"]
    )
    like: str | None = Field(
        default=None,
        description="id of a row of the same table: columns that were not measured are its",
        examples=["hub_small"],
    )
    sure: bool = Field(
        default=False,
        description="true where a value ten times the usual is right all the same",
        examples=[True],
    )
    given: dict[str, float | int | str] = Field(
        default={},
        description="columns of the row that were not measured, from a sheet or a label",
        examples=[{"mass_kg": 2.3}],
    )


class Turning(NoteRecord):
    """A reading taken at a speed: turns counted and seconds, or hertz, or rpm of a tachometer."""

    turns: Positive | None = Field(
        default=None, description="turns of the shaft that were counted", examples=[60]
    )
    seconds: Positive | None = Field(
        default=None, description="that those turns took", examples=[20]
    )
    hertz: Positive | None = Field(
        default=None, description="electrical frequency of the open voltage", examples=[45]
    )
    rpm: Positive | None = Field(
        default=None, description="turns of the shaft a minute, by a tachometer", examples=[180]
    )

    @model_validator(mode="after")
    def _one_speed(self) -> Self:
        if (self.turns is None) != (self.seconds is None):
            raise ValueError("turns and seconds stand together")
        if self.turns is not None and self.rpm is not None:
            raise ValueError("give turns and seconds, or rpm, not both")
        if self.turns is None and self.hertz is None and self.rpm is None:
            raise ValueError("needs its speed: turns and seconds, or hertz, or rpm")
        return self

    def shaft_rad_s(self, pole_pairs: int | None) -> float:
        """Speed of the shaft, rad/s; of several ways the mechanical one counts."""
        if self.turns is not None and self.seconds is not None:
            return 2 * pi * self.turns / self.seconds
        if self.rpm is not None:
            return self.rpm * RAD_S_PER_RPM
        return 2 * pi * (self.hertz or 0.0) / (pole_pairs or 1)

    def relative_sd(self, turn_sd: float, second_sd: float, rpm_sd: float) -> float:
        """Relative standard uncertainty of that speed, from those of counts, seconds and rpm."""
        if self.turns is not None and self.seconds is not None:
            return hypot(turn_sd / self.turns, second_sd / self.seconds)
        return rpm_sd / self.rpm if self.rpm is not None else 0.002
