"""A generator's note becomes its row: EMF, resistance, inductance and drag with uncertainties."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi

from explorer.inputs.machine_classes import (
    MachineClass,
    Story,
    likely_slip,
    nearest_class,
    stories_of,
    times_usual,
)
from explorer.inputs.machine_kinds import MACHINE_KINDS, MachineKind
from explorer.measuring.class_values import class_expectation, stand_ins
from explorer.measuring.fitting import Fit, Unknown, fit
from explorer.measuring.generator_checks import differing_pairs, refuse_nonsense
from explorer.measuring.generator_note import GeneratorNote
from explorer.measuring.generator_readings import (
    BRIDGE_OFFSET,
    BRIDGE_OFFSET_SD,
    EMF,
    HENRY,
    INERTIA,
    OHM,
    STATIC_DRAG,
    VISCOUS,
    WARMTH,
    GeneratorReadings,
)
from explorer.measuring.instruments import Instrument
from explorer.measuring.note_records import NoteFault, Turning
from explorer.measuring.results import Measured, doubts_of
from explorer.units import RAD_S_PER_RPM, STANDARD_GRAVITY

SAID = {
    "emf_V_s": "EMF constant between two leads, V s,",
    "resistance_ohm": "resistance of a phase, ohm,",
    "inductance_H": "inductance of a phase, H,",
    "pole_pairs": "cycles in a turn",
    "drag_torque_N_m": "drag, N m,",
    "mass_kg": "mass_kg",
}
"""Quantities of classes in words."""
TENFOLD_FROM = 7.0
"""So many times outside its class's range, a value that a usual slip explains is refused unless the
note is sure."""
KNOWN_APART = 1.2
"""How far the other values may lie outside a class, as a sum of logarithms, for it to be known."""
LEAST_KNOWN = 4
"""With fewer quantities nobody can say which class a machine is of."""
QUANTITY = {
    EMF: "emf_V_s", OHM: "resistance_ohm", HENRY: "inductance_H", STATIC_DRAG: "drag_torque_N_m",
}  # fmt: skip
"""Unknown -> the quantity by which classes know it."""


def measured_generator(
    identifier: str, note: GeneratorNote, instruments: Mapping[str, Instrument]
) -> Measured:
    """The row that a generator's note comes to; NoteFault or ContradictionError where it does not.

    Values are those of a star's leads where the kind's table has such columns, else of one winding.
    """
    refuse_nonsense(note)
    machine = MACHINE_KINDS[note.machine]
    pairs = pole_pairs_of(note, machine)
    readings = GeneratorReadings(note, machine, pairs, instruments, {})
    guess = _Guess.of(note, readings)
    readings = replace(readings, start=guess.start)
    unknowns = guess.unknowns(note, machine)
    unknowns.append(Unknown(WARMTH, 1.0, expected_sd=readings.warmth_sd))
    found = fit(unknowns, readings.all())
    if note.loads or note.short_circuit:
        # How doubt about volts and speed adds up depends on the machine, which is now known.
        readings = replace(readings, start=found.values)
        unknowns = [
            one if one.expected_sd is not None else replace(one, start=found.values[one.name])
            for one in unknowns
        ]
        found = fit(unknowns, readings.all())
    return _row(identifier, note, readings, unknowns, found, guess)


def pole_pairs_of(note: GeneratorNote, machine: MachineKind) -> int:
    """Electrical cycles in a turn: as stated, or from a reading that has turns and hertz."""
    stated = note.cycles_per_turn
    if note.magnets is not None:
        if stated is not None and stated != note.magnets // 2:
            rule = f"contradicts cycles_per_turn {stated}: a cycle takes two magnets"
            raise NoteFault(("magnets",), rule, note.magnets)
        stated = note.magnets // 2
    for number, one in enumerate(note.open):
        if one.hertz is None or (one.turns is None and one.rpm is None):
            continue
        counted = one.hertz * 2 * pi / one.shaft_rad_s(None)
        whole = max(round(counted), 1)
        if abs(counted - whole) > 0.2:
            rule = f"must be a whole number of cycles a turn, is {counted:.2f} of them"
            raise NoteFault(("open", number, "hertz"), rule, one.hertz)
        if stated is not None and stated != whole:
            rule = f"contradicts {stated} cycles a turn, it is {counted:.1f} of them"
            raise NoteFault(("open", number, "hertz"), rule, one.hertz)
        stated = whole
    if stated is None:
        if machine.direct:
            return 1
        raise NoteFault(
            (),
            "needs cycles_per_turn (or magnets, or one open reading with turns, seconds and hertz)",
        )
    return stated


@dataclass(frozen=True)
class _Guess:
    """First guesses of the unknowns, by formula, and the class that they suit."""

    start: Mapping[str, float]
    read: frozenset[str]
    """Unknowns that some reading speaks of."""
    usual: MachineClass | None

    @classmethod
    def of(cls, note: GeneratorNote, readings: GeneratorReadings) -> _Guess:
        """Guesses from the readings that give an unknown by itself, others from the class."""
        machine = readings.machine
        found = _by_themselves(note, readings)
        for name, missing in (
            (EMF, "how fast it makes volts: open, or two loads"),
            (OHM, "its resistance: resistance, or two loads"),
        ):
            if name not in found:
                raise NoteFault((), f"too few readings: nothing gives {missing}")
        known = {QUANTITY[name]: value for name, value in found.items() if name in QUANTITY}
        known["emf_V_s"] = known["emf_V_s"] * machine.emf_leads_per_phase
        known["pole_pairs"] = float(readings.pole_pairs)
        mass = note.given.get("mass_kg")
        if isinstance(mass, int | float):
            known["mass_kg"] = float(mass)
        usual = nearest_class(machine.name, known)
        start = dict(found)
        for name, fallback in ((HENRY, 1e-3), (STATIC_DRAG, 0.1)):
            start.setdefault(name, class_expectation(usual, QUANTITY[name], fallback)[0])
        start.setdefault(VISCOUS, 0.005 * start[STATIC_DRAG])
        start.setdefault(INERTIA, 0.01)
        start[BRIDGE_OFFSET] = 0.0
        start[WARMTH] = 1.0
        return cls(start, frozenset(found), usual)

    def unknowns(self, note: GeneratorNote, machine: MachineKind) -> list[Unknown]:
        """What is fitted, and how far it may lie from its guess where no reading gives it."""
        unknowns = [Unknown(EMF, self.start[EMF]), Unknown(OHM, self.start[OHM])]
        sd = class_expectation(self.usual, QUANTITY[HENRY], 0.0)[1]
        held = None if note.ringing or (note.short_circuit and not machine.direct) else sd
        start = self.start[HENRY]
        unknowns.append(Unknown(HENRY, start, expected_sd=held))
        sd = class_expectation(self.usual, QUANTITY[STATIC_DRAG], 0.0)[1]
        unknowns.append(
            Unknown(
                STATIC_DRAG,
                self.start[STATIC_DRAG],
                expected_sd=None if STATIC_DRAG in self.read else sd,
            )
        )
        speeds = {one.rpm for one in note.drag}
        seen = len(speeds) > 1 or len(note.spin_down) > 1 or len(note.as_motor) > 1
        guess = self.start[VISCOUS]
        # Without a faster reading nothing but its size is known, and that to a factor.
        unknowns.append(Unknown(VISCOUS, guess, logarithmic=False,
                                expected_sd=None if seen else guess))  # fmt: skip
        if any(one.inertia_kg_m2 is None for one in note.spin_down):
            unknowns.append(Unknown(INERTIA, self.start[INERTIA]))
        if any(one.meter == "rectified" for one in note.loads) and not machine.direct:
            unknowns.append(
                Unknown(BRIDGE_OFFSET, 0.0, logarithmic=False, expected_sd=BRIDGE_OFFSET_SD)
            )
        return unknowns


def _by_themselves(note: GeneratorNote, readings: GeneratorReadings) -> dict[str, float]:
    """Unknowns that readings of one sort give by formula, good enough to begin a fit."""
    machine, found = readings.machine, {}
    unit = {EMF: 1.0, OHM: 1.0}
    opened = list(replace(readings, start=unit).open_volts())
    if opened:
        # Every law of open volts is linear in the EMF constant.
        guesses = sorted(
            (one.value - one.law({EMF: 0.0})) / (one.law({EMF: 1.0}) - one.law({EMF: 0.0}))
            for one in opened
        )
        found[EMF] = guesses[len(guesses) // 2]
    ohms = sorted(one.value for one in replace(readings, start=unit).resistances())
    if ohms:
        found[OHM] = ohms[len(ohms) // 2] / machine.phases_between_leads / readings.warm
    runs = [(run.volts, run.amps, readings.speed(run)) for run in note.as_motor]
    line = _line(runs) or _line(
        [
            (one.volts, -(one.amps if one.amps is not None else one.volts / (one.ohms or 1.0)),
             readings.speed(one) * machine.knee)
            for one in note.loads
        ]
    )  # fmt: skip
    if line:
        found.setdefault(EMF, line[1])
        found.setdefault(OHM, line[0] / machine.phases_between_leads)
    for ring in note.ringing:
        found[HENRY] = 1 / ((2 * pi * ring.hertz) ** 2 * ring.farads) / machine.phases_between_leads
    if note.short_circuit and EMF in found and OHM in found and not machine.direct:
        one = note.short_circuit[-1]
        speed = readings.speed(one)
        reactance = (found[EMF] * speed / 2**0.5 / one.amps) ** 2 - found[OHM] ** 2
        floor = 0.01 * found[OHM] ** 2
        found.setdefault(HENRY, max(reactance, floor) ** 0.5 / (readings.pole_pairs * speed))
    torques = [one.kg * STANDARD_GRAVITY * one.radius_m for one in note.drag]
    torques += [found.get(EMF, 1.0) * run.amps for run in note.as_motor if run.free]
    torques += [
        one.inertia_kg_m2 * (one.from_rpm - one.to_rpm) * RAD_S_PER_RPM / one.seconds
        for one in note.spin_down
        if one.inertia_kg_m2
    ]
    if torques:
        found[STATIC_DRAG] = min(torques)
    return found


def _line(runs: list[tuple[float, float, float]]) -> tuple[float, float] | None:
    """R and Ke of `V = I R + Ke w` by least squares of runs (V, I, w); None where they do not."""
    aa = sum(i * i for _, i, _ in runs)
    bb = sum(w * w for _, _, w in runs)
    ab = sum(i * w for _, i, w in runs)
    av, bv = sum(i * v for v, i, _ in runs), sum(w * v for v, _, w in runs)
    whole = aa * bb - ab * ab
    if len(runs) < 2 or whole <= 1e-9 * aa * bb:
        return None
    ohm, emf = (av * bb - bv * ab) / whole, (aa * bv - ab * av) / whole
    return (ohm, emf) if ohm > 0 and emf > 0 else None


def _row(
    identifier: str,
    note: GeneratorNote,
    readings: GeneratorReadings,
    unknowns: list[Unknown],
    found: Fit,
    guess: _Guess,
) -> Measured:
    machine = readings.machine
    relative = found.relative_sd(unknowns)
    columns: dict[str, float | int | str] = {"kind": machine.name}
    sds: dict[str, float] = {}
    for pattern, name in zip(
        ("emf_{}_V_s", "resistance_{}_ohm", "inductance_{}_H"), (EMF, OHM, HENRY), strict=True
    ):
        factor = machine.line_columns.get(pattern)
        column = pattern.format("phase" if factor is None else "line")
        columns[column] = found.values[name] / (factor or 1.0)
        sds[column] = relative[name]
    columns["pole_pairs"] = readings.pole_pairs
    for name in (STATIC_DRAG, VISCOUS):
        columns[name] = max(found.values[name], 0.0)
        sds[name] = relative[name]
    assumed = _assumed(note, guess, machine)
    columns |= dict(note.given)
    if "mass_kg" not in columns:
        mass = class_expectation(guess.usual, "mass_kg", 2.0)[0]
        columns["mass_kg"] = float(f"{mass:.2g}")
        assumed["mass_kg"] = "nobody weighed it: " + _class_words(guess.usual)
    for column, (value, why) in stand_ins(
        {name: 0.0 for name in columns}, float(columns["mass_kg"]), machine.phases,
        found.values[OHM], _fastest(note, readings),
    ).items():  # fmt: skip
        columns[column], assumed[column] = value, why
    beside = {INERTIA: found.values[INERTIA]} if INERTIA in found.values else {}
    doubts = (*doubts_of(found), *differing_pairs(note), *_plausible(note, found, readings, guess))
    _refuse_falling_drag(note, found)
    if found.values[VISCOUS] < -2 * found.sd[VISCOUS]:
        doubts = (*doubts, "drag falls with speed by these readings; it is taken as constant")
    return Measured(
        kind="generator", id=identifier, columns=columns, relative_sd=sds, how=_ways(note),
        fits={"generator": found}, assumed=assumed, doubts=doubts, beside=beside,
    )  # fmt: skip


def _refuse_falling_drag(note: GeneratorNote, found: Fit) -> None:
    """NoteFault where weights say that drag at speed is a third less than at rest, or even less."""
    if len(note.drag) < 2 or found.values[VISCOUS] > -3 * found.sd[VISCOUS]:
        return
    speeds = [one.rpm for one in note.drag]
    slow, fast = speeds.index(min(speeds)), speeds.index(max(speeds))
    if found.values[VISCOUS] * speeds[fast] * RAD_S_PER_RPM < -found.values[STATIC_DRAG] / 3:
        pull = [one.kg * one.radius_m for one in note.drag]
        rule = (
            f"contradicts drag[{fast}]: faster, it takes {pull[fast] / pull[slow]:.2g} times this"
        )
        raise NoteFault(("drag", slow), f"{rule}, and drag does not fall so: a slip by ten?")


def _ways(note: GeneratorNote) -> tuple[str, ...]:
    ways = (
        ("open", "open volts"), ("resistance", "resistance between leads"), ("loads", "loads"),
        ("drag", "drag by weights"), ("spin_down", "spin-down"), ("as_motor", "run as a motor"),
        ("ringing", "inductance by ringing"), ("short_circuit", "short-circuit current"),
    )  # fmt: skip
    return tuple(words for key, words in ways if getattr(note, key))


def _assumed(note: GeneratorNote, guess: _Guess, machine: MachineKind) -> dict[str, str]:
    """Fitted columns that no reading speaks of, with why their value stands there."""
    found = {}
    henry = "inductance_line_H" if "inductance_{}_H" in machine.line_columns else HENRY
    if not (note.ringing or note.short_circuit or note.loads) or (
        machine.direct and not note.ringing
    ):
        found[henry] = "nobody measured it: " + _class_words(guess.usual)
    if STATIC_DRAG not in guess.read:
        found[STATIC_DRAG] = "nobody measured it: " + _class_words(guess.usual)
    if len({one.rpm for one in note.drag}) + len(note.spin_down) + len(note.as_motor) < 2:
        found[VISCOUS] = "no faster reading of its drag: taken as small"
    return found


def _class_words(one: MachineClass | None) -> str:
    return f"as of a {one.name}" if one else "a usual value, of low confidence"


def _fastest(note: GeneratorNote, readings: GeneratorReadings) -> float:
    turnings: tuple[Turning, ...] = (*note.open, *note.loads, *note.as_motor, *note.short_circuit)
    speeds = [readings.speed(one) / RAD_S_PER_RPM for one in turnings]
    return max([*speeds, *(one.from_rpm for one in note.spin_down)], default=1.0)


def _plausible(
    note: GeneratorNote, found: Fit, readings: GeneratorReadings, guess: _Guess
) -> tuple[str, ...]:
    """Values that look like a slip; NoteFault for one off tenfold, unless the note is sure."""
    if guess.usual is None:
        return ()
    own = {QUANTITY[name]: found.values[name] for name in guess.read if name in QUANTITY}
    own["emf_V_s"] = own["emf_V_s"] * readings.machine.emf_leads_per_phase
    own["pole_pairs"] = float(readings.pole_pairs)
    mass = note.given.get("mass_kg")
    if isinstance(mass, int | float):
        own["mass_kg"] = float(mass)
    if len(own) < LEAST_KNOWN:
        return ()
    stories = stories_of(readings.machine.name, own)
    surely = [
        one
        for one in stories
        if one.apart <= KNOWN_APART and _times_off(one, own) >= TENFOLD_FROM and _slip(one, own)
    ]
    if surely and not note.sure:
        others = [one for one in stories if one.quantity != surely[0].quantity]
        words = ", or ".join(_odd(one, own) for one in (surely[0], *others[:1]))
        raise NoteFault((), f"{words}; if it is right, write sure = true")
    return tuple(_odd(one, own) for one in stories if one.best is stories[0].best)


def _times_off(story: Story, own: Mapping[str, float]) -> float:
    """How many times a quantity lies outside its class's range."""
    low, high = story.best.ranges[story.quantity]
    value = max(own[story.quantity], 1e-12)
    return max(low / value, value / high)


def _slip(story: Story, own: Mapping[str, float]) -> str:
    return likely_slip(story.quantity, own[story.quantity], story.best.ranges[story.quantity])


def _odd(story: Story, own: Mapping[str, float]) -> str:
    """What is odd about a quantity, in words."""
    low, high = story.best.ranges[story.quantity]
    ratio = times_usual(story.best, own, story.quantity)
    shown_ratio = f"{ratio:.2g}" if ratio < 99 else f"{ratio:.0f}"
    slip = _slip(story, own)
    return (
        f"{SAID[story.quantity]} {own[story.quantity]:.4g} is {shown_ratio} times that of a "
        f"{story.best.name} ({low:g} to {high:g})" + (f": {slip}?" if slip else "")
    )
