"""The section [session] of a study: who cranks, one by one or in a row, and into which packs."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from explorer.inputs.records import Identifier
from explorer.inputs.section import Names, Section

MOST_MINUTES, MOST_SHIFTS = 1440, 24
"""Of one session; and how many may crank in it, one after the other."""
Minutes = Annotated[float, Field(gt=0, le=MOST_MINUTES)]


class Shift(Section):
    """One person's time at the crank."""

    operator: Identifier = Field(
        description="Id of operators.csv: who cranks.", examples=["my_operator"]
    )
    minutes: Minutes = Field(description="How long this person cranks.", examples=[5])


Crew = tuple[Shift, ...]
"""Who cranks in one session, one after the other; often one person alone."""


def _within_a_day(shifts: Crew) -> Crew:
    if len(shifts) > MOST_SHIFTS:
        raise ValueError(f"must be at most {MOST_SHIFTS}, are {len(shifts)}")
    minutes = sum(shift.minutes for shift in shifts)
    if minutes > MOST_MINUTES:
        raise ValueError(
            f"must not last more than {MOST_MINUTES} minutes together, last {minutes:g}"
        )
    return shifts


class Session(Section):
    """Who cranks, for how long, into which packs, in which surroundings."""

    minutes: Minutes = Field(
        description="How long one session at the crank lasts. Of shifts, their sum.", examples=[10]
    )
    operators: Names = Field(
        description="Ids of operators.csv: who cranks. Each is a case with each pack, with a "
        "session of their own.",
        examples=[["my_operator"]],
    )
    packs: Names = Field(description="Ids of packs.csv: what is charged.", examples=[["my_pack"]])
    over_cases: Literal["mean", "worst"] = Field(
        default="mean",
        description="Whether the mean or the worst of several operators and packs counts; of "
        "shifts in a row, of their packs.",
    )
    ambient_C: Annotated[float, Field(ge=-40, le=60)] = Field(
        default=25.0, description="Temperature of the surroundings."
    )
    winding_C: Annotated[float, Field(ge=-40, le=180)] = Field(
        default=60.0, description="Temperature at which the copper of a winding is taken."
    )
    wet: bool = Field(
        default=False,
        description="Whether it is used in the wet, where less voltage may be touched.",
    )
    overspeed: Annotated[float, Field(ge=1, le=3)] = Field(
        default=1.25, description="Nothing may be harmed at this many times the cadence."
    )
    overspeed_rpm: Annotated[float, Field(ge=0, le=400)] | None = Field(
        default=None,
        description="Nothing may be harmed at this speed of a hand that runs on when the load is "
        "gone. Left out: 150 rpm on a crank of 0.17 m, with the inverse root of its radius; 0: "
        "the multiple of the cadence alone.",
        examples=[150],
    )
    shifts: Annotated[Crew, Field(strict=False), AfterValidator(_within_a_day)] = Field(
        default=(),
        description="In place of minutes and operators, one table [[session.shifts]] each: who "
        "cranks how long, one after the other on one bank. Their energies add up; the effort is "
        "that of whom it is hardest for.",
        examples=[[{"operator": "my_operator", "minutes": 5}]],
    )

    @model_validator(mode="before")
    @classmethod
    def _add_up(cls, given: Any) -> Any:
        """Minutes and operators of shifts; where a shift is at fault, any that are valid."""
        if not isinstance(given, dict) or "shifts" not in given:
            return given
        both = [name for name in ("minutes", "operators") if name in given]
        if both:
            values = ", ".join(f"{name} = {given[name]!r}" for name in both)
            raise ValueError(
                f"must have either shifts, or minutes and operators; has also {values}"
            )
        try:
            shifts = [Shift.model_validate(one) for one in given["shifts"]]
        except (TypeError, ValueError):
            shifts = []
        minutes = min(sum(shift.minutes for shift in shifts), MOST_MINUTES)
        people = tuple(dict.fromkeys(shift.operator for shift in shifts))
        if not given["shifts"]:
            raise ValueError("shifts must not be empty")
        return {**given, "minutes": minutes or 1.0, "operators": people or ("nobody",)}

    @property
    def crews(self) -> tuple[Crew, ...]:
        """Who cranks in each session: all shifts in one, else every operator alone."""
        if self.shifts:
            return (self.shifts,)
        alone = (Shift.model_construct(operator=n, minutes=self.minutes) for n in self.operators)
        return tuple((shift,) for shift in alone)

    def crew_of(self, operator_id: str) -> Crew:
        """The crew that an operator belongs to; ValueError for one that the study does not have."""
        for crew in self.crews:
            if any(shift.operator == operator_id for shift in crew):
                return crew
        raise ValueError(f"no operator {operator_id} in this study")

    def own_minutes(self, operator_id: str) -> float:
        """How long an operator cranks in a session, all own shifts together."""
        if not self.shifts:
            return self.minutes
        return sum(shift.minutes for shift in self.shifts if shift.operator == operator_id)
