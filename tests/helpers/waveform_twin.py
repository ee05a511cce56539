"""The third fidelity: one design at switching level, for a short window of time.

Phase currents through inductance, resistance and exponential valves, bank with series resistance,
drains, window, converter and pack; solved by LSODA (Hindmarsh, Petzold), which SciPy wraps. It
knows neither the bridge's map nor a stiff bus, and so judges both. The hand is even: a stroke is a
thousand times longer than a pulse of the bridge, and belongs to the session fidelity. A hand and a
rotor keep their speed through a pulse: the speed follows from means over a period of this circuit.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asinh, exp, log, pi
from typing import NamedTuple
from warnings import catch_warnings, simplefilter

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import ODEintWarning, odeint, trapezoid

from explorer.errors import ExplorerError, Fault, InputError
from explorer.inputs.records import Operator
from explorer.inputs.study import Project
from explorer.model import back_half, rows
from explorer.model.back_half import BackHalves
from explorer.model.kernels.curve import AT_SPEED
from explorer.model.kernels.machine import BODY_DIODE_EMISSION_V
from explorer.model.kernels.points import curves
from explorer.model.space import Designs
from explorer.physics import gearing, generator, operator
from explorer.units import Array
from tests.helpers.bridge_twin import wave

LONGEST_WINDOW_S = 5.0
SAMPLES_PER_PERIOD = 180
DARK_A = 1e-5
"""Below this current a valve is a plain resistor: its own law is steeper than numbers bear there,
and what flows is a millionth of what matters."""
LEAST_INDUCTANCE_H = 2e-7
"""Of a few centimetres of wire; a machine without any would switch in no time at all."""
TABLE_V = 0.005
KNOT_V = 0.15
"""How far apart the inner voltages are, at most, at which the held speed is sought."""
PROBE, KEPT, ROUNDS = 0.003, 1e-4, 40
"""First step away from the guess of a held speed, as a share of it; how closely the hand keeps to
its limit, as a share of it; most tries."""
SETTLING = 6.0
"""Time constants of the winding that pass, beside two periods, before the window opens."""
SOLVED = "Integration successful."
RELATIVE_ERRORS = (1e-8, 1e-7, 1e-6)
"""Of a step, the first that the integrator can keep: weak trickles drown in rounding before."""


class Half:
    """The front half of one design as plain numbers, from its parts."""

    def __init__(self, project: Project, design: Designs, person: Operator) -> None:
        plan = project.study.session
        machines = rows.machines(project, design)
        machine, drive = machines[0], rows.drives(project, design)[0]
        self.operator = person
        held_W = operator.endurance_power(
            person.critical_power_W, person.reserve_J, 60.0 * plan.minutes
        )
        self.most_W = person.power_share * float(held_W)
        self.radius_m, self.cadence_rad_s = float(drive["radius_m"]), float(drive["cadence_rad_s"])
        self.ratio, self.efficiency = float(drive["ratio"]), float(drive["efficiency"])
        self.gear_drag_N_m = float(drive["drag_N_m"])
        self.kind = int(machine["bridge"])
        self.harmonics = tuple(float(machine[f"emf_h{order}"]) for order in (3, 5, 7))
        self.emf_V_s, self.pole_pairs = float(machine["emf_V_s"]), float(machine["pole_pairs"])
        self.winding_C = float(rows.first_winding_C(project, machines)[0])
        ohm = float(machine["copper_ohm"])
        self.copper_ohm = float(generator.copper_resistance(ohm, self.winding_C))
        self.lead_ohm, self.inductance_H = (
            float(machine["lead_ohm"]),
            float(machine["inductance_H"]),
        )
        self.valve_ohm, self.start_V = float(machine["valve_ohm"]), float(machine["start_V"])
        self.awake = (float(machine["saturation_A"]), float(machine["emission_V"]))
        self.asleep = (float(machine["body_saturation_A"]), BODY_DIODE_EMISSION_V)
        self.drag_N_m = float(machine["drag_N_m"])
        self.viscous_N_m_s = float(machine["viscous_N_m_s"])
        front = rows.rowed(project, design)
        hand = rows.shift_of(person, 60.0 * plan.minutes)
        found = curves(front.machines, front.trio, front.drives, hand, 200)
        self.volts, self.speeds = found.volts[0], found.columns[0, :, AT_SPEED]


class Waves(NamedTuple):
    """Samples over the window; phase currents (samples, phases)."""

    time_s: Array
    phase_A: Array
    rectified_A: Array
    bus_V: Array
    inner_V: Array


@dataclass(frozen=True)
class WaveformResult:
    """What a window of some `seconds` comes to, energies in J.

    `bus_energy_J` is what the bridge gives to the bus, `crank_work_J` what the hand gives,
    `end_inner_V` the voltage behind the bank's series resistance at the end.
    """

    seconds: float
    bus_energy_J: float
    delivered_energy_J: float
    crank_work_J: float
    copper_J: float
    phase_rms_A: float
    bus_current_A: float
    end_inner_V: float
    mean_bus_V: float
    waves: Waves


def simulate(
    project: Project,
    design: Designs,
    operator_id: str,
    pack_id: str,
    *,
    start_V: float,
    seconds: float,
    closed: bool,
    whole: bool = False,
) -> WaveformResult:
    """One design (`len(design) == 1`) from a bank's inner voltage on, its window open or closed.

    The window does not switch, nor do active valves wake or sleep: choose a time in which they
    would not. Valves sleep where a sleeping bridge leaves the mean bus voltage of a period below
    their start, whose supply does not follow pulses. The shaft turns at the speed at which mean
    power and force of a period keep to the operator's limits, with an even hand; currents begin in
    the steady state of the start. `whole` takes the nearest whole number of electrical periods
    instead, at least one: half a pulse more or less says nothing about a mean. Raises InputError
    for windows longer than 5 s, ExplorerError where speed or currents cannot be found.
    """
    if not 0 < seconds <= LONGEST_WINDOW_S:
        rule = f"a waveform window lasts above 0 and at most {LONGEST_WINDOW_S:g} s"
        raise InputError([Fault("waveform", "seconds", rule, f"{seconds:g}")])
    catalogue = project.catalogue
    person = catalogue.operators[operator_id].model_copy(update={"unevenness": 0.0})
    halves = Half(project, design, person)
    back = back_half.back_halves(catalogue, design, catalogue.packs[pack_id])
    circuit = _Circuit(halves, back, start_V, closed)
    return circuit.run(start_V, seconds, whole)


class _Circuit:
    """The circuit of one design: numbers, tables over bus voltage, and its derivative."""

    def __init__(self, halves: Half, back: BackHalves, start_V: float, closed: bool) -> None:
        self.kind = halves.kind
        self.phases = (3, 2, 1)[self.kind]
        self.emf_V_s, self.poles = halves.emf_V_s, halves.pole_pairs
        self.harmonics = halves.harmonics
        self.ohm = halves.copper_ohm + halves.lead_ohm
        self.inductance_H = max(halves.inductance_H, LEAST_INDUCTANCE_H)
        self.valve_ohm = halves.valve_ohm
        self.awake, self.asleep = halves.awake, halves.asleep
        self.wakes_V = halves.start_V if self.asleep[0] > 0 else 0.0
        self.valve = self.asleep if self.wakes_V > 0 else self.awake
        self.capacitance_F = float(back["capacitance_F"][0, 0])
        self.esr_ohm = float(back["esr_ohm"][0, 0])
        self.halves, self.back = halves, back
        # What leaves the bus, and the speed that is held, over the voltages the window may see.
        self.low_V = max(0.0, start_V - 4.0)
        grid: Array = np.asarray(self.low_V + TABLE_V * np.arange(round(8.0 / TABLE_V) + 1), float)
        self.grid = grid
        safe = np.maximum(grid, 0.05)[None]
        taken = back.drain(grid[None]).total_A[0]
        load = back.load(safe)
        self.delivered_W = load.delivered_W[0] if closed else np.zeros_like(grid)
        taken = taken + (load.current_A[0] if closed else 0.0)
        self.taken_A = taken.tolist()
        self.ratio, self.cadence_rad_s = halves.ratio, halves.cadence_rad_s
        coarse = grid[::10]
        self.hold(coarse, np.interp(coarse, halves.volts, halves.speeds))

    def look(self, table: list[float], bus_V: float) -> tuple[float, float]:
        """Value and slope of a table at a bus voltage."""
        place = (bus_V - self.low_V) / TABLE_V
        left = min(max(int(place), 0), len(table) - 2)
        step = table[left + 1] - table[left]
        return table[left] + step * (place - left), step / TABLE_V

    def hold(self, inner_V: Array, crank_rad_s: Array) -> None:
        """From now on turn at these speeds at these inner voltages, straight between them."""
        self.speed_rad_s = np.interp(self.grid, inner_V, crank_rad_s)
        self.shaft_rad_s = (self.speed_rad_s * self.ratio).tolist()

    def bus_V(self, inner_V: float, rectified_A: float) -> float:
        """Terminal voltage of the bank: `V = Vc + ESR (I - taken(V))`, by Newton's method."""
        volts = inner_V + self.esr_ohm * rectified_A
        for _ in range(4):
            taken, slope = self.look(self.taken_A, volts)
            miss = volts - inner_V - self.esr_ohm * (rectified_A - taken)
            volts -= miss / max(1 + self.esr_ohm * slope, 0.05)
            if abs(miss) < 1e-9:
                break
        return volts

    def drop_V(self, amps: float, bus_V: float) -> float:
        """Voltage between a phase's terminals and the middle of the bus, or across its bridge."""
        saturation, emission = self.valve
        size = max(abs(amps), DARK_A)
        if self.kind == 2:
            drop = bus_V + (emission * log(1 + size / saturation) if saturation else 0.0)
            drop += self.valve_ohm * size
            # One diode blocks: backwards only the dark resistor, from the bus's own voltage.
            return (
                drop
                if amps >= DARK_A
                else bus_V
                + (drop - bus_V) * amps / DARK_A
                + (bus_V * (amps / DARK_A - 1) if amps < 0 else 0.0)
            )
        half = bus_V / 2
        if saturation:
            # asinh(x e^h) = asinh of a huge number: h + log(2 x) where e^h would overflow.
            share, lift = size / (2 * saturation), half / emission
            junction = emission * (
                asinh(share * exp(lift)) if lift < 200 else lift + log(2 * share)
            )
        else:
            junction = half
        drop = junction + self.valve_ohm * size
        if self.kind == 1:
            drop *= 2
        return drop * amps / size

    def currents(self, state: NDArray[np.float64]) -> list[float]:
        """All phase currents of a state."""
        if self.kind == 0:
            first, second = float(state[0]), float(state[1])
            return [first, second, -first - second]
        return [float(a) for a in state[: self.phases]]

    def rectified_A(self, currents: list[float]) -> float:
        """What the phases give to the bus."""
        if self.kind == 1:
            return sum(abs(a) for a in currents)
        return sum(a for a in currents if a > 0)

    def emf_V(self, shaft_rad_s: float, angle: float) -> list[float]:
        """EMF of every phase."""
        peak = self.emf_V_s * shaft_rad_s
        if self.kind == 2:
            return [peak]
        apart = 2 * pi / 3 if self.kind == 0 else pi / 2
        return [
            peak * float(wave(angle - k * apart, self.harmonics))
            for k in range(3 if self.kind == 0 else 2)
        ]

    def slope(self, state: NDArray[np.float64], still: bool) -> list[float]:
        """Derivative of phase currents, angle and inner voltage (which stands where `still`)."""
        currents = self.currents(state)
        angle, inner_V = float(state[-2]), float(state[-1])
        rectified = self.rectified_A(currents)
        volts = self.bus_V(inner_V, rectified)
        shaft, _ = self.look(self.shaft_rad_s, inner_V)
        emf = self.emf_V(shaft, angle)
        drops = [self.drop_V(a, volts) for a in currents]
        star = (sum(drops) - sum(emf)) / 3 if self.kind == 0 else 0.0
        count = 2 if self.kind == 0 else self.phases
        rates = [
            (emf[k] - self.ohm * currents[k] - drops[k] + star) / self.inductance_H
            for k in range(count)
        ]
        net = 0.0
        if not still:
            net = rectified - self.look(self.taken_A, volts)[0]
        return [*rates, shaft * self.poles, net / self.capacitance_F]

    def run(self, start_V: float, seconds: float, whole: bool) -> WaveformResult:
        """Seek the speeds that are held on the way through the window, follow it and sum up."""
        guess = float(np.interp(start_V, self.grid, self.speed_rad_s))
        crank, net_A, bus_V = self.held(start_V, guess)
        if self.valve == self.asleep and bus_V >= self.wakes_V:
            self.valve = self.awake
            crank, net_A, _ = self.held(start_V, guess)
        pace = crank * self.ratio * self.poles / (2 * pi)
        if whole and self.kind < 2 and pace * LONGEST_WINDOW_S > 1:
            seconds = min(max(round(seconds * pace), 1), int(LONGEST_WINDOW_S * pace)) / pace
        end_V = max(start_V + net_A * seconds / self.capacitance_F, 0.0)
        knots = np.linspace(start_V, end_V, 2 + int(abs(end_V - start_V) / KNOT_V))
        held = [crank]
        for inner_V in knots[1:]:
            held.append(self.held(float(inner_V), held[-1])[0])
        order = np.argsort(knots)
        self.hold(knots[order], np.array(held)[order])
        return self.summary(*self._follow(start_V, seconds))

    def held(self, inner_V: float, guess_rad_s: float) -> tuple[float, float, float]:
        """Crank speed at which a period's mean power or force is the operator's limit, rad/s.

        And the mean current into the bank there, A, and bus voltage. The root next to a guess, or
        the cadence where the limit lies above it: whoever knows that there are several roots, and
        which one comes first from rest, guesses.
        """
        person, halves = self.halves.operator, self.halves
        most_W = halves.most_W
        most_N_m = person.comfort_force_N * halves.radius_m
        net_A = bus_V = 0.0

        def excess(crank_rad_s: float) -> float:
            nonlocal net_A, bus_V
            asked_W, net_A, bus_V = self.means(inner_V, crank_rad_s)
            force = asked_W / crank_rad_s / most_N_m if crank_rad_s > 0 else 0.0
            return max(asked_W / most_W, force) - 1

        at = min(guess_rad_s, self.cadence_rad_s)
        miss, step = excess(at), 1 + PROBE
        low = high = (at, miss)
        for _ in range(ROUNDS):
            if abs(miss) < KEPT or (miss < 0 and at >= self.cadence_rad_s) or at <= 0:
                break
            low, high = ((at, miss), high) if miss < 0 else (low, (at, miss))
            if low[1] < 0 < high[1]:
                # The regula falsi of a curve that may bend: neither end is approached too timidly.
                share = low[1] / (low[1] - high[1])
                at = low[0] + (high[0] - low[0]) * min(max(share, 0.02), 0.98)
            else:
                at = min(at * step, self.cadence_rad_s) if miss < 0 else at / step
                step = step**2
            miss = excess(at)
        else:
            raise ExplorerError(
                f"waveform: no speed keeps to the hand's limit at {inner_V:.3g} V in the bank"
            )
        return at, net_A, bus_V

    def means(self, inner_V: float, crank_rad_s: float) -> tuple[float, float, float]:
        """Mean crank power, current into the bank and bus voltage of a period, bank at rest."""
        self.hold(self.grid[:1], np.array([crank_rad_s]))
        state, period = self._settled(inner_V)
        times = np.linspace(0.0, period, SAMPLES_PER_PERIOD + 1)
        found = self.summary(times, self._solved(state, times, period, still=True))
        taken = np.interp(found.waves.bus_V, self.grid, self.taken_A)
        net_A = found.bus_current_A - float(taken[:-1].mean())
        return found.crank_work_J / period, net_A, found.mean_bus_V

    def _settled(self, inner_V: float) -> tuple[Array, float]:
        """The state that the currents settle to at an inner voltage, and its period, s."""
        count = 2 if self.kind == 0 else self.phases
        state = np.zeros(count + 2)
        state[-1] = inner_V
        shaft, _ = self.look(self.shaft_rad_s, inner_V)
        period = 2 * pi / max(shaft * self.poles, 1.0)
        settle_s = SETTLING * self.inductance_H / (self.ohm + self.valve_ohm) + 2 * period
        return self._solved(state, np.array([0.0, settle_s]), period, still=True)[-1], period

    def _follow(self, start_V: float, seconds: float) -> tuple[Array, Array]:
        """Times and states of the window, after the currents have settled."""
        state, period = self._settled(start_V)
        step = min(period / SAMPLES_PER_PERIOD, seconds / 400)
        times = np.linspace(0.0, seconds, round(seconds / step) + 1)
        return times, self._solved(state, times, period, still=False)

    def _solved(self, state: Array, times: Array, period: float, *, still: bool) -> Array:
        """States at some times, (times, states). ExplorerError where the integrator gives up."""
        for error in RELATIVE_ERRORS:
            with catch_warnings():
                simplefilter("ignore", ODEintWarning)  # it is told below
                found, told = odeint(
                    lambda now, _: self.slope(now, still),
                    state,
                    times,
                    rtol=error,
                    atol=error / 10,
                    mxstep=100_000,
                    hmax=period / 20,
                    full_output=True,
                )
            if told["message"] == SOLVED:
                return np.asarray(found, dtype=float)
        raise ExplorerError(f"waveform: the currents could not be followed: {told['message']}")

    def summary(self, times: Array, states: Array) -> WaveformResult:
        """Energies of the samples (trapezoids; the waves are smooth but at switching)."""
        phase = states[:, : self.phases]
        if self.kind == 0:
            phase = np.column_stack([states[:, :2], -states[:, :2].sum(axis=1)])
        rectified = np.maximum(phase, 0).sum(axis=1)
        if self.kind == 1:
            rectified = np.abs(phase).sum(axis=1)
        inner = states[:, -1]
        bus = np.array(
            [self.bus_V(float(v), float(a)) for v, a in zip(inner, rectified, strict=True)]
        )
        crank_rad_s = np.interp(inner, self.grid, self.speed_rad_s)
        halves = self.halves
        shaft = crank_rad_s * halves.ratio
        angle = states[:, -2]
        shifts = {0: 2 * pi / 3 * np.arange(3), 1: pi / 2 * np.arange(2)}.get(self.kind)
        shape = 1.0 if shifts is None else wave(angle[:, None] - shifts, self.harmonics)
        emf = np.asarray(generator.peak_emf(self.emf_V_s, shaft))[:, None] * shape
        drag = shaft * generator.drag_torque(halves.drag_N_m, halves.viscous_N_m_s, shaft)
        shaft_W = (emf * phase).sum(axis=1) + drag
        crank_W = shaft_W + gearing.loss(
            shaft_W, crank_rad_s, halves.efficiency, halves.gear_drag_N_m
        )

        def total(power: Array) -> float:
            return float(trapezoid(power, times))

        squares = (phase**2).sum(axis=1)
        seconds = float(times[-1])
        return WaveformResult(
            seconds=seconds,
            bus_energy_J=total(bus * rectified),
            delivered_energy_J=total(np.interp(bus, self.grid, self.delivered_W)),
            crank_work_J=total(crank_W),
            copper_J=total(squares * halves.copper_ohm),
            phase_rms_A=float(np.sqrt(total(squares) / seconds / self.phases)),
            bus_current_A=total(rectified) / seconds,
            end_inner_V=float(inner[-1]),
            mean_bus_V=total(bus) / seconds,
            waves=Waves(times, phase, rectified, bus, inner),
        )
