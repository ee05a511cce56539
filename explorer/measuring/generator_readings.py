"""Readings of a generator as observations: what each instrument would show by the model's laws."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from math import hypot, pi, sin, sqrt

import numpy as np

from explorer.inputs.machine_kinds import MachineKind
from explorer.measuring.fitting import Gain, Observation, UnknownValues
from explorer.measuring.generator_checks import pairs_apart
from explorer.measuring.generator_note import (
    Diodes,
    GeneratorNote,
    LoadReading,
    MotorRun,
    OpenReading,
)
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import Turning
from explorer.physics.bridge import RECTIFIERS
from explorer.physics.generator import (
    COPPER_TEMPERATURE_COEFFICIENT,
    copper_resistance,
    drag_torque,
    peak_emf,
)
from explorer.units import RAD_S_PER_RPM, STANDARD_GRAVITY

EMF, OHM, HENRY = "emf_phase_V_s", "resistance_phase_ohm", "inductance_phase_H"
STATIC_DRAG, VISCOUS, INERTIA = "drag_torque_N_m", "drag_viscous_N_m_s", "inertia_kg_m2"
WARMTH = "winding_warmth"
"""Resistance over that at the temperature that the note states, or at that of a usual room."""
BRIDGE_OFFSET = "bridge_offset_V"
"""By how much the bridge drops more than diodes of its class do."""

DIODES: Mapping[str, tuple[float, float, float]] = {
    "schottky": (6e-5, 0.0345, 0.045),
    "silicon": (5e-9, 0.046, 0.03),
    "active": (0.0, 0.0, 0.02),
}
"""Saturation current A, nVt V and series resistance ohm of a diode of each class (class values)."""
BRIDGE_OFFSET_SD = 0.06
"""Standard uncertainty of a bridge's drop when only the class of its diodes is known, V."""
UNKNOWN_DROP_V = 0.05
"""Limit of error of the drop of an open bridge into a meter, V."""
WINDING_SD_C, STATED_SD_C = 3.0, 1.0
"""Standard uncertainty of a winding's temperature: of a usual room, and when the note states it."""
ROOM_C = 20.0
SALIENCY_SD = 0.12
"""Inductance differs with the rotor's place: Lq/Ld is 1.44 to 1.67 in five published set-ups of
salvaged-class machines, so one place differs by some 12 % from the mean."""
JUST_TURNING_SD = 0.03
"""How exactly one sees which weight just keeps a shaft turning, relative (judgement)."""
PER_PEAK = {
    "true_rms": 1 / sqrt(2.0),
    "average": 1 / sqrt(2.0),
    "peak": 1.0,
    "peak_to_peak": 2.0,
}
"""What a meter shows of a sine of peak 1; one that averages is marked in rms of a sine."""
SCOPE_METERS = frozenset({"peak", "peak_to_peak"})


def mean_rectified(machine: MachineKind) -> float:
    """Mean behind an open bridge over the peak between two leads: `(p/pi) sin(pi/p)` of p pulses.

    0.95493 for six pulses, 2/pi for one winding's two (textbook: Mohan, Undeland & Robbins).
    """
    if machine.direct:
        return 1.0
    pulses = 6 if machine.phases_between_leads > 1 else 2
    return pulses / pi * sin(pi / pulses)


@dataclass(frozen=True)
class GeneratorReadings:
    """A note's readings as observations, given about what the machine is.

    `start`: a first guess of the unknowns, where uncertainties are propagated.
    """

    note: GeneratorNote
    machine: MachineKind
    pole_pairs: int
    instruments: Mapping[str, Instrument]
    start: UnknownValues

    def all(self) -> list[Observation]:
        """Every reading of the note."""
        return [
            *self.open_volts(), *self.resistances(), *self.loads(), *self.drags(),
            *self.spin_downs(), *self.motor_runs(), *self.inductances(),
        ]  # fmt: skip

    def speed_sd(self, turning: Turning) -> float:
        """Relative standard uncertainty of a speed."""
        of = self.instruments
        return turning.relative_sd(
            of["turns"].sd(0.0), of["seconds"].sd(0.0), of["rpm"].sd(turning.rpm or 0.0)
        )

    def speed(self, turning: Turning) -> float:
        """rad/s of the shaft."""
        return turning.shaft_rad_s(self.pole_pairs)

    def gain(self, instrument: str, sensitivity: float = 1.0) -> Gain:
        """The gain error of an instrument."""
        return Gain(instrument, self.instruments[instrument].gain_sd, sensitivity)

    @property
    def warmth_sd(self) -> float:
        """Doubt about the winding's temperature, as a relative error of its resistance."""
        kelvin = WINDING_SD_C if self.note.at_C is None else STATED_SD_C
        return COPPER_TEMPERATURE_COEFFICIENT * kelvin

    def hot_ohm(self, values: UnknownValues) -> float:
        """Resistance of a phase as warm as it was measured, ohm."""
        return self.warm * values.get(WARMTH, 1.0) * values[OHM]

    @property
    def warm(self) -> float:
        """Winding's resistance over that at 20 C."""
        at_C = ROOM_C if self.note.at_C is None else self.note.at_C
        return float(copper_resistance(1.0, at_C))

    def _voltmeter(self, meter: str) -> str:
        if meter == "rectified":
            return "volts_dc"
        return "scope" if meter in SCOPE_METERS else "volts_ac"

    def open_volts(self) -> Iterator[Observation]:
        """Volts at the open leads."""
        for number, one in enumerate(self.note.open):
            name = self._voltmeter(one.meter)
            sd = hypot(self.instruments[name].sd(one.volts), one.volts * self.speed_sd(one))
            if one.meter == "rectified" and not self.machine.direct:
                sd = hypot(sd, UNKNOWN_DROP_V / sqrt(3.0))
            law = partial(self._open_law, one)
            yield Observation(f"open[{number}]", "open", one.volts, sd, law, (self.gain(name),))

    def _open_law(self, one: OpenReading, values: UnknownValues) -> float:
        leads = self.machine.emf_leads_per_phase * peak_emf(values[EMF], self.speed(one))
        if one.meter != "rectified":
            return float(leads) * PER_PEAK[one.meter]
        share = 1.0 if one.smoothed else mean_rectified(self.machine)
        return float(leads) * share - one.drop_volts

    def resistances(self) -> Iterator[Observation]:
        """Ohms between two leads."""
        leads = self.machine.phases_between_leads
        apart = pairs_apart(self.note)
        for number, one in enumerate(self.note.resistance):
            gains: tuple[Gain, ...]
            if one.ohms is not None:
                ohm = one.ohms - one.test_lead_ohms
                sd, gains = self.instruments["ohms"].sd(one.ohms), (self.gain("ohms"),)
            else:
                volts, amps = one.volts or 0.0, one.amps or 1.0
                ohm = volts / amps
                share = hypot(
                    self.instruments["volts_dc"].sd(volts) / volts,
                    self.instruments["amps"].sd(amps) / amps,
                )
                sd, gains = ohm * share, (self.gain("volts_dc"), self.gain("amps", -1.0))
            yield Observation(
                f"resistance[{number}]", "resistance", ohm, hypot(sd, apart * ohm),
                lambda values: leads * self.hot_ohm(values), gains,
            )  # fmt: skip

    def loads(self) -> Iterator[Observation]:
        """Amps into a load behind the bridge, or volts of a resistor across two leads."""
        for number, one in enumerate(self.note.loads):
            amps = one.amps if one.amps is not None else one.volts / (one.ohms or 1.0)
            direct = one.meter == "rectified"
            law: Callable[[UnknownValues, float, float], float] = (
                partial(self._bus_law, one.diodes) if direct else partial(self._lead_law, one.meter)
            )
            name = self._voltmeter(one.meter)
            ammeter = self.instruments["amps"].sd(amps) if one.amps is not None else 0.02 * amps
            yield self._load(f"loads[{number}]", one, amps, ammeter, law, name)

    def _load(
        self,
        where: str,
        one: LoadReading,
        amps: float,
        ammeter_sd: float,
        law: Callable[[UnknownValues, float, float], float],
        voltmeter: str,
    ) -> Observation:
        """Amps that a load takes, with what doubt about volts and speed adds to theirs."""
        speed = self.speed(one)
        at = law(self.start, one.volts, speed) or amps
        by_volts = (law(self.start, 1.001 * one.volts, speed) - at) / 0.001 / at
        by_speed = (law(self.start, one.volts, 1.001 * speed) - at) / 0.001 / at
        share = hypot(
            by_volts * self.instruments[voltmeter].sd(one.volts) / one.volts,
            by_speed * self.speed_sd(one),
        )
        gains = (self.gain("amps"), self.gain(voltmeter, -by_volts))
        return Observation(
            where, "loads", amps, hypot(ammeter_sd, amps * share),
            lambda values: law(values, one.volts, speed), gains,
        )  # fmt: skip

    def _bus_law(self, diodes: Diodes, values: UnknownValues, bus_V: float, speed: float) -> float:
        if self.machine.direct:  # measured at its terminals: no diode stands in between
            emf = float(peak_emf(values[EMF], speed))
            return (emf - bus_V) / (self.hot_ohm(values))
        volts = bus_V + values.get(BRIDGE_OFFSET, 0.0)
        return _bridge_amps(
            self.machine.bridge, diodes, float(peak_emf(values[EMF], speed)),
            self.pole_pairs * speed, self.hot_ohm(values), values[HENRY], max(volts, 0.0),
        )  # fmt: skip

    def _lead_law(self, meter: str, values: UnknownValues, volts: float, speed: float) -> float:
        """Amps rms through a resistor at two leads whose voltage is read: by the phasor diagram."""
        peak = self.machine.emf_leads_per_phase * float(peak_emf(values[EMF], speed))
        leads = self.machine.phases_between_leads
        ohm = leads * self.hot_ohm(values)
        reactance = leads * self.pole_pairs * speed * values[HENRY]
        read = volts / PER_PEAK[meter]
        # |E|^2 = (V + R I)^2 + (X I)^2, of peaks.
        square, linear = ohm**2 + reactance**2, 2 * ohm * read
        root = linear**2 + 4 * square * max(peak**2 - read**2, 0.0)
        return (sqrt(root) - linear) / (2 * square) / sqrt(2.0)

    def drags(self) -> Iterator[Observation]:
        """Torque of weights."""
        for number, one in enumerate(self.note.drag):
            torque = one.kg * STANDARD_GRAVITY * one.radius_m
            speed = one.rpm * RAD_S_PER_RPM
            radius = Gain(
                f"radius {one.radius_m}", self.instruments["metres"].sd(one.radius_m) / one.radius_m
            )
            share = hypot(self.instruments["kg"].sd(one.kg) / one.kg, JUST_TURNING_SD)
            yield Observation(
                f"drag[{number}]", "drag", torque, torque * share,
                partial(_drag_law, speed), (self.gain("kg"), radius),
            )  # fmt: skip

    def spin_downs(self) -> Iterator[Observation]:
        """Seconds between two speeds."""
        for number, one in enumerate(self.note.spin_down):
            fast, slow = one.from_rpm * RAD_S_PER_RPM, one.to_rpm * RAD_S_PER_RPM
            rpm = hypot(self.instruments["rpm"].sd(one.from_rpm), one.to_rpm and 0.5)
            sd = hypot(
                self.instruments["seconds"].sd(0.0),
                one.seconds * rpm / (one.from_rpm - one.to_rpm),
            )
            yield Observation(
                f"spin_down[{number}]", "spin_down", one.seconds, sd,
                partial(_spin_law, fast, slow, one.inertia_kg_m2, one.added_kg_m2),
            )  # fmt: skip

    def motor_runs(self) -> Iterator[Observation]:
        """Volts of a motor, and its current where its shaft is free."""
        for number, one in enumerate(self.note.as_motor):
            speed = self.speed(one)
            where = f"as_motor[{number}]"
            copper = self.warm * self.start[OHM] * one.amps / one.volts
            amps = self.instruments["amps"].sd(one.amps)
            volts_sd = hypot(
                self.instruments["volts_dc"].sd(one.volts),
                one.volts * copper * amps / one.amps,
                (1 - copper) * one.volts * self.speed_sd(one),
            )
            yield Observation(
                where, "as_motor", one.volts, volts_sd, partial(self._motor_law, one, speed),
                (self.gain("volts_dc"), self.gain("amps", -copper)),
            )  # fmt: skip
            if one.free:
                yield Observation(
                    f"{where}.amps", "as_motor_amps", one.amps, amps,
                    partial(_free_law, speed),
                    (self.gain("amps"),),
                )  # fmt: skip

    def _motor_law(self, one: MotorRun, speed: float, values: UnknownValues) -> float:
        return one.amps * self.hot_ohm(values) + float(peak_emf(values[EMF], speed))

    def inductances(self) -> Iterator[Observation]:
        """Inductance between two leads by ringing, and short-circuit current at speed."""
        leads = self.machine.phases_between_leads
        for number, one in enumerate(self.note.ringing):
            henry = 1 / ((2 * pi * one.hertz) ** 2 * one.farads)
            share = hypot(2 * self.instruments["hertz"].sd(one.hertz) / one.hertz, SALIENCY_SD)
            yield Observation(
                f"ringing[{number}]", "ringing", henry, henry * share,
                lambda values: leads * values[HENRY], (self.gain("farads", -1.0),),
            )  # fmt: skip
        for number, short in enumerate(self.note.short_circuit):
            speed = self.speed(short)
            at = self._short_law(speed, self.start)
            by_speed = (self._short_law(1.001 * speed, self.start) / at - 1) / 0.001
            sd = hypot(
                self.instruments["amps"].sd(short.amps),
                short.amps * by_speed * self.speed_sd(short),
            )
            yield Observation(
                f"short_circuit[{number}]", "short_circuit", short.amps, sd,
                partial(self._short_law, speed), (self.gain("amps"),),
            )  # fmt: skip

    def _short_law(self, speed: float, values: UnknownValues) -> float:
        reactance = 0.0 if self.machine.direct else self.pole_pairs * speed * values[HENRY]
        impedance = hypot(self.hot_ohm(values), reactance)
        share = 1.0 if self.machine.direct else 1 / sqrt(2.0)
        return float(peak_emf(values[EMF], speed)) * share / impedance


@lru_cache(maxsize=4096)  # a fit moves one unknown at a time, and most do not concern the bridge
def _bridge_amps(
    bridge: str,
    diodes: Diodes,
    peak_V: float,
    electrical_rad_s: float,
    phase_ohm: float,
    phase_H: float,
    bus_V: float,
) -> float:
    """Mean current into a bus from a machine behind its rectifier, A."""
    saturation, emission, ohm = DIODES[diodes]
    state = RECTIFIERS[bridge].solve(
        emf_peak_V=peak_V,
        electrical_rad_s=electrical_rad_s,
        resistance_ohm=phase_ohm,
        inductance_H=phase_H,
        bus_V=bus_V,
        diode_saturation_A=saturation,
        diode_emission_V=emission,
        diode_resistance_ohm=ohm,
    )
    return float(state.bus_current_A)


def _drag_law(speed: float, values: UnknownValues) -> float:
    return float(drag_torque(values[STATIC_DRAG], values[VISCOUS], speed))


def _free_law(speed: float, values: UnknownValues) -> float:
    """Current of a motor that turns nothing but itself: its drag over its EMF constant."""
    return _drag_law(speed, values) / values[EMF]


def _spin_law(
    fast: float, slow: float, inertia: float | None, added: float, values: UnknownValues
) -> float:
    """Seconds from one speed to another: `J dw/dt = -(T + k w)` integrated."""
    whole = (values[INERTIA] if inertia is None else inertia) + added
    at_slow = max(_drag_law(slow, values), 1e-9)
    grown = values[VISCOUS] * (fast - slow) / at_slow
    share = np.log1p(max(grown, -0.999)) / grown if abs(grown) > 1e-9 else 1.0
    return whole * (fast - slow) / at_slow * float(share)
