"""What stands in the tables: one frozen record a part, in SI, checked when it is built.

Columns of a table are the fields of its record. Prices are not here: they change, physics does not.
"""

from __future__ import annotations

from datetime import date
from math import sqrt
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,47}$")]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(gt=0, le=1)]


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

    EMF constant: peak volts per mechanical rad/s (brushed_dc: volts per rad/s, no phases).
    Resistance at 20 C. Drag: `drag_torque_N_m + drag_viscous_N_m_s * w` at the generator shaft.
    """

    PHASE_PER_LINE: ClassVar[dict[str, float]] = {
        "emf_{}_V_s": 1 / sqrt(3),
        "resistance_{}_ohm": 0.5,
        "inductance_{}_H": 0.5,
    }

    kind: Literal["three_phase", "two_phase", "brushed_dc"]
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
        for pattern, factor in cls.PHASE_PER_LINE.items():
            line, phase = pattern.format("line"), pattern.format("phase")
            if row.get(line) is None:
                row.pop(line, None)
                continue
            if row.get(phase) is not None:
                raise ValueError(f"fill {line} or {phase}, not both")
            if row.get("kind") != "three_phase":
                raise ValueError(f"{line} is for three_phase only, a {row.get('kind')} has phases")
            try:
                row[phase] = float(row.pop(line)) * factor
            except (TypeError, ValueError):
                raise ValueError(f"{line} must be a number") from None
        return row


class Lead(Part):
    """Between generator and rectifier, one conductor: cable, slip ring or hollow-axle lead."""

    resistance_ohm: NonNegative
    drag_torque_N_m: NonNegative
    current_limit_A: Positive


class Rectifier(Part):
    """One diode or one active valve; a bridge takes 6, two single-phase bridges 8, a brush DC 1.

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
    def burst_limit_J(self) -> float:
        """Energy that it bears in a burst, J."""
        lasting_J = self.power_limit_W * BURST_S
        return max(self.energy_limit_J or 0.0, lasting_J)

    @model_validator(mode="after")
    def _conducts(self) -> Clamp:
        if self.kind != "none" and not (self.threshold_V and self.resistance_ohm):
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
    """What is charged. Energy counts at its terminals.

    steady draws `current_A`; regulating lowers its current to hold its input at `hold_V`;
    retrying draws in full, drops out when its input sags below `hold_V`, and waits `retry_s`.
    """

    kind: Literal["steady", "regulating", "retrying"]
    current_A: Positive
    hold_V: Positive
    input_max_V: Positive
    retry_s: NonNegative
    capacity_Wh: Positive


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


LINKS: dict[str, type[Part]] = {
    "crank": Crank,
    "gearing": Gearing,
    "generator": Generator,
    "lead": Lead,
    "rectifier": Rectifier,
    "cell": Cell,
    "clamp": Clamp,
    "window": Window,
    "converter": Converter,
    "pack_lead": PackLead,
}
"""The links of the chain from hand to pack; each has a table named after it, in the plural."""

FRONT_LINKS = ("crank", "gearing", "generator", "lead", "rectifier")
BACK_LINKS = ("cell", "clamp", "window", "converter", "pack_lead")

VALVES_PER_GENERATOR = {"three_phase": 6, "two_phase": 8, "brushed_dc": 1}

SETTINGS = (
    "cells_series",
    "cells_parallel",
    "cadence_rpm",
    "undervoltage_off_V",
    "undervoltage_band_V",
    "overvoltage_off_V",
)
"""Numbers that a design chooses beside its parts; undervoltage on = off + band."""
