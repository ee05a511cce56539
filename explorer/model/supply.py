"""The front half of the chain: what a hand brings to the bus, as curves over bus voltage.

Everything left of the bus depends on operator, cadence, crank, gearing, generator, lead and
rectifier only. Its curves are computed once for each distinct half and shared by all designs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize.elementwise import find_root

from explorer.inputs import machine_kinds
from explorer.inputs.catalogue import Catalogue
from explorer.inputs.links import FRONT_LINKS, shaft_drag_N_m
from explorer.inputs.records import Operator
from explorer.model.space import Designs, Rows
from explorer.physics import bridge, gearing, generator, operator
from explorer.units import RAD_S_PER_RPM, Array, Real

BODY_DIODE_EMISSION_V = 0.05
"""nVt of a MOSFET body diode, about twice the thermal voltage (common practice, from memory)."""

SPEED_SHARES = np.linspace(0.0, 1.0, 13) ** 1.5
"""Where the speed asked for is scanned for the first speed that is too hard, dense at rest."""
ENDS = SPEED_SHARES[[0, -1]]
ROOT = 1e-4
"""How closely the hand keeps to its limit, as a share of it."""

TERMS = (
    "current_A", "pulse_S", "pulse_fade_S", "rad_s", "slope_S", "turn_slope_S", "gearing_W",
    "drag_W", "copper_W", "lead_W", "bridge_W", "effort", "pulses_W",
)  # fmt: skip
"""What the curves hold. Over a bank's series resistance R the bridge's pulses leave `current_A/(1 +
R pulse_S/(1 + R pulse_fade_S))`; both are 0 where the half knows its bank. `slope_S` is how the
current changes with the bus voltage, `turn_slope_S` how the charge of a turn does, times turns a
second: `w d(I/w)/dV`."""
CURRENT = slice(0, 3)
"""Those that tell the current into a bank."""
SWING = slice(0, 6)
"""Those that the stroke's ripple needs."""
LOSSES = slice(6, 11)
"""The losses among `TERMS`; crank power is their sum, the bus power and the pulses' heat in the
bank's resistance, which is none unless the half knows its bank."""

PULSE_OHM = (0.2, 1.0)
"""Series resistances of a bank at which the effect of pulses is solved, across what banks have."""
LEAST_PULSED_A = 1e-6
"""A trickle below this does not count."""

SLOWEST_RAD_S = 1e-3
"""A crank slower than this stands."""

NODES = 160
"""Bus voltages at which the curves of a half are solved."""
TOP_V = 64.0
"""Curves end here: everything above the extra-low-voltage limit of 60 V is a hazard that only
needs to be recognised."""
BEYOND_SHARE, BEYOND_V = 0.02, 0.3
"""How far above the open chain's voltage its last trickle has died: an exponential's few nVt."""


A, B = 0.1, 0.0022
"""Volts a place at 0 V, and how they grow."""
FOOT_FALLS, FOOT_OPEN, TRICKLE_A = 10.0, 0.03, 1e-4
"""Nodes lie closer over so many factors e of the current and this share of the no-load voltage,
down from where a trickle is left: drains take that."""
FOOT_SHARE = 1 / 3
"""How much of the places below them these nodes add."""


def pulses(halves: Halves) -> NDArray[np.bool_]:
    """Whether the current of each half comes in pulses, (h,)."""
    laws = (
        bridge.RECTIFIERS[machine.bridge].pulsed for machine in machine_kinds.MACHINE_KINDS.values()
    )
    return np.array([law is not None for law in laws])[halves.kind]


class Spacing(NamedTuple):
    """How nodes are spread over the voltages of halves: evenly over a place that rises with them.

    It rises with `u` where the voltage is `a u + b u^2`, fine at a pack's level, and by `closer` a
    volt more over `width_V` from `foot_V` on, where the current dies off with the exponential of
    the rectifier and its last pulses. (h,) each.
    """

    foot_V: Array
    width_V: Array
    closer: Array

    @classmethod
    def of(cls, halves: Halves, top_V: Array) -> Spacing:
        """Spacings of some halves up to their highest voltages (h,)."""
        open_V = no_load_V(halves, np.arange(len(halves)), halves.cadence_rad_s)
        drops_V = halves.machine("drops") * halves.emission_V
        leaky = halves.saturation_A > 0
        falls = np.log1p(TRICKLE_A / np.where(leaky, halves.saturation_A, 1.0))
        end_V = np.maximum(open_V - np.where(leaky, drops_V * falls, 0.0), 0.0)
        foot_V = np.maximum(end_V - FOOT_FALLS * drops_V - FOOT_OPEN * open_V, 0.0)
        width_V = np.maximum(end_V - foot_V, 1e-9)
        return cls(foot_V, width_V, FOOT_SHARE * cls._even(top_V) / width_V)

    def take(self, half: Rows) -> Spacing:
        """Those of some halves."""
        return Spacing(*(column[half] for column in self))

    def place(self, bus_V: Array) -> Array:
        """The place of a voltage of each half, (h, ...)."""
        foot_V, width_V, closer = (
            column.reshape(-1, *(1,) * (bus_V.ndim - 1)) for column in self
        )  # fmt: skip
        return self._even(bus_V) + closer * np.minimum(np.maximum(bus_V - foot_V, 0.0), width_V)

    def volts(self, place: Array) -> Array:
        """The voltages of places (h, k)."""
        foot_V, width_V, closer = (column[:, None] for column in self)
        within = B * closer
        linear, reach = 1 + A * closer, place + closer * foot_V
        inside = 2 * reach / (linear + np.sqrt(linear**2 + 4 * within * reach))
        even = np.select(
            [place <= self._even(foot_V), (A + B * inside) * inside <= foot_V + width_V],
            [place, inside],
            place - closer * width_V,
        )
        return np.asarray((A + B * even) * even)

    @staticmethod
    def _even(bus_V: Array) -> Array:
        return np.asarray((np.sqrt(A**2 + 4 * B * np.maximum(bus_V, 0.0)) - A) / (2 * B))


@dataclass(frozen=True)
class Halves:
    """Front halves as columns, (h,) each; one operator for all."""

    operator: Operator
    duration_s: float
    kind: NDArray[np.intp]
    cadence_rad_s: Array
    radius_m: Array
    ratio: Array
    efficiency: Array
    gear_drag_N_m: Array
    emf_V_s: Array
    copper_ohm: Array
    lead_ohm: Array
    inductance_H: Array
    pole_pairs: Array
    drag_N_m: Array
    viscous_N_m_s: Array
    speed_limit_rpm: Array
    saturation_A: Array
    emission_V: Array
    valve_ohm: Array
    body_saturation_A: Array
    start_V: Array
    bank_ohm: Array

    def __len__(self) -> int:
        return len(self.kind)

    def machine(self, field: str) -> Array:
        """A field of the kind of machine of each half, (h,)."""
        return machine_kinds.column(field)[self.kind]

    @classmethod
    def of(
        cls,
        catalogue: Catalogue,
        designs: Designs,
        operator_: Operator,
        duration_s: float,
        winding_C: float,
    ) -> Halves:
        """The front halves of some designs, one each; winding resistance at its temperature.

        They belong to any bank: their bus is stiff (`bank_ohm` 0) within a period of the bridge.
        """

        def at(link: str, field: str) -> Array:
            return designs.chosen(catalogue, link, field)

        kinds = np.array([machine_kinds.number_of(g.kind) for g in catalogue.parts["generator"]])  # type: ignore[attr-defined]
        kind = kinds[designs.parts["generator"]]
        conductors = machine_kinds.column("conductors_per_phase")[kind]
        body_drop = at("rectifier", "body_drop_V")
        return cls(
            operator=operator_,
            duration_s=duration_s,
            kind=kind,
            cadence_rad_s=designs.settings["cadence_rpm"] * RAD_S_PER_RPM,
            radius_m=at("crank", "radius_m"),
            ratio=at("gearing", "ratio"),
            efficiency=at("gearing", "efficiency"),
            gear_drag_N_m=at("gearing", "drag_torque_N_m"),
            emf_V_s=at("generator", "emf_phase_V_s"),
            copper_ohm=np.asarray(
                generator.copper_resistance(at("generator", "resistance_phase_ohm"), winding_C)
            ),
            lead_ohm=at("lead", "resistance_ohm") * conductors,
            inductance_H=at("generator", "inductance_phase_H"),
            pole_pairs=at("generator", "pole_pairs"),
            drag_N_m=shaft_drag_N_m(at),
            viscous_N_m_s=at("generator", "drag_viscous_N_m_s"),
            speed_limit_rpm=at("generator", "speed_limit_rpm"),
            saturation_A=at("rectifier", "saturation_A"),
            emission_V=at("rectifier", "emission_V"),
            valve_ohm=at("rectifier", "resistance_ohm"),
            body_saturation_A=np.where(
                body_drop > 0, np.exp(-body_drop / BODY_DIODE_EMISSION_V), 0.0
            ),
            start_V=np.where(body_drop > 0, at("rectifier", "start_V"), 0.0),
            bank_ohm=np.zeros(len(designs)),
        )

    @property
    def power_limit_W(self) -> float:
        """What the operator gives at most for the session's length, W."""
        person = self.operator
        held = operator.endurance_power(person.critical_power_W, person.reserve_J, self.duration_s)
        return float(held)


class Asked(NamedTuple):
    """What a front half asks of the crank at a speed and bus voltage, and where it goes."""

    current_A: Array
    phase_rms_A: Array
    gearing_W: Array
    drag_W: Array
    copper_W: Array
    lead_W: Array
    bridge_W: Array
    crank_W: Array
    torque_N_m: Array
    pulses_W: Array


def asked(halves: Halves, half: Rows, crank_rad_s: Array, bus_V: Array) -> Asked:
    """Balance of the front half turned at given speeds against given bus voltages.

    `half` (n,) picks the half of each point, `crank_rad_s` and `bus_V` are (n,). An uneven hand
    adds `a^2/2` of all ohmic heat: at one bus voltage the current follows the torque, and the mean
    square of `1 + a sin` is `1 + a^2/2`. At rest nothing flows and the torque is static drag.
    """
    h = halves
    shaft = crank_rad_s * h.ratio[half]
    current, rms, electromagnetic, variance = _rectified(halves, half, shaft, bus_V)
    squares = h.machine("phases")[half] * rms**2
    copper, lead = squares * h.copper_ohm[half], squares * h.lead_ohm[half]
    pulses = h.bank_ohm[half] * variance
    conducted = electromagnetic - bus_V * current - copper - lead - pulses
    unevenness = 1 + h.operator.unevenness**2 / 2
    valve_heat = squares * h.machine("valves_in_path")[half] * h.valve_ohm[half]
    bridge_W = np.maximum(conducted, 0.0) + (unevenness - 1) * valve_heat
    copper, lead, pulses = copper * unevenness, lead * unevenness, pulses * unevenness
    drag = shaft * generator.drag_torque(h.drag_N_m[half], h.viscous_N_m_s[half], shaft)
    shaft_W = bus_V * current + copper + lead + bridge_W + drag + pulses
    gear_W = np.asarray(
        gearing.loss(shaft_W, crank_rad_s, h.efficiency[half], h.gear_drag_N_m[half])
    )
    crank_W = shaft_W + gear_W
    at_rest = gearing.crank_torque(
        h.drag_N_m[half], h.ratio[half], h.efficiency[half], h.gear_drag_N_m[half]
    )
    turning = crank_rad_s > 0
    torque = np.where(turning, crank_W / np.where(turning, crank_rad_s, 1.0), at_rest)
    return Asked(current, rms, gear_W, drag, copper, lead, bridge_W, crank_W, torque, pulses)


def _rectified(
    halves: Halves, half: Rows, shaft_rad_s: Array, bus_V: Array
) -> tuple[Array, Array, Array, Array]:
    """Bus current, phase rms, electromagnetic power and bus variance of each point, by kind."""
    h, kind = halves, halves.kind[half]
    emf_V = np.asarray(generator.peak_emf(h.emf_V_s[half], shaft_rad_s))
    asleep = (bus_V < h.start_V[half]) & (h.body_saturation_A[half] > 0)
    saturation = np.where(asleep, h.body_saturation_A[half], h.saturation_A[half])
    emission = np.where(asleep, BODY_DIODE_EMISSION_V, h.emission_V[half])
    outcome = np.zeros((4, len(half)))
    soft = bool(h.bank_ohm.any())
    for number, machine in enumerate(machine_kinds.MACHINE_KINDS.values()):
        law = bridge.RECTIFIERS[machine.bridge]
        mine = np.flatnonzero(kind == number)
        if not mine.size:
            continue
        row = half[mine]
        circuit = {
            "emf_peak_V": emf_V[mine],
            "electrical_rad_s": shaft_rad_s[mine] * h.pole_pairs[row],
            "resistance_ohm": h.copper_ohm[row] + h.lead_ohm[row],
            "inductance_H": h.inductance_H[row],
            "bus_V": bus_V[mine],
            "diode_saturation_A": saturation[mine],
            "diode_emission_V": emission[mine],
            "diode_resistance_ohm": h.valve_ohm[row],
        }
        if soft and law.pulsed is not None:
            bank_ohm = h.bank_ohm[row]
            outcome[:, mine] = bridge.soft_bus_steady_state(law.pulsed, **circuit, bus_ohm=bank_ohm)
        else:
            outcome[:3, mine] = law.solve(**circuit)
    return outcome[0], outcome[1], outcome[2], outcome[3]


def too_hard(halves: Halves, half: Rows, need: Asked) -> Array:
    """By how much a point exceeds what the operator gives: above 0 is too hard, (n,)."""
    person = halves.operator
    power = need.crank_W / (person.power_share * halves.power_limit_W)
    force = need.torque_N_m / (person.comfort_force_N * halves.radius_m[half])
    return np.maximum(power, force) - 1


def held_speed(halves: Halves, half: Rows, bus_V: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Crank speed at which operator and chain agree, coming from rest; and whether it is unique.

    The cadence, unless the chain asks too much on the way there: then the lowest speed at which
    power or force reaches the operator's limit. Torque at a fixed bus voltage can peak below the
    cadence (short-circuit torque peaks at w_e L = R), so the first crossing counts; where the
    cadence itself would be light enough again, it is reported as not unique. (n,) each.
    """
    cadence = halves.cadence_rad_s[half]
    speed = cadence.copy()
    at_cadence = too_hard(halves, half, asked(halves, half, cadence, bus_V))
    electrical = cadence * halves.ratio[half] * halves.pole_pairs[half] * halves.inductance_H[half]
    ohm = halves.copper_ohm[half] + halves.lead_ohm[half] + halves.valve_ohm[half]
    knee = bus_V / (halves.machine("knee")[half] * halves.emf_V_s[half] * halves.ratio[half])
    may_peak = (electrical > 0.7 * ohm) & (knee < 0.9 * cadence)
    unique = np.ones(len(half), dtype=bool)
    for doubtful, shares in (may_peak, SPEED_SHARES), (~may_peak & (at_cadence > 0), ENDS):
        rows = np.flatnonzero(doubtful)
        if rows.size:
            speed[rows], unique[rows] = _first_limit(
                halves, half[rows], bus_V[rows], knee[rows], at_cadence[rows], shares
            )
    return speed, unique


def _first_limit(
    halves: Halves, half: Rows, bus_V: Array, knee: Array, at_cadence: Array, shares: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """The first limit on the way to the cadence, seen at rest and from below the knee on."""
    cadence = halves.cadence_rad_s[half]
    low = np.minimum(0.97 * knee, 0.98 * cadence)
    speeds = np.concatenate(
        [np.zeros((len(half), 1)), low[:, None] + (cadence - low)[:, None] * shares], axis=1
    )
    excess = np.empty_like(speeds)
    for column in range(speeds.shape[1] - 1):
        excess[:, column] = too_hard(halves, half, asked(halves, half, speeds[:, column], bus_V))
    excess[:, -1] = at_cadence
    hard = excess > 0
    stopped, first = hard.any(axis=1), hard.argmax(axis=1)
    later = np.arange(speeds.shape[1]) > first[:, None]
    unique = np.asarray(~(stopped & (~hard).any(axis=1, where=later)))
    held = np.where(stopped & (first == 0), 0.0, cadence)
    rows = np.flatnonzero(stopped & (first > 0))
    if rows.size:

        def limit(speed: Array, row: Rows, volts: Array) -> Array:
            return too_hard(halves, row, asked(halves, row, speed, volts))

        held[rows] = find_root(
            limit,
            (speeds[rows, first[rows] - 1], speeds[rows, first[rows]]),
            args=(half[rows], bus_V[rows]),
            tolerances={"fatol": ROOT},
        ).x
    return held, unique


class Corner(NamedTuple):
    """Where the hand's limit bends the current of each half most, V, and how far `slope_S` and
    `turn_slope_S` leap there; (h,) each, 0 where it does not.
    """

    bus_V: Array
    leap_S: Array
    turn_leap_S: Array


@dataclass(frozen=True)
class Supply:
    """Curves of some front halves over bus voltage, as straight pieces between nodes.

    `volts` (h, nodes) rise from 0 to a little above the open chain's voltage, where nothing flows
    any more. They are spread as in `Spacing`, but a node is moved down to every voltage at which
    the curves bend sharply or jump. `lower` and `rise` (h, nodes - 1, terms, in the order of
    `TERMS`): value at the left node of a piece, and how much it grows over the piece. Pieces may
    differ where they meet: an active bridge wakes there. `worst_*` (h, nodes) the largest value on
    the way from an empty bank up to each node.
    """

    volts: Array
    lower: Array
    rise: Array
    start_V: Array
    worst_phase_A: Array
    worst_bus_A: Array
    worst_torque_N_m: Array
    worst_bridge_W: Array
    start_torque_N_m: Array
    unique: NDArray[np.bool_]
    spacing: Spacing
    last_place: Array
    """Of each half, (h,): where its last node stood before any was moved."""
    corner: Corner
    unevenness: float
    """Of the operator's stroke."""

    @property
    def top_V(self) -> Array:
        """The highest voltage of each half, (h,)."""
        return self.volts[:, -1]

    @property
    def at_nodes(self) -> Array:
        """Values at the nodes, right of any jump: (h, nodes, terms)."""
        last = self.lower[:, -1:] + self.rise[:, -1:]
        return np.concatenate([self.lower, last], axis=1)

    def locate(self, half: Rows, bus_V: Array) -> NDArray[np.intp]:
        """The node left of each voltage (n, k) for halves (n,)."""
        return self._left(half, np.clip(bus_V, 0.0, self.top_V[half][:, None]))

    def _left(self, half: Rows, volts: Array) -> NDArray[np.intp]:
        nodes = self.volts.shape[1]
        scale = (nodes - 1) / self.last_place
        left = (self.spacing.take(half).place(volts) * scale[half][:, None]).astype(np.intp)
        np.minimum(left, nodes - 2, out=left)
        # A node may have been moved down, by less than a step.
        left += self.volts.reshape(-1).take(left + (half * nodes + 1)[:, None]) <= volts
        return np.asarray(np.minimum(left, nodes - 2, out=left))

    def read(self, half: Rows, bus_V: Array, terms: slice | int = 0) -> Array:
        """Curves of halves (n,) at voltages (n, k), linear between nodes: (n, k[, terms])."""
        volts = np.clip(bus_V, 0.0, self.top_V[half][:, None])
        left = self._left(half, volts)
        nodes = self.volts.shape[1]
        base = half[:, None]
        low = self.volts.reshape(-1).take(left + base * nodes)
        high = self.volts.reshape(-1).take(left + (base * nodes + 1))
        share = (volts - low) / (high - low)
        place = left + base * (nodes - 1)
        value = self.rise.reshape(-1, len(TERMS))[:, terms].take(place, axis=0)
        value *= share.reshape(*share.shape, *(1,) * (value.ndim - 2))
        value += self.lower.reshape(-1, len(TERMS))[:, terms].take(place, axis=0)
        return np.asarray(value)


def curves(halves: Halves, nodes: int = NODES) -> Supply:
    """Solve every half at its nodes, at the bends between them and on both sides of a jump."""
    count, every = len(halves), np.arange(len(halves))
    open_V = no_load_V(halves, every, halves.cadence_rad_s)
    top_V = np.minimum(np.maximum((1 + BEYOND_SHARE) * open_V, open_V + BEYOND_V), TOP_V)
    spacing = Spacing.of(halves, top_V)
    last_place = spacing.place(top_V)
    volts = spacing.volts(np.linspace(0.0, 1.0, nodes) * last_place[:, None])
    volts[:, -1] = top_V
    wakes = np.flatnonzero((halves.start_V > 0) & (halves.start_V < top_V))
    waking = 1 + (volts[wakes, 1:] < halves.start_V[wakes, None]).sum(axis=1)
    volts[wakes, waking] = halves.start_V[wakes]
    half = np.repeat(every, nodes)
    speed, unique = held_speed(halves, half, volts.reshape(-1))
    solved = _Solved.of(halves, half, speed, volts.reshape(-1))
    bends = _bend(halves, volts, speed.reshape(count, nodes), solved, (wakes, waking))
    terms = solved.terms.reshape(count, nodes, len(TERMS))
    # Above the open chain's voltage nothing flows.
    terms[top_V < TOP_V, -1, 0] = 0.0
    if not halves.bank_ohm.any():
        _set_pulses(halves, volts, terms)
    lower, rise = terms[:, :-1].copy(), np.diff(terms, axis=1)
    if wakes.size:
        before_V = halves.start_V[wakes] * (1 - 1e-12)
        asleep, _ = held_speed(halves, wakes, before_V)
        before = _Solved.of(halves, wakes, asleep, before_V).terms
        rise[wakes, waking - 1] = before - lower[wakes, waking - 1]
    corner = _set_slopes(volts, lower, rise, bends)

    def worst(values: Array) -> Array:
        return np.maximum.accumulate(values.reshape(count, nodes), axis=1)

    return Supply(
        volts=volts,
        lower=lower,
        rise=rise,
        start_V=halves.start_V,
        worst_phase_A=worst(solved.phase_A),
        worst_bus_A=worst(terms[..., 0]),
        worst_torque_N_m=worst(solved.torque_N_m),
        worst_bridge_W=worst(terms[..., TERMS.index("bridge_W")]),
        start_torque_N_m=solved.torque_N_m.reshape(count, nodes)[:, 0],
        unique=np.asarray(unique.reshape(count, nodes).all(axis=1)),
        spacing=spacing,
        last_place=last_place,
        corner=corner,
        unevenness=halves.operator.unevenness,
    )


def _set_pulses(halves: Halves, volts: Array, terms: Array) -> None:
    """Fill in what pulses on a bank's resistance take off the current at nodes, (h, nodes).

    The law is that of both resistances of `PULSE_OHM`. Of random points near no load 95 in 100 are
    within a percent of the bridge solved over the bank up to 1 ohm (most 6 %), and within 3.5 % at
    2 ohm. A hand at its limit turns faster instead, and the current stays.
    """
    speed, current = terms[..., TERMS.index("rad_s")], terms[..., 0]
    free = speed >= halves.cadence_rad_s[:, None] * (1 - 1e-9)
    pulsing = pulses(halves)[:, None]
    half, node = np.nonzero(free & pulsing & (current > LEAST_PULSED_A))
    shaft, bus_V = speed[half, node] * halves.ratio[half], volts[half, node]
    stiff = current[half, node]
    each = []
    for ohm in PULSE_OHM:
        soft = replace(halves, bank_ohm=np.full(len(halves), ohm))
        lowered, *_ = _rectified(soft, half, shaft, bus_V)
        each.append(np.maximum(stiff / np.maximum(lowered, 0.1 * stiff) - 1, 0.0) / ohm)
    (little, much), (few, many) = each, PULSE_OHM
    fades = np.where(much > 0, little / np.where(much > 0, much, 1.0), 1.0)
    fades = np.clip(fades, 1.0, 0.8 * many / few)
    fade_S = (fades - 1) / (many - fades * few)
    terms[half, node, TERMS.index("pulse_S")] = little * (1 + few * fade_S)
    terms[half, node, TERMS.index("pulse_fade_S")] = fade_S


def _set_slopes(volts: Array, lower: Array, rise: Array, bends: tuple[Rows, Rows]) -> Corner:
    """Fill in both slopes of the current: at a node the mean of the pieces that meet there, but
    at a bend (half, node) each side has its own.
    """
    spans = np.diff(volts, axis=1)
    piece = rise[:, :, 0] / spans
    quicker = rise[:, :, TERMS.index("rad_s")] / spans
    current, rad_s = np.moveaxis(lower[:, :, [0, TERMS.index("rad_s")]], -1, 0)
    last = lower[:, -1] + rise[:, -1]
    current = np.column_stack([current, last[:, 0]])
    rad_s = np.column_stack([rad_s, last[:, TERMS.index("rad_s")]])
    charge = current / np.maximum(rad_s, SLOWEST_RAD_S)
    inner = bends[1] < spans.shape[1]
    half, node = bends[0][inner], bends[1][inner]
    leaps = []
    for term, left, right in (
        ("slope_S", piece, piece),
        ("turn_slope_S", piece - charge[:, 1:] * quicker, piece - charge[:, :-1] * quicker),
    ):
        before = np.column_stack([left[:, :1], left])
        after = np.column_stack([right, right[:, -1:]])
        before[:, 1:-1] = after[:, 1:-1] = (left[:, :-1] + right[:, 1:]) / 2
        before[half, node], after[half, node] = left[half, node - 1], right[half, node]
        lower[:, :, TERMS.index(term)] = after[:, :-1]
        rise[:, :, TERMS.index(term)] = before[:, 1:] - after[:, :-1]
        leaps.append(after[half, node] - before[half, node])
    corner = np.zeros((3, len(volts)))
    order = np.argsort(np.abs(leaps[0]), kind="stable")
    corner[:, half[order]] = np.stack([volts[half, node], *leaps])[:, order]
    return Corner(*corner)


@dataclass(frozen=True)
class _Solved:
    """Front halves solved at points: terms (n, terms) in the order of `TERMS`, and more (n,)."""

    terms: Array
    phase_A: Array
    torque_N_m: Array

    @classmethod
    def of(cls, halves: Halves, half: Rows, speed: Array, bus_V: Array) -> _Solved:
        need = asked(halves, half, speed, bus_V)
        person = halves.operator
        effort = np.maximum(
            need.crank_W / halves.power_limit_W,
            need.torque_N_m / (person.comfort_force_N * halves.radius_m[half]),
        )
        zero = np.zeros_like(speed)  # pulses and slopes are known when all nodes are
        terms = (
            need.current_A, zero, zero, speed, zero, zero, need.gearing_W, need.drag_W,
            need.copper_W, need.lead_W, need.bridge_W, effort, need.pulses_W,
        )  # fmt: skip
        return cls(np.stack(terms, axis=1), need.phase_rms_A, need.torque_N_m)


def _bend(
    halves: Halves, volts: Array, speed: Array, solved: _Solved, jumps: tuple[Rows, Rows]
) -> tuple[Rows, Rows]:
    """Move nodes, (h, nodes) `volts`, down to where the hand's limit changes, and solve there.

    Returns the half and node of each such bend.

    The hand keeps its cadence, or its limit of power or of force. Where one takes over from another
    the speed is known, the cadence or that of both limits, and the bus voltage is sought at which
    the chain asks for it. A line over the bend would be off by a few percent.
    """
    nodes = volts.shape[1]
    person, cadence = halves.operator, halves.cadence_rad_s
    torque = person.comfort_force_N * halves.radius_m
    both = np.minimum(person.power_share * halves.power_limit_W / torque, cadence)
    kept = speed >= cadence[:, None] * (1 - 1e-9)
    mode = np.where(kept, 2, np.where(speed > both[:, None], 1, 0))
    mode[speed <= 0] = -1
    half, left = np.nonzero((np.diff(mode, axis=1) != 0) & (mode[:, :-1] >= 0) & (mode[:, 1:] >= 0))
    asleep = np.isin(half * nodes + left + 1, jumps[0] * nodes + jumps[1])
    half, left = half[~asleep], left[~asleep]
    if not half.size:
        return half, left
    free = np.maximum(mode[half, left], mode[half, left + 1]) == 2
    held = np.where(free, cadence[half], both[half])

    def excess(bus_V: Array, row: Rows, crank_rad_s: Array) -> Array:
        return too_hard(halves, row, asked(halves, row, crank_rad_s, bus_V))

    low, high = volts[half, left], volts[half, left + 1]
    found = find_root(excess, (low, high), args=(half, held), tolerances={"fatol": ROOT})
    good = found.success & (found.x > low) & (found.x < high)
    half, left, held, bend_V = half[good], left[good], held[good], found.x[good]
    volts[half, left + 1] = bend_V
    there = _Solved.of(halves, half, held, bend_V)
    flat = half * nodes + left + 1
    solved.terms[flat] = there.terms
    solved.phase_A[flat], solved.torque_N_m[flat] = there.phase_A, there.torque_N_m
    return half, left + 1


def distinct(designs: Designs, *more: Array) -> tuple[Rows, Rows]:
    """Designs that stand for their front half, and the half of every design: (h,), (n,).

    Halves also differ where any of `more` (n,) differs.
    """
    columns = [designs.parts[link].astype(float) for link in FRONT_LINKS]
    columns += [designs.settings["cadence_rpm"], *more]
    _, first, half = np.unique(
        np.stack(columns, axis=1), axis=0, return_index=True, return_inverse=True
    )
    return first.astype(np.int64), half.reshape(-1).astype(np.int64)


def no_load_V(halves: Halves, half: Rows, crank_rad_s: Real) -> Array:
    """Bus voltage that the open chain charges to at a crank speed, diodes ignored, (n,), V.

    An upper bound: the small drops at leakage currents are left out.
    """
    shaft = np.asarray(crank_rad_s) * halves.ratio[half]
    return np.asarray(halves.machine("knee")[half] * halves.emf_V_s[half] * shaft)
