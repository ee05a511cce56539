"""One design built many times: draws against closed forms, and against the design itself."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.stats import rankdata

from explorer.inputs.study import Project
from explorer.model import rows
from explorer.model import tolerance as module
from explorer.model.evaluate import evaluate
from explorer.model.kernels.machine import COARSE, FINE
from explorer.model.regimes import CYCLING, STEADY
from explorer.model.similar import Between
from explorer.model.space import Designs
from explorer.model.spreads import Spread
from explorer.model.tolerance import HANDS, spreads_of, tolerance
from tests.helpers.invented import designs


@pytest.fixture(scope="module")
def chosen(request: pytest.FixtureRequest) -> tuple[Project, Designs]:
    """A feasible demo design that delivers much."""
    project = request.getfixturevalue("demo_project")
    many = designs(project, 4000)
    done = evaluate(project, many)
    rows = np.flatnonzero(done.feasible & (done.regime == STEADY))
    assert rows.size
    best = rows[np.argmax(done.delivered_energy_J[rows])]
    return project, many.take(np.array([best]))


def test_without_spread_every_chain_is_the_design(chosen, monkeypatch) -> None:
    """Also shows that drawing changes nothing but what is drawn."""
    project, one = chosen
    monkeypatch.setattr(module, "spreads_of", lambda *_: ())
    found = tolerance(project, one, draws=50)
    # One chain among many and one alone: the same operations, sums may be ordered differently.
    np.testing.assert_allclose(found.energy_J, found.nominal_J, rtol=1e-9)
    assert found.matter == ()
    assert found.hazard == 0
    assert set(found.broken.values()) == {0.0}


def test_the_chance_of_a_broken_rule_is_that_of_the_uniform_draw(chosen, monkeypatch) -> None:
    """The extra-low-voltage margin is `60 - k EMF` in closed form: with the EMF drawn evenly
    between 0.5 and b times its value, the chance to break it is the part of the range above
    60/(k EMF)."""
    project, one = chosen
    margin = float(evaluate(project, one).margins["extra_low_voltage_V"][0])
    breaks_at = 60 / (60 - margin)
    high = 0.5 + (breaks_at - 0.5) / 0.8  # four fifths of the range are safe
    emf = Spread("emf", "generator", ("emf_phase_V_s",), 0.5, high)
    monkeypatch.setattr(module, "spreads_of", lambda *_: (emf,))
    found = tolerance(project, one, draws=2000)
    # Five standard errors of a share of 0.2 in 2,000 draws: 5 sqrt(0.2 x 0.8/2000) = 0.045.
    assert found.broken["extra_low_voltage_V"] == pytest.approx(0.2, abs=0.045)
    assert found.hazard >= found.broken["extra_low_voltage_V"]


def test_the_spread_that_matters_is_found(chosen, monkeypatch) -> None:
    """A steady pack takes its current at the converter's voltage: more voltage, more energy."""
    project, one = chosen
    large = Spread("large", "converter", ("output_V",), 0.95, 1.05)
    small = Spread("small", "lead", ("resistance_ohm",), 0.999, 1.001)
    monkeypatch.setattr(module, "spreads_of", lambda *_: (small, large))
    found = tolerance(project, one, draws=200)
    assert found.matter[0].says == "large"
    assert found.matter[0].share > 0.9
    assert found.matter[0].more_gives_more


@pytest.mark.slow
def test_two_thousand_draws(chosen) -> None:
    project, one = chosen
    before = {name: value.copy() for name, value in one.settings.items()}
    begun = time.process_time()
    found = tolerance(project, one)
    # Two thirds of a lock's 3 s; processor time, since a test does not have the machine alone.
    assert time.process_time() - begun < 2
    assert found.draws == len(found.energy_J) == 2000
    low, middle, high = found.band_J
    assert low < middle < high
    assert low <= found.nominal_J <= found.energy_J.max()
    assert len(found.matter) == 3
    assert sum(m.share for m in found.matter) <= 1
    assert list(found.broken.values()) == sorted(found.broken.values(), reverse=True)
    assert found.uncertainty == pytest.approx(0.0015)
    for name, value in before.items():
        np.testing.assert_array_equal(one.settings[name], value)


def solved_one_by_one(drawn: list[tuple[Project, Designs]]) -> list[rows.Rowed]:
    """Front halves whose every machine has a table of its own."""
    return [rows.rowed(project, designs, coarse=True) for project, designs in drawn]


def test_tables_between_a_few_are_those_of_each_machine(chosen, monkeypatch) -> None:
    """Draw by draw against tables that are solved for each; one chain by the demo's hub, and one by
    each other kind of machine, some with active valves, which sleep."""
    project, one = chosen
    many = designs(project, 3000, seed=5)
    done = evaluate(project, many)
    kinds = np.array([part.kind for part in project.catalogue.parts["generator"]])
    valves = np.array([part.body_drop_V > 0 for part in project.catalogue.parts["rectifier"]])
    kind = kinds[many.parts["generator"]]
    asleep = valves[many.parts["rectifier"]]
    tried = []
    for name, sleeps in sorted(set(zip(kind.tolist(), asleep.tolist(), strict=True))):
        alike = (kind == name) & (asleep == sleeps) & (done.delivered_energy_J > 100)
        tried += np.flatnonzero(alike)[:1].tolist()
    assert len(tried) >= 4
    assert asleep[tried].any()
    for chain in (one, *(many.take(np.array([row])) for row in tried)):
        found = tolerance(project, chain, draws=200)
        with monkeypatch.context() as exact:
            exact.setattr(module, "fronts", solved_one_by_one)
            expected = tolerance(project, chain, draws=200)
        error = np.abs(found.energy_J - expected.energy_J) / expected.band_J[1]
        # A draw whose window closes a moment earlier in one of both gives a burst more.
        assert np.percentile(error, 95) < 0.005
        apart = np.abs(np.array(found.band_J) - expected.band_J)
        assert apart.max() < 0.005 * expected.band_J[1]
        for name, share in expected.broken.items():
            assert found.broken[name] == pytest.approx(share, abs=0.01), name
        assert found.hazard == pytest.approx(expected.hazard, abs=0.01)


def test_machines_that_differ_in_more_have_no_table_between_others(chosen) -> None:
    project, one = chosen
    some = np.repeat(rows.machines(project, one), 2)
    some["pole_pairs"] = [7, 8]
    with pytest.raises(ValueError, match="pole_pairs"):
        Between.of(some, 100.0, 20.0, COARSE)


def test_equal_values_share_the_mean_of_their_ranks() -> None:
    """Against SciPy's."""
    values = np.random.default_rng(1).integers(0, 20, (3, 200)).astype(float)
    np.testing.assert_array_equal(module._ranks(values), rankdata(values, axis=1))


def test_coarser_tables_of_the_draws_change_nothing_that_is_said(chosen, monkeypatch) -> None:
    """Against the search's own tables, draw by draw, also for a chain that cycles."""
    project, steady = chosen
    many = designs(project, 1000, seed=2)
    done = evaluate(project, many)
    cycling = np.flatnonzero(done.feasible & (done.regime == CYCLING))[:1]
    assert cycling.size
    for one in (steady, many.take(cycling)):
        coarse = tolerance(project, one, draws=100)
        with monkeypatch.context() as full:
            full.setattr(rows, "COARSE", FINE)
            full.setattr(module, "fronts", solved_one_by_one)
            fine = tolerance(project, one, draws=100)
        error = np.abs(coarse.energy_J - fine.energy_J) / fine.band_J[1]
        assert np.percentile(error, 95) < 0.01
        for name, share in fine.broken.items():
            # A draw or two within rounding of a limit may fall on its other side.
            assert coarse.broken[name] == pytest.approx(share, abs=0.02)


def test_the_same_seed_draws_the_same(chosen) -> None:
    project, one = chosen
    first, again = (tolerance(project, one, draws=60, seed=3) for _ in range(2))
    np.testing.assert_array_equal(first.energy_J, again.energy_J)
    assert len(first.energy_J) == 3 * HANDS  # rounded up
    other = tolerance(project, one, draws=60, seed=4)
    assert (other.energy_J != first.energy_J).any()


def test_factors_stay_in_their_range_and_fill_it(chosen) -> None:
    project, one = chosen
    spreads = spreads_of(project, one)
    factors = module._factors(spreads, 40, np.random.default_rng(1))
    for spread, row in zip(spreads, factors, strict=True):
        assert spread.low <= row.min() <= row.max() <= spread.high
        # 1,000 even draws leave out the outer 5 % of a range once in 10^22 runs; 25 hands stand
        # one in each 25th.
        width = spread.high - spread.low
        assert row.min() < spread.low + 0.05 * width
        assert row.max() > spread.high - 0.05 * width
    own = {s.says: (s.low, s.high) for s in spreads}
    window = project.catalogue.parts["window"][one.parts["window"][0]]
    on_V = one.settings["undervoltage_off_V"][0] + one.settings["undervoltage_band_V"][0]
    # The comparator's reference, and a divider of resistors that all err against it.
    above, exact = on_V - window.reference_V, project.study.build.resistor_tolerance
    low = (1 - window.reference_tolerance) * (
        window.reference_V + above * (1 - exact) / (1 + exact)
    )
    assert own["threshold load on"][0] == pytest.approx(low / on_V, rel=1e-12)
    assert own["threshold load on"][1] > 1


def test_one_design_at_a_time(chosen) -> None:
    project, one = chosen
    with pytest.raises(ValueError, match="one design"):
        tolerance(project, one.take(np.array([0, 0])))
    with pytest.raises(ValueError, match="one design"):
        tolerance(project, one, draws=0)


def test_every_name_that_is_drawn_exists(chosen) -> None:
    project, one = chosen
    person = next(iter(project.catalogue.operators.values()))
    for spread in spreads_of(project, one):
        for name in spread.fields:
            if spread.where == "settings":
                assert name in one.settings or name == "undervoltage_on_V"
            else:
                part = (
                    person
                    if spread.where == "operator"
                    else project.catalogue.parts[spread.where][one.parts[spread.where][0]]
                )
                assert hasattr(part, name), (spread.where, name)
