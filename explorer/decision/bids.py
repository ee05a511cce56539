"""Up to which price each part is worth buying, piece by piece, from whoever offers one.

A bid is what one piece may cost where all pieces that are lacking are bought at that price: no
breaks, no stock. At a lower price some design that buys the part is on the front, at a higher one
none is. Energy, mass and effort do not depend on it and cost is linear in it, so the bid is exact
and in closed form: a design that buys the part need only be held against those that do not, since
what beats it and buys the part, too, is itself on the front or beaten by one of those.
"""

from __future__ import annotations

from math import inf
from typing import NamedTuple

import numpy as np

from explorer.decision.price_sensitivity import PHYSICAL
from explorer.front import non_dominated
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.space import Rows
from explorer.store.standing import affordable
from explorer.store.stored import Stored
from explorer.units import Array

COMPARED_AT_A_TIME = 256


def worth_paying(project: Project, stored: Stored, cost: Array) -> dict[str, float | None]:
    """The top price worth paying for one piece of each part that the study may choose, in its
    currency: 0 where no price is low enough or none need be bought, None where none is too high.

    `cost` (n,) are the stored designs' costs. What is owned is free, as in all costs: only the
    pieces that are lacking are paid for.
    """
    some = np.flatnonzero(stored.feasible)
    stored, cost = stored.take(some), cost[some]
    physics = stored.objectives(np.zeros(len(stored)))[:, PHYSICAL]
    stands = affordable(project, stored, cost)
    spent = {link: costing.spent(project, stored.designs, link) for link in LINKS}
    found: dict[str, float | None] = {}
    for link in LINKS:
        others = [spent[one] for one in LINKS if one != link]
        rest = costing.rounded_money(sum(others) + costing.spent_on_small_things(project))
        lacking = costing.lacking(project, stored.designs, link)
        parts = [part.id for part in project.catalogue.parts[link]]
        chosen = [parts.index(name) for name in project.study.choices[link]]
        fronts = [
            _front(np.flatnonzero(stands & (stored.designs.parts[link] == row)), physics, cost)
            for row in chosen
        ]
        for place, row in enumerate(chosen):
            buys = (stored.designs.parts[link] == row) & (lacking > 0) & np.isfinite(rest)
            buyers = np.flatnonzero(buys)
            buyers = buyers[non_dominated(np.column_stack([physics, rest, lacking])[buyers])]
            # Of the same part, those that need buy none compete as well.
            rivals = np.concatenate([*fronts[:place], *fronts[place + 1 :], _front(
                np.flatnonzero(stands & (stored.designs.parts[link] == row) & (lacking == 0)),
                physics, cost,
            )])  # fmt: skip
            terms = _Terms(
                physics[buyers], rest[buyers], lacking[buyers], project.study.limits.cost
            )
            bid = _most_paid(terms, physics[rivals], cost[rivals])
            found[parts[row]] = None if bid == inf else float(costing.rounded_money(bid))
    return found


def _front(rows: Rows, physics: Array, cost: Array) -> Rows:
    """Those of some rows that no other of them dominates."""
    return np.asarray(rows[non_dominated(np.column_stack([physics, cost])[rows])])


class _Terms(NamedTuple):
    """What buyers of a part deliver `physics` (n, m), spend on the `rest` (n,) and lack in pieces
    (n,), at least one; and the most that a design may cost, if there is a limit.
    """

    physics: Array
    rest: Array
    lacking: Array
    limit: float | None

    def bids(self, some: Rows, least_cost: Array) -> Array:
        """What some buyers may pay for a piece until they cost `least_cost`."""
        most = least_cost if self.limit is None else np.minimum(least_cost, self.limit)
        return (most - self.rest[some]) / self.lacking[some]


def _most_paid(terms: _Terms, others: Array, cost: Array) -> float:
    """The highest bid of any buyer against `others` (k, m) at their `cost` (k,); 0 where none has
    one, infinite where nobody else does as well.

    Buyers in a handful set a price by comparison with all others. Whoever is beaten at that price
    bids no more, which dominance says of all buyers at once; of those left comes the next handful.
    """
    stand = non_dominated(np.vstack([others, terms.physics]), equals=False)
    if terms.limit is None and stand[len(others) :].any():
        return inf
    best = 0.0
    left = np.random.default_rng(1).permutation(len(terms.rest))  # no order may be unlucky
    while best < inf:
        # In money's digits, since sums that only differ in their last bits are no other price.
        price = costing.rounded_money(terms.rest[left] + best * terms.lacking[left])
        if terms.limit is not None:
            left, price = left[price < terms.limit], price[price < terms.limit]
        mine = np.column_stack([terms.physics[left], price])
        stand = non_dominated(np.vstack([np.column_stack([others, cost]), mine]), equals=False)
        asked = np.flatnonzero(stand[len(others) :])[:COMPARED_AT_A_TIME]
        if not len(asked):
            break
        some, left = left[asked], np.delete(left, asked)
        least = _least_cost(terms.physics[some], others, cost)
        best = max(best, float(terms.bids(some, least).max()))
    return best


def _least_cost(mine: Array, others: Array, cost: Array) -> Array:
    """The least cost of those of `others` (m, k) that are nowhere worse than each of `mine` (n, k),
    (n,); infinite where there is none.
    """
    order = np.argsort(cost, kind="stable")
    others, cost = others[order], cost[order]
    least, left = np.full(len(mine), inf), np.arange(len(mine))
    # The cheapest first: who has found one needs no dearer one.
    for start in range(0, len(others), COMPARED_AT_A_TIME):
        some = others[start : start + COMPARED_AT_A_TIME]
        no_worse = np.ones((len(left), len(some)), dtype=bool)
        for one, other in zip(mine[left].T, some.T, strict=True):
            no_worse &= other <= one[:, None]
        found = no_worse.any(axis=1)
        least[left[found]] = cost[start + no_worse[found].argmax(axis=1)]
        left = left[~found]
        if not len(left):
            break
    return least
