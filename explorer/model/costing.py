"""What a design costs and weighs: its bill of materials."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from explorer.inputs.catalogue import Catalogue
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.model.space import Designs, Rows
from explorer.units import Array


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


def mass_kg(catalogue: Catalogue, designs: Designs) -> Array:
    """Mass of all parts, kg, (n,)."""
    taken = quantities(catalogue, designs)
    masses = (taken[link] * designs.chosen(catalogue, link, "mass_kg") for link in LINKS)
    return np.asarray(sum(masses), dtype=float)


def costs(project: Project, designs: Designs, *, owned: Collection[str] = ()) -> Array:
    """Cost of all parts in the study's currency at the catalogue's prices, (n,).

    Quantity breaks count for the number of kits the study builds. Parts in `owned` are free. To
    nine digits, see `rounded_money`.
    """
    kits = project.study.prices.build_quantity
    total = np.zeros(len(designs))
    for link, taken in quantities(project.catalogue, designs).items():
        counts, count = np.unique(taken, return_inverse=True)
        table = np.array(
            [
                [
                    0.0
                    if part.id in owned
                    else n * project.catalogue.prices.unit_price(part.id, n * kits)
                    for n in counts.tolist()
                ]
                if part.id in project.study.choices[link]
                else [np.nan] * len(counts)
                for part in project.catalogue.parts[link]
            ]
        )
        total += table[designs.parts[link], count.reshape(-1)]
    return rounded_money(total)


def bill(project: Project, designs: Designs, row: int) -> list[dict[str, Any]]:
    """Bill of materials of one design, in the order of the chain."""
    return bills(project, designs.take(np.array([row])))[0]


def bills(project: Project, designs: Designs) -> list[list[dict[str, Any]]]:
    """Bill of materials of each design, in the order of the chain."""
    prices, kits = project.catalogue.prices, project.study.prices.build_quantity
    taken = {k: v.tolist() for k, v in quantities(project.catalogue, designs).items()}
    rows = {link: designs.parts[link].tolist() for link in taken}
    found = []
    for place in range(len(designs)):
        lines = []
        for link, counts in taken.items():
            part = project.catalogue.parts[link][rows[link][place]]
            quantity = counts[place]
            price = prices.price_break(part.id, quantity * kits)
            lines.append(
                {
                    "link": link,
                    "part": part.id,
                    "name": part.name,
                    "quantity": quantity,
                    "unit_price": prices.in_currency(price),
                    "currency": prices.currency,
                    "price_dated": price.dated.isoformat(),
                    "mass_kg": part.mass_kg * quantity,
                }
            )
        found.append(lines)
    return found
