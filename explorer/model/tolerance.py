"""One design built many times: what the spread of its parts and of the hand does to it.

Every draw is a chain of its own, evaluated by the same model as all others. Worst cases that the
rules assume of the window and the cells are taken out first, since here they are drawn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.links import LINKS
from explorer.inputs.records import Part
from explorer.inputs.study import Project
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.rules import RULES
from explorer.model.similar import fronts
from explorer.model.simulate import Care
from explorer.model.space import Designs
from explorer.model.spreads import (
    Spread,
    most,
    nominal,
    of_cadence,
    of_hand,
    spreads_of_part,
)
from explorer.physics import bank
from explorer.physics.window import threshold_band
from explorer.units import Array

DRAWS = 2000
HANDS = 25
"""Different hands among the draws; each turns an equal share of the chains."""
MATTER_MOST = 3


Band = tuple[float, float, float]
"""5th, 50th and 95th percentile."""
PERCENTILES = (5, 50, 95)


class Matter(NamedTuple):
    """A spread that moves the delivered energy: its share of the explained variance, and how."""

    says: str
    share: float
    more_gives_more: bool


@dataclass(frozen=True)
class Tolerance:
    """What the draws came to.

    `energy_J` (draws,), `nominal_J` without any spread, solved as coarsely; `band_J` the 5th, 50th
    and 95th percentile; `readings` the same percentiles of what can be measured, where it exists
    in most draws; `broken` rule -> share of draws that break it, the frequent first; `hazard` the
    share that breaks any rule marked as a hazard; `matter` the spreads that move energy most.
    """

    draws: int
    nominal_J: float
    energy_J: Array
    band_J: Band
    readings: Mapping[str, Band]
    broken: Mapping[str, float]
    hazard: float
    matter: tuple[Matter, ...]

    @property
    def uncertainty(self) -> float:
        """How far the true share of a rule that no draw broke may lie above 0 (95 % confidence).

        The rule of three: 3/n (published: Hanley & Lippman-Hand, JAMA 249, 1983).
        """
        return 3 / self.draws


def spreads_of(project: Project, designs: Designs) -> tuple[Spread, ...]:
    """Everything that is drawn for one design, tolerances of its own tables included. Of several
    people all differ as the first does.
    """
    window = _part(project, designs, "window")
    limit = window.current_limit_tolerance  # type: ignore[attr-defined]
    levels = (
        ("undervoltage_off_V", "load off", designs.settings["undervoltage_off_V"]),
        (
            "undervoltage_on_V",
            "load on",
            designs.settings["undervoltage_off_V"] + designs.settings["undervoltage_band_V"],
        ),
        ("overvoltage_off_V", "load cut", designs.settings["overvoltage_off_V"]),
    )
    bands = {name: _band_of(project, window, float(volts[0])) for name, _, volts in levels}
    first = project.catalogue.operators[project.study.session.operators[0]]
    return (
        *of_hand(project, first),
        of_cadence(project),
        *(
            spread
            for link in LINKS
            for spread in spreads_of_part(project, link, _part(project, designs, link))
        ),
        Spread("current limit", "window", ("current_limit_A",), 1 - limit, 1 + limit),
        *(
            Spread(f"threshold {says}", "settings", (name,), *bands[name])
            for name, says, _ in levels
        ),
    )


def _band_of(project: Project, window: Part, volts: float) -> tuple[float, float]:
    """Factors between which comparator and resistors may shift a threshold."""
    low, high = threshold_band(
        volts,
        window.reference_V,  # type: ignore[attr-defined]
        reference_tolerance=window.reference_tolerance,  # type: ignore[attr-defined]
        resistor_tolerance=project.study.build.resistor_tolerance,
    )
    return float(low) / volts, float(high) / volts


def tolerance(
    project: Project, designs: Designs, *, draws: int = DRAWS, seed: int = 1
) -> Tolerance:
    """Draw one design (`designs` holds just it) many times, and evaluate every draw.

    `draws` is rounded up to a multiple of `HANDS`. The same seed gives the same draws. ValueError
    unless there is exactly one design and at least one draw.
    """
    if len(designs) != 1 or draws < 1:
        raise ValueError(f"needs one design and draws, got {len(designs)} and {draws}")
    spreads = spreads_of(project, designs)
    each = -(-draws // HANDS)
    factors = _factors(spreads, each, np.random.default_rng(seed))
    weakest = _weakest(project, designs, each * HANDS, np.random.default_rng([seed, 1]))
    shares = [slice(hand * each, (hand + 1) * each) for hand in range(HANDS)]
    drawn = [_drawn(project, designs, spreads, factors[:, share]) for share in shares]
    found = Evaluation.concatenate(
        [
            evaluate(*builds, Care.DRAWN, weakest_share=weakest[share], front=front)
            for builds, share, front in zip(drawn, shares, fronts(drawn), strict=True)
        ]
    )
    nominal = float(evaluate(project, designs, Care.DRAWN).delivered_energy_J[0])
    energy = found.delivered_energy_J
    measured = {"time_to_first_charge_s": found.time_to_first_charge_s, **found.readings}
    broken = {name: float((margin < 0).mean()) for name, margin in found.margins.items()}
    hazards = [
        margin < 0 for name, margin in found.margins.items() if name in RULES and RULES[name].hazard
    ]
    return Tolerance(
        draws=len(energy),
        nominal_J=nominal,
        energy_J=energy,
        band_J=_band(energy),
        readings={
            name: _band(values[np.isfinite(values)])
            for name, values in measured.items()
            if np.isfinite(values).mean() > 0.5
        },
        broken=dict(sorted(broken.items(), key=lambda item: -item[1])),
        hazard=float(np.any(hazards, axis=0).mean()),
        matter=_matter(spreads, factors, energy),
    )


def _weakest(project: Project, designs: Designs, draws: int, rng: np.random.Generator) -> Array:
    """How full the fullest cell gets over the mean, each cell drawn within its batch, (draws,)."""
    series, parallel = (int(designs.settings[f"cells_{way}"][0]) for way in ("series", "parallel"))
    spread = _part(project, designs, "cell").piece_spread  # type: ignore[attr-defined]
    pieces = 1 + spread * rng.uniform(-1.0, 1.0, (draws, parallel, series))
    return np.asarray(bank.fullest_share(pieces).max(axis=1))


def _band(values: Array) -> Band:
    low, middle, high = np.percentile(values, PERCENTILES).tolist()
    return low, middle, high


def _factors(spreads: tuple[Spread, ...], each: int, rng: np.random.Generator) -> Array:
    """Factors (spreads, draws); those of the hand are the same within each hand's share."""
    count = each * HANDS
    factors = np.empty((len(spreads), count))
    for row, spread in enumerate(spreads):
        even = rng.random(count)
        if spread.where == "operator":
            even = np.repeat((rng.permutation(HANDS) + rng.random(HANDS)) / HANDS, each)
        factors[row] = spread.at(even)
    return factors


def _drawn(
    project: Project, designs: Designs, spreads: tuple[Spread, ...], factors: Array
) -> tuple[Project, Designs]:
    """A project whose tables hold the drawn parts, and the designs made of them."""
    count = factors.shape[1]
    updates: dict[str, list[dict[str, Any]]] = {link: [{} for _ in range(count)] for link in LINKS}
    hand: dict[str, float] = {}
    settings = {name: np.repeat(value, count) for name, value in designs.settings.items()}
    settings["undervoltage_on_V"] = settings["undervoltage_off_V"] + settings["undervoltage_band_V"]
    for spread, factor in zip(spreads, factors, strict=True):
        for name in spread.fields:
            if spread.where == "settings":
                settings[name] = np.asarray(spread.applied(settings[name], factor))
            elif spread.where == "operator":
                hand[name] = float(factor[0])
            else:
                value = nominal(_part(project, designs, spread.where), name) or 0.0
                drawn = np.broadcast_to(spread.applied(value, factor), (count,)).tolist()
                for update, one in zip(updates[spread.where], drawn, strict=True):
                    update[name] = one
    for update in updates["window"]:
        update.update(reference_tolerance=0.0, current_limit_tolerance=0.0)
    for update in updates["cell"]:
        update.update(capacitance_low_fraction=1.0)
    parts = {
        link: tuple(part.model_copy(update=u) if u else part for u in updates[link])
        for link, part in ((link, _part(project, designs, link)) for link in LINKS)
    }
    operators = {
        name: person.model_copy(
            update={field: min(getattr(person, field) * by, most(field)) for field, by in
                    hand.items()}
        )
        for name, person in project.catalogue.operators.items()
    }  # fmt: skip
    on = settings.pop("undervoltage_on_V")
    settings["undervoltage_band_V"] = np.maximum(on - settings["undervoltage_off_V"], 1e-6)
    catalogue = replace(project.catalogue, parts=parts, operators=operators)
    build = project.study.build.model_copy(update={"resistor_tolerance": 0.0})
    rows = np.arange(count)
    exact = replace(project, catalogue=catalogue, study=replace(project.study, build=build))
    return exact, Designs(dict.fromkeys(LINKS, rows), settings)


def _matter(spreads: tuple[Spread, ...], factors: Array, energy: Array) -> tuple[Matter, ...]:
    """Spreads by their squared rank correlation with energy (Spearman), as shares of all."""
    varied = [k for k, row in enumerate(factors) if np.ptp(row) > 0]
    if not varied or np.ptp(energy) == 0:
        return ()
    ranks = _ranks(np.vstack([factors[varied], energy]))
    rho = np.asarray(np.corrcoef(ranks))[-1, :-1]
    order = np.argsort(-np.abs(rho))[:MATTER_MOST]
    total = float((rho**2).sum())
    return tuple(
        Matter(spreads[varied[k]].says, float(rho[k] ** 2) / total, bool(rho[k] > 0)) for k in order
    )


def _ranks(rows: Array) -> NDArray[np.float64]:
    """Ranks of the values in each row, from 1 on; equal ones share the mean of theirs."""
    found = np.empty(rows.shape)
    for row, values in zip(found, rows, strict=True):
        _, which, count = np.unique(values, return_inverse=True, return_counts=True)
        last = np.cumsum(count)
        row[:] = (last - (count - 1) / 2)[which]
    return found


def _part(project: Project, designs: Designs, link: str) -> Part:
    return project.catalogue.parts[link][int(designs.parts[link][0])]
