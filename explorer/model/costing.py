"""What a design costs and weighs: its bill of materials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import floor, inf, isfinite
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from explorer.inputs.catalogue import Catalogue
from explorer.inputs.links import LINKS
from explorer.inputs.records import Part
from explorer.inputs.study import Project
from explorer.model.space import Designs, Rows
from explorer.units import Array

BUILD = "build"
"""The link of a bill's lines that are of no link, but of the study's [build]."""


def rounded_money(amount: ArrayLike) -> Array:
    """Amounts to nine digits: equal sums added up in another order differ in their last bits, and
    no design may beat another by that.
    """
    return np.round(np.asarray(amount, dtype=float), 9)


class _Chosen(NamedTuple):
    """What some designs have chosen, as the links ask for it."""

    catalogue: Catalogue
    designs: Designs

    def part(self, link: str, field: str) -> Array:
        return self.designs.chosen(self.catalogue, link, field)

    def setting(self, name: str) -> Array:
        return self.designs.settings[name]


def quantities(catalogue: Catalogue, designs: Designs) -> dict[str, Rows]:
    """How many pieces of each link's part a design takes, (n,) a link."""
    chosen = _Chosen(catalogue, designs)
    return {
        name: np.broadcast_to(link.pieces(chosen), len(designs)).astype(np.int64)
        for name, link in LINKS.items()
    }


def mass_kg(project: Project, designs: Designs) -> Array:
    """Mass of all parts and of the study's small things, kg, (n,)."""
    taken = quantities(project.catalogue, designs)
    masses = (taken[link] * designs.chosen(project.catalogue, link, "mass_kg") for link in LINKS)
    return np.asarray(sum(masses) + project.study.build.mass_kg, dtype=float)


class Spending(NamedTuple):
    """What the pieces of one part cost that all kits of a study take together.

    Of `needed` pieces `owned` are at hand. `bought` are paid for, more than are lacking where a
    break makes more pieces cheaper; None where nobody sells so many. `unit_price` (None for a part
    without a price) is that of a piece in the study's currency, that of a purchase of all pieces
    where nothing is bought; `amount` is what one kit's share comes to, infinite where nobody sells
    so many.
    """

    needed: int
    owned: int
    bought: int | None
    unit_price: float | None
    price_dated: str | None
    amount: float


def spending(project: Project, part: str, quantity: int) -> Spending:
    """What `quantity` pieces of a part a kit come to: the one formula of cost."""
    prices, kits = project.catalogue.prices, project.study.prices.build_quantity
    needed = quantity * kits
    at_hand = project.owned.get(part, 0)
    owned = needed if at_hand is None else min(at_hand, needed)
    known = part in prices.breaks
    found = prices.purchase(part, needed - owned) if known and needed > owned else None
    bought = found.bought if found else None if needed > owned else 0
    amount = found.amount / kits if found else inf if needed > owned else 0.0
    # Where nothing can or need be bought, the list still says what a piece would cost.
    shown = found or (prices.purchase(part, max(needed, 1), in_stock=False) if known else None)
    return Spending(
        needed,
        owned,
        bought,
        shown and shown.unit_price,
        shown and shown.price.dated.isoformat(),
        amount,
    )


def costs(project: Project, designs: Designs) -> Array:
    """What must be spent on a kit of each design, in the study's currency at the catalogue's
    prices, (n,).

    Quantity breaks count for the number of kits the study builds; what is owned is free, up to its
    number. Infinite where nobody sells enough of a part. To nine digits, see `rounded_money`.
    """
    taken = quantities(project.catalogue, designs)
    parts = sum(_spent(project, designs, link, taken[link]) for link in LINKS)
    return rounded_money(parts + spent_on_small_things(project))


def costs_of_all_parts(project: Project, designs: Designs) -> Array:
    """What each design would cost who owns nothing, from suppliers with enough of everything, (n,);
    infinite where a part has no price.
    """
    return costs(with_nothing_owned(project), designs)


def with_nothing_owned(project: Project) -> Project:
    """The project of somebody who owns none of the parts, and whose suppliers lack nothing."""
    prices = project.catalogue.prices
    stocked = {
        part: tuple(one.model_copy(update={"available": None}) for one in several)
        for part, several in prices.breaks.items()
    }
    return replace(
        project,
        study=replace(project.study, owned={}),
        catalogue=replace(project.catalogue, prices=replace(prices, breaks=stocked)),
        what_if={},
    )


def spent_on_small_things(project: Project) -> float:
    """What the study's lines of [build] cost in one kit."""
    return float(sum(line.price for line in project.study.build.budget.values()))


def lacking(project: Project, designs: Designs, link: str) -> Array:
    """How many pieces of a link's part must be bought for one kit, (n,): those of all kits that are
    not at hand, by the number of kits.
    """
    kits = project.study.prices.build_quantity
    needed = kits * quantities(project.catalogue, designs)[link]
    owned = [project.owned.get(part.id, 0) for part in project.catalogue.parts[link]]
    most = np.array([np.inf if pieces is None else pieces for pieces in owned])
    return np.asarray(np.maximum(needed - most[designs.parts[link]], 0) / kits)


def spent(project: Project, designs: Designs, link: str) -> Array:
    """What must be spent on the parts of one link, (n,) as `costs`."""
    return _spent(project, designs, link, quantities(project.catalogue, designs)[link])


def _spent(project: Project, designs: Designs, link: str, taken: Rows) -> Array:
    most = int(taken.max(initial=0)) + 1
    codes, place = np.unique(designs.parts[link] * most + taken, return_inverse=True)
    parts = project.catalogue.parts[link]
    amounts = [spending(project, parts[c // most].id, c % most).amount for c in codes.tolist()]
    return np.asarray(np.array(amounts, dtype=float)[place.reshape(-1)])


def bill(project: Project, designs: Designs, row: int) -> list[dict[str, Any]]:
    """Bill of materials of one design, in the order of the chain."""
    return bills(project, designs.take(np.array([row])))[0]


def bills(project: Project, designs: Designs) -> list[list[dict[str, Any]]]:
    """Bill of materials of each design, in the order of the chain.

    A line's `quantity` is that of one kit; `owned` of all kits' pieces are at hand, `bought` are
    paid for (None: nobody sells so many); `amount` is one kit's share of that. The lines of the
    study's small things follow, their link being `BUILD`. The amounts sum to the cost.
    """
    taken = {k: v.tolist() for k, v in quantities(project.catalogue, designs).items()}
    rows = {link: designs.parts[link].tolist() for link in taken}
    known: dict[tuple[str, int], dict[str, Any]] = {}
    small = _small_things(project)
    found = []
    for place in range(len(designs)):
        lines = []
        for link, counts in taken.items():
            part = project.catalogue.parts[link][rows[link][place]]
            key = (part.id, counts[place])
            if key not in known:
                known[key] = _line(project, link, part, counts[place])
            lines.append(dict(known[key]))
        found.append([*lines, *map(dict, small)])
    return found


def _small_things(project: Project) -> list[dict[str, Any]]:
    """The lines of a bill that the study's [build] has."""
    kits = project.study.prices.build_quantity
    return [
        {
            "link": BUILD,
            "part": name,
            "name": name.replace("_", " ").capitalize(),
            "quantity": 1,
            "owned": 0,
            "bought": kits,
            "unit_price": line.price,
            "amount": line.price,
            "currency": project.catalogue.prices.currency,
            "price_dated": None,
            "mass_kg": line.mass_kg,
        }
        for name, line in project.study.build.budget.items()
    ]


def _line(project: Project, link: str, part: Part, quantity: int) -> dict[str, Any]:
    paid = spending(project, part.id, quantity)
    return {
        "link": link,
        "part": part.id,
        "name": part.name,
        "quantity": quantity,
        "owned": paid.owned,
        "bought": paid.bought,
        "unit_price": paid.unit_price,
        "amount": paid.amount if isfinite(paid.amount) else None,
        "currency": project.catalogue.prices.currency,
        "price_dated": paid.price_dated,
        "mass_kg": part.mass_kg * quantity,
    }


def printed_amounts(lines: Sequence[Mapping[str, Any]]) -> list[float]:
    """What each line of a bill is printed with, to the cent: they add up to the printed cost. A
    line of an old lock has no amount: its pieces were all bought. What nobody sells counts 0.
    """
    amounts = [line.get("amount", line["quantity"] * (line["unit_price"] or 0)) for line in lines]
    return in_cents([amount or 0.0 for amount in amounts])


def in_cents(amounts: Sequence[float]) -> list[float]:
    """Amounts of a bill as they are printed, to the cent, so that they add up to their sum to the
    cent: of those rounded off the most, as many are rounded the other way as it takes.

    >>> in_cents([0.334, 0.334, 0.334])
    [0.34, 0.33, 0.33]
    """
    exact = [round(100 * amount, 7) for amount in amounts]
    cents = [floor(one) for one in exact]
    lacking = round(100 * float(f"{rounded_money(sum(amounts)):.2f}")) - sum(cents)
    most = sorted(range(len(exact)), key=lambda place: cents[place] - exact[place])
    for place in most[:lacking]:
        cents[place] += 1
    return [one / 100 for one in cents]
