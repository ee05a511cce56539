"""What every row of a table has, and the tables of packs and operators: frozen records in SI.

Columns of a table are the fields of its record, each with its meaning and an example. Prices are
not here: they change, physics does not. The links' records are in `front_parts` and `back_parts`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, ClassVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)

from explorer.inputs.pack_kinds import PACK_KINDS, PackKind

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,47}$")]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(gt=0, le=1)]


def described(table: Mapping[str, Any]) -> str:
    """The names of a table of kinds, with what each is about, as one piece of text."""
    *others, last = (f"`{kind.name}` ({kind.about})" for kind in table.values())
    return f"{', '.join(others)} or {last}"


def row_of(table: Mapping[str, Any]) -> Callable[[str], str]:
    """A check that a name is of a row of a table, which is read when the check is made."""

    def checked(name: str) -> str:
        if name not in table:
            *others, last = (repr(known) for known in table)
            raise ValueError(f"must be {', '.join(others)} or {last}")
        return name

    return checked


PackKindName = Annotated[str, AfterValidator(row_of(PACK_KINDS))]


MASS_MEANING = "mass of one piece"


class Record(BaseModel):
    """A row of a table: who it is, where its values come from, and when they were taken."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    id: Identifier = Field(
        description="name for study files and prices: lower-case letters, digits and `_`, a letter "
        "first"
    )
    name: Text = Field(description="what people call it")
    source: Text = Field(
        description='where the values come from: a data sheet\'s class, a measurement, "assumed"',
        examples=["invented as an example"],
    )
    dated: date = Field(
        description="the day they were taken, such as 2026-11-25", examples=["2026-11-25"]
    )


class Part(Record):
    """A part that has a mass and, in prices.csv, a price."""

    mass_kg: NonNegative = Field(description=MASS_MEANING)


class Pack(Record):
    """What is charged. Energy counts at its terminals; how it draws, its kind says."""

    kind: PackKindName = Field(description=described(PACK_KINDS), examples=["steady"])
    current_A: Positive = Field(description="that it draws at 5 V", examples=[2])
    hold_V: Positive = Field(description="input that it holds or drops out below", examples=[4.4])
    input_max_V: Positive = Field(description="absolute maximum of its input", examples=[5.5])
    retry_s: NonNegative = Field(
        description="that a retrying pack waits; 0 for others", examples=[0]
    )
    capacity_Wh: Positive = Field(description="of its cells", examples=[20])
    current_most_A: Positive | None = Field(
        default=None,
        description="most that it ever asks for at 5 V; left empty, `current_A`",
        examples=[2.1],
    )
    charge_min_C: Annotated[float, Field(ge=-60, le=60)] | None = Field(
        default=None,
        description="coldest at which it may be charged; left empty, nobody knows, and no rule "
        "looks at it",
        examples=[0],
    )

    @property
    def asks_A(self) -> float:
        """The most that it ever asks for, A."""
        return max(self.current_most_A or 0.0, self.current_A)

    @property
    def behaviour(self) -> PackKind:
        """What sets its kind apart."""
        return PACK_KINDS[self.kind]

    @property
    def wait_s(self) -> float:
        """How long it takes nothing once its supply is back, s."""
        return self.retry_s if self.behaviour.waits_to_connect else 0.0


class Operator(Record):
    """Who turns: critical power and W', comfort, and the torque-velocity line of a sprint."""

    critical_power_W: Positive = Field(
        description="mechanical power at the crank that can be held for long (critical power)",
        examples=[45],
    )
    reserve_J: NonNegative = Field(
        description="work above it until exhaustion (W')", examples=[3600]
    )
    comfort_force_N: Positive = Field(
        description="force along the handle's path that stays comfortable", examples=[40]
    )
    force_limit_N: Positive = Field(description="hardest pull at the start", examples=[150])
    power_share: Share = Field(
        description="of the endurance power that a session may ask", examples=[0.5]
    )
    sprint_torque_N_m: Positive = Field(
        description="at the crank at speed 0, extrapolated from sprints", examples=[95]
    )
    sprint_speed_rad_s: Positive = Field(
        description="at torque 0, extrapolated from sprints", examples=[21.7]
    )
    unevenness: Annotated[float, Field(ge=0, lt=1)] = Field(
        description="torque within a turn is its mean times (1 + unevenness x sine), twice a turn",
        examples=[0.7],
    )
    unevenness_turn: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=0.0,
        description="the same once a turn, which the weight of an arm makes; left empty, none. "
        "Counts where the hand has an inertia",
        examples=[0.3],
    )
    kappa_m_s: NonNegative = Field(
        default=0.0,
        description="what a force costs to hold, as a hand speed that its power is counted at "
        "beside the real one; left empty, nothing",
        examples=[0.6],
    )
    p_W_s2_m2: NonNegative = Field(
        default=0.0,
        description="power that moving the arms costs, by the square of the hand's speed; left "
        "empty, nothing",
        examples=[7.5],
    )
    inertia_kg_m2: NonNegative = Field(
        default=0.0,
        description="of the arms about the axle, on a crank of 0.17 m; left empty, the hand keeps "
        "its speed through the turn whatever the machine does",
        examples=[0.046],
    )

    ALSO_CALLED: ClassVar[dict[str, str]] = {"kappa": "kappa_m_s", "p": "p_W_s2_m2"}
    """Other headings of a column."""

    @model_validator(mode="before")
    @classmethod
    def _other_headings(cls, row: Any) -> Any:
        if not isinstance(row, dict):
            return row
        row = dict(row)
        for other, name in cls.ALSO_CALLED.items():
            if other in row:
                if name in row:
                    raise ValueError(f"fill {other} or {name}, not both")
                row[name] = row.pop(other)
        return row


@dataclass(frozen=True)
class SettingRow:
    """A number that a design chooses beside its parts: what it is, and values as an example.

    `default`: the value of what was written before the setting existed; None where every study has
    the setting.
    """

    meaning: str
    example: tuple[float, ...]
    default: float | None = None


SETTING_ROWS: dict[str, SettingRow] = {
    "cells_series": SettingRow("cells in a row; their voltages add up", (5, 6)),
    "cells_parallel": SettingRow("rows of cells side by side", (1,)),
    "cadence_rpm": SettingRow("turns of the crank a minute", (60, 70, 80)),
    "undervoltage_off_V": SettingRow(
        "bank voltage at which the load is cut; above the converter's least input, below which "
        "its output can run wild",
        (4.0,),
    ),
    "undervoltage_band_V": SettingRow(
        "the load connects when the bank is so far above undervoltage_off_V", (1.6,)
    ),
    "overvoltage_off_V": SettingRow(
        "bank voltage above which the load is cut, to spare the converter", (9.0, 10.5)
    ),
    "delta": SettingRow(
        "1 connects the three windings in a triangle (delta), 0 in a star; a triangle asks for a "
        "generator whose row has open_star",
        (0,),
        default=0.0,
    ),
}
"""The settings of every design by name."""
SETTINGS = tuple(SETTING_ROWS)
FRONT_SETTINGS = ("cadence_rpm", "delta")
"""Those of the front half of a chain; all others are of its back half."""
WHOLE_SETTINGS = frozenset({"cells_series", "cells_parallel", "delta"})
"""Those that are whole numbers."""
