"""A plain, slow twin of the averaged model: one chain, integrated through time with SciPy.

Its formulas are written down again from the description of the chain; of the package it uses the
records of parts and the bridge's steady state alone. The hand's speed is found by a dense scan
from rest and SciPy's root finder at every 20 mV of bus voltage; the bank's voltage then follows
`solve_ivp`, with the switching thresholds as events.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, elementwise

from explorer.inputs.study import Project
from explorer.model.space import Designs
from explorer.physics import bridge

SOLVERS = {
    "three_phase": bridge.steady_state,
    "two_phase": bridge.two_phase_steady_state,
    "brushed_dc": bridge.blocking_diode_steady_state,
}
PHASES = {"three_phase": 3, "two_phase": 2, "brushed_dc": 1}
WIRES_OF_A_PHASE = {"three_phase": 1, "two_phase": 2, "brushed_dc": 2}
VALVES_A_PHASE_PASSES = {"three_phase": 1, "two_phase": 2, "brushed_dc": 1}
VALVES = {"three_phase": 6, "two_phase": 8, "brushed_dc": 1}
LEGS = {"three_phase": 3, "two_phase": 4, "brushed_dc": 1}
STEP_V = 0.02
TERMS = (
    "crank_work", "gearing", "drag", "copper", "lead", "bridge", "reverse_leakage",
    "bridge_supply", "cell_leakage", "balancing", "clamp", "window", "converter", "pack_lead",
    "esr", "delivered", "effort",
)  # fmt: skip


@dataclass
class Outcome:
    """What the session of one chain came to; `regime` is None where it did not show in time."""

    regime: str | None = None
    first_charge_s: float = np.inf
    cycle_s: float = np.inf
    end_bus_V: float = 0.0
    energies_J: dict[str, float] = field(default_factory=dict)
    effort_percent: float = 0.0

    @property
    def delivered_J(self) -> float:
        return self.energies_J["delivered"]


class Twin:
    """One chain: parts by link, settings by name, a person, a pack."""

    def __init__(
        self,
        parts: Mapping[str, Any],
        settings: Mapping[str, float],
        person: Any,
        pack: Any,
        *,
        minutes: float,
        winding_C: float,
        shift_V: float = 0.0,
    ) -> None:
        """`shift_V` moves the front half's curves along the bus voltage, to see what that does."""
        self.shift_V = shift_V
        self.p, self.s, self.person, self.pack = parts, settings, person, pack
        self.duration_s = 60.0 * minutes
        machine = parts["generator"]
        self.kind = machine.kind
        self.copper_ohm = machine.resistance_phase_ohm * (1 + 0.00393 * (winding_C - 20))
        self.wire_ohm = parts["lead"].resistance_ohm * WIRES_OF_A_PHASE[self.kind]
        self.cadence = settings["cadence_rpm"] * np.pi / 30
        self.endurance_W = person.critical_power_W + person.reserve_J / self.duration_s
        cell, series, parallel = parts["cell"], settings["cells_series"], settings["cells_parallel"]
        self.farad = cell.capacitance_F * parallel / series
        self.esr = cell.esr_ohm * series / parallel
        self.off_V = settings["undervoltage_off_V"]
        self.on_V = self.off_V + settings["undervoltage_band_V"]
        self.over_V = settings["overvoltage_off_V"]
        knee = {"three_phase": np.sqrt(3), "two_phase": 1.0, "brushed_dc": 1.0}[self.kind]
        open_V = knee * machine.emf_phase_V_s * parts["gearing"].ratio * self.cadence
        # Nothing above the open chain's voltage is reached but a threshold that stands there.
        self.volts = np.arange(0.0, max(open_V, self.over_V) + 1.0, STEP_V)
        self._front()
        self._drains()
        self._loads()

    @classmethod
    def of_design(
        cls,
        project: Project,
        designs: Designs,
        row: int,
        *,
        operator: str | None = None,
        pack: str | None = None,
        shift_V: float = 0.0,
    ) -> Twin:
        """The twin of one of the package's designs, for the study's first case unless told."""
        session, catalogue = project.study.session, project.catalogue
        return cls(
            {link: catalogue.parts[link][int(rows[row])] for link, rows in designs.parts.items()},
            {name: float(values[row]) for name, values in designs.settings.items()},
            catalogue.operators[operator or session.operators[0]],
            catalogue.packs[pack or session.packs[0]],
            minutes=session.minutes,
            winding_C=session.winding_C,
            shift_V=shift_V,
        )

    # The front half ------------------------------------------------------------------------

    def crank(self, speed: Any, volts: Any) -> dict[str, Any]:
        """Powers of the front half at crank speeds (above 0) and bus voltages."""
        machine, gear, valve = self.p["generator"], self.p["gearing"], self.p["rectifier"]
        shaft = gear.ratio * speed
        body = (volts < valve.start_V) & (valve.body_drop_V > 0)
        state = SOLVERS[self.kind](
            emf_peak_V=machine.emf_phase_V_s * shaft,
            electrical_rad_s=machine.pole_pairs * shaft,
            resistance_ohm=self.copper_ohm + self.wire_ohm,
            inductance_H=machine.inductance_phase_H,
            bus_V=volts,
            # A body diode passes 1 A at its drop, with an emission voltage of 50 mV.
            diode_saturation_A=np.where(
                body, 1 / np.expm1(max(valve.body_drop_V, 1e-3) / 0.05), valve.saturation_A
            ),
            diode_emission_V=np.where(body, 0.05, valve.emission_V),
            diode_resistance_ohm=valve.resistance_ohm,
        )
        squares = PHASES[self.kind] * state.phase_rms_A**2
        stroke = self.person.unevenness**2 / 2
        copper, wire = squares * self.copper_ohm, squares * self.wire_ohm
        valves = state.electromagnetic_power_W - volts * state.bus_current_A - copper - wire
        valves += stroke * squares * VALVES_A_PHASE_PASSES[self.kind] * valve.resistance_ohm
        copper, wire = (1 + stroke) * copper, (1 + stroke) * wire
        torque = machine.drag_torque_N_m + self.p["lead"].drag_torque_N_m
        drag = shaft * (torque + machine.drag_viscous_N_m_s * shaft)
        at_shaft = volts * state.bus_current_A + copper + wire + valves + drag
        crank_W = at_shaft / gear.efficiency + gear.drag_torque_N_m * speed
        return {
            "current_A": state.bus_current_A, "phase_A": state.phase_rms_A, "copper": copper,
            "lead": wire, "bridge": valves, "drag": drag, "gearing": crank_W - at_shaft,
            "crank_work": crank_W, "torque_N_m": crank_W / speed,
        }  # fmt: skip

    def excess(self, speed: Any, volts: Any) -> Any:
        """Above 0 where the hand is asked for more than its share of power or its force."""
        asked, person = self.crank(speed, volts), self.person
        return np.maximum(
            asked["crank_work"] / (person.power_share * self.endurance_W),
            asked["torque_N_m"] / (person.comfort_force_N * self.p["crank"].radius_m),
        ) - 1  # fmt: skip

    def _front(self) -> None:
        """The first speed, coming from rest, at which the hand has enough; else the cadence."""
        speeds = self.cadence * np.linspace(0.0, 1.0, 101)
        speeds[0] = 1e-6 * self.cadence
        seen_V = np.maximum(self.volts + self.shift_V, 0.0)
        hard = self.excess(speeds, seen_V[:, None]) > 0
        stuck, stopped = hard[:, 0], hard.any(axis=1)
        first = np.maximum(hard.argmax(axis=1), 1)
        low, high = speeds[first - 1], speeds[first]
        rows = stopped & ~stuck
        found = np.where(stopped, 0.0, self.cadence)
        if rows.any():
            root = elementwise.find_root(self.excess, (low[rows], high[rows]), args=(seen_V[rows],))
            assert root.success.all()
            found[rows] = root.x
        self.speed = found
        turning = np.maximum(found, speeds[0])
        self.front = self.crank(turning, seen_V)
        if stuck.any():
            for name in set(self.front) - {"torque_N_m"}:
                self.front[name] = np.where(stuck, 0.0, self.front[name])
        force = self.front["torque_N_m"] / self.p["crank"].radius_m
        self.front["effort"] = np.maximum(
            self.front["crank_work"] / self.endurance_W, force / self.person.comfort_force_N
        )
        again = (hard[:, :-1] & ~hard[:, 1:]).any(axis=1)
        self.unique = not again.any()

    # The back half -------------------------------------------------------------------------

    def _drains(self) -> None:
        """Currents that the bus loses at all times."""
        volts, valve, cell = self.volts, self.p["rectifier"], self.p["cell"]
        series, parallel = self.s["cells_series"], self.s["cells_parallel"]
        there = volts > 0
        clamp = self.p["clamp"]
        each = series if clamp.kind == "cell" else 1
        clamped = np.zeros_like(volts)
        if clamp.kind != "none":
            clamped = np.maximum(volts / each - clamp.threshold_V, 0) / clamp.resistance_ohm
        share = volts / series
        self.drains = {
            "reverse_leakage": LEGS[self.kind] * valve.leakage_A * there,
            "bridge_supply": VALVES[self.kind] * valve.supply_A * (volts > valve.start_V),
            "cell_leakage": parallel * cell.leakage_A * share / cell.voltage_V,
            "balancing": parallel * share / cell.balancing_ohm if cell.balancing_ohm else 0 * volts,
            "clamp": clamped,
            "window": self.p["window"].supply_A * there,
        }

    def _loads(self) -> None:
        """Input current and powers of the load at each voltage, by root finding."""
        converter, lead = self.p["converter"], self.p["pack_lead"]
        amps = self.pack.current_A
        if self.pack.kind == "regulating":
            amps = min(amps, max(converter.output_V - self.pack.hold_V, 0) / lead.resistance_ohm)
        at_pack = (converter.output_V - lead.resistance_ohm * amps) * amps
        self.drawn = self._load(amps, at_pack, lead.resistance_ohm * amps**2)
        self.idling = self._load(0.0, 0.0, 0.0)

    def loss(self, behind: float, taken: float, given: float) -> float:
        c = self.p["converter"]
        return (
            c.loss_W + c.loss_per_input_V * behind + c.loss_per_input_A * taken
            + c.loss_per_input_A2 * taken**2 + c.loss_per_output_A * given
            + c.loss_per_output_A2 * given**2
        )  # fmt: skip

    def _load(self, amps: float, at_pack: float, in_lead: float) -> dict[str, np.ndarray]:
        window, converter = self.p["window"], self.p["converter"]
        ohm = window.on_resistance_ohm
        limit = min(
            window.current_limit_A * (1 - window.current_limit_tolerance),
            converter.input_current_limit_A,
        )
        rows = []
        for volts in self.volts:

            def left(taken: float, volts: float = volts) -> float:
                behind = volts - ohm * taken
                return behind * taken - self.loss(behind, taken, amps) - at_pack - in_lead

            square = ohm + converter.loss_per_input_A2
            top = volts - converter.loss_per_input_A + converter.loss_per_input_V * ohm
            top = max(top, 0.0) / (2 * square) if square else 1e4
            held = top > 0 and left(top) >= 0
            taken = brentq(left, 0.0, top, xtol=1e-12) if held else top
            given, heat = at_pack, volts * taken - ohm * taken**2 - at_pack - in_lead
            behind_lead = in_lead
            if self.pack.kind == "regulating" and amps and (taken > limit or not held):
                taken, held = min(limit, volts / (2 * ohm)), True
                given, behind_lead = self._regulated(volts, taken)
                heat = (volts - ohm * taken) * taken - given - behind_lead
            elif not held:
                given, behind_lead, heat = 0.0, 0.0, (volts - ohm * taken) * taken
            rows.append((taken, ohm * taken**2, heat, behind_lead, given, held))
        names = ("current_A", "switch", "converter", "pack_lead", "delivered", "held")
        return dict(zip(names, np.array(rows, dtype=float).T, strict=True))

    def _regulated(self, volts: float, limit: float) -> tuple[float, float]:
        """Power at the pack and in its lead when the input is at its limit, the pack at hold."""
        hold, ohm = self.pack.hold_V, self.p["pack_lead"].resistance_ohm
        behind = volts - self.p["window"].on_resistance_ohm * limit

        def left(amps: float) -> float:
            return behind * limit - self.loss(behind, limit, amps) - (hold + ohm * amps) * amps

        amps = brentq(left, 0.0, 100.0) if left(0.0) > 0 else 0.0
        return hold * amps, ohm * amps**2

    # A session -----------------------------------------------------------------------------

    def net_A(self, state: str) -> np.ndarray:
        """Current into the bank over `volts`."""
        net = self.front["current_A"] - sum(self.drains.values())
        return net - {"open": 0.0, "idle": self.idling["current_A"],
                      "loaded": self.drawn["current_A"]}[state]  # fmt: skip

    def powers(self, state: str) -> np.ndarray:
        """Powers in the order of `TERMS` over `volts`, (volts, terms)."""
        of = dict.fromkeys(TERMS, np.zeros_like(self.volts)) | {
            name: amps * self.volts for name, amps in self.drains.items()
        }
        of |= {name: self.front[name] for name in TERMS if name in self.front}
        if state != "open":
            load = self.drawn if state == "loaded" else self.idling
            of["window"] = of["window"] + load["switch"]
            of |= {name: load[name] for name in ("converter", "pack_lead", "delivered")}
        of["esr"] = self.esr * self.net_A(state) ** 2
        return np.stack([of[name] for name in TERMS], axis=1)

    def session(self) -> Outcome:
        """Go through the session, bank empty at first."""
        done, run = Outcome(), Run(self)
        run.phase("open", upto=self.on_V)
        if run.bus_V < self.on_V - 1e-6:
            idle = self.net_A("open")[self.volts <= self.on_V]
            done.regime = "starved" if (idle <= 0).any() else None
            return run.close(done)
        started = True
        cycles: list[tuple[float, np.ndarray]] = []
        while run.left_s > 1e-9:
            before = run.time_s, run.sums.copy()
            if not started:
                run.step("open", run.bus_V)
                if run.bus_V >= self.on_V and self.pack.kind != "retrying":
                    done.regime, done.cycle_s = "chattering", 0.0
                    return run.close(done)
                run.phase("open", upto=self.on_V)
                if run.left_s <= 1e-9:
                    break
            if self.pack.kind == "retrying":
                run.step("idle", run.bus_V)
                run.phase("idle", upto=self.over_V, for_s=self.pack.retry_s)
                if run.bus_V >= self.over_V - 1e-6:
                    done.regime = "flooded"
                    break
                if run.left_s <= 1e-9:
                    break
            run.step("loaded", run.bus_V)
            if run.bus_V <= self.off_V or not np.interp(run.bus_V, self.volts, self.drawn["held"]):
                done.regime, done.cycle_s = "chattering", 0.0
                return run.close(done)
            if started:
                done.first_charge_s = run.time_s
            rising = np.interp(run.bus_V, self.volts, self.net_A("loaded")) > 0
            ahead = (self.volts > run.bus_V) & (self.volts < self.over_V) if rising else (
                (self.volts < run.bus_V) & (self.volts > self.off_V)
            )  # fmt: skip
            sign = 1 if rising else -1
            if (sign * self.net_A("loaded")[ahead] <= 0).any():
                done.regime = "steady"
            if rising:
                run.phase("loaded", upto=self.over_V)
                if run.bus_V >= self.over_V - 1e-6:
                    done.regime = "flooded"
                break
            run.phase("loaded", downto=self.off_V)
            if run.left_s <= 1e-9:
                break
            done.regime = "cycling"
            if not started:
                cycles.append((run.time_s - before[0], run.sums - before[1]))
                done.cycle_s = cycles[-1][0]
                # Every cycle begins where the last one did, so that the third is the second.
                if len(cycles) == 2:
                    assert np.isclose(cycles[0][0], cycles[1][0], rtol=1e-3), cycles
                    whole = np.floor(run.left_s / cycles[-1][0])
                    run.time_s += whole * cycles[-1][0]
                    run.sums += whole * cycles[-1][1]
            started = False
        if run.left_s > 1e-9:
            run.step("open", run.bus_V)
            run.phase("open", upto=np.inf)
        return run.close(done)


class Run:
    """Where a session stands."""

    def __init__(self, twin: Twin) -> None:
        self.twin = twin
        self.inner_V, self.time_s, self.sums = 0.0, 0.0, np.zeros(len(TERMS))
        self.bus_V = 0.0
        self.step("open", 0.0, up=True)

    @property
    def left_s(self) -> float:
        return self.twin.duration_s - self.time_s

    def step(self, state: str, bus_V: float, *, up: bool | None = None) -> None:
        """The switch has moved: the bus goes to the nearest balance, the bank has not moved."""
        volts = self.twin.volts
        inner = volts - self.twin.esr * self.twin.net_A(state)
        up = np.interp(bus_V, volts, inner) < self.inner_V if up is None else up
        way = volts[volts > bus_V] if up else volts[volts < bus_V][::-1]
        way = np.concatenate([[bus_V], way])
        beyond = np.interp(way, volts, inner) - self.inner_V
        turned = (beyond >= 0) if up else (beyond <= 0)
        at = int(turned.argmax()) if turned.any() else len(way) - 1
        low = max(at - 1, 0)
        change = beyond[at] - beyond[low]
        self.bus_V = float(way[at])
        if turned.any() and change:
            self.bus_V = float(way[low] - beyond[low] / change * (way[at] - way[low]))

    def phase(
        self, state: str, *, upto: float | None = None, downto: float = 0.0, for_s: float = np.inf
    ) -> None:
        """Let the bank move until the bus reaches a threshold, or time is over."""
        twin, rising = self.twin, upto is not None
        seconds = min(self.left_s, for_s)
        end_V = min(upto, float(twin.volts[-1])) if upto is not None else downto
        if seconds <= 0 or (end_V <= self.bus_V if rising else end_V >= self.bus_V):
            return
        inside = (
            twin.volts[(twin.volts > self.bus_V) & (twin.volts < end_V)]
            if rising
            else twin.volts[(twin.volts < self.bus_V) & (twin.volts > end_V)][::-1]
        )
        way = np.concatenate([[self.bus_V], inside, [end_V]])
        net = np.interp(way, twin.volts, twin.net_A(state))
        power = np.stack([np.interp(way, twin.volts, p) for p in twin.powers(state).T], axis=1)
        inner = way - twin.esr * net
        # The bus follows the bank along the way; where it folds back it runs through at once.
        ground = np.maximum.accumulate(inner) if rising else np.minimum.accumulate(inner)
        new = np.concatenate([[True], np.diff(ground) != 0])
        place = np.flatnonzero(new).astype(float)
        ground, sign = ground[new], 1.0 if rising else -1.0
        index = np.arange(len(way), dtype=float)

        def where(inner_V: float) -> float:
            return float(np.interp(sign * inner_V, sign * ground, place))

        def slope(_: float, y: np.ndarray) -> np.ndarray:
            at = where(y[0])
            left = min(int(at), len(way) - 2)
            share = at - left
            now = power[left] + (power[left + 1] - power[left]) * share
            amps = net[left] + (net[left + 1] - net[left]) * share
            return np.concatenate([[amps / twin.farad], now])

        def arrives(_: float, y: np.ndarray) -> float:
            return float(y[0] - ground[-1])

        arrives.terminal = True  # type: ignore[attr-defined]
        start = np.concatenate([[self.inner_V], self.sums])
        run = solve_ivp(slope, (0.0, seconds), start, "LSODA", events=arrives, rtol=1e-7, atol=1e-7)
        assert run.success
        self.time_s += float(run.t[-1])
        self.inner_V, self.sums = float(run.y[0, -1]), run.y[1:, -1].copy()
        self.bus_V = end_V if run.t_events[0].size else float(
            np.interp(where(self.inner_V), index, way)
        )  # fmt: skip

    def close(self, done: Outcome) -> Outcome:
        done.energies_J = dict(zip(TERMS, self.sums.tolist(), strict=True))
        done.effort_percent = 100 * done.energies_J.pop("effort") / self.twin.duration_s
        done.energies_J["stored"] = self.twin.farad * self.inner_V**2 / 2
        done.end_bus_V = self.bus_V
        return done


def in_a_row(*shifts: Twin) -> list[tuple[float, float]]:
    """What each of several twins of one chain delivers whose operators follow each other on one
    bank, and the bank's inner voltage at its end, J and V. Every cycle is stepped; of packs that do
    not wait.
    """
    found, state, before = [], "open", Run(shifts[0])
    for twin in shifts:
        run = Run(twin)
        run.inner_V = before.inner_V
        run.step(state, before.bus_V)
        state = _follow(twin, run, state)
        found.append((float(run.sums[TERMS.index("delivered")]), run.inner_V))
        before = run
    return found


def _follow(twin: Twin, run: Run, state: str) -> str:
    """Step one shift from a state of the switch; returns the state that it ends in."""
    while run.left_s > 1e-9:
        if state == "open":
            run.phase("open", upto=twin.on_V)
            if run.left_s <= 1e-9 or run.bus_V < twin.on_V - 1e-6:
                return state
            state = "loaded"
        else:
            rises = np.interp(run.bus_V, twin.volts, twin.net_A("loaded")) > 0
            if rises:
                run.phase("loaded", upto=twin.over_V)
                assert run.left_s <= 1e-9, "the twin in a row does not know the latch"
                return state
            run.phase("loaded", downto=twin.off_V)
            if run.left_s <= 1e-9:
                return state
            state = "open"
        run.step(state, run.bus_V)
    return state
