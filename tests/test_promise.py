"""Builds of the whole catalogue, held against draws of one design, and what may be picked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from explorer.commands.front_view import FrontView
from explorer.decision.picks import _missed
from explorer.inputs.sections import Promise
from explorer.inputs.study import Project
from explorer.model import margins as rule_margins
from explorer.model import promise, tolerance
from explorer.model.evaluate import evaluate
from explorer.model.objectives import points_of
from explorer.model.odds import BUILDS_PER_HAND, Odds, interval, quantile
from explorer.model.space import Designs, Space
from explorer.report.page import cards as cards
from explorer.search.run import launch
from explorer.store.keys import path_of
from explorer.store.results import Store
from tests.helpers.chains import pick, with_part, with_study

SOUND = {"generator": "stepper_long", "clamp": "bus_clamp", "cell": "cell_25f"}

TERMS = Promise()


def some(project: Project, count: int = 12) -> Designs:
    return Space.of(project).draw(count, np.random.default_rng(4))


def test_builds_break_rules_as_often_as_draws_of_one_design(small_project: Project) -> None:
    """Two ways to draw: the whole catalogue with all designs, and one design with its own parts."""
    designs = pick(small_project, SOUND)
    to_spare_V = float(evaluate(small_project, designs).margins["cell_voltage_V"][0])
    weak = with_part(small_project, "cell", "cell_25f", voltage_V=2.7 - (to_spare_V + 0.2) / 5)
    alone = tolerance.tolerance(weak, designs, draws=2000, seed=3)
    assert 0.05 < alone.hazard < 0.95
    (share,) = promise.broken_shares(weak, designs, range(1500))
    # Five standard errors of two shares.
    assert share == pytest.approx(alone.hazard, abs=5 * np.sqrt(0.25 * (1 / 1500 + 1 / 2000)))


def test_closed_forms_are_part_of_the_whole_evaluation(small_project: Project) -> None:
    """The same builds, with and without the chain being solved."""
    designs = some(small_project)
    whole = promise.odds(small_project, designs, range(6))
    closed = promise.broken_shares(small_project, designs, range(6))
    assert all(one.hazards >= 6 * share - 1e-9 for one, share in zip(whole, closed, strict=True))
    assert closed.sum() > 0


def test_a_build_is_the_same_whoever_else_is_in_it(small_project: Project) -> None:
    designs = some(small_project)
    first = promise.draw(small_project, designs, [5])
    few = promise.draw(small_project, designs.take(np.array([3, 1])), [4, 5])
    rows = len(small_project.catalogue.parts["generator"])
    assert (
        first.project.catalogue.parts["generator"]
        == (few.project.catalogue.parts["generator"][rows:])
    )
    assert first.project.catalogue.operators == few.project.catalogue.operators
    np.testing.assert_array_equal(first.weakest_share[[3, 1]], few.weakest_share[2:])
    np.testing.assert_array_equal(
        first.designs.settings["cadence_rpm"][[3, 1]], few.designs.settings["cadence_rpm"][2:]
    )
    other = promise.draw(small_project, designs, [6])
    assert first.project.catalogue.parts != other.project.catalogue.parts
    another_hand = promise.draw(small_project, designs, [8])
    assert first.project.catalogue.operators != another_hand.project.catalogue.operators
    with pytest.raises(ValueError, match="same hand"):
        promise.draw(small_project, designs, [7, 8])


def test_draws_stay_within_their_spreads(small_project: Project) -> None:
    designs = pick(small_project)
    nominal = rule_margins.worst_levels(
        small_project, designs, promise.back_halves(small_project.catalogue, designs,
                                               small_project.catalogue.packs["telemetry_pack"]),
    )  # fmt: skip
    for number in range(30):
        build = promise.draw(small_project, designs, [number])
        off_V = build.designs.settings["undervoltage_off_V"][0]
        assert nominal.off_low[0] <= off_V <= nominal.off_high[0]
        cells = zip(build.project.catalogue.parts["cell"], small_project.catalogue.parts["cell"],
                    strict=True)  # fmt: skip
        for drawn, row in cells:
            assert 0.9 <= drawn.capacitance_F / row.capacitance_F <= 1.2  # type: ignore[attr-defined]
            assert 0.6 <= drawn.esr_ohm / row.esr_ohm <= 1.0  # type: ignore[attr-defined]
        assert 1 <= build.weakest_share[0] <= 1.042


def test_workers_do_not_change_the_answer(small_project: Project) -> None:
    designs = some(small_project, 20)
    points = points_of(small_project, evaluate(small_project, designs), np.ones(20))
    ranks = promise.ranks(points, np.ones(4))
    none = [Odds()] * 20
    assert promise.settle(small_project, designs, ranks, none, 1) == promise.settle(
        small_project, designs, ranks, none, 2
    )


def test_what_is_known_is_not_drawn_again(small_project: Project, monkeypatch) -> None:
    designs = pick(small_project, SOUND, {**SOUND, "cadence_rpm": 65})
    points = points_of(small_project, evaluate(small_project, designs), np.ones(2))
    ranks = promise.ranks(points, np.ones(4))
    found = promise.settle(small_project, designs, ranks, [Odds()] * 2, 1)
    assert all(one.draws in (promise.FIRST_DRAWS, TERMS.draws, promise.LAST_DRAWS) for one in found)
    monkeypatch.setattr(promise, "evaluate", None)
    assert promise.settle(small_project, designs, ranks, found, 1) == found


def test_finalists_go_on_from_whatever_they_have(small_project: Project, monkeypatch) -> None:
    """A study that asks for 50 builds, of a design that had 60 before."""
    monkeypatch.setattr(promise, "LAST_DRAWS", 72)
    project = with_study(small_project, "promise", draws=50)
    designs = pick(project, SOUND)
    points = points_of(project, evaluate(project, designs), np.ones(1))
    known = promise.odds(project, designs, range(60))
    (found,) = promise.settle(project, designs, promise.ranks(points, np.ones(4)), known, 1)
    assert found.draws == 72
    assert found.energies_J[:60] == known[0].energies_J


def test_a_design_holds_only_where_builds_were_looked_at_and_few_break() -> None:
    """A hazard of 1 % is ruled out at 95 %, and 9 of 10 builds keep the other rules."""
    even = (5.0,) * 1000
    assert Odds(1000, 0, 900, even).holds(0.01, TERMS)
    assert Odds(1000, 3, 900, even).holds(0.01, TERMS)
    assert not Odds(1000, 5, 900, even).holds(0.01, TERMS)  # may be 1.2 %
    assert not Odds(1000, 0, 899, even).holds(0.01, TERMS)
    assert not Odds(199, 0, 199, even[:199]).holds(0.5, TERMS)
    assert not Odds().holds(0.01, TERMS)


def test_a_cliff_is_seen_that_a_quantile_hides() -> None:
    """Nine of ten builds give 1,000 J, but 65 of a thousand hardly anything."""
    terms = Promise(draws=1000)
    cliff = Odds(1000, 0, 1000, (10.0,) * 65 + (1000.0,) * 935)
    assert cliff.promised_energy_J(terms) == 1000
    assert cliff.below_half_share(terms) == pytest.approx(0.065)
    assert cliff.worst_tenth_J(terms) == pytest.approx((65 * 10 + 35 * 1000) / 100)
    assert not cliff.holds(0.01, terms)


@pytest.mark.parametrize("by_hand", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(("draws", "least"), [(200, 0.9), (1000, 0.93)])
def test_what_all_builds_promise_lies_within(by_hand: float, draws: int, least: float) -> None:
    """Energies whose variance is of the build alone, half of the hand that eight builds share, or
    all of it: the true quantile (normal, SciPy) lies between the ends in some 95 % of 400 studies
    (91 % of those with 25 hands that decide alone), and what is stated always does; more builds
    bring the ends closer together.
    """
    rng, terms = np.random.default_rng(3), Promise(draws=200)
    truth = 1000 + 100 * norm.ppf(1 - terms.at_least)
    held, widths = [], []
    for _ in range(400):
        hands = np.repeat(rng.normal(size=draws // BUILDS_PER_HAND), BUILDS_PER_HAND)
        builds = rng.normal(size=draws)
        energies = 1000 + 100 * (np.sqrt(by_hand) * hands + np.sqrt(1 - by_hand) * builds)
        one = Odds(draws, 0, draws, tuple(energies.tolist()))
        low, high = one.promised_between_J(terms)
        assert low <= one.promised_energy_J(terms) <= high
        held.append(low <= truth <= high)
        widths.append(high - low)
    assert least <= np.mean(held) <= 0.99
    assert np.mean(widths) < (130 if draws == 200 else 75)


def test_quantiles_are_those_of_numpy() -> None:
    rng = np.random.default_rng(5)
    for count in (1, 2, 16, 200):
        values = rng.normal(size=count).tolist()
        for share in (0.0, 0.1, 0.5, 1.0):
            assert quantile(values, share) == pytest.approx(np.quantile(values, share), abs=1e-12)


def test_intervals_of_shares() -> None:
    """Wilson (1927), J. Am. Stat. Assoc. 22, 209: the ends solve (p - x/n)^2 = z^2 p (1 - p)/n."""
    for count, of in ((0, 200), (1, 40), (30, 60), (200, 200)):
        for end in interval(count, of):
            if 0 < end < 1:
                assert (end - count / of) ** 2 == pytest.approx(
                    1.959964**2 * end * (1 - end) / of, rel=1e-9
                )
    assert interval(0, 0) == (0.0, 1.0)


def test_no_pick_breaks_a_hazard_rule_in_fresh_draws(small_project: Project) -> None:
    """Draws of one design with another seed: at most the study's chance, and its sampling error."""
    with Store.open(path_of(small_project)) as store:
        launch(small_project, store)
        view = FrontView.at_todays_prices(small_project, store)
        view.picker.draw_builds(1)
        picked = view.picker.picked()
        assert set(picked) == {"most_energy", "least_cost", "lightest", "easiest", "recommended"}
        assert not view.picker.why_none()
        for row in dict.fromkeys(picked.values()):
            design = view.stored.designs.take(np.array([row]))
            fresh = tolerance.tolerance(small_project, design, draws=1000, seed=99)
            assert fresh.hazard <= 0.01 + 3 * np.sqrt(0.01 * 0.99 / 1000)


def test_what_a_design_lacks_is_said_in_full_and_no_more() -> None:
    even = (1000.0,) * 200
    assert _missed(Odds(1000, 0, 1000, 5 * even), 0.01, TERMS) == []
    (few,) = _missed(Odds(200, 0, 200, even), 0.01, TERMS)
    assert few.startswith("0 of 200 builds break a rule that protects somebody, too few builds")
    halves = (*even[:150], *(100.0,) * 50)
    hazard, rules, half = _missed(Odds(200, 8, 100, halves), 0.01, Promise(at_least=0.7))
    assert hazard.startswith("4.0% of builds break")
    assert rules == "50% of builds keep the other rules (needed 90%)"
    assert half == "25% of builds give less than half of its promise (at most 2%)"


def test_where_nothing_holds_nothing_is_picked_and_that_is_said_first(
    small_project: Project,
) -> None:
    """A clamp just strong enough at nominal values: of real builds many break it."""
    weak = with_part(small_project, "clamp", "bus_clamp", energy_limit_J=1050.0)
    choices = {**weak.study.choices, "generator": ("stepper_long",), "clamp": ("bus_clamp",)}
    weak = replace(weak, study=replace(weak.study, choices=choices))
    weak = with_study(weak, "build", hazard_chance=1e-4)
    weak = with_study(weak, "session", overspeed_rpm=200.0)
    with Store.open(path_of(weak)) as store:
        launch(weak, store)
        view = FrontView.at_todays_prices(weak, store)
        view.picker.draw_builds(1)
        if not len(view.rows):
            pytest.fail("the study must have a front")
        assert view.picker.picked() == {}
        words = view.picker.why_none()
    assert words.startswith("No design can be recommended.")
    assert "of builds break a rule that protects somebody (the study allows 0.01 %)" in words
    assert "Most often, in " in words
