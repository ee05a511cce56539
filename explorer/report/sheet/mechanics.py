"""The mechanical half of a build: stages, axle, frame, guard, and which way to turn."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil
from typing import NamedTuple

from explorer.physics.drives import axle_m
from explorer.physics.generator import peak_emf
from explorer.report.format import number
from explorer.report.sheet.facts import Facts
from explorer.report.sheet.stages import Stages, ways

OVERHANG_M = 0.10
"""From the middle of the grip to the nearest bearing (judgement; the sheet says so)."""
WHEEL_OUT_M = 0.03
"""From the crank's sprocket, pulley or gear to that bearing (judgement; the sheet says so)."""
AXLE_SHEAR_PA = 40e6
"""Shear stress of a plain steel axle with a keyway, turned by jerks (ASME's code for shafting, from
memory: 8,000 psi, a quarter less for a keyway: 41 MPa)."""
AXLES_MM = (8, 10, 12, 15, 17, 20, 25, 30, 35, 40)
"""Bores of usual ball bearings (ISO 15)."""
ELBOW_MM = (980, 1050)
"""Elbow height of women and men who stand, mean (Grandjean, Fitting the Task to the Man)."""
BELOW_ELBOW_MM = (150, 400)
"""How far below the elbow the hands work where a task is heavy (the same)."""
HAND_GAP_MM = 100
"""Gap that lets a hand through uncrushed (ISO 13854, from memory)."""
GUARD_GAP_MM, GUARD_AWAY_MM = 6, 10
"""Slots of a guard and how far behind them nothing may move, for a finger (ISO 13857, from
memory)."""
AROUND_MM = 20
"""Room between wheels and the inside of the guard (judgement)."""


class Way(NamedTuple):
    """One way to make the ratio: what with, teeth, ratio, axle distance, length and axle loads."""

    what: str
    teeth: str
    ratio: str
    centre: str
    length: str
    pull: str
    loads: str


class Loads(NamedTuple):
    """What a hand does to a crank: mean and crest in use, and the hardest pull there is."""

    mean_N: float
    crest_N: float
    most_N: float
    radius_m: float

    @property
    def most_N_m(self) -> float:
        """Torque of the hardest pull."""
        return self.most_N * self.radius_m


def loads_of(known: Facts) -> Loads:
    """Forces at the handle, N. The hardest pull is that of the strongest of a study's people."""
    catalogue, session = known.project.catalogue, known.project.study.session
    people = [catalogue.operators[name] for name in session.operators]
    mean = known.reading("handle_force_N")
    uneven = max(one.unevenness + one.unevenness_turn for one in people)
    most = max(one.force_limit_N for one in people)
    return Loads(mean, mean * (1 + uneven), most, float(known.part("crank").radius_m))


def ways_of(known: Facts) -> Iterator[Way]:
    """The ratio as chain, belt or gears, strong enough for the hardest pull."""
    for one in _ways(known):
        stages = "" if one.stages == 1 else f", {one.stages} stages alike"
        loop = f"{one.pieces} {'links' if one.kind.name.startswith('roller') else 'teeth'}"
        yield Way(
            f"{one.kind.name}{stages}",
            f"{one.large} and {one.small}",
            f"{number(one.ratio)}:1",
            f"{1000 * one.centre_m:.0f} mm",
            loop if one.pieces else "",
            f"{number(one.pull_N)} N",
            f"{number(one.slow_load_N)} N, {number(one.fast_load_N)} N",
        )


def mechanics_of(known: Facts) -> Iterator[tuple[str, str]]:
    """What to build around the chain, each line computed for this design."""
    loads = loads_of(known)
    yield (
        "force on the handle",
        (
            f"{number(loads.mean_N)} N on average{known.of_whom}, {number(loads.crest_N)} N at the "
            f"crest of a turn, {number(loads.most_N)} N at the hardest pull: "
            f"{_torque(known, loads)}"
        ),
    )
    heights = _axle_heights_mm(loads)
    yield (
        "axle height",
        (
            f"{heights[0]} to {heights[1]} mm above the ground where the person stands: a grip "
            "at its highest is no higher than the elbow"
        ),
    )
    tips = loads.most_N * heights[1] / 1000
    yield (
        "frame",
        (
            f"bolt it down: the hardest pull wants to tip it with {number(tips)} N m about "
            f"its feet and to twist it with {number(loads.most_N_m)} N m about the axle"
        ),
    )
    yield "crank axle", _axle(known, loads)
    yield "generator", _held(known, loads)
    yield "guard", _guard(known, loads)
    yield "turning direction", _direction(known)


def _ways(known: Facts) -> tuple[Stages, ...]:
    loads = loads_of(known)
    return tuple(ways(float(known.part("gearing").ratio), loads.most_N_m))


def _torque(known: Facts, loads: Loads) -> str:
    """What the hardest pull does to crank and gearing."""
    words = f"{number(loads.most_N_m)} N m at the axle"
    limits = {link: known.part(link).torque_limit_N_m for link in ("crank", "gearing")}
    weak = [
        f"the {link} bears {number(limit)} N m"
        for link, limit in limits.items()
        if limit < loads.most_N_m
    ]
    return f"{words}; {' and '.join(weak)}: never force a crank that is stuck" if weak else words


def _axle_heights_mm(loads: Loads) -> tuple[int, int]:
    """Lowest axle for the small elbow and highest for the large one, to 10 mm.

    The grip's top stays below the elbow and the axle within the range of heavy work.
    """
    below = max(BELOW_ELBOW_MM[0], 1000 * loads.radius_m)
    small, large = (elbow - below for elbow in ELBOW_MM)
    return round(small / 10) * 10, round(large / 10) * 10


def _axle(known: Facts, loads: Loads) -> str:
    """Thickness of the crank's axle at the hardest pull, and the load of its bearings."""
    pulls = [one.slow_load_N for one in _ways(known)]
    side = max(pulls, default=0.0)
    bending = loads.most_N * OVERHANG_M + side * WHEEL_OUT_M
    thin_mm = 1000 * axle_m(bending, loads.most_N_m, AXLE_SHEAR_PA)
    bore = next((size for size in AXLES_MM if size >= thin_mm), ceil(thin_mm))
    wheel = f" and its wheel within {1000 * WHEEL_OUT_M:.0f} mm" if pulls else ""
    return (
        f"steel, {bore} mm or thicker ({number(thin_mm)} mm at {AXLE_SHEAR_PA / 1e6:.0f} MPa), if "
        f"the grip's middle is within {1000 * OVERHANG_M:.0f} mm of a bearing{wheel}; bearings "
        f"carry up to {number(loads.most_N + side)} N"
    )


def _held(known: Facts, loads: Loads) -> str:
    """Against what the generator's body has to be held."""
    gearing = known.part("gearing")
    torque = loads.most_N_m * gearing.efficiency / gearing.ratio
    return (
        f"hold its body (of a hub machine: the axle, by a torque arm) against {number(torque)} N m "
        "at the hardest pull; it wants to turn along with its shaft"
    )


def _guard(known: Facts, loads: Loads) -> str:
    clear = 1000 * loads.radius_m + HAND_GAP_MM
    kept = f"Keep a circle of {clear:.0f} mm around the crank's axle free of anything fixed."
    found = _ways(known)
    if not found:
        return kept
    high = max(1000 * one.large_m for one in found) + 2 * AROUND_MM
    wide = max(
        1000 * (one.stages * one.centre_m + (one.large_m + one.small_m) / 2) for one in found
    ) + 2 * AROUND_MM  # fmt: skip
    return (
        f"closed on both sides, {wide:.0f} by {high:.0f} mm inside for the largest way above; "
        f"slots at most {GUARD_GAP_MM} mm wide, nothing that moves within {GUARD_AWAY_MM} mm "
        f"behind them. {kept}"
    )


def _direction(known: Facts) -> str:
    """Which way to turn, and what the other way does."""
    machine, generator = known.part("generator").machine, known.part("generator")
    free = "With a freewheel, backwards moves nothing."
    if not machine.reverse_adds:
        return (
            f"either: its rectifier gives the same plus and minus both ways. {free} Chains and "
            "belts keep the direction, each pair of gears turns it round"
        )
    volts = known.bank_limit_V + float(peak_emf(generator.emf_phase_V_s, known.shaft_rad_s))
    bears = known.part("rectifier").reverse_limit_V
    held = "it bears that" if volts <= bears else "that destroys it: fit a freewheel"
    return (
        "only so that the meter shows plus in the second check; mark it with an arrow. Backwards "
        f"gives nothing, and full bank and generator put up to {number(volts)} V across the "
        f"rectifier ({number(bears)} V): {held}. {free}"
    )
