"""What is computed once when a design is locked or evaluated: what it could be changed into."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from explorer.decision.advice import MOST_SWAPPED, Advice, Option, weigh
from explorer.decision.candidates import Candidates, Origin, swapped
from explorer.decision.lock import Lock
from explorer.decision.neighbours import stepped_around
from explorer.decision.verdict import verdict_on
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.bounds import goal_units
from explorer.model.objectives import points_of
from explorer.model.space import Designs, Rows
from explorer.store.keys import design_numbers
from explorer.store.promises import keep_odds, odds_of
from explorer.store.results import OF_DECISIONS, Store
from explorer.store.stored import Stored

DRAWN = 3
"""Designs of each number of swaps of which builds are drawn, where the study goes by promises."""


class Advised(NamedTuple):
    """What to do with a design, and the best changes of it."""

    advice: Advice
    options: tuple[Option, ...]


def of_lock(project: Project, store: Store, stored: Stored, lock: Lock) -> Advised:
    """What to do with a design that is about to be locked. What is stepped and drawn for it is
    kept in the store, so that later runs price it anew.
    """
    step_around(project, store, Origin.of(project, lock))
    every = stored.and_(store.load_options(project))
    found = Candidates.of_stored(project, every, costing.costs(project, every.designs))
    verdict = verdict_on(project, found, stored, lock)
    return Advised(verdict.advice, verdict.options)


def step_around(project: Project, store: Store, origin: Origin) -> int:
    """Step what a design could be changed into, draw builds of the best, and keep both; how many
    sessions and builds that took.
    """
    around = stepped_around(project, origin)
    store.append(project, around, OF_DECISIONS)
    drawn = _draw_builds(project, store, origin) if project.study.by_promise else 0
    return len(around) + drawn


def of_chain(project: Project, design: Designs) -> Advised:
    """What to do with a chain (length 1) that stands on the bench: its own pieces are free. By
    nominal values, since no build of it is drawn.
    """
    project = with_its_parts(project, design)
    (number,) = design_numbers(project.catalogue, design)
    origin = Origin(design, int(number))
    around = stepped_around(project, origin)
    nominal = replace(project, study=replace(project.study, by_promise=False))
    found = Candidates.of_sessions(nominal, around)
    itself = around.take(np.zeros(1, np.int64))
    own = points_of(project, itself, costing.costs(project, design))[0]
    weighed = weigh(
        nominal,
        found,
        origin,
        own,
        stands=bool((found.numbers == number).any()),
        units=goal_units(project),
    )
    return Advised(weighed.advice, weighed.options)


def with_its_parts(project: Project, design: Designs) -> Project:
    """The project of somebody who has the pieces of a design (length 1), for all kits, beside what
    the study says is owned.
    """
    kits = project.study.prices.build_quantity
    owned = dict(project.what_if)
    for line in costing.bill(project, design, 0):
        if line["link"] in LINKS:
            pieces = project.owned.get(line["part"], 0)
            if pieces is not None:
                owned[line["part"]] = max(pieces, line["quantity"] * kits)
    return replace(project, what_if=owned)


def _draw_builds(project: Project, store: Store, origin: Origin) -> int:
    """Draw builds of those that are best at nominal values, as far as nobody has, and keep them;
    how many builds.
    """
    from explorer.model.promise import shared_odds

    options = store.load_options(project)
    rows = _contenders(project, options, origin)
    known = odds_of(project, store, options.numbers[rows])
    terms = project.study.promise
    new = [k for k, one in enumerate(known) if not one.settled(terms)]
    rows = rows[np.array(new, np.int64)]
    if not len(rows):
        return 0
    odds = shared_odds(project, options.designs.take(rows), range(terms.draws), 1)
    keep_odds(project, store, dict(zip(options.numbers[rows].tolist(), odds, strict=True)))
    return len(rows) * terms.draws


def _contenders(project: Project, options: Stored, origin: Origin) -> Rows:
    """Rows of the best designs of each number of swaps at nominal values."""
    cost = costing.costs(project, options.designs)
    able = np.flatnonzero(options.keeps_limits & np.isfinite(cost))
    worth = -(options.nominal(cost) / goal_units(project)).sum(axis=1)
    swaps = swapped(project, options.designs, origin).sum(axis=1)
    order = able[np.argsort(-worth[able], kind="stable")]
    several = [order[swaps[order] == count][:DRAWN] for count in range(MOST_SWAPPED + 1)]
    return np.concatenate(several)
