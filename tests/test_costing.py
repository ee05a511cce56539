"""Cost and mass by hand; the laws that hold for any bill are in test_laws.py."""

from __future__ import annotations

import pytest

from explorer.inputs.study import Project
from explorer.model.costing import bill, costs, mass_kg
from tests.helpers.chains import pick, with_part, with_study
from tests.helpers.invented import at_prices


def test_one_bill_by_hand(small_project: Project) -> None:
    designs = pick(small_project)
    # Crank, belt, hub, cable, six diodes, five cells, window, converter, USB lead.
    money = 9 + 19 + 14 + 1.6 + 6 * 0.28 + 5 * 3.2 + 0 + 2.4 + 8.9 + 2.8
    assert costs(small_project, designs)[0] == pytest.approx(money)
    mass = 0.48 + 0.42 + 2.3 + 0.06 + 6 * 0.0012 + 5 * 0.0075 + 0.006 + 0.011 + 0.018
    assert mass_kg(small_project.catalogue, designs)[0] == pytest.approx(mass)


def test_a_clamp_a_cell_is_bought_as_often_as_there_are_cells_in_series(
    small_project: Project,
) -> None:
    project = with_part(small_project, "clamp", "bus_clamp", kind="cell")
    designs = pick(project, {"clamp": "bus_clamp", "cells_series": 6, "cells_parallel": 2})
    (line,) = (row for row in bill(project, designs, 0) if row["link"] == "clamp")
    assert line["quantity"] == 6
    assert line["mass_kg"] == pytest.approx(6 * 0.16)


def test_price_breaks_count_all_kits(small_project: Project) -> None:
    """Nine kits take 54 diodes: from 50 on they cost 0.19; eight kits take 48."""
    designs = pick(small_project)
    prices = {}
    for kits in (8, 9):
        project = with_study(small_project, "prices", build_quantity=kits)
        (line,) = (row for row in bill(project, designs, 0) if row["link"] == "rectifier")
        prices[kits] = line["unit_price"]
        assert line["quantity"] == 6
    assert prices == {8: 0.28, 9: 0.19}


def test_a_dearer_part_costs_its_quantity_more(small_project: Project) -> None:
    designs = pick(small_project, {}, {"cell": "cell_5f"})
    dear = at_prices(small_project, {"cell_25f": 4.2})
    more = costs(dear, designs) - costs(small_project, designs)
    assert more.tolist() == pytest.approx([5.0, 0.0])
