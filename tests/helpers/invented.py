"""Results made up for tests of what happens to results: no physics behind the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.cases import CaseName
from explorer.model.evaluation import Case, Evaluation
from explorer.model.space import Designs, describe, design_id
from explorer.store.stored import Stored

MARGINS = ("cell_voltage_V", "turnable_N_m", "first_charge_s", "chatter_V")


def designs(project: Project, count: int, seed: int = 1) -> Designs:
    """Distinct designs of the study (of settings, the grid), as many as there are up to `count`."""
    study, catalogue = project.study, project.catalogue
    rng = np.random.default_rng(seed)
    rows_of = {link: {p.id: row for row, p in enumerate(catalogue.parts[link])} for link in LINKS}
    choices = [[rows_of[link][name] for name in study.choices[link]] for link in LINKS]
    values = [study.settings[name].values for name in SETTINGS]
    sizes = [len(v) for v in (*choices, *values)]
    total = int(np.prod(sizes, dtype=np.int64))
    codes = np.unique(rng.integers(0, total, size=2 * count)) if total > 2 * count else range(total)
    codes = rng.permutation(np.asarray(codes))[:count]
    places = np.unravel_index(codes, sizes)
    return Designs(
        {
            link: np.asarray(choice, dtype=np.int64)[place]
            for link, choice, place in zip(LINKS, choices, places, strict=False)
        },
        {
            name: np.asarray(value, dtype=float)[place]
            for name, value, place in zip(SETTINGS, values, places[len(LINKS) :], strict=True)
        },
    )


def results(project: Project, chosen: Designs, seed: int = 1, coarse: bool = False) -> Evaluation:
    """Results for some designs, the mass alone theirs; `coarse` rounds, so that ties are common."""
    n, rng = len(chosen), np.random.default_rng(seed)
    goals = np.abs(rng.normal(size=(n, 3))) + 0.05
    if coarse:
        goals = np.ceil(3 * goals) / 3
    energy, effort = 800 / goals[:, 0], 60 * goals[:, 2]
    first = rng.uniform(10, 250, n)
    margins = {name: np.abs(rng.normal(size=n)) for name in MARGINS}
    margins["turnable_N_m"] = np.where(rng.random(n) < 0.1, -1.0, 0.5)
    margins["stroke_ripple_V"] = np.ones(n)
    return Evaluation(
        designs=chosen,
        delivered_energy_J=energy,
        mass_kg=costing.mass_kg(project, chosen),
        crank_effort_percent=effort,
        time_to_first_charge_s=first,
        regime=rng.integers(0, 4, n).astype(np.int8),
        margins=margins | {"first_charge_s": (project.study.limits.first_charge_s or 600) - first},
        ledger_J={name: rng.random(n) for name in ("crank_work", "copper", "delivered")},
        readings={
            "hold_V": np.where(rng.random(n) < 0.5, np.nan, 6.0),
            "peak_V": rng.random(n),
            "cycle_s": np.full(n, np.inf),
        },
        cases=tuple(
            Case(CaseName(operator, pack), energy, effort, np.zeros(n, dtype=np.int8), first)
            for operator in project.study.session.operators
            for pack in project.study.session.packs
        ),
    )


def replace_in(path: object, changes: Mapping[str, str]) -> None:
    """Replace text in a file; each must be there."""
    from pathlib import Path

    file = Path(str(path))
    text = file.read_text()
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    file.write_text(text)


def at_prices(project: Project, new: Mapping[str, float]) -> Project:
    """The project with other prices of some parts; all breaks of a part move in proportion."""
    prices = project.catalogue.prices
    breaks = dict(prices.breaks)
    for part, amount in new.items():
        base = breaks[part][0].amount
        breaks[part] = tuple(
            price.model_copy(update={"amount": amount * (price.amount / base if base else 1.0)})
            for price in breaks[part]
        )
    catalogue = replace(project.catalogue, prices=replace(prices, breaks=breaks))
    return replace(project, catalogue=catalogue)


@dataclass(frozen=True)
class Locked:
    """What a lock file would say, made up."""

    design_id: str
    parts: Mapping[str, str]
    settings: Mapping[str, float | int]
    result: Mapping[str, Any]
    margins: Mapping[str, float] = field(default_factory=dict)
    stale: tuple[str, ...] = ()


def locked(project: Project, stored: Stored, row: int) -> Locked:
    parts, settings = describe(project.catalogue, stored.designs, row)
    result = {
        "delivered_energy_J": float(stored.delivered_energy_J[row]),
        "cost": float(costing.costs(project, stored.designs.take(np.array([row])))[0]),
        "mass_kg": float(stored.mass_kg[row]),
        "crank_effort_percent": float(stored.crank_effort_percent[row]),
        "time_to_first_charge_s": float(stored.time_to_first_charge_s[row]),
    }
    return Locked(design_id(parts, settings), parts, settings, result)
