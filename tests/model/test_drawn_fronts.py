"""Tables of machines as builds have them, found between a few, against tables solved for each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model import promise
from explorer.model.drawn_fronts import drawn_fronts
from explorer.model.evaluate import evaluate
from explorer.model.simulate import Care
from explorer.model.space import Space
from explorer.model.spreads import spreads_of_part
from tests.helpers.chains import pick

BUILDS = range(8, 16)


@pytest.fixture(scope="module")
def some(demo_project: Project):
    """Designs of the demo that deliver something."""
    designs = Space.of(demo_project).draw(1500, np.random.default_rng(5))
    found = evaluate(demo_project, designs, Care.FILTER)
    return designs.take(np.flatnonzero(found.delivered_energy_J > 300)[:150])


def test_energies_are_those_of_tables_of_their_own(demo_project: Project, some) -> None:
    """95 % of builds within 1 %, half of them within 0.1 %, and hardly a rule judged otherwise:
    far less than the 7 % to which 200 builds know a promise."""
    builds = promise.draw(demo_project, some, list(BUILDS))
    mine = promise.of_builds(demo_project, some, builds)
    own = evaluate(builds.project, builds.designs, Care.DRAWN, weakest_share=builds.weakest_share)
    assert len(mine) == len(some) * len(BUILDS) > 500
    gives = own.delivered_energy_J > 100
    off = np.abs(mine.delivered_energy_J[gives] / own.delivered_energy_J[gives] - 1)
    assert np.quantile(off, 0.5) < 1e-3
    assert np.quantile(off, 0.95) < 0.01
    for name, margin in own.margins.items():
        assert ((mine.margins[name] < 0) == (margin < 0)).mean() > 0.99, name


def test_a_build_is_the_same_in_any_company(demo_project: Project, some) -> None:
    """To the last digit, alone, among others and in another order of builds."""
    every = promise.odds(demo_project, some, BUILDS)
    few = some.take(np.array([3, 40, 7]))
    for one, row in zip(promise.odds(demo_project, few, BUILDS), (3, 40, 7), strict=True):
        assert one == every[row]
    (late,) = promise.odds(demo_project, some.take(np.array([3])), [12])
    assert late.energies_J[0] == every[3].energies_J[12 - BUILDS.start]


def test_a_machine_that_differs_in_another_way_is_solved(small_project: Project) -> None:
    """A spread of the valves' emission is none that tables are solved between."""
    rows = dict(small_project.catalogue.spreads)
    (resistance,) = (one for one in rows["rectifier", "all"] if one.column == "resistance_ohm")
    emission = resistance.model_copy(update={"column": "emission_V", "low": 0.9, "high": 1.1})
    rows["rectifier", "all"] = (*rows["rectifier", "all"], emission)
    project = replace(small_project, catalogue=replace(small_project.catalogue, spreads=rows))
    designs = pick(project)
    valve = project.catalogue.parts["rectifier"][int(designs.parts["rectifier"][0])]
    assert any(
        one.fields == ("emission_V",) for one in spreads_of_part(project, "rectifier", valve)
    )
    builds = promise.draw(project, designs, list(BUILDS))
    own = evaluate(builds.project, builds.designs, Care.DRAWN)
    front = drawn_fronts(project, designs, builds.project, builds.designs)
    found = evaluate(builds.project, builds.designs, Care.DRAWN, front=front)
    assert found.delivered_energy_J == pytest.approx(own.delivered_energy_J, rel=1e-9)
