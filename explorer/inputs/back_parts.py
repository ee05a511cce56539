"""Parts right of the bus, from cells to the pack's lead: one frozen record a row, in SI."""

from __future__ import annotations

from math import inf
from typing import Annotated, Literal

from pydantic import Field, model_validator

from explorer.inputs.records import MASS_MEANING, NonNegative, Part, Positive, Share
from explorer.units import M2_PER_CM2

PIECE_SPREAD = 0.025
"""Half the width in which cells of one batch differ in capacitance (computed from 59 open discharge
logs of 23 cells, CC BY 4.0, Zenodo 10.5281/zenodo.19221698).
"""
BURST_S = 10.0
"""How long a burst of the hand lasts after the load is gone, until somebody notices (judgement)."""


class Cell(Part):
    """One capacitor of the bank. `balancing_ohm` sits across each cell, 0 for none."""

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.0075])
    kind: Literal["supercapacitor", "electrolytic"] = Field(
        description="`supercapacitor` or `electrolytic`", examples=["supercapacitor"]
    )
    capacitance_F: Positive = Field(description="of one cell", examples=[25])
    capacitance_low_fraction: Annotated[float, Field(gt=0, le=1)] = Field(
        description="its least capacitance over `capacitance_F`", examples=[0.9]
    )
    esr_ohm: NonNegative = Field(description="DC series resistance, at most", examples=[0.04])
    voltage_V: Positive = Field(description="rated voltage: beyond it a cell vents", examples=[2.7])
    derating: Share = Field(
        description="of the rated voltage, up to which it lasts long", examples=[0.95]
    )
    leakage_A: NonNegative = Field(description="at rated voltage", examples=[5e-05])
    balancing_ohm: NonNegative = Field(
        description="resistor across each cell; 0 for none", examples=[6000]
    )
    piece_spread: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=PIECE_SPREAD,
        description="by how much the capacitance of pieces of a batch differs from their "
        "mean; left empty, a usual batch's",
        examples=[0.025],
    )


class Clamp(Part):
    """What protects the bank when the load is gone. Kind cell: one a series group of cells.

    Draws (V - threshold)/resistance above its threshold; kind none draws nothing. Beside the watts
    that it bears for long, `energy_limit_J` is what it bears in a burst of ten seconds; left empty,
    no more than its watts give in that time.
    """

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.16])
    kind: Literal["none", "bus", "cell"] = Field(
        description="`none`, `bus` (one across the bank) or `cell` (one for each cell in series)",
        examples=["bus"],
    )
    threshold_V: NonNegative = Field(
        description="above it the clamp draws; of a cell clamp, a cell's voltage; 0 for none",
        examples=[12],
    )
    resistance_ohm: NonNegative = Field(
        description="volts above the threshold over amperes; 0 for none", examples=[0.25]
    )
    power_limit_W: NonNegative = Field(description="heat that it bears for good", examples=[50])
    energy_limit_J: NonNegative | None = Field(
        default=None,
        description="that it bears in a burst of ten seconds; left empty, what it bears for "
        "good in that time",
        examples=[1250],
    )
    surface_cm2: NonNegative | None = Field(
        default=None,
        description="that its heat leaves by and that can be touched, of one clamp; left empty, "
        "nobody knows, and no rule looks at it",
        examples=[240],
    )
    guarded: bool = Field(
        default=False,
        description="`yes` where a cover that stays cool keeps fingers off it; left empty, no",
        examples=["yes"],
    )

    @property
    def touchable_m2(self) -> float:
        """The surface of one clamp that a hand may touch, m2; infinite where none is known."""
        hidden = self.guarded or self.surface_cm2 is None or not self.present
        return inf if hidden else float(self.surface_cm2) * M2_PER_CM2  # type: ignore[arg-type]

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


PULSE_OVER_LIMIT, PULSE_J = 4.0, 0.05
"""What a switch bears for a moment over its current limit, and in joules (assumed)."""


class Window(Part):
    """Input switch with under- and overvoltage comparators; thresholds are settings of a design.

    `reference_tolerance` is the relative error of a comparator and its reference alone; what the
    resistors add is worked out from the study's. It limits current where `sense_V` falls across a
    resistor, which is part of `on_resistance_ohm`; 0 where the switch limits by itself.
    """

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.006])
    reference_V: Positive = Field(
        description="comparator's reference: what it compares a tap of the divider with",
        examples=[1.3],
    )
    reference_tolerance: Annotated[float, Field(ge=0, lt=0.5)] = Field(
        description="relative error of comparator and reference, resistors left out",
        examples=[0.035],
    )
    on_resistance_ohm: NonNegative = Field(
        description="closed switch and sense resistor together", examples=[0.06]
    )
    current_limit_A: Positive = Field(description="where it limits", examples=[6])
    current_limit_tolerance: Annotated[float, Field(ge=0, lt=1)] = Field(
        description="relative error of that", examples=[0.15]
    )
    sense_V: NonNegative = Field(
        description="across the sense resistor where it limits; 0 where the switch limits "
        "by itself",
        examples=[0.05],
    )
    supply_A: NonNegative = Field(description="what it takes from the bus", examples=[0.00025])
    voltage_limit_V: Positive = Field(description="absolute maximum of its input", examples=[20])
    overvoltage_return: Annotated[float, Field(gt=0, lt=1)] = Field(
        description="of the overvoltage threshold, below which the load returns", examples=[0.93]
    )
    soft_start_s: NonNegative = Field(
        default=0.0,
        description="that it takes to close, so that the converter's input fills gently; left "
        "empty, it closes at once",
        examples=[0.005],
    )
    pulse_limit_A: Positive | None = Field(
        default=None,
        description="that its switch bears while an empty converter fills; left empty, four times "
        "the current limit",
        examples=[30],
    )
    pulse_energy_J: Positive | None = Field(
        default=None,
        description="that its switch bears while it closes slowly; left empty, 0.05 J",
        examples=[0.05],
    )

    @property
    def bears_pulse_A(self) -> float:
        """Pulse that its switch bears, A (left empty: assumed, as pulse ratings of drains are)."""
        return self.pulse_limit_A or PULSE_OVER_LIMIT * self.current_limit_A

    @property
    def bears_pulse_J(self) -> float:
        """Energy that its switch bears in closing slowly, J (left empty: assumed)."""
        return self.pulse_energy_J or PULSE_J


class Converter(Part):
    """Buck-boost to a fixed output. Its loss is fitted to points of the bench table:

    `loss = P0 + a V_in + b I_in + c I_in^2 + d I_out + e I_out^2`, see physics/converter.py.
    """

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.011])
    output_V: Positive = Field(description="voltage that it is set to", examples=[5.1])
    input_min_V: Positive = Field(
        description="least input; below it the output can rise and destroy the pack", examples=[3]
    )
    input_max_V: Positive = Field(description="absolute maximum of its input", examples=[20])
    input_current_limit_A: Positive = Field(description="most input current", examples=[7])
    output_current_limit_A: Positive = Field(description="most output current", examples=[2.2])
    input_capacitance_F: NonNegative | None = Field(
        default=None,
        description="across its input, which the bank fills when the window closes; left empty, "
        "nobody knows, and no rule looks at it",
        examples=[0.00022],
    )
    overload: Literal["limits", "rises"] | None = Field(
        default=None,
        description="what it does beyond its most output current: `limits` (holds that current and "
        "lets its voltage fall) or `rises` (its voltage leaves 5 V upwards); left empty, nobody "
        "knows, and no rule looks at it",
        examples=["limits"],
    )
    loss_W: NonNegative
    loss_per_input_V: NonNegative
    loss_per_input_A: NonNegative
    loss_per_input_A2: NonNegative
    loss_per_output_A: NonNegative
    loss_per_output_A2: NonNegative
    fit_error_W: NonNegative
    fit_error_efficiency: NonNegative

    @property
    def limits_output(self) -> bool:
        """Whether it holds its output current where more is asked for."""
        return self.overload == "limits"

    @property
    def output_rises(self) -> bool:
        """Whether its output voltage rises where more current is asked for."""
        return self.overload == "rises"

    @model_validator(mode="after")
    def _range(self) -> Converter:
        if self.input_min_V >= self.input_max_V:
            raise ValueError(
                f"input_min_V {self.input_min_V} must be below input_max_V {self.input_max_V}"
            )
        return self


class PackLead(Part):
    """The 5 V lead between converter and pack, both conductors together."""

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.018])
    resistance_ohm: NonNegative = Field(
        description="forth and back together, with contacts", examples=[0.055]
    )
    current_limit_A: Positive = Field(description="what it bears", examples=[3])
