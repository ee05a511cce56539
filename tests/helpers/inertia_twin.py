"""A plain, slow twin of a hand with inertia: crank speed and bank voltage, integrated with SciPy.

The laws are written down again: `J dw/dt = T_hand(angle) - T(w, V)` and `C dVc/dt = I(w, V) -
taken(V)` with `V - ESR (I - taken) = Vc`. The front half comes from `physics.bridge` on a grid of
its own, what the load takes from `chain_twin`. The hand's mean torque is set anew sixteen times a
turn. Thresholds of the window and the sixteenths of a turn are events of `solve_ivp`.

It knows no reserve, no warming, no valves that sleep, no pack that waits, and no bus that folds.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log, pi, sin
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from explorer.physics import bridge
from tests.helpers.chain_twin import Twin
from tests.helpers.soft_bus import soft_bus_steady_state

SOFT = {"three_phase": bridge.STAR, "two_phase": bridge.WINDING}
SETS = 16
"""How often in a turn the hand sets its torque."""
CATCHES = 0.5
"""Share of a lasting error of the cadence that it takes out in a turn."""
TEST_M_S = 75 * 2 * pi / 60 * 0.17
"""Hand speed of the tests that critical power comes from."""
SPEEDS, ALONG = 200, 500


@dataclass
class Hand:
    """What a person is to a crank beside critical power and comfortable force."""

    inertia_kg_m2: float
    """Of arm, crank and rotor at the crank."""
    once: float
    twice: float
    kappa_m_s: float
    p_W_s2_m2: float
    force_limit_N: float
    pace_s: float


@dataclass
class Turned:
    """What a stretch of a session came to."""

    seconds: float = 0.0
    radians: float = 0.0
    rad_s: float = 0.0
    inner_V: float = 0.0
    crank_work_J: float = 0.0
    delivered_J: float = 0.0
    first_charge_s: float = inf
    turn_ons: int = 0


class InertiaTwin(Twin):
    """One chain with its hand. `person` gives critical power, reserve, share, force, sprint."""

    hand: Hand

    def _front(self) -> None:
        """Current and crank torque over speed and over the share of the open voltage."""
        machine, gear = self.p["generator"], self.p["gearing"]
        knee = np.sqrt(3.0) if self.kind == "three_phase" else 1.0
        self.open_V_s = knee * machine.emf_phase_V_s * gear.ratio
        self.slowest, self.fastest = 5e-3 * self.cadence, 2.2 * self.cadence
        self.rate = (SPEEDS - 1) / log(self.fastest / self.slowest)
        speed = self.slowest * np.exp(np.arange(SPEEDS) / self.rate)[:, None]
        # Closer where the valves begin to conduct.
        share = 1.02 * (1 - (1 - np.linspace(0, 1, ALONG)) ** 2)
        state = self._bridge(speed, share * self.open_V_s * speed)
        self.amps, self.watts = state.bus_current_A, state.electromagnetic_power_W

    def _bridge(self, speed: Any, volts: Any) -> Any:
        machine, valve = self.p["generator"], self.p["rectifier"]
        shaft = self.p["gearing"].ratio * speed
        circuit = {
            "emf_peak_V": machine.emf_phase_V_s * shaft,
            "electrical_rad_s": machine.pole_pairs * shaft,
            "resistance_ohm": self.copper_ohm + self.wire_ohm,
            "inductance_H": machine.inductance_phase_H,
            "bus_V": volts,
            "diode_saturation_A": valve.saturation_A,
            "diode_emission_V": valve.emission_V,
            "diode_resistance_ohm": valve.resistance_ohm,
        }
        if self.kind == "brushed_dc":
            return bridge.blocking_diode_steady_state(**circuit)
        return soft_bus_steady_state(SOFT[self.kind], **circuit, bus_ohm=self.esr)

    def turned(self, speed: float, volts: float) -> tuple[float, float]:
        """Bus current and torque at the crank, at a crank speed above 0 and a bus voltage."""
        machine, gear = self.p["generator"], self.p["gearing"]
        slow = min(speed / self.slowest, 1.0)
        row = min(max(log(speed / self.slowest) * self.rate, 0.0), SPEEDS - 1.001)
        share = min(volts / (1.02 * self.open_V_s * speed), 1.0)
        column = min((1 - (1 - share) ** 0.5) * (ALONG - 1), ALONG - 1.001)
        i, j = int(row), int(column)
        x, y = row - i, column - j
        weights = ((1 - x) * (1 - y), (1 - x) * y, x * (1 - y), x * y)
        places = ((i, j), (i, j + 1), (i + 1, j), (i + 1, j + 1))
        amps = slow * sum(w * self.amps[at] for w, at in zip(weights, places, strict=True))
        watts = slow**2 * sum(w * self.watts[at] for w, at in zip(weights, places, strict=True))
        shaft = gear.ratio * speed
        drag = machine.drag_torque_N_m + self.p["lead"].drag_torque_N_m
        torque = watts / shaft + drag + machine.drag_viscous_N_m_s * shaft
        return amps, torque * gear.ratio / gear.efficiency + gear.drag_torque_N_m

    # The bus ------------------------------------------------------------------------------

    def _taken(self, loaded: bool) -> np.ndarray:
        taken = sum(self.drains.values())
        # Leakage and the window's own current vanish with the bus.
        taken = taken * self.volts / (self.volts + 1e-3)
        return taken + (self.drawn["current_A"] if loaded else 0.0)

    def bus_V(self, speed: float, inner_V: float, loaded: bool) -> float:
        """The bus over a bank: the higher of its balances."""
        taken = self.taken_loaded if loaded else self.taken_open

        def over(volts: float) -> float:
            amps = self.turned(speed, volts)[0] if speed > 0 else 0.0
            return volts - inner_V - self.esr * (amps - np.interp(volts, self.volts, taken))

        low = 0.9 * self.off_V if loaded else 0.0
        if over(low) >= 0:
            return low
        return brentq(over, low, float(self.volts[-1]), xtol=1e-10)

    # The hand -----------------------------------------------------------------------------

    def prepare(self, hand: Hand) -> None:
        """Take a hand to the crank."""
        self.hand, person, radius = hand, self.person, self.p["crank"].radius_m
        held = person.critical_power_W + person.reserve_J / hand.pace_s
        self.comfort_W = (1 + hand.kappa_m_s / TEST_M_S) * person.power_share * held
        self.comfort_W += hand.p_W_s2_m2 * TEST_M_S**2
        self.force_N_m = person.comfort_force_N * radius
        self.taken_open, self.taken_loaded = self._taken(False), self._taken(True)
        turn = 2 * pi * np.arange(256) / 256
        pattern = 1 + hand.once * np.sin(turn) + hand.twice * np.sin(2 * turn)
        self.crest, self.crest_rad = float(pattern.max()), float(turn[pattern.argmax()])

    def mean_torque(self, mean_rad_s: float, bus_V: float, lasting: float) -> tuple[float, float]:
        """The hand's mean torque, and what it then puts on it for an error that lasts."""
        hand, person, radius = self.hand, self.person, self.p["crank"].radius_m
        error, turn_s = self.cadence - mean_rad_s, 2 * pi / self.cadence
        torque = self.turned(self.cadence, bus_V)[1]
        faster = self.turned(1.001 * self.cadence, bus_V)[1]
        stiffness = max((faster - torque) / (1e-3 * self.cadence), 0.0)
        agile = hand.inertia_kg_m2 / turn_s
        speed = mean_rad_s * radius
        power = max(self.comfort_W - hand.p_W_s2_m2 * speed**2, 0.0)
        most = min(power / (speed + hand.kappa_m_s) * radius, self.force_N_m)
        swing = min(mean_rad_s / self.cadence, 1.0)
        most = min(most, hand.force_limit_N * radius / (1 + swing * (self.crest - 1)))
        line = person.sprint_torque_N_m * (1 - mean_rad_s / person.sprint_speed_rad_s)
        most = max(min(most, line), 0.0)
        wanted = torque + lasting + agile * error
        given = min(max(wanted, 0.0), most)
        if wanted <= most or error < 0:
            bound = max(torque, 0.1 * self.force_N_m)
            lasting += CATCHES / SETS * (stiffness + agile) * error
            lasting = min(max(lasting, -bound), bound)
        return given, lasting

    # A session ----------------------------------------------------------------------------

    def turn(self, seconds: float) -> Turned:
        """Turn for some seconds from rest, on an empty bank."""
        out, hand, loaded = Turned(rad_s=1e-4), self.hand, False
        angle, lasting, given, swing = self.crest_rad, 0.0, 0.0, 0.0
        part = 2 * pi / SETS
        target = (int(angle / part + 1e-9) + 1) * part
        given, lasting = self.mean_torque(0.0, 0.0, lasting)
        passed = [(0.0, 0.0)]  # time and angle turned, at each setting
        while out.seconds < seconds - 1e-9:

            def rates(_: float, y: np.ndarray, loaded=loaded, given=given, swing=swing) -> list:
                rad_s, inner, at = max(y[0], 1e-6), y[1], y[2]
                volts = self.bus_V(rad_s, inner, loaded)
                amps, torque = self.turned(rad_s, volts)
                pull = given * (1 + swing * (hand.once * sin(at) + hand.twice * sin(2 * at)))
                taken = self.taken_loaded if loaded else self.taken_open
                net = amps - np.interp(volts, self.volts, taken)
                delivered = np.interp(volts, self.volts, self.drawn["delivered"]) if loaded else 0
                return [(pull - torque) / hand.inertia_kg_m2, net / self.farad, rad_s,
                        pull * rad_s, delivered]  # fmt: skip

            def sector(_: float, y: np.ndarray, target=target) -> float:
                return y[2] - target

            def window(_: float, y: np.ndarray, loaded=loaded) -> float:
                volts = self.bus_V(max(y[0], 1e-6), y[1], loaded)
                return volts - (self.off_V if loaded else self.on_V)

            sector.terminal, sector.direction = True, 1
            window.terminal, window.direction = True, -1 if loaded else 1
            state = [out.rad_s, out.inner_V, angle, out.crank_work_J, out.delivered_J]
            done = solve_ivp(
                rates, (out.seconds, seconds), state, method="RK45", events=[sector, window],
                rtol=1e-6, atol=1e-8, max_step=0.1,
            )  # fmt: skip
            assert done.success, done.message
            out.seconds = float(done.t[-1])
            out.rad_s, out.inner_V, angle, out.crank_work_J, out.delivered_J = done.y[:, -1]
            out.radians = angle - self.crest_rad
            if done.t_events[1].size:
                loaded = not loaded
                if loaded:
                    out.turn_ons += 1
                    out.first_charge_s = min(out.first_charge_s, out.seconds)
            elif done.t_events[0].size:
                target += part
                before = passed[-SETS] if len(passed) > SETS else (0.0, 0.0)
                mean = out.radians / out.seconds
                if len(passed) > SETS:
                    mean = 2 * pi / (out.seconds - before[0])
                passed.append((out.seconds, out.radians))
                swing = min(mean / self.cadence, 1.0)
                volts = self.bus_V(out.rad_s, out.inner_V, loaded)
                given, lasting = self.mean_torque(mean, volts, lasting)
        return out
