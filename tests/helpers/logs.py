"""Logs of chains with planted faults, made without the session: by the twin's currents, own steps.

The front half's current over bus voltage is the twin's (`chain_twin`); what a broken phase or a
shorted valve does to it is a circuit of three windings and six valves, integrated here. Bank,
window and pack are a loop of plain steps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from explorer.inputs.study import Project
from explorer.measuring.plug_log import PlugLog
from explorer.model import promise
from explorer.model.odds import BUILDS_PER_HAND
from explorer.model.space import Designs
from explorer.units import Array
from tests.helpers.chain_twin import Twin

STEP_S = 0.05
VALVE_V, VALVE_OHM, EDGE_A = 0.35, 0.03, 0.02
"""The circuit's valves: a knee and a slope, and the current over which the knee is rounded."""
FAULTS = ("broken_phase", "shorted_diode", "lossy_lead", "tired_cell", "hunting_pack", "weak_hand")
LINKS = {
    "broken_phase": {"generator", "rectifier"}, "shorted_diode": {"generator", "rectifier"},
    "lossy_lead": {"pack_lead"}, "tired_cell": {"cell"}, "hunting_pack": {"pack"},
    "weak_hand": {"operator"},
}  # fmt: skip
"""What must be named for a fault to count as found: a log cannot part winding and valve."""


GRID = np.linspace(0.05, 0.95, 7)


@cache
def shares_left(fault: str, emf_V: float, ohm: float, reactance: float) -> tuple[Array, Array]:
    """Bus current and electromagnetic power with a fault over those without, at bus voltages of
    `GRID` times the open one, of three phases in a star.
    """
    volts = np.sqrt(3) * emf_V * GRID
    faulty, sound = (
        np.array([_circuit(one, emf_V, float(at), ohm, reactance) for at in volts])
        for one in (fault, "")
    )
    amps, watts = (faulty / np.maximum(sound, 1e-6)).T
    return np.clip(amps, 0, 1), np.clip(watts, 0, 10)


def _circuit(fault: str, emf_V: float, volts: float, ohm: float, reactance: float) -> Array:
    """Mean bus current and power of the EMF in the second of two periods; time in radians of it."""
    phase = -2 * np.pi / 3 * np.arange(3)

    def terminal(current: Array) -> Array:
        level = volts / 2 + VALVE_V
        found = volts / 2 + level * np.tanh(current / EDGE_A) + VALVE_OHM * current
        if fault == "shorted_diode":  # the upper valve of the first phase is a piece of wire
            found[0] = volts + VALVE_OHM * current[0]
        return np.asarray(found)

    def slope(angle: float, current: Array) -> Array:
        emf = emf_V * np.sin(angle + phase)
        over = emf - ohm * current - terminal(current)
        if fault == "broken_phase":
            over[0] = 0.0
            over[1:] -= over[1:].mean()
        else:
            over -= over.mean()
        return np.asarray(over / reactance)

    run = solve_ivp(
        slope, (0, 4 * np.pi), np.zeros(3), "LSODA", rtol=1e-4, atol=1e-4,
        t_eval=np.linspace(2 * np.pi, 4 * np.pi, 400, endpoint=False),
    )  # fmt: skip
    into = np.maximum(run.y, 0.0)
    if fault == "shorted_diode":
        into[0] = run.y[0]
    emf = emf_V * np.sin(run.t + phase[:, None])
    return np.array([into.sum(axis=0).mean(), (emf * run.y).sum(axis=0).mean()])


class FaultyTwin(Twin):
    """The twin with a broken phase or a shorted valve: less current, and the torque of that."""

    fault = ""

    def crank(self, speed: Any, volts: Any) -> dict[str, Any]:
        found = super().crank(speed, volts)
        machine, gear = self.p["generator"], self.p["gearing"]
        nominal = self.cadence * gear.ratio
        amps, watts = shares_left(
            self.fault, round(float(machine.emf_phase_V_s * nominal), 0),
            round(self.copper_ohm + self.wire_ohm, 1),
            max(round(float(machine.inductance_phase_H * machine.pole_pairs * nominal), 1), 0.1),
        )  # fmt: skip
        open_V = np.sqrt(3) * machine.emf_phase_V_s * gear.ratio * speed
        at = volts / np.maximum(open_V, 1e-9)
        heat = found["copper"] + found["lead"] + found["bridge"]
        electric = volts * found["current_A"] + heat
        at_shaft = electric * np.interp(at, GRID, watts) + found["drag"]
        work = at_shaft / gear.efficiency + gear.drag_torque_N_m * speed
        current = found["current_A"] * np.interp(at, GRID, amps)
        return found | {"current_A": current, "crank_work": work, "torque_N_m": work / speed}


@dataclass(frozen=True)
class Planted:
    """A chain for a log: what is wrong with it, and how badly."""

    twin: Twin
    front_A: Array
    farad: float
    esr_ohm: float
    lead_ohm: float
    drops_out: tuple[float, float] = (0.0, 0.0)
    """Seconds that a hunting pack takes current and those that it does not."""


def planted(
    project: Project, design: Designs, number: int, fault: str, rng: np.random.Generator
) -> Planted:
    """A build of a design by its number, with a fault of random severity ("" for none)."""
    build = promise.draw(project, design, [number])
    project, one = build.project, build.designs
    if fault == "weak_hand":  # turns at 65 to 80 % of what the design asks
        slower = {
            **one.settings,
            "cadence_rpm": one.settings["cadence_rpm"] * rng.uniform(0.65, 0.8),
        }
        one = replace(one, settings=slower)
    kind = FaultyTwin if fault in ("broken_phase", "shorted_diode") else Twin
    twin = type(kind.__name__, (kind,), {"fault": fault}).of_design(project, one, 0)
    front_A, farad, esr_ohm = twin.front["current_A"], twin.farad, twin.esr
    lead_ohm, drops_out = twin.p["pack_lead"].resistance_ohm, (0.0, 0.0)
    if fault == "lossy_lead":
        lead_ohm += rng.uniform(0.15, 0.4)
    elif fault == "tired_cell":
        farad, esr_ohm = farad * rng.uniform(0.4, 0.65), esr_ohm * rng.uniform(3, 6)
    elif fault == "hunting_pack":
        drops_out = (rng.uniform(5, 20), rng.uniform(2, 6))
    return Planted(twin, front_A, farad, esr_ohm, lead_ohm, drops_out)


def log_of(chain: Planted, seconds: float, every_s: float, rng: np.random.Generator) -> PlugLog:
    """What averaging meters log of a chain from an empty bank on, with gain errors and scatter."""
    twin = chain.twin
    drains_A = sum(twin.drains.values())
    bank_V, on, since, taking, rows = 0.0, False, 0.0, True, []
    ratio = round(every_s / STEP_S)
    for step in range(int(seconds / STEP_S)):
        stroke = 1 + twin.person.unevenness * np.cos(2 * twin.cadence * step * STEP_S)
        bus_V, bank_A, given = _balance(chain, stroke, bank_V, drains_A, on and taking)
        if on and (bus_V <= twin.off_V or bus_V >= twin.over_V):
            on = False
        elif not on and twin.on_V <= bus_V < 0.97 * twin.over_V:
            on, since, taking = True, 0.0, True
        if on and chain.drops_out[0]:
            since += STEP_S
            if since > chain.drops_out[0 if taking else 1]:
                since, taking = 0.0, not taking
        rows.append((step * STEP_S, bus_V, bank_A, *_at_the_plug(chain, given, on)))
        bank_V = max(bank_V + bank_A * STEP_S / chain.farad, 0.0)
    steps = np.array(rows)[: len(rows) // ratio * ratio].reshape(-1, ratio, 5)
    return _metered(np.concatenate([steps[:1, 0], steps.mean(axis=1)]), every_s, twin, rng)


def _balance(
    chain: Planted, stroke: float, bank_V: float, drains_A: Any, loaded: bool
) -> tuple[float, float, float]:
    """Bus voltage, current into the bank, and power at the converter's output."""
    twin, bus_V, bank_A, given = chain.twin, bank_V, 0.0, 0.0
    for _ in range(4):  # the bank's resistance is small beside the slope of all else
        net = np.interp(bus_V, twin.volts, stroke * chain.front_A - drains_A)
        if loaded:
            net -= np.interp(bus_V, twin.volts, twin.drawn["current_A"])
            given = float(np.interp(bus_V, twin.volts, twin.drawn["held"]))
        bank_A = float(net)
        bus_V = max(bank_V + 0.7 * chain.esr_ohm * bank_A + 0.3 * (bus_V - bank_V), 0.0)
    return bus_V, bank_A, given


def _at_the_plug(chain: Planted, held: float, on: bool) -> tuple[float, float]:
    amps = chain.twin.pack.current_A if held > 0.5 else 0.0
    output_V = chain.twin.p["converter"].output_V if on else 0.0
    return output_V - chain.lead_ohm * amps if on else 0.0, amps


def _metered(rows: Array, every_s: float, twin: Twin, rng: np.random.Generator) -> PlugLog:
    _, bus_V, bus_A, out_V, out_A = rows.T
    time_s = every_s * np.arange(len(rows))
    turns = twin.cadence * 30 / np.pi * np.interp(bus_V, twin.volts, twin.speed / twin.cadence)

    def read(values: Array, gain_sd: float, scatter: float, floor: float) -> Array:
        noise = rng.normal(size=len(values)) * (scatter * np.abs(values) + floor)
        return np.asarray(values * (1 + gain_sd * rng.normal()) + noise)

    columns: Mapping[str, Array] = {
        "bus_V": read(bus_V, 0.004, 0.002, 0.005), "bus_A": read(bus_A, 0.008, 0.005, 0.01),
        "out_V": read(out_V, 0.004, 0.002, 0.005), "out_A": read(out_A, 0.008, 0.005, 0.005),
        "cadence_rpm": read(turns, 0.002, 0.02, 0.0),
    }  # fmt: skip
    return PlugLog(time_s, dict(columns))


GAUGE: dict[str, dict[str, Any]] = {
    "parts": {
        "crank": "crank_short", "gearing": "no_gearing", "generator": "hub_mid",
        "lead": "lead_heavy", "rectifier": "active_20", "cell": "cell_25f", "clamp": "no_clamp",
        "window": "window_fine", "converter": "buckboost_sync", "pack_lead": "usb_lead_short",
    },
    "settings": {
        "cells_series": 6, "cells_parallel": 1, "cadence_rpm": 80.0, "undervoltage_off_V": 3.6,
        "undervoltage_band_V": 1.6, "overvoltage_off_V": 9.0,
    },
}  # fmt: skip
"""A design of the demo with a three-phase machine."""
SECONDS, EVERY_S = 120.0, 0.25
FIRST_BUILD = 6000
"""Number of the first build that logs are made of: none that a reference has."""


def times_s() -> Array:
    """When logs of the benchmark are read."""
    return np.arange(0.0, SECONDS + EVERY_S / 2, EVERY_S)


def one_log(project: Project, design: Designs, fault: str, number: int) -> PlugLog:
    """A log with a fault of random severity, or none, of a build with a hand of its own."""
    rng = np.random.default_rng([number, 5])
    build = FIRST_BUILD + BUILDS_PER_HAND * number
    chain = planted(project, design, build, fault, rng)
    return log_of(chain, SECONDS, EVERY_S, rng)
