"""Rerun: movements and verdicts against plain loops; break-even prices against brute repricing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from explorer.decision import price_sensitivity
from explorer.decision.price_changes import price_changes
from explorer.decision.repricing import (
    Repriced,
    last_kept,
    moments,
    reprice,
    reprice_and_record,
)
from explorer.decision.verdict import Verdict
from explorer.errors import InputError
from explorer.front import non_dominated
from explorer.inputs.links import LINKS
from explorer.inputs.prices import Price
from explorer.inputs.study import Project
from explorer.model import costing, evaluate
from explorer.model.objectives import KEYS as OBJECTIVES
from explorer.model.objectives import points_of
from explorer.store.keys import path_of
from explorer.store.results import Store
from explorer.store.stored import Stored
from tests.helpers.invented import Locked, at_prices, designs, locked, results

TODAY = date(2026, 11, 25)


@pytest.fixture
def project(small_project: Project) -> Project:
    """Two foreign prices and a quantity break; a cost limit that binds now and then."""
    prices = small_project.catalogue.prices
    cell, diode = (small_project.study.choices[link][0] for link in ("cell", "rectifier"))
    breaks = dict(prices.breaks)
    for part in (cell, diode):
        one = breaks[part][0].model_copy(update={"currency": "USD"})
        many = one.model_copy(update={"from_quantity": 6, "amount": 0.7 * one.amount})
        breaks[part] = (one, many)
    catalogue = replace(
        small_project.catalogue, prices=replace(prices, breaks=breaks, rates={"USD": 0.9})
    )
    return replace(small_project, catalogue=catalogue)


@pytest.fixture
def store(project: Project):
    with Store.open(path_of(project)) as opened:
        chosen = designs(project, 900)
        opened.append(project, results(project, chosen, coarse=True), "sweep")
        yield opened


@pytest.fixture
def stored(project: Project, store: Store) -> Stored:
    return store.load(project)[0]


def slow_cost(project: Project, stored: Stored, row: int, owned: tuple[str, ...] = ()) -> float:
    """Each part's pieces at the break that makes them cheapest."""
    lines = costing.bill(project, stored.designs, row)
    # Equal sums of money added up in another order are equal money.
    prices, paid = project.catalogue.prices, 0.0
    for line in lines:
        if line["part"] not in owned:
            paid += min(
                max(line["quantity"], one.from_quantity) * prices.in_currency(one)
                for one in prices.breaks[line["part"]]
            )
    return round(paid, 9)


def slow_front(project: Project, stored: Stored) -> set[int]:
    """Dominance by the book, one pair at a time."""
    limit = project.study.limits.cost or np.inf
    points = [
        (
            -stored.delivered_energy_J[row],
            slow_cost(project, stored, row),
            stored.mass_kg[row],
            stored.crank_effort_percent[row],
        )
        for row in range(len(stored))
    ]
    fit = [r for r in range(len(stored)) if stored.feasible[r] and points[r][1] <= limit]
    return {
        r
        for r in fit
        if not any(
            all(a <= b for a, b in zip(points[o], points[r], strict=True))
            and points[o] != points[r]
            for o in fit
        )
    }


def words(verdict: Verdict) -> tuple[str, ...]:
    return tuple(reason.words for reason in verdict.reasons)


def ids(stored: Stored, rows: Any) -> set[str]:
    return {f"{int(stored.numbers[row]):012x}" for row in rows}


def costliest_part(project: Project, stored: Stored, row: int) -> str:
    lines = costing.bill(project, stored.designs, row)
    return str(max(lines, key=lambda x: x["quantity"] * x["unit_price"])["part"])


def test_nothing_moves_when_no_price_does(project: Project, store: Store, stored: Stored) -> None:
    first = reprice_and_record(project, store, stored, today=TODAY)
    again = reprice_and_record(project, store, stored, today=TODAY)
    assert again.price_changes == ()
    assert (again.entered, again.left) == ((), ())
    assert again.since is not None
    assert first.before is None
    assert again.before is not None
    # Fronts are kept in the order of their rows, most energy first.
    np.testing.assert_array_equal(again.before, stored.objectives(first.cost)[first.front])
    np.testing.assert_array_equal(first.front, again.front)
    assert set(first.front.tolist()) == slow_front(project, stored)
    assert (np.diff(stored.delivered_energy_J[first.front]) <= 0).all()


@pytest.mark.parametrize("seed", range(6))
def test_movements_are_those_of_a_plain_double_loop(
    project: Project, store: Store, stored: Stored, seed: int, monkeypatch
) -> None:
    reprice_and_record(project, store, stored, today=TODAY)
    rng = np.random.default_rng(seed)
    priced = [p for p, b in project.catalogue.prices.breaks.items() if b[0].amount > 0]
    new = {
        str(p): float(project.catalogue.prices.breaks[p][0].amount * rng.uniform(0.2, 4))
        for p in rng.choice(priced, 5, replace=False)
    }
    changed = at_prices(project, new)
    for name in ("evaluate", "solve"):  # physics must not be asked
        monkeypatch.setattr(evaluate, name, None)
    found = reprice_and_record(changed, store, stored, today=TODAY)
    before, after = slow_front(project, stored), slow_front(changed, stored)
    assert set(found.front.tolist()) == after
    assert set(found.entered) == ids(stored, after - before)
    assert set(found.left) == ids(stored, before - after)
    assert {c.part for c in found.price_changes} == set(new)
    assert found.physics_evaluations == 0
    assert found.cost.tolist() == pytest.approx(
        [slow_cost(changed, stored, row) for row in range(len(stored))], rel=1e-12
    )


def test_verdicts_are_those_of_a_plain_loop(project: Project, stored: Stored) -> None:
    front = reprice(project, stored).front
    locks = [locked(project, stored, int(row)) for row in front]
    assert {v.status for v in reprice(project, stored, locks=locks).locked} == {"kept"}
    cell = max(
        project.study.choices["cell"], key=lambda c: sum(lock.parts["cell"] == c for lock in locks)
    )
    dear = at_prices(project, {cell: 10 * project.catalogue.prices.breaks[cell][0].amount})
    found = reprice(dear, stored, locks=locks)
    assert found.beaten
    on_front = ids(stored, slow_front(dear, stored))
    limit = project.study.limits.cost
    points = stored.objectives(found.cost)
    statuses = []
    for one, lock in zip(found.locked, locks, strict=True):
        statuses.append(one.status)
        row = stored.find(lock.design_id)
        assert (one.status == "kept") == (lock.design_id in on_front)
        assert (one.status == "infeasible") == (found.cost[row] > limit)
        assert one.cost == one.cost_to_stay == pytest.approx(found.cost[row])
        assert one.cost_when_locked == lock.result["cost"]
        fit = stored.feasible & (found.cost <= limit)
        beats = [
            r
            for r in range(len(stored))
            if fit[r] and (points[r] <= points[row]).all() and (points[r] < points[row]).any()
        ]
        if one.status != "beaten" and not beats:
            assert one.beaten_by is None
            continue
        rival = stored.find(one.beaten_by)
        assert rival in beats
        if one.status == "beaten":
            assert one.cost_to_switch == found.cost[rival]
        better = dict(zip(OBJECTIVES, points[row] - points[rival], strict=True))
        assert one.by == pytest.approx(better, abs=1e-9)
        assert min(one.by.values()) >= 0
    assert {"kept", "beaten"} <= set(statuses)


def test_infeasible_for_every_reason(project: Project, store: Store, stored: Stored) -> None:
    front = reprice(project, stored).front
    lock = locked(project, stored, int(front[0]))
    part = lock.parts["generator"]
    over = reprice(at_prices(project, {part: 1000.0}), stored, locks=[lock]).locked[0]
    assert over.status == "infeasible"
    excess = over.cost - project.study.limits.cost
    assert words(over) == (f"it costs {excess:,.2f} EUR more than the study's limit",)

    gone = {k: v for k, v in project.catalogue.prices.breaks.items() if k != part}
    prices = replace(project.catalogue.prices, breaks=gone)
    choices = {
        **project.study.choices,
        "generator": tuple(g for g in project.study.choices["generator"] if g != part),
    }
    unpriced = replace(
        project,
        catalogue=replace(project.catalogue, prices=prices),
        study=replace(project.study, choices=choices),
    )
    verdict = reprice(unpriced, store.load(unpriced)[0], locks=[lock]).locked[0]
    assert (verdict.status, verdict.cost) == ("sold_out", None)
    assert words(verdict) == (f"generator {part} has no price any more",)

    unknown = replace(lock, parts={**lock.parts, "lead": "string"})
    verdict = reprice(project, stored, locks=[unknown]).locked[0]
    assert verdict.status == "sold_out"
    assert words(verdict) == ("lead string is no longer in its table",)

    left_out = replace(project, study=replace(project.study, choices=choices))
    found = reprice(left_out, store.load(left_out)[0], locks=[lock])
    assert found.beaten
    verdict = found.locked[0]
    assert (verdict.status, verdict.basis) == ("sold_out", "lock")
    assert words(verdict) == (f"generator {part} is no longer among the study's choices",)
    assert verdict.cost == pytest.approx(slow_cost(project, stored, int(front[0])))
    assert (
        price_sensitivity.break_even_prices(left_out, store.load(left_out)[0], found.cost, lock)
        == []
    )

    strange = replace(lock, margins={"of_old_V": -0.5})
    others = stored.take(np.delete(np.arange(len(stored)), int(front[0])))
    verdict = reprice(project, others, locks=[strange]).locked[0]
    assert verdict.status == "infeasible"
    assert words(verdict) == ("it breaks of_old_V by 0.5, a rule that this release does not know",)

    broken = int(np.flatnonzero(~stored.keeps_physics)[0])
    verdict = reprice_and_record(
        project, store, stored, locks=[locked(project, stored, broken)]
    ).locked[0]
    assert verdict.status == "infeasible"
    assert words(verdict)[0] == (
        "it breaks turnable_N_m by 1 N m (The hand can turn the chain's own drag from rest)"
    )


def test_a_lock_that_the_store_does_not_hold(project: Project, stored: Stored) -> None:
    """Its recorded numbers count, and where they are outdated the verdict says so."""
    front = reprice(project, stored).front
    row = int(front[0])
    lock = locked(project, stored, row)
    others = stored.take(np.delete(np.arange(len(stored)), row))
    fresh = reprice(project, others, locks=[lock]).locked[0]
    assert (fresh.status, fresh.basis, fresh.reasons) == ("kept", "lock", ())
    stale = ("cell x has changed in its table",)
    old = reprice(project, others, locks=[replace(lock, stale=stale)]).locked[0]
    assert old.basis == "outdated lock"
    assert words(old) == (
        "locked under other data: cell x has changed in its table",
        "its numbers are those of the lock, not of today's tables",
    )
    again = reprice(project, stored, locks=[replace(lock, stale=stale)]).locked[0]
    assert (again.basis, len(again.reasons)) == ("store", 1)
    broken = replace(lock, margins={"cell_voltage_V": -0.25, "limit_mass_kg": -9.0})
    verdict = reprice(project, others, locks=[broken]).locked[0]
    assert words(verdict) == (
        "it breaks cell_voltage_V by 0.25 V (At overspeed not even the fullest cell of a string "
        "exceeds its rating)",
    )


def test_owned_parts_are_free(project: Project, store: Store, stored: Stored) -> None:
    baseline = reprice_and_record(project, store, stored, today=TODAY)
    row = int(baseline.front[len(baseline.front) // 2])
    lock = locked(project, stored, row)
    owned = tuple(dict.fromkeys(lock.parts.values()))
    free = replace(project, what_if=dict.fromkeys(owned))
    found = reprice_and_record(free, store, stored, locks=[lock], today=TODAY)
    verdict = found.locked[0]
    assert (verdict.status, verdict.cost_to_stay) == ("kept", 0.0)
    assert verdict.cost == pytest.approx(slow_cost(project, stored, row))
    assert found.cost.tolist() == pytest.approx(
        [slow_cost(project, stored, r, owned) for r in range(len(stored))], rel=1e-12
    )
    # A what-if is no new baseline.
    assert reprice_and_record(project, store, stored, today=TODAY).entered == ()
    assert len(moments(store)) == 2


def price(part: str, amount: float, currency: str = "EUR", quantity: int = 1) -> Price:
    return Price(part=part, amount=amount, currency=currency, dated=TODAY, from_quantity=quantity)


def test_every_kind_of_price_change(project: Project) -> None:
    base = replace(project.catalogue.prices, currency="EUR", rates={"USD": 0.9, "GBP": 1.1})
    old = replace(
        base,
        breaks={
            "same": (price("same", 1), price("same", 0.5, quantity=9)),
            "up": (price("up", 2),),
            "dollar": (price("dollar", 3, "USD"),),
            "moved": (price("moved", 4, "USD"),),
            "gone": (price("gone", 5),),
        },
    )
    new = replace(
        base,
        rates={"USD": 0.8, "GBP": 1.1},
        breaks={
            "same": (price("same", 1), price("same", 0.6, quantity=9)),
            "up": (price("up", 2.5),),
            "dollar": (price("dollar", 3, "USD"),),
            "moved": (price("moved", 4, "GBP"),),
            "new": (price("new", 6),),
        },
    )
    day = TODAY.isoformat()
    assert list(price_changes(old, new)) == [
        ("same", 9, 0.5, 0.6, "EUR", day, "price"),
        ("up", 1, 2, 2.5, "EUR", day, "price"),
        ("dollar", 1, 3 * 0.9, 3 * 0.8, "EUR", day, "rate"),
        ("moved", 1, 4 * 0.9, 4 * 1.1, "EUR", day, "currency"),
        ("new", 1, None, 6, "EUR", day, "new"),
        ("gone", 1, 5, None, "EUR", day, "gone"),
    ]
    assert list(price_changes(new, new)) == []


def test_history_shows_how_front_and_lock_moved(
    project: Project, store: Store, stored: Stored
) -> None:
    assert last_kept(store) is None
    first = reprice_and_record(project, store, stored, today=TODAY)
    lock = locked(project, stored, int(first.front[0]))
    part = costliest_part(project, stored, int(first.front[0]))
    dear = at_prices(project, {part: 1.1 * project.catalogue.prices.breaks[part][0].amount})
    second = reprice_and_record(dear, store, stored, locks=[lock], today=TODAY)
    one, two = moments(store)
    assert (one.front_size, two.front_size) == (len(first.front), len(second.front))
    assert one.best["delivered_energy_J"] == stored.delivered_energy_J[first.front].max()
    assert one.best["cost"] == first.cost[first.front].min()
    assert (one.locked_cost, two.locked_cost) == (
        {},
        {lock.design_id: pytest.approx(slow_cost(dear, stored, int(first.front[0])))},
    )
    last = last_kept(store)
    assert last is not None
    assert {p.part for p in price_changes(last.prices, project.catalogue.prices)} == {part}
    import json

    json.dumps(second.summary(), allow_nan=False)


def test_a_store_without_a_valid_design_is_refused(project: Project, tmp_path) -> None:
    with Store.open(tmp_path / "empty.store.sqlite") as store:
        nothing, _ = store.load(project)
        with pytest.raises(InputError, match="launch first"):
            reprice_and_record(project, store, nothing)
        assert store.history() == []
        assert isinstance(reprice(project, nothing), Repriced)


# ---- break-even prices


def stands(project: Project, stored: Stored, lock: Locked, part: str, amount: float) -> bool:
    """Brute force: reprice everything and ask for the verdict."""
    shifted = at_prices(project, {part: amount / rate(project, part)})
    return reprice(shifted, stored, locks=[lock]).locked[0].status == "kept"


def rate(project: Project, part: str) -> float:
    first = project.catalogue.prices.breaks[part][0]
    return project.catalogue.prices.in_currency(first.model_copy(update={"amount": 1.0}))


@pytest.mark.parametrize("pick", range(4))
def test_break_even_prices_are_where_bisection_finds_them(
    project: Project, stored: Stored, pick: int
) -> None:
    """Every part of the study: repriced by brute force just short of and just past each one."""
    found = reprice(project, stored)
    row = int(found.front[(pick * len(found.front)) // 4])
    lock = locked(project, stored, row)
    prices = price_sensitivity.break_even_prices(project, stored, found.cost, lock)
    assert prices == sorted(prices, key=lambda one: abs(one.change_percent))
    by_side = {(one.part, one.break_even >= one.price): one for one in prices}
    assert len(by_side) == len(prices)
    rises = falls = 0
    for link in LINKS:
        for part in project.study.choices[link]:
            now = price_sensitivity.base_price(project, part)
            for rising in (True, False):
                end = 40 * now + 400 if rising else 0.0
                one = by_side.get((part, rising))
                if stands(project, stored, lock, part, end):
                    # May stand at the end of the range only where no one lies within it.
                    assert one is None or (
                        one.break_even > end if rising else one.break_even <= end
                    )
                    continue
                assert one is not None, (part, rising)
                rises, falls = rises + rising, falls + (not rising)
                good, bad = now, end
                while abs(bad - good) > 1e-9 * (1 + now):
                    middle = (good + bad) / 2
                    if stands(project, stored, lock, part, middle):
                        good = middle
                    else:
                        bad = middle
                # Bisection stops at 1e-9 of the price; costs carry rounding of the same size.
                assert one.break_even == pytest.approx((good + bad) / 2, rel=1e-7, abs=1e-7)
                beyond = one.break_even + (1e-6 if rising else -1e-6)
                shifted = at_prices(project, {part: max(beyond, 0) / rate(project, part)})
                verdict = reprice(shifted, stored, locks=[lock]).locked[0]
                if one.rival is None:
                    assert verdict.status == "infeasible"
                elif beyond > 0:
                    assert verdict.status == "beaten"
    assert rises > 3
    assert falls + rises == len(prices)


def test_a_design_that_does_not_stand_has_no_break_even(project: Project, stored: Stored) -> None:
    found = reprice(project, stored)
    off = np.setdiff1d(np.flatnonzero(stored.feasible), found.front)[:5]
    for row in off:
        lock = locked(project, stored, int(row))
        assert price_sensitivity.break_even_prices(project, stored, found.cost, lock) == []


def test_owned_parts_never_break_even(project: Project, stored: Stored) -> None:
    row = int(reprice(project, stored).front[0])
    lock = locked(project, stored, row)
    owned = (lock.parts["generator"], lock.parts["cell"])
    free = replace(project, what_if=dict.fromkeys(owned))
    cost = costing.costs(free, stored.designs)
    prices = price_sensitivity.break_even_prices(free, stored, cost, lock)
    assert prices
    assert not {one.part for one in prices} & set(owned)


@pytest.mark.parametrize("link", ["generator", "cell", "rectifier", "converter"])
def test_the_front_along_a_price_is_that_of_repricing(
    project: Project, stored: Stored, link: str
) -> None:
    part = project.study.choices[link][0]
    now = price_sensitivity.base_price(project, part)
    line = price_sensitivity.front_over_price(project, stored, part, 0.1 * now, 5 * now)
    edges, sizes = line.sizes()
    ends = np.append(edges[1:], line.high)
    assert len(edges) > 1  # the price matters here, else the test shows nothing
    for start, end, size in zip(edges, ends, sizes, strict=True):
        middle = (start + end) / 2
        shifted = at_prices(project, {part: middle / rate(project, part)})
        front = reprice(shifted, stored).front
        assert set(line.rows[line.on_front(middle)].tolist()) == set(front.tolist())
        assert len(front) == size
    inside = [e for e in edges[1:] if e > now]
    assert line.next_rise == (min(inside) if inside else None)


def test_which_prices_matter(project: Project, stored: Stored) -> None:
    """A price matters exactly where the front along it changes."""
    found = reprice(project, stored)
    weights = price_sensitivity.price_weights(project, stored, found.cost)
    assert [w.matters for w in weights] == sorted((w.matters for w in weights), reverse=True)
    assert {w.matters for w in weights} >= {True}
    for weight in weights:
        line = price_sensitivity.front_over_price(
            project, stored, weight.part, 0.5 * weight.price, 2 * weight.price
        )
        assert weight.matters == (len(line.sizes()[0]) > 1), weight
        low = at_prices(project, {weight.part: weight.price / rate(project, weight.part) / 2})
        there = reprice(low, stored).front
        assert weight.moved_by_fall == len(np.setxor1d(there, found.front))
    with pytest.raises(ValueError, match="fall must be"):
        price_sensitivity.price_weights(project, stored, found.cost, fall=1.5)
    with pytest.raises(ValueError, match="must be rising"):
        price_sensitivity.front_over_price(project, stored, weights[0].part, 3.0, 2.0)
    with pytest.raises(InputError, match="is no choice of the study"):
        price_sensitivity.front_over_price(project, stored, "unobtainium", 1.0, 2.0)


@pytest.mark.slow
def test_a_rerun_finds_what_a_fresh_enumeration_would(small_project: Project) -> None:
    """The promise of the store: whatever the prices, the front of the swept and stored designs is
    the front of all combinations, each evaluated in full."""
    from explorer.model.evaluate import evaluate as evaluate_all
    from explorer.model.space import Designs
    from explorer.search.run import launch

    study, catalogue = small_project.study, small_project.catalogue
    rows = [
        [[p.id for p in catalogue.parts[link]].index(name) for name in study.choices[link]]
        for link in LINKS
    ]
    axes = [*rows, *(study.settings[name].values for name in study.settings)]
    grid = [axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")]
    everything = Designs(
        {link: grid[k].astype(np.int64) for k, link in enumerate(LINKS)},
        {name: grid[len(LINKS) + k].astype(float) for k, name in enumerate(study.settings)},
    )
    done = evaluate_all(small_project, everything)
    done = done.take(done.feasible)
    with Store.open(path_of(small_project)) as store:
        launch(small_project, store, workers=1)
        stored, _ = store.load(small_project)
    assert 0 < int(stored.feasible.sum()) <= len(done)
    rng = np.random.default_rng(2)
    priced = [p for p, b in catalogue.prices.breaks.items() if b[0].amount > 0]
    sizes = set()
    for _ in range(25):
        new = {p: catalogue.prices.breaks[p][0].amount * 10 ** rng.uniform(-1, 0.7) for p in priced}
        changed = at_prices(small_project, new)
        cost = np.round(costing.costs(changed, done.designs), 9)
        limit = changed.study.limits.cost
        points = points_of(changed, done, cost)[cost <= limit]
        expected = points[non_dominated(points)]
        found = reprice(changed, stored)
        reached = stored.objectives(found.cost)[found.front]
        # The sweep adds up the same physics in another order: compare to ten digits.
        ours, theirs = (
            {tuple(f"{v:.9e}" for v in row) for row in p.tolist()} for p in (reached, expected)
        )
        assert ours == theirs
        sizes.add(len(ours))
    assert len(sizes) > 1  # prices did move the front
