"""Cost and mass by hand; the laws that hold for any bill are in test_laws.py."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import inf

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from explorer.inputs.prices import Price
from explorer.inputs.study import Project
from explorer.model.costing import (
    bill,
    bills,
    costs,
    costs_of_all_parts,
    in_cents,
    mass_kg,
    printed_amounts,
    rounded_money,
    spending,
    spent,
)
from explorer.model.space import Space
from tests.helpers.chains import pick, with_part, with_study
from tests.helpers.invented import at_prices

DAY = date(2026, 11, 10)
few = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)


def test_one_bill_by_hand(small_project: Project) -> None:
    designs = pick(small_project)
    # Crank, belt, hub, cable, six diodes, five cells, window, converter, USB lead.
    money = 9 + 19 + 14 + 1.6 + 6 * 0.28 + 5 * 3.2 + 0 + 2.4 + 8.9 + 2.8
    assert costs(small_project, designs)[0] == pytest.approx(money)
    mass = 0.48 + 0.42 + 2.3 + 0.06 + 6 * 0.0012 + 5 * 0.0075 + 0.006 + 0.011 + 0.018
    assert mass_kg(small_project, designs)[0] == pytest.approx(mass)


def test_a_clamp_a_cell_is_bought_as_often_as_there_are_cells_in_series(
    small_project: Project,
) -> None:
    project = with_part(small_project, "clamp", "bus_clamp", kind="cell")
    designs = pick(project, {"clamp": "bus_clamp", "cells_series": 6, "cells_parallel": 2})
    (line,) = (row for row in bill(project, designs, 0) if row["link"] == "clamp")
    assert line["quantity"] == 6
    assert line["mass_kg"] == pytest.approx(6 * 0.16)


def test_price_breaks_count_all_kits(small_project: Project) -> None:
    """Diodes cost 0.28, from 50 on 0.19. Five kits take 30, for 8.40, fifty would be 9.50. Six kits
    take 36, for 10.08: there fifty are cheaper, and are bought.
    """
    designs = pick(small_project)
    found = {}
    for kits in (5, 6):
        project = with_study(small_project, "prices", build_quantity=kits)
        (line,) = (row for row in bill(project, designs, 0) if row["link"] == "rectifier")
        assert line["quantity"] == 6
        found[kits] = (line["unit_price"], line["bought"], line["amount"])
    assert found[5] == (0.28, 30, pytest.approx(8.4 / 5))
    assert found[6] == (0.19, 50, pytest.approx(9.5 / 6))


amounts = st.integers(1, 2000).map(lambda cents: cents / 100)
lists = st.lists(st.tuples(st.integers(2, 60), amounts, st.none() | st.integers(0, 80)), max_size=5)


@few
@given(
    first=amounts,
    stock=st.none() | st.integers(0, 80),
    others=lists,
    quantity=st.integers(1, 8),
    kits=st.integers(1, 10),
    owned=st.integers(0, 90),
)
def test_pieces_cost_the_least_of_all_breaks_and_suppliers(
    small_project: Project, first, stock, others, quantity, kits, owned
) -> None:
    """Against every number of pieces that may be bought, at every price that holds for it."""
    rows = [(1, first, stock), *others]
    prices = tuple(
        Price(part="cell_5f", amount=amount, currency="EUR", dated=DAY, from_quantity=start,
              available=there, supplier=f"shop_{number}")
        for number, (start, amount, there) in enumerate(rows)
    )  # fmt: skip
    project = with_study(small_project, "prices", build_quantity=kits)
    held = replace(
        project.catalogue.prices, breaks={**project.catalogue.prices.breaks, "cell_5f": prices}
    )
    project = replace(
        project,
        catalogue=replace(project.catalogue, prices=held),
        study=replace(project.study, owned={"cell_5f": owned}),
    )
    lacking = max(quantity * kits - owned, 0)
    ways = [
        number * amount
        for number in range(lacking, 100)
        for start, amount, there in rows
        if number >= start and (there is None or number <= there)
    ]
    expected = 0.0 if not lacking else min(ways, default=inf)
    found = spending(project, "cell_5f", quantity)
    assert found.amount * kits == pytest.approx(expected)
    assert found.owned == min(owned, quantity * kits)
    assert (found.bought is None) == (expected == inf)
    if found.bought is not None and found.unit_price is not None:
        assert found.bought >= lacking
        assert found.bought * found.unit_price == pytest.approx(expected)


def test_five_kits_of_five_cells_reach_a_break_that_five_kits_of_four_do_not(
    small_project: Project,
) -> None:
    """25 cells from 25 on for 1.50 are cheaper than 20 for 2.00 each; so are 25 bought for 20."""
    many = [("cell_5f", 1, 2.0), ("cell_5f", 25, 1.5)]
    project = with_study(listed(small_project, many), "prices", build_quantity=5)
    four, five = (pick(project, {"cell": "cell_5f", "cells_series": n}) for n in (4, 5))
    assert spent(project, five, "cell").tolist() == pytest.approx([1.5 * 25 / 5])
    assert spent(project, four, "cell").tolist() == pytest.approx([1.5 * 25 / 5])
    (line,) = (row for row in bill(project, four, 0) if row["link"] == "cell")
    assert (line["quantity"], line["bought"], line["owned"]) == (4, 25, 0)


def listed(project: Project, rows: list[tuple[str, int, float]]) -> Project:
    """The project with some parts at other prices: part, from quantity, price."""
    breaks: dict[str, tuple[Price, ...]] = {}
    for part, start, amount in rows:
        one = Price(part=part, amount=amount, currency="EUR", dated=DAY, from_quantity=start)
        breaks[part] = (*breaks.get(part, ()), one)
    prices = replace(project.catalogue.prices, breaks={**project.catalogue.prices.breaks, **breaks})
    return replace(project, catalogue=replace(project.catalogue, prices=prices))


@given(st.lists(st.floats(0, 300), max_size=12), st.integers(1, 7))
def test_printed_rows_add_up_to_the_printed_total(rows: list[float], kits: int) -> None:
    shares = [row / kits for row in rows]
    printed = in_cents(shares)
    assert f"{sum(printed):.2f}" == f"{float(rounded_money(sum(shares))):.2f}"
    for one, exact in zip(printed, shares, strict=True):
        assert abs(one - exact) < 0.01 + 1e-9


@few
@given(seed=st.integers(0, 10**6), kits=st.integers(1, 10), owned=st.integers(0, 60))
def test_bills_add_up(small_project: Project, seed: int, kits: int, owned: int) -> None:
    """The amounts are the cost, the printed amounts the printed cost, and what is owned is free."""
    project = with_study(small_project, "prices", build_quantity=kits)
    held = {"cell_5f": owned, "cell_25f": owned // 2, "hub_small": 1, "schottky_3a": owned}
    known = {part.id for parts in project.catalogue.parts.values() for part in parts}
    project = replace(project, what_if={k: v for k, v in held.items() if k in known})
    designs = Space.of(project).draw(4, np.random.default_rng(seed))
    total, every = costs(project, designs), costs_of_all_parts(project, designs)
    for row, lines in enumerate(bills(project, designs)):
        assert sum(line["amount"] for line in lines) == pytest.approx(total[row], abs=1e-8)
        assert f"{sum(printed_amounts(lines)):.2f}" == f"{total[row]:.2f}"
        worth = [project.catalogue.prices.purchase(x["part"], kits * x["quantity"]) for x in lines]
        assert every[row] == pytest.approx(sum(one.amount for one in worth if one) / kits)
        assert total[row] <= every[row] + 1e-9


def test_a_dearer_part_costs_its_quantity_more(small_project: Project) -> None:
    designs = pick(small_project, {}, {"cell": "cell_5f"})
    dear = at_prices(small_project, {"cell_25f": 4.2})
    more = costs(dear, designs) - costs(small_project, designs)
    assert more.tolist() == pytest.approx([5.0, 0.0])
