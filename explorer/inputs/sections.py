"""The sections of a study file as records: typed as TOML types them, every key with its meaning."""

from __future__ import annotations

from math import floor
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from explorer.inputs.price_section import PriceSection
from explorer.inputs.records import Identifier, Positive
from explorer.inputs.section import Folder, Line, PlainText, Section
from explorer.inputs.session_section import Session

MOST_VALUES = 10_000
"""Of one setting: more than any comparator or cadence can resolve."""


class Heading(Section):
    """What the study asks, and where its tables stand."""

    name: Identifier = Field(
        description="The file's name without .toml: lower-case letters, digits and _.",
        examples=["my_study"],
    )
    title: Line = Field(
        description="Heading of the page, one line.", examples=["A chain of my own"]
    )
    question: PlainText = Field(
        description="What the study is to answer, in your own words.",
        examples=["Which chain gives the pack the most in ten minutes at the crank?"],
    )
    tables: Folder = Field(
        default="parts",
        description="Folder beside the study file with one CSV a link of the chain, packs.csv, "
        "operators.csv and prices.csv.",
    )
    bench: Folder = Field(
        default="bench",
        description="Folder beside the study file with the measured points of converters.",
    )


Moderate = Annotated[float, Field(gt=0, lt=1e9)]
_MayBe0 = Annotated[float, Field(ge=0, lt=1e9)]


class Setting(Section):
    """One setting of a design: a list of values, a grid (`step`), or a continuous range."""

    low: _MayBe0 = Field(description="Lower end of a range.")
    high: _MayBe0 = Field(description="Upper end of a range.")
    step: Moderate | None = Field(
        default=None, description="Distance of the values of a grid, from `low` on."
    )
    sweep_points: Annotated[int, Field(ge=1, le=MOST_VALUES)] | None = Field(
        default=None,
        description="The range is continuous; where every design is tried, so many even points of "
        "it are.",
    )
    listed: tuple[_MayBe0, ...] = Field(
        default=(), description="The values of a list, rising; not a key of the file."
    )

    @property
    def continuous(self) -> bool:
        """Any number between low and high will do."""
        return self.sweep_points is not None

    @property
    def values(self) -> tuple[float, ...]:
        """What a sweep visits, rising; of a continuous range its `sweep_points` even points."""
        width = self.high - self.low
        if self.listed:
            return self.listed
        if self.step is not None:
            # The allowance keeps the upper end where low + n step just misses it in binary.
            count = floor(width / self.step + 1e-6) + 1
            return tuple(round(self.low + index * self.step, 12) for index in range(count))
        count = self.sweep_points if self.sweep_points and width else 1
        if count == 1:
            return (self.low + width / 2,)
        return tuple(self.low + width * (index / (count - 1)) for index in range(count))

    @model_validator(mode="before")
    @classmethod
    def _from_list(cls, given: Any) -> Any:
        if isinstance(given, dict):
            if "listed" in given:
                raise ValueError("lists its values in brackets, without braces")
            return given
        values = given if isinstance(given, list) else [given]
        if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
            raise ValueError("must be numbers in brackets or {low, high, step or sweep_points}")
        if not 1 <= len(values) <= MOST_VALUES:
            raise ValueError(f"must hold 1 to {MOST_VALUES} values, holds {len(values)}")
        if not all(0 <= value < 1e9 for value in values):  # false for NaN too
            raise ValueError("must be numbers above 0 and below 1e9")
        listed = tuple(sorted({float(value) for value in values}))
        return {"low": listed[0], "high": listed[-1], "listed": listed}

    @model_validator(mode="after")
    def _spread(self) -> Setting:
        if self.listed:
            return self
        if self.low > self.high:
            raise ValueError(f"low {self.low:g} must not be above high {self.high:g}")
        if (self.step is None) == (self.sweep_points is None):
            raise ValueError("needs either step (a grid) or sweep_points (continuous)")
        if self.step is not None and (self.high - self.low) / self.step >= MOST_VALUES:
            raise ValueError(f"makes more than {MOST_VALUES} values, the step is too small")
        return self


class Limits(Section):
    """What the study does not accept; without a line there is no such limit."""

    cost: Positive | None = Field(
        default=None,
        description="Highest cost of a design, in the study's currency.",
        examples=[120],
    )
    mass_kg: Positive | None = Field(
        default=None, description="Highest mass of all parts together.", examples=[5.0]
    )
    crank_effort_percent: Positive | None = Field(
        default=None,
        description="Highest effort, of what the operator can hold for the session in comfort.",
        examples=[100],
    )
    delivered_energy_J: Positive | None = Field(
        default=None, description="Least energy into the pack.", examples=[300]
    )
    first_charge_s: Positive | None = Field(
        default=None,
        description="Longest time from an empty bank until the pack first gets something.",
        examples=[180],
    )


class Search(Section):
    """How designs are looked for; `minutes` is all it needs."""

    minutes: Annotated[float, Field(gt=0, le=10_080)] = Field(
        default=10.0, description="How long a launch may search."
    )
    method: Literal["auto", "sweep", "sample"] = Field(
        default="auto",
        description="sweep tries every combination, sample some of them; auto sweeps what can be "
        "swept in the time.",
    )
    sampler: Literal["nsga2", "nsga3", "tpe", "random"] = Field(
        default="nsga2", description="Which sampler of Optuna proposes the first designs."
    )
    seed: Annotated[int, Field(ge=0, lt=2**32)] = Field(
        default=1, description="Seed of what is drawn at random."
    )
    evaluations: Annotated[int, Field(ge=1, le=10**9)] = Field(
        default=20_000, description="How many designs a sampled search evaluates at most."
    )
    batch: Annotated[int, Field(ge=1, le=10**6)] = Field(
        default=500, description="How many designs a sampled search evaluates at a time."
    )
    cluster: Annotated[str, Field(pattern=r"^[a-z+]+://[^\s]+$")] | None = Field(
        default=None,
        description="Address of a Dask scheduler whose workers search.",
        examples=["tcp://10.0.0.5:8786"],
    )


class CarrySection(Section):
    """Whether the kit is worth its weight, against charged spare packs."""

    days: Annotated[float, Field(gt=0, le=3650)] = Field(
        default=14.0, description="Days without another source."
    )
    minutes_per_day: Annotated[float, Field(gt=0, le=1440)] = Field(
        default=30.0, description="Minutes at the crank each day."
    )
    spare_Wh_per_kg: Annotated[float, Field(gt=0, le=1000)] = Field(
        default=130.0,
        description="What a charged spare pack gives for each kilogram (typical, from memory).",
    )


class BudgetLine(Section):
    """What small things of one kind cost and weigh in one kit."""

    price: Annotated[float, Field(ge=0, le=1e9)] = Field(
        default=0.0, description="Of one kit, in the study's currency."
    )
    mass_kg: Annotated[float, Field(ge=0, le=100)] = Field(default=0.0, description="Of one kit.")


def _budget(description: str) -> Any:
    return Field(default=None, description=description, examples=[{"price": 2.0, "mass_kg": 0.05}])


class Build(Section):
    """What the build sheet is made with, the risk that a lock warns of, and what small things cost
    and weigh that no table has: one line each, such as `wire = { price = 3.0, mass_kg = 0.1 }`.
    """

    resistor_series: Literal["E24", "E96"] = Field(
        default="E96", description="Preferred values from which dividers are chosen (IEC 60063)."
    )
    resistor_tolerance: Annotated[float, Field(gt=0, lt=0.2)] = Field(
        default=0.01,
        description="Relative tolerance of these resistors; they set the thresholds, so that it "
        "counts for the rules too.",
    )
    divider_current_A: Annotated[float, Field(gt=0, le=0.01)] = Field(
        default=50e-6, description="Least current through the divider of the window."
    )
    hazard_chance: Annotated[float, Field(gt=0, lt=1)] = Field(
        default=0.01, description="Chance of a broken hazard rule from which on a lock warns."
    )
    fuse_and_holder: BudgetLine | None = _budget("The fuse at the pack and its holder.")
    resistors: BudgetLine | None = _budget("The resistors that set thresholds.")
    wire: BudgetLine | None = _budget("All wire.")
    connectors: BudgetLine | None = _budget("Plugs, sockets and terminals.")
    frame_and_hardware: BudgetLine | None = _budget("The frame, with screws and bearings.")
    guard: BudgetLine | None = _budget("The guard over moving gears.")
    enclosure: BudgetLine | None = _budget("The box around bank and electronics.")

    @property
    def budget(self) -> dict[str, BudgetLine]:
        """The lines that the study has, by name."""
        return {name: line for name in BUDGET_LINES if (line := getattr(self, name)) is not None}

    @property
    def mass_kg(self) -> float:
        """What all of them weigh."""
        return float(sum(line.mass_kg for line in self.budget.values()))


BUDGET_LINES = tuple(
    name for name, info in Build.model_fields.items() if info.annotation == BudgetLine | None
)
"""Keys of [build] that say what small things cost and weigh."""


MOST_PIECES = 1_000_000
"""That somebody may own or a study may build."""


class Promise(Section):
    """What a design must hold when parts and hands differ from build to build."""

    at_least: Annotated[float, Field(ge=0.5, le=0.99)] = Field(
        default=0.9, description="Share of builds that give the promised energy or more."
    )
    draws: Annotated[int, Field(ge=50, le=5000)] = Field(
        default=200, description="Builds that are drawn of a design before a promise is stated."
    )
    minutes: Annotated[float, Field(gt=0, le=1440)] = Field(
        default=2.0, description="Most minutes a launch draws builds for."
    )
    settle_seconds: Annotated[float, Field(ge=0, le=86400)] = Field(
        default=30.0, description="Most seconds a rerun draws builds for that new prices bring up."
    )


class Worth(Section):
    """How much of each objective counts alike when a design is recommended."""

    delivered_energy_J: Annotated[float | None, Field(gt=0)] = Field(
        default=None,
        examples=[300.0],
        description="Energy; without it a tenth of what physics allows.",
    )
    cost: Annotated[float | None, Field(gt=0)] = Field(
        default=None, examples=[10.0], description="Money; without it a tenth of the limit."
    )
    mass_kg: Annotated[float | None, Field(gt=0)] = Field(
        default=None, examples=[0.5], description="Mass; without it a tenth of the limit."
    )
    crank_effort_percent: Annotated[float | None, Field(gt=0)] = Field(
        default=None, examples=[10.0], description="Effort; without it a tenth of the limit."
    )


SECTIONS: dict[str, type[Section]] = {
    "study": Heading,
    "session": Session,
    "limits": Limits,
    "prices": PriceSection,
    "search": Search,
    "outing": CarrySection,
    "build": Build,
    "promise": Promise,
    "worth": Worth,
}
"""Sections that are records; beside them stand those of `NAMED_SECTIONS`."""
NAMED_SECTIONS = {
    "choices": "Which rows of each link's table may be chosen: a list of ids, or all of them.",
    "settings": "Numbers that a design chooses beside its parts: a number, a list of numbers, a "
    "grid { low, high, step }, or a continuous range { low, high, sweep_points }.",
    "owned": "Parts that are at hand: the id of a part and how many pieces of it there are in all, "
    "for all kits together. So many are free; only what is lacking is bought.",
}
"""Sections with a key a link, a key a setting and a key a part, and what they say."""
