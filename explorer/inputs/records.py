"""What stands in the tables: one frozen record a part, in SI, checked when it is built.

Columns of a table are the fields of its record. Prices are not here: they change, physics does not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)

from explorer.inputs.machine_kinds import MACHINE_KINDS, MachineKind
from explorer.inputs.pack_kinds import PACK_KINDS, PackKind

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,47}$")]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(gt=0, le=1)]


def _row_of(table: Mapping[str, Any]) -> Callable[[str], str]:
    """A check that a name is of a row of a table, which is read when the check is made."""

    def checked(name: str) -> str:
        if name not in table:
            *others, last = (repr(known) for known in table)
            raise ValueError(f"must be {', '.join(others)} or {last}")
        return name

    return checked


MachineKindName = Annotated[str, AfterValidator(_row_of(MACHINE_KINDS))]
PackKindName = Annotated[str, AfterValidator(_row_of(PACK_KINDS))]

PIECE_SPREAD = 0.025
"""Half the width in which cells of one batch differ in capacitance (computed from 59 open discharge
logs of 23 cells, CC BY 4.0, Zenodo 10.5281/zenodo.19221698).
"""
BURST_S = 10.0
"""How long a burst of the hand lasts after the load is gone, until somebody notices (judgement)."""


class Record(BaseModel):
    """A row of a table: who it is, where its values come from, and when they were taken."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    id: Identifier
    name: Text
    source: Text
    dated: date


class Part(Record):
    """A part that has a mass and, in prices.csv, a price."""

    mass_kg: NonNegative


class Crank(Part):
    """Handle and arm, one-handed."""

    radius_m: Positive
    torque_limit_N_m: Positive


class Gearing(Part):
    """One or more stages between crank and generator; `ratio` is generator over crank speed.

    Drag and torque limit hold at the crank shaft.
    """

    ratio: Positive
    efficiency: Share
    drag_torque_N_m: NonNegative
    torque_limit_N_m: Positive


class Generator(Part):
    """A permanent-magnet machine, per phase; tables may give line-to-line values instead.

    EMF constant: peak volts per mechanical rad/s (without phases: volts per rad/s).
    Resistance at 20 C. Drag: `drag_torque_N_m + drag_viscous_N_m_s * w` at the generator shaft.
    """

    LINE_COLUMNS: ClassVar[tuple[str, ...]] = tuple(
        dict.fromkeys(pattern for kind in MACHINE_KINDS.values() for pattern in kind.line_columns)
    )
    """Columns, with `line` or `phase` in the braces, that a table may give between two leads."""

    kind: MachineKindName
    emf_phase_V_s: Positive
    resistance_phase_ohm: Positive
    inductance_phase_H: NonNegative
    pole_pairs: Annotated[int, Field(ge=1)]
    drag_torque_N_m: NonNegative
    drag_viscous_N_m_s: NonNegative
    current_limit_A: Positive
    speed_limit_rpm: Positive
    heat_capacity_J_per_K: Positive

    @model_validator(mode="before")
    @classmethod
    def _phase_values(cls, row: Any) -> Any:
        """Accept `emf_line_V_s`, `resistance_line_ohm`, `inductance_line_H` of a star winding."""
        if not isinstance(row, dict):
            return row
        row = dict(row)
        known = MACHINE_KINDS.get(str(row.get("kind")))
        factors = known.line_columns if known else {}
        for pattern in cls.LINE_COLUMNS:
            line, phase = pattern.format("line"), pattern.format("phase")
            if row.get(line) is None:
                row.pop(line, None)
                continue
            if row.get(phase) is not None:
                raise ValueError(f"fill {line} or {phase}, not both")
            if pattern not in factors:
                able = [k.name for k in MACHINE_KINDS.values() if pattern in k.line_columns]
                raise ValueError(
                    f"{line} is for {' or '.join(able)} only, a {row.get('kind')} has phases"
                )
            try:
                row[phase] = float(row.pop(line)) * factors[pattern]
            except (TypeError, ValueError):
                raise ValueError(f"{line} must be a number") from None
        return row

    @property
    def machine(self) -> MachineKind:
        """What sets its kind apart."""
        return MACHINE_KINDS[self.kind]

    @property
    def valves(self) -> int:
        """Valves of its bridge."""
        return self.machine.valves

    @property
    def blocking_valves(self) -> int:
        """Valves of its bridge that block the bus voltage at a time."""
        return self.machine.blocking_valves


class Lead(Part):
    """Between generator and rectifier, one conductor: cable, slip ring or hollow-axle lead."""

    resistance_ohm: NonNegative
    drag_torque_N_m: NonNegative
    current_limit_A: Positive


class Rectifier(Part):
    """One diode or one active valve; how many a bridge takes, the generator's kind says.

    v = emission_V * ln(1 + i/saturation_A) + resistance_ohm * i; saturation 0 is an active valve.
    Before an active valve has its supply, its body diode (`body_drop_V`) carries the current.
    """

    kind: Literal["schottky", "silicon", "active"]
    saturation_A: NonNegative
    emission_V: NonNegative
    resistance_ohm: NonNegative
    leakage_A: NonNegative
    reverse_limit_V: Positive
    current_limit_A: Positive
    thermal_K_per_W: Positive
    junction_limit_C: Positive
    supply_A: NonNegative
    body_drop_V: NonNegative
    start_V: NonNegative

    @model_validator(mode="after")
    def _active_is_ideal(self) -> Rectifier:
        if (self.saturation_A == 0) != (self.kind == "active"):
            raise ValueError("saturation_A is 0 for kind active and above 0 for diodes")
        if self.kind != "active" and self.emission_V == 0:
            raise ValueError("emission_V of a diode must be above 0")
        return self


class Cell(Part):
    """One capacitor of the bank. `balancing_ohm` sits across each cell, 0 for none."""

    kind: Literal["supercapacitor", "electrolytic"]
    capacitance_F: Positive
    capacitance_low_fraction: Annotated[float, Field(gt=0, le=1)]
    esr_ohm: NonNegative
    voltage_V: Positive
    derating: Share
    leakage_A: NonNegative
    balancing_ohm: NonNegative
    piece_spread: Annotated[float, Field(ge=0, lt=1)] = PIECE_SPREAD


class Clamp(Part):
    """What protects the bank when the load is gone. Kind cell: one a series group of cells.

    Draws (V - threshold)/resistance above its threshold; kind none draws nothing. Beside the watts
    that it bears for long, `energy_limit_J` is what it bears in a burst of ten seconds; left empty,
    no more than its watts give in that time.
    """

    kind: Literal["none", "bus", "cell"]
    threshold_V: NonNegative
    resistance_ohm: NonNegative
    power_limit_W: NonNegative
    energy_limit_J: NonNegative | None = None

    @property
    def present(self) -> bool:
        """Whether there is a clamp at all."""
        return self.kind != "none"

    @property
    def by_cell(self) -> bool:
        """One clamp for each cell in series."""
        return self.kind == "cell"

    @property
    def on_bus(self) -> bool:
        """One clamp across the whole bank."""
        return self.kind == "bus"

    @property
    def burst_limit_J(self) -> float:
        """Energy that it bears in a burst, J."""
        lasting_J = self.power_limit_W * BURST_S
        return max(self.energy_limit_J or 0.0, lasting_J)

    @model_validator(mode="after")
    def _conducts(self) -> Clamp:
        if self.present and not (self.threshold_V and self.resistance_ohm):
            raise ValueError("threshold_V and resistance_ohm must be above 0 unless kind is none")
        return self


class Window(Part):
    """Input switch with under- and overvoltage comparators; thresholds are settings of a design.

    `reference_tolerance` is the relative error of a comparator and its reference alone; what the
    resistors add is worked out from the study's. It limits current where `sense_V` falls across a
    resistor, which is part of `on_resistance_ohm`; 0 where the switch limits by itself.
    """

    reference_V: Positive
    reference_tolerance: Annotated[float, Field(ge=0, lt=0.5)]
    on_resistance_ohm: NonNegative
    current_limit_A: Positive
    current_limit_tolerance: Annotated[float, Field(ge=0, lt=1)]
    sense_V: NonNegative
    supply_A: NonNegative
    voltage_limit_V: Positive
    overvoltage_return: Annotated[float, Field(gt=0, lt=1)]


class Converter(Part):
    """Buck-boost to a fixed output. Its loss is fitted to points of the bench table:

    `loss = P0 + a V_in + b I_in + c I_in^2 + d I_out + e I_out^2`, see physics/converter.py.
    """

    output_V: Positive
    input_min_V: Positive
    input_max_V: Positive
    input_current_limit_A: Positive
    output_current_limit_A: Positive
    loss_W: NonNegative
    loss_per_input_V: NonNegative
    loss_per_input_A: NonNegative
    loss_per_input_A2: NonNegative
    loss_per_output_A: NonNegative
    loss_per_output_A2: NonNegative
    fit_error_W: NonNegative
    fit_error_efficiency: NonNegative

    @model_validator(mode="after")
    def _range(self) -> Converter:
        if self.input_min_V >= self.input_max_V:
            raise ValueError(
                f"input_min_V {self.input_min_V} must be below input_max_V {self.input_max_V}"
            )
        return self


class PackLead(Part):
    """The 5 V lead between converter and pack, both conductors together."""

    resistance_ohm: NonNegative
    current_limit_A: Positive


class Pack(Record):
    """What is charged. Energy counts at its terminals; how it draws, its kind says."""

    kind: PackKindName
    current_A: Positive
    hold_V: Positive
    input_max_V: Positive
    retry_s: NonNegative
    capacity_Wh: Positive

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

    critical_power_W: Positive
    reserve_J: NonNegative
    comfort_force_N: Positive
    force_limit_N: Positive
    power_share: Share
    sprint_torque_N_m: Positive
    sprint_speed_rad_s: Positive
    unevenness: Annotated[float, Field(ge=0, lt=1)]


SETTING_MEANINGS = {
    "cells_series": "Cells in a row; their voltages add up.",
    "cells_parallel": "Rows of cells side by side.",
    "cadence_rpm": "Turns of the crank a minute.",
    "undervoltage_off_V": "Bank voltage at which the load is cut; above the converter's least "
    "input, below which its output can run wild.",
    "undervoltage_band_V": "The load connects when the bank is so far above undervoltage_off_V.",
    "overvoltage_off_V": "Bank voltage above which the load is cut, to spare the converter.",
}
"""Numbers that a design chooses beside its parts, and what they are."""
SETTINGS = tuple(SETTING_MEANINGS)
