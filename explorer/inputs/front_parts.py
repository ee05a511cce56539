"""Parts left of the bus, from the crank to the rectifier: one frozen record a row, in SI."""

from __future__ import annotations

from math import sqrt
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator

from explorer.inputs.machine_kinds import MACHINE_KINDS, MachineKind
from explorer.inputs.records import (
    MASS_MEANING,
    NonNegative,
    Part,
    Positive,
    Share,
    described,
    row_of,
)
from explorer.physics.emf_shape import Shape

STAND_IN_W_PER_KG, LEAST_MASS_KG = 10.0, 0.01
"""Copper heat that a machine of unknown current limit is trusted with (judgement, on the careful
side: class rows bear two to ten times as much)."""
HARMONICS = ("emf_h3", "emf_h5", "emf_h7")
MachineKindName = Annotated[str, AfterValidator(row_of(MACHINE_KINDS))]


class Crank(Part):
    """Handle and arm, one-handed."""

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.48])
    radius_m: Positive = Field(description="axle to handle", examples=[0.17])
    torque_limit_N_m: Positive = Field(description="what arm and joint bear", examples=[60])
    inertia_kg_m2: NonNegative = Field(
        default=0.0,
        description="of crank and grip about the axle; left empty, none",
        examples=[0.008],
    )


class Gearing(Part):
    """One or more stages between crank and generator; `ratio` is generator over crank speed.

    Drag and torque limit hold at the crank shaft.
    """

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.35])
    ratio: Positive = Field(
        description="generator's speed over the crank's, all stages together", examples=[1.3]
    )
    efficiency: Share = Field(description="of all stages together, drag left out", examples=[0.97])
    drag_torque_N_m: NonNegative = Field(
        description="to turn it without load, at the crank", examples=[0.1]
    )
    torque_limit_N_m: Positive = Field(description="what it bears, at the crank", examples=[22])


class Generator(Part):
    """A permanent-magnet machine, per phase; tables may give line-to-line values instead.

    EMF constant: peak volts per mechanical rad/s (without phases: volts per rad/s).
    Resistance at 20 C. Drag: `drag_torque_N_m + drag_viscous_N_m_s * w` at the generator shaft.
    """

    LINE_COLUMNS: ClassVar[dict[str, str]] = {
        "emf_{}_V_s": "peak EMF between two leads for each radian a second of the shaft, where "
        "harmonics are given the amplitude of its fundamental",
        "resistance_{}_ohm": "between two leads at 20 degrees C",
        "inductance_{}_H": "between two leads",
        "resistance_equivalent_{}_ohm": "between two leads, as loaded readings say",
    }
    """Columns, with `line` or `phase` in the braces, that a table may give between two leads, and
    what they hold then; for which kinds, their rows say."""

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[2.3])
    kind: MachineKindName = Field(description=described(MACHINE_KINDS), examples=["three_phase"])
    emf_phase_V_s: Positive = Field(
        description="peak EMF of one phase or winding, where harmonics are given the amplitude of "
        "its fundamental; of a brushed machine its voltage",
        examples=[0.35],
    )
    resistance_phase_ohm: Positive = Field(
        description="of one phase or winding at 20 degrees C; half of that between two leads",
        examples=[0.15],
    )
    inductance_phase_H: NonNegative | None = Field(
        default=None,
        description="of one phase or winding; half of that between two leads. Left empty, what "
        "usual machines of its kind have beside their resistance",
        examples=[0.0003],
    )
    pole_pairs: Annotated[int, Field(ge=1)] = Field(
        description="electrical cycles in a turn: half the number of magnets", examples=[15]
    )
    drag_torque_N_m: NonNegative = Field(
        description="to turn the open machine slowly, at its shaft", examples=[0.15]
    )
    drag_viscous_N_m_s: NonNegative = Field(
        description="by how much that grows with speed", examples=[0.0008]
    )
    current_limit_A: Positive | None = Field(
        default=None,
        description="rms of a phase that the winding bears. Left empty, what makes ten watts of "
        "copper heat for each kilogram",
        examples=[12],
    )
    speed_limit_rpm: Positive | None = Field(
        default=None,
        description="what the rotor bears. Left empty, a speed that slow machines of its kind bear",
        examples=[900],
    )
    heat_capacity_J_per_K: NonNegative = Field(
        default=0.0,
        description="of the winding: copper's mass in kg times 390. Left empty, the winding keeps "
        "the temperature that the study gives windings",
        examples=[400],
    )
    inertia_kg_m2: NonNegative = Field(
        default=0.0,
        description="of the rotor about its shaft; left empty, none",
        examples=[0.01],
    )
    resistance_equivalent_phase_ohm: Positive | None = Field(
        default=None,
        description="of one phase at 20 degrees C as the current sees it, where EMF and this were "
        "fitted to loaded readings; heat goes by the other one. Left empty, the same",
        examples=[0.17],
    )

    emf_h3: float = Field(
        default=0.0,
        description="third harmonic of the EMF of one phase or winding over its fundamental, above "
        "0 where both rise through zero together, below 0 where it falls. Left empty, none",
        examples=[0],
    )
    emf_h5: float = Field(
        default=0.0,
        description="fifth harmonic likewise; between two leads of a star it has the other sign",
        examples=[0],
    )
    emf_h7: float = Field(
        default=0.0,
        description="seventh harmonic likewise; between two leads of a star it has the other sign",
        examples=[0],
    )
    open_star: bool = Field(
        default=False,
        description="`yes` where the star point can be opened, so that the windings may be "
        "connected in delta, too; the other values are those of the star. Left empty, no",
        examples=["no"],
    )

    @model_validator(mode="after")
    def _star_only(self) -> Generator:
        if self.open_star and not self.machine.line_columns:
            raise ValueError(f"open_star is for windings in a star, not for a {self.kind}")
        return self

    @model_validator(mode="after")
    def _shape_is_known(self) -> Generator:
        given = [name for name in HARMONICS if getattr(self, name)]
        if given and self.machine.direct:
            raise ValueError(
                f"{given[0]} is for an alternating EMF, a {self.kind} has a direct voltage: leave "
                "it empty"
            )
        if self.emf_h3 and self.open_star:
            raise ValueError(
                "emf_h3 drives a current around a triangle of windings, which no model here "
                "knows: leave open_star empty, and the machine stays in its star, where a third "
                "harmonic drives nothing"
            )
        return self

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
    def in_delta(self) -> Generator:
        """The star that behaves like this machine in delta: its EMF between two leads is that of
        one phase, the same copper carries sqrt(3) times the current (textbook, star-delta
        transformation). Fifth and seventh harmonics change their sign on the way; a third would
        drive a current around the triangle, and is refused.
        """
        thirds = (
            "resistance_phase_ohm", "resistance_equivalent_phase_ohm", "inductance_phase_H"
        )  # fmt: skip
        known = {name: value / 3 for name in thirds if (value := getattr(self, name)) is not None}
        known["emf_phase_V_s"] = self.emf_phase_V_s / sqrt(3)
        across = self.shape.between_leads
        known |= {"emf_h5": across.h5, "emf_h7": across.h7}
        if self.current_limit_A is not None:
            known["current_limit_A"] = self.current_limit_A * sqrt(3)
        return self.model_copy(update=known)

    @property
    def machine(self) -> MachineKind:
        """What sets its kind apart."""
        return MACHINE_KINDS[self.kind]

    @property
    def shape(self) -> Shape:
        """Of the EMF of one phase or winding."""
        return Shape(self.emf_h3, self.emf_h5, self.emf_h7)

    @property
    def leads_shape(self) -> Shape:
        """Of the EMF between two leads."""
        return self.shape.between_leads if self.machine.phases_between_leads > 1 else self.shape

    @property
    def knee(self) -> float:
        """Open bus voltage over the amplitude of a phase's fundamental, before drops of valves."""
        return self.machine.knee * self.leads_shape.peak

    @property
    def reading_per_peak(self) -> float:
        """What a true-rms meter shows between two open leads over that amplitude."""
        return self.machine.reading_per_peak * self.leads_shape.rms

    @property
    def touch_per_peak(self) -> float:
        """Alternating volts rms between two open leads over that amplitude, 0 for direct voltage.

        Limits of touch are for sines; of another shape the peak over sqrt(2) counts where that is
        more (judgement, on the careful side).
        """
        across = self.leads_shape
        return self.machine.alternating_per_peak * max(across.rms, across.peak)

    @property
    def circuit_ohm(self) -> float:
        """Resistance of a phase at 20 C as the current sees it, ohm."""
        return self.resistance_equivalent_phase_ohm or self.resistance_phase_ohm

    @property
    def inductance_H(self) -> float:
        """Inductance of a phase, or what stands in for one that was not measured, H."""
        if self.inductance_phase_H is not None:
            return self.inductance_phase_H
        return self.machine.winding_s * self.resistance_phase_ohm

    @property
    def bears_A(self) -> float:
        """Current limit of a phase, or the careful one that stands in for it, A rms."""
        if self.current_limit_A is not None:
            return self.current_limit_A
        heat_W = STAND_IN_W_PER_KG * max(self.mass_kg, LEAST_MASS_KG)
        return sqrt(heat_W / (self.machine.phases * self.resistance_phase_ohm))

    @property
    def bears_rpm(self) -> float:
        """Speed limit, or the careful one that stands in for it, rpm."""
        return self.speed_limit_rpm or self.machine.bears_rpm

    @property
    def stand_ins(self) -> tuple[str, ...]:
        """What was left empty and what stands in for it, in words."""
        found = []
        if self.inductance_phase_H is None:
            found.append(f"an inductance of {1000 * self.inductance_H:.3g} mH a phase")
        if self.current_limit_A is None:
            found.append(f"a current limit of {self.bears_A:.3g} A")
        if self.speed_limit_rpm is None:
            found.append(f"a speed limit of {self.bears_rpm:.0f} rpm")
        return tuple(found)

    @property
    def valves(self) -> int:
        """Valves of its bridge."""
        return self.machine.valves

    @property
    def blocking_valves(self) -> int:
        """Valves of its bridge that block the bus voltage at a time."""
        return self.machine.blocking_valves


BARRIER_V: dict[str, float] = {"schottky": 0.69, "silicon": 1.11, "active": 1.11}
"""What makes a valve's saturation current grow with temperature: the barrier of a Schottky contact,
the band gap of silicon (textbook values, from memory), V."""


class Lead(Part):
    """Between generator and rectifier, one conductor: cable, slip ring or hollow-axle lead."""

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.12])
    resistance_ohm: NonNegative = Field(
        description="of one conductor between generator and rectifier", examples=[0.01]
    )
    drag_torque_N_m: NonNegative = Field(
        description="of a slip ring, at the generator's shaft; 0 for a cable", examples=[0]
    )
    current_limit_A: Positive = Field(description="rms that one conductor bears", examples=[15])


class Rectifier(Part):
    """One diode or one active valve; how many a bridge takes, the generator's kind says.

    v = emission_V * ln(1 + i/saturation_A) + resistance_ohm * i; saturation 0 is an active valve.
    Before an active valve has its supply, its body diode (`body_drop_V`) carries the current.
    """

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[0.0012])
    kind: Literal["schottky", "silicon", "active"] = Field(
        description="`schottky`, `silicon` or `active`", examples=["schottky"]
    )
    saturation_A: NonNegative = Field(
        description="saturation current; 0 for an active valve", examples=[9e-05]
    )
    emission_V: NonNegative = Field(
        description="emission coefficient times thermal voltage; above 0 for a diode",
        examples=[0.034],
    )
    resistance_ohm: NonNegative = Field(
        description="series resistance, of an active valve its on-resistance", examples=[0.045]
    )
    leakage_A: NonNegative = Field(
        description="reverse current at the voltage and temperature that it works at",
        examples=[0.0005],
    )
    reverse_limit_V: Positive = Field(description="what it blocks", examples=[40])
    current_limit_A: Positive = Field(description="mean current that it bears", examples=[3])
    thermal_K_per_W: Positive = Field(description="junction to ambient, as mounted", examples=[40])
    junction_limit_C: Positive = Field(description="highest junction temperature", examples=[125])
    supply_A: NonNegative = Field(
        description="what a whole bridge of active valves takes from the bus; 0 for diodes",
        examples=[0],
    )
    body_drop_V: NonNegative = Field(
        description="drop of an active valve before it has its supply; 0 for diodes", examples=[0]
    )
    start_V: NonNegative = Field(
        description="bus voltage at which active valves start; 0 for diodes", examples=[0]
    )
    measured_to_A: NonNegative = Field(
        default=0.0,
        description="highest current that its drop was measured at; left empty, not measured",
        examples=[3],
    )

    @model_validator(mode="after")
    def _active_is_ideal(self) -> Rectifier:
        if (self.saturation_A == 0) != (self.kind == "active"):
            raise ValueError("saturation_A is 0 for kind active and above 0 for diodes")
        if self.kind != "active" and self.emission_V == 0:
            raise ValueError("emission_V of a diode must be above 0")
        return self
