"""Synthetic benches: true parts, instruments that are off by what they may be, and their notes.

Laws are written out anew here, apart from those of the package. Errors are normal, with the
standard uncertainties that the package takes of usual instruments.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from math import exp, log, pi, sqrt
from typing import Any

import numpy as np

from explorer.measuring.instruments import INSTRUMENTS
from explorer.measuring.note_kinds import NOTE_KINDS
from explorer.measuring.results import Measured
from explorer.physics.bridge import steady_state
from explorer.physics.converter import fit_loss, intake

Truth = Mapping[str, float]
G = 9.80665


@dataclass
class Bench:
    """Instruments whose gain errors are drawn once, and whose readings scatter."""

    rng: np.random.Generator
    gains: dict[str, float] = field(default_factory=dict)

    def gain(self, name: str, sd: float | None = None) -> float:
        """The gain error of an instrument on this bench."""
        sd = INSTRUMENTS[name].gain_sd if sd is None else sd
        return self.gains.setdefault(name, float(self.rng.normal(0, sd)))

    def reads(self, name: str, true: float) -> float:
        """What an instrument shows."""
        return self.scattered(name, true * (1 + self.gain(name)))

    def scattered(self, name: str, value: float) -> float:
        """A value with the scatter of an instrument's single reading, no gain error."""
        return value + float(self.rng.normal(0, INSTRUMENTS[name].sd(abs(value))))

    def turning(self, turns: float, true_rad_s: float) -> dict[str, float]:
        """Counted turns and stopped seconds of a shaft."""
        return {
            "turns": self.scattered("turns", turns),
            "seconds": self.scattered("seconds", 2 * pi * turns / true_rad_s),
        }

    def even(self, low: float, high: float) -> float:
        """Evenly drawn on a logarithmic scale."""
        return float(exp(self.rng.uniform(log(low), log(high))))

    def warm(self) -> float:
        """A winding's resistance in a usual room over that at 20 C."""
        return 1 + 0.00393 * float(self.rng.normal(0, 3.0))


def three_phase(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A small hub: open volts by a meter, ohms, weights, ringing."""
    truth = _hub(bench)
    emf, ohm, henry = (truth[f"{n}_line_{u}"] for n, u in
                       (("emf", "V_s"), ("resistance", "ohm"), ("inductance", "H")))  # fmt: skip
    warm = bench.warm()
    note: dict[str, Any] = _start("three_phase", 15) | {"open": [], "drag": [], "ringing": []}
    for speed in (8.0, 15.0, 25.0):
        volts = bench.reads("volts_ac", emf * speed / sqrt(2))
        note["open"].append({"volts": volts, "meter": "average", **bench.turning(60, speed)})
    note["resistance"] = [
        {"volts": bench.reads("volts_dc", ohm * warm * amps), "amps": bench.reads("amps", amps)}
        for amps in (0.5, 1.0, 2.0)
    ]
    _weigh(bench, note, truth, (6.0, 120.0, 200.0))
    for _ in range(4):
        place = henry * (1 + float(bench.rng.normal(0, 0.12)))
        farad = 1e-5 * (1 + bench.gain("farads"))
        hertz = bench.reads("hertz", 1 / (2 * pi * sqrt(place * farad)))
        note["ringing"].append({"hertz": hertz, "farads": 1e-5})
    return note, truth


def _hub(bench: Bench) -> dict[str, float]:
    return {
        "emf_line_V_s": bench.even(0.55, 0.65),
        "resistance_line_ohm": 2 * bench.even(0.16, 0.28),
        "inductance_line_H": 2 * sqrt(3e-4 * 6e-4) * exp(float(bench.rng.normal(0, 0.3))),
        "drag_torque_N_m": bench.even(0.12, 0.25),
        "drag_viscous_N_m_s": bench.even(0.0008, 0.003),
    }


def _start(kind: str, cycles: int) -> dict[str, Any]:
    return {"class": kind, "cycles_per_turn": cycles}


def _weigh(bench: Bench, note: dict[str, Any], truth: Truth, speeds: tuple[float, ...]) -> None:
    radius = 0.08
    ruler = INSTRUMENTS["metres"].sd(radius) / radius
    true_radius = radius / (1 + bench.gain(f"radius {radius}", ruler))
    for rpm in speeds:
        torque = truth["drag_torque_N_m"] + truth["drag_viscous_N_m_s"] * rpm * pi / 30
        seen = 1 + float(bench.rng.normal(0, 0.03))  # which weight just keeps it turning
        kg = bench.reads("kg", torque * seen / G / true_radius)
        note["drag"].append({"kg": kg, "radius_m": radius, "rpm": rpm})


def loaded(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A small hub: one open reading, ohms, loads across two leads, short-circuit current."""
    truth = _hub(bench)
    emf, ohm, henry = (truth[f"{n}_line_{u}"] for n, u in
                       (("emf", "V_s"), ("resistance", "ohm"), ("inductance", "H")))  # fmt: skip
    warm = bench.warm()
    note: dict[str, Any] = _start("three_phase", 15) | {"loads": [], "drag": []}
    volts = bench.reads("volts_ac", emf * 15.0 / sqrt(2))
    note["open"] = [{"volts": volts, "meter": "true_rms", **bench.turning(60, 15.0)}]
    note["resistance"] = [{"ohms": bench.reads("ohms", ohm * warm)}]
    for speed, load in ((15.0, 2.0), (20.0, 4.0), (25.0, 1.5)):
        amps = emf * speed / sqrt(2) / abs(complex(load + ohm * warm, 15 * speed * henry))
        note["loads"].append(
            {
                "volts": bench.reads("volts_ac", amps * load), "amps": bench.reads("amps", amps),
                "meter": "true_rms", **bench.turning(60, speed),
            }
        )  # fmt: skip
    note["short_circuit"] = []
    for speed in (20.0, 40.0):
        amps = emf * speed / sqrt(2) / abs(complex(ohm * warm, 15 * speed * henry)) * 2 / sqrt(3)
        short = bench.reads("amps", amps)
        note["short_circuit"].append({"amps": short, **bench.turning(60, speed)})
    _weigh(bench, note, truth, (6.0, 120.0))
    return note, truth


def bridged(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A small hub: loads behind a Schottky bridge whose drop is as of its class, ohms, no open
    reading. Currents are those of the solved bridge."""
    truth = _hub(bench)
    emf, ohm, henry = (truth[f"{n}_line_{u}"] for n, u in
                       (("emf", "V_s"), ("resistance", "ohm"), ("inductance", "H")))  # fmt: skip
    warm = bench.warm()
    note: dict[str, Any] = _start("three_phase", 15) | {"loads": [], "drag": []}
    note["resistance"] = [{"ohms": bench.reads("ohms", ohm * warm)}]
    offset = float(bench.rng.normal(0, 0.06))
    for speed, share in ((18.0, 0.6), (25.0, 0.6), (25.0, 0.4), (15.0, 0.75)):
        volts = share * emf * speed
        state = steady_state(
            emf_peak_V=emf * speed / sqrt(3), electrical_rad_s=15 * speed, bus_V=volts + offset,
            resistance_ohm=ohm * warm / 2, inductance_H=henry / 2, diode_saturation_A=6e-5,
            diode_emission_V=0.0345, diode_resistance_ohm=0.045,
        )  # fmt: skip
        amps = bench.reads("amps", float(state.bus_current_A))
        read = bench.reads("volts_dc", volts)
        note["loads"].append({"volts": read, "amps": amps, **bench.turning(60, speed)})
    _weigh(bench, note, truth, (6.0, 120.0))
    return note, truth


def two_phase(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A stepper: peak to peak by an oscilloscope, hertz, a winding shorted, spin-down."""
    truth = {
        "emf_phase_V_s": bench.even(0.35, 0.7), "resistance_phase_ohm": bench.even(0.7, 2.0),
        "inductance_phase_H": sqrt(1.5e-3 * 0.01) * exp(float(bench.rng.normal(0, 0.4))),
        "drag_torque_N_m": bench.even(0.03, 0.07), "drag_viscous_N_m_s": bench.even(4e-4, 1.5e-3),
    }  # fmt: skip
    warm = bench.warm()
    note: dict[str, Any] = _start("two_phase", 50) | {"drag": []}
    note["open"] = [
        {"volts": bench.reads("scope", 2 * truth["emf_phase_V_s"] * speed), "meter": "peak_to_peak",
         **bench.turning(60, speed)}
        for speed in (5.0, 10.0)
    ]  # fmt: skip
    ohm = truth["resistance_phase_ohm"] * warm
    note["resistance"] = [
        {"volts": bench.reads("volts_dc", ohm), "amps": bench.reads("amps", 1.0)} for _ in range(2)
    ]
    note["short_circuit"] = []
    for speed in (3.0, 20.0):
        whole = abs(complex(ohm, 50 * speed * truth["inductance_phase_H"]))
        amps = truth["emf_phase_V_s"] * speed / sqrt(2) / whole
        note["short_circuit"].append(
            {"amps": bench.reads("amps", amps), **bench.turning(60, speed)}
        )
    _weigh(bench, note, truth, (10.0, 60.0))
    inertia = bench.even(3e-3, 6e-3)
    note["spin_down"] = []
    for added in (0.0, 0.01):
        fast, slow = bench.reads("rpm", 300.0), bench.reads("rpm", 60.0)
        t_c, k = truth["drag_torque_N_m"], truth["drag_viscous_N_m_s"]
        w1, w2 = 300 * pi / 30, 60 * pi / 30
        seconds = (inertia + added) / k * log((t_c + k * w1) / (t_c + k * w2))
        note["spin_down"].append(
            {"from_rpm": fast, "to_rpm": slow, "seconds": bench.scattered("seconds", seconds),
             "added_kg_m2": added}
        )  # fmt: skip
    return note, {**truth, "inertia_kg_m2": inertia}


def brushed(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A brushed machine run as a motor at six voltages, and its ohms."""
    truth = {
        "emf_phase_V_s": bench.even(0.22, 0.38), "resistance_phase_ohm": bench.even(0.6, 1.8),
        "drag_torque_N_m": bench.even(0.12, 0.25), "drag_viscous_N_m_s": bench.even(5e-4, 3e-3),
    }  # fmt: skip
    warm = bench.warm()
    note: dict[str, Any] = {"class": "brushed_dc", "as_motor": []}
    for volts in (6.0, 9.0, 12.0, 18.0, 24.0, 30.0):
        emf, ohm = truth["emf_phase_V_s"], truth["resistance_phase_ohm"] * warm
        # V = I R + Ke w and Ke I = T + k w.
        whole = emf + truth["drag_viscous_N_m_s"] * ohm / emf
        speed = (volts - truth["drag_torque_N_m"] * ohm / emf) / whole
        amps = (truth["drag_torque_N_m"] + truth["drag_viscous_N_m_s"] * speed) / emf
        note["as_motor"].append(
            {"volts": bench.reads("volts_dc", volts), "amps": bench.reads("amps", amps),
             "rpm": bench.reads("rpm", speed * 30 / pi)}
        )  # fmt: skip
    note["resistance"] = [{"ohms": bench.reads("ohms", truth["resistance_phase_ohm"] * warm)}]
    return note, truth


def rectifier(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A Schottky diode at three currents; nVt and resistance are as of its class."""
    truth = {
        "saturation_A": bench.even(1e-5, 2e-4),
        "emission_V": 0.030 * exp(float(bench.rng.normal(0, 0.1))),
        "resistance_ohm": 0.045 * exp(float(bench.rng.normal(0, 0.7))),
    }
    note: dict[str, Any] = {"kind": "schottky", "forward": []}
    for amps in (0.1, 0.5, 2.0):
        drop = truth["emission_V"] * log(1 + amps / truth["saturation_A"])
        volts = bench.reads("volts_dc", drop + truth["resistance_ohm"] * amps)
        note["forward"].append({"volts": volts, "amps": bench.reads("amps", amps)})
    return note, truth


def cell(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A cell of 25 F class, discharged at half an ampere."""
    truth = {"capacitance_F": bench.even(20, 30), "esr_ohm": bench.even(0.02, 0.08)}
    amps, held = 0.5, 2.7
    readings = []
    for volts in (2.1, 1.8, 1.5, 1.2):
        at = (held - volts - amps * truth["esr_ohm"]) * truth["capacitance_F"] / amps
        noise = float(bench.rng.normal(0, 0.004 / sqrt(3)))
        late = bench.scattered("seconds", at)
        readings.append({"seconds": late, "volts": bench.reads("volts_dc", volts) + noise})
    held_read = held * (1 + bench.gain("volts_dc"))
    discharge = {"amps": amps * (1 + bench.gain("amps")), "held_V": held_read}
    note = {"rated_V": 2.7, "discharge": [{**discharge, "readings": readings}]}
    return note, truth


def lead(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A lead at two currents."""
    ohm = bench.even(0.01, 0.2)
    drop = [
        {"volts": bench.reads("volts_dc", ohm * amps), "amps": bench.reads("amps", amps)}
        for amps in (1.0, 2.0)
    ]
    return {"drop": drop}, {"resistance_ohm": ohm}


def operator(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A person's all-outs of three lengths."""
    truth = {"critical_power_W": bench.even(30, 70), "reserve_J": bench.even(2500, 8000)}
    efforts = []
    for seconds in (150.0, 400.0, 1200.0):
        true = truth["critical_power_W"] + truth["reserve_J"] / seconds
        watts = true * (1 + bench.gain("watts"))
        watts *= 1 + float(bench.rng.normal(0, sqrt(0.03**2 + INSTRUMENTS["watts"].scatter ** 2)))
        efforts.append({"seconds": seconds, "watts": watts})
    return {"all_out": efforts}, truth


def pack_steady(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A pack that lets go, straight on a supply that is lowered in even steps."""
    amps, hold = bench.even(0.9, 2.4), float(bench.rng.uniform(4.2, 4.65))
    return {"lowered": _lowered(bench, amps, hold, 0.0)}, {"current_A": amps, "hold_V": hold}


def pack_retrying(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A pack that lets go and tries again, behind half an ohm: its input jumps up as it lets go."""
    amps, hold = bench.even(0.9, 2.4), float(bench.rng.uniform(4.2, 4.65))
    retry_s = bench.even(4, 20)
    note = {
        "lowered": _lowered(bench, amps, hold, 0.5),
        "tries_again_s": bench.scattered("seconds", retry_s),
    }
    return note, {"current_A": amps, "hold_V": hold, "retry_s": retry_s}


def _lowered(bench: Bench, amps: float, hold: float, ohm: float) -> list[dict[str, float]]:
    readings = []
    step = float(bench.rng.uniform(0.05, 0.25))
    inner = 5.0 - float(bench.rng.uniform(0, 0.1))
    while inner > hold:
        volts = bench.reads("volts_dc", inner)
        readings.append({"volts": volts, "amps": bench.reads("amps", amps)})
        inner -= step
    supply = inner + ohm * amps
    return [*readings, {"volts": bench.reads("volts_dc", supply), "amps": 0.0}]


def pack_regulating(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A pack that holds its input within 10 mV, behind half an ohm: `(supply - hold)/R` flows."""
    amps, hold, ohm = bench.even(0.9, 2.4), float(bench.rng.uniform(4.2, 4.65)), 0.5
    readings = []
    supply = 5.0 + ohm * amps - float(bench.rng.uniform(0, 0.1))
    while supply > hold + 0.05:
        flows = min(amps, (supply - hold) / ohm)
        inner = supply - ohm * flows
        if flows < amps:
            inner += float(bench.rng.normal(0, 0.01))
        volts = bench.reads("volts_dc", inner)
        readings.append({"volts": volts, "amps": bench.reads("amps", flows)})
        supply -= 0.1
    return {"lowered": readings}, {"current_A": amps, "hold_V": hold}


CONVERTER_POINTS = tuple((volts, amps) for volts in (4.5, 7.0, 11.0) for amps in (0.5, 1.0, 2.0))
"""Input V and output A of a converter's points."""


def converter(bench: Bench) -> tuple[dict[str, Any], Truth]:
    """A converter at nine points, one voltmeter and two ammeters; `loss` is that of all points."""
    output_V = bench.even(4.95, 5.2)
    fixed, by_V, by_A = bench.even(0.05, 0.15), bench.even(0.005, 0.02), bench.even(0.2, 0.4)
    ohm_in, ohm_out = bench.even(0.03, 0.08), bench.even(0.02, 0.06)
    points, whole = [], 0.0
    for volts, amps in CONVERTER_POINTS:
        rest = output_V * amps + fixed + by_V * volts + ohm_out * amps**2
        # V I = rest + b I + c I^2, the smaller root.
        net = volts - by_A
        flows = (net - sqrt(net**2 - 4 * ohm_in * rest)) / (2 * ohm_in)
        whole += volts * flows - output_V * amps
        other = amps * (1 + bench.gain("amps at the output", INSTRUMENTS["amps"].gain_sd))
        points.append(
            {
                "input_V": bench.reads("volts_dc", volts), "input_A": bench.reads("amps", flows),
                "output_V": bench.reads("volts_dc", output_V),
                "output_A": bench.scattered("amps", other),
            }
        )  # fmt: skip
    return {"points": points}, {"output_V": output_V, "loss": whole}


BENCHES: Mapping[str, tuple[str, Callable[[Bench], tuple[dict[str, Any], Truth]]]] = {
    "three_phase": ("generator", three_phase),
    "loaded": ("generator", loaded),
    "bridged": ("generator", bridged),
    "two_phase": ("generator", two_phase),
    "brushed": ("generator", brushed),
    "rectifier": ("rectifier", rectifier),
    "cell": ("cell", cell),
    "lead": ("lead", lead),
    "operator": ("operator", operator),
    "pack_lead": ("pack_lead", lead),
    "pack_steady": ("pack", pack_steady),
    "pack_retrying": ("pack", pack_retrying),
    "pack_regulating": ("pack", pack_regulating),
    "converter": ("converter", converter),
}
"""Benches by name: the kind of note, and what draws one with its truth."""


def measured(name: str, seed: int) -> tuple[Measured, Truth]:
    """What the notes of a synthetic bench come to, and the truth."""
    kind, draw = BENCHES[name]
    note, truth = draw(Bench(np.random.default_rng([seed, list(BENCHES).index(name)])))
    found = NOTE_KINDS[kind]
    return found.measured("mine", found.note.model_validate(note), INSTRUMENTS), truth


def held(one: Measured, truth: Truth) -> Iterator[tuple[str, bool]]:
    """For each true value, whether the 95 % band of what was measured holds it."""
    for name, true in truth.items():
        if not one.fits:
            value, sd = _unfitted(one, name, truth)
            yield name, abs(log(true / value)) <= 1.959964 * sd
            continue
        value = one.columns.get(name, one.beside.get(name))
        fit = next(iter(one.fits.values()))
        plain = name.replace("_line_", "_phase_")
        sd = fit.sd[plain]
        logarithmic = abs(sd - one.relative_sd.get(name, sd)) < 1e-12
        error = log(true / float(value)) if logarithmic else true - float(value)
        yield name, abs(error) <= 1.959964 * sd


def _unfitted(one: Measured, name: str, truth: Truth) -> tuple[float, float]:
    """Value and relative uncertainty of what no least squares gave; a converter's loss is that of
    the law which reading its table gives, at the places of its points."""
    if name != "loss":
        return float(one.columns[name]), one.relative_sd[name]
    volts, amps, shares = (
        np.array([float(point[key]) for point in one.points])
        for key in ("input_V", "output_A", "efficiency")
    )
    law = fit_loss(volts, amps, shares, float(one.columns["output_V"]))
    at = np.array(CONVERTER_POINTS)
    terms = dict(list(law._asdict().items())[:6])
    watts = truth["output_V"] * at[:, 1]
    lost = intake(at[:, 0], watts, at[:, 1], on_resistance_ohm=0.0, **terms).converter_loss_W
    return float(lost.sum()), one.relative_sd["loss_W"]
