"""What must be spent, over prices, breaks, suppliers, stock and what is owned, by brute force."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date
from math import inf
from pathlib import Path

import numpy as np
import pytest

import explorer
from explorer.decision import bids
from explorer.decision.bids import worth_paying
from explorer.decision.lock import keep, prepare, read_locks
from explorer.decision.price_changes import price_changes, term_changes, terms
from explorer.decision.repricing import reprice, reprice_and_record
from explorer.errors import InputError
from explorer.inputs.links import LINKS
from explorer.inputs.prices import Price
from explorer.inputs.sections import BudgetLine
from explorer.inputs.study import Project, load
from explorer.model import costing, objectives
from explorer.model.design_file import built_as
from explorer.search.dominance import unbeaten_at_any_price
from explorer.store.keys import ids_of, path_of, search_key
from explorer.store.results import Store
from explorer.store.stored import Stored
from tests.helpers.chains import with_study
from tests.helpers.invented import designs, results

DAY = date(2026, 11, 10)


def at_random(project: Project, seed: int) -> Project:
    """The project at random prices: up to three suppliers with breaks and stocks, some parts owned,
    one to ten kits, and with or without a limit on cost.
    """
    rng = np.random.default_rng(seed)
    breaks, owned = {}, {}
    for link in LINKS:
        for part in project.catalogue.parts[link]:
            rows = []
            for supplier in range(rng.integers(1, 4)):
                amount = float(rng.integers(0 if rng.random() < 0.1 else 1, 400)) / 20
                stock = None if rng.random() < 0.8 else int(rng.integers(0, 40))
                starts = sorted({1, *rng.integers(2, 60, rng.integers(0, 3)).tolist()})
                for start in starts:
                    rows.append(
                        Price(part=part.id, amount=round(amount, 2), currency="EUR", dated=DAY,
                              from_quantity=start, available=stock, supplier=f"s{supplier}")
                    )  # fmt: skip
                    amount *= rng.uniform(0.5, 1.1)
            breaks[part.id] = tuple(sorted(rows, key=lambda one: one.from_quantity))
            if rng.random() < 0.3:
                owned[part.id] = int(rng.integers(1, 40))
    prices = replace(project.catalogue.prices, breaks=breaks, content_hash=f"random {seed}")
    project = with_study(project, "prices", build_quantity=int(rng.integers(1, 11)))
    limit = float(rng.uniform(30, 90)) if rng.random() < 0.5 else None
    project = with_study(project, "limits", cost=limit)
    return replace(
        project,
        study=replace(project.study, owned=owned),
        catalogue=replace(project.catalogue, prices=prices),
    )


def slow_costs(project: Project, stored: Stored) -> list[float]:
    """Design by design, part by part, every break of every supplier."""
    kits, owned = project.study.prices.build_quantity, project.study.owned
    taken = costing.quantities(project.catalogue, stored.designs)
    found = []
    for row in range(len(stored)):
        total = 0.0
        for link in LINKS:
            part = project.catalogue.parts[link][int(stored.designs.parts[link][row])].id
            lacking = max(kits * int(taken[link][row]) - owned.get(part, 0), 0)
            ways = [
                max(lacking, one.from_quantity) * one.amount
                for one in project.catalogue.prices.breaks[part]
                if one.available is None or max(lacking, one.from_quantity) <= one.available
            ]
            total += min(ways, default=inf) / kits if lacking else 0.0
        found.append(round(total, 9))
    return found


def slow_front(project: Project, stored: Stored, cost: list[float]) -> set[str]:
    """Dominance by the book, one pair at a time."""
    limit = project.study.limits.cost or inf
    points = [
        (-stored.delivered_energy_J[row], cost[row], stored.mass_kg[row],
         stored.crank_effort_percent[row])
        for row in range(len(stored))
    ]  # fmt: skip
    able = [r for r in range(len(stored)) if stored.feasible[r] and cost[r] < inf]
    able = [r for r in able if cost[r] <= limit]

    def beats(one: int, other: int) -> bool:
        pairs = list(zip(points[one], points[other], strict=True))
        return all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)

    front = [r for r in able if not any(beats(other, r) for other in able)]
    return set(ids_of(stored.numbers[front]))


@pytest.fixture
def store(small_project: Project):
    with Store.open(path_of(small_project)) as opened:
        chosen = designs(small_project, 300)
        opened.append(small_project, results(small_project, chosen, coarse=True), "sweep")
        yield opened


@pytest.fixture
def stored(small_project: Project, store: Store) -> Stored:
    return store.load(small_project)[0]


@pytest.mark.parametrize("seed", range(12))
def test_the_front_at_any_money_is_that_of_brute_force(
    small_project: Project, stored: Stored, seed: int
) -> None:
    project = at_random(small_project, seed)
    found, cost = reprice(project, stored), slow_costs(project, stored)
    assert found.cost.tolist() == pytest.approx(cost, rel=1e-12)
    assert set(ids_of(stored.numbers[found.front])) == slow_front(project, stored, cost)


@pytest.mark.parametrize("seed", range(12))
def test_what_a_sweep_keeps_holds_the_front_at_any_money(small_project: Project, seed: int) -> None:
    """Of all designs those that no other one of the same bill beats: at random prices, breaks,
    stocks, kits and pieces at hand their front is the front of all.
    """
    chosen = designs(small_project, 4000, seed)
    every = results(small_project, chosen, seed, coarse=True)
    every = every.take(np.flatnonzero(every.feasible))
    kept = every.take(unbeaten_at_any_price(small_project, every))
    assert len(kept) < len(every)
    for number in range(3):
        project = at_random(small_project, 100 * seed + number)
        fronts = []
        for found in (every, kept):
            cost = costing.costs(project, found.designs)
            limit = project.study.limits.cost or inf
            able = np.flatnonzero(np.isfinite(cost) & (cost <= limit))
            points = objectives.points_of(project, found.take(able), cost[able])
            fronts.append({tuple(p) for p in points[_unbeaten(points)].round(9).tolist()})
        assert fronts[0] == fronts[1]


def _unbeaten(points: np.ndarray) -> list[int]:
    return [
        row
        for row, point in enumerate(points)
        if not ((points <= point).all(axis=1) & (points < point).any(axis=1)).any()
    ]


def test_more_cells_may_cost_less_than_fewer(small_project: Project) -> None:
    """Five kits of six cells reach a break that is not worth it for five of one: nothing may rest
    on more pieces costing more.
    """
    project = with_study(small_project, "prices", build_quantity=5)
    rows = [(1, 4.0, None), (30, 1.0, None)]
    one = [
        Price(part="cell_5f", amount=amount, currency="EUR", dated=DAY, from_quantity=start,
              available=stock)
        for start, amount, stock in rows
    ]  # fmt: skip
    prices = project.catalogue.prices
    prices = replace(prices, breaks={**prices.breaks, "cell_5f": tuple(one)})
    project = replace(project, catalogue=replace(project.catalogue, prices=prices))
    paid = [costing.spending(project, "cell_5f", cells).amount for cells in (1, 2, 6, 7)]
    assert paid == pytest.approx([4.0, 6.0, 6.0, 7.0])


def with_owned(study: Path, text: str) -> Project:
    study.write_text(study.read_text() + "\n[owned]\n" + text)
    return load(study)


def test_a_study_says_what_is_owned(small_study: Path) -> None:
    before = load(small_study)
    project = with_owned(small_study, "cell_5f = 3\nhub_small = 1\n")
    assert project.owned == {"cell_5f": 3, "hub_small": 1}
    assert project.scenario_hash == before.scenario_hash
    assert list(term_changes(terms(before), terms(project))) == [
        ("owned.cell_5f", 0, 3),
        ("owned.hub_small", 0, 1),
    ]
    free = replace(project, what_if={"cell_5f": None})
    assert free.owned == {"cell_5f": None, "hub_small": 1}


def test_a_lock_keeps_what_was_owned_and_bought(
    small_project: Project, store: Store, stored: Stored
) -> None:
    front = reprice(small_project, stored).front
    row = next(
        r for r in front
        if costing.quantities(small_project.catalogue, stored.designs)["cell"][r] >= 4
    )  # fmt: skip
    design = ids_of(stored.numbers[[row]])[0]
    cell = small_project.catalogue.parts["cell"][int(stored.designs.parts["cell"][row])].id
    project = replace(small_project, study=replace(small_project.study, owned={cell: 3}))
    lock = prepare(project, store, design)
    (line,) = (line for line in lock.bill if line["link"] == "cell")
    assert line["owned"] == 3
    assert line["bought"] == line["quantity"] - 3
    assert sum(line["amount"] for line in lock.bill) == pytest.approx(lock.result["cost"])
    gap = lock.result["cost_of_all_parts"] - lock.result["cost"]
    assert gap == pytest.approx(3 * line["unit_price"])


def stocked(project: Project, part: str, pieces: int) -> Project:
    """The project with so many pieces of a part left."""
    prices = project.catalogue.prices
    rows = tuple(one.model_copy(update={"available": pieces}) for one in prices.breaks[part])
    prices = replace(prices, breaks={**prices.breaks, part: rows}, content_hash="stocked")
    return replace(project, catalogue=replace(project.catalogue, prices=prices))


def test_a_lock_whose_part_is_sold_out_names_the_nearest_that_can_be_bought(
    small_project: Project, store: Store, stored: Stored
) -> None:
    row = int(reprice(small_project, stored).front[0])
    design = ids_of(stored.numbers[[row]])[0]
    lock = prepare(small_project, store, design)
    hub = lock.parts["generator"]
    gone = stocked(small_project, hub, 0)
    (verdict,) = reprice_and_record(gone, store, stored, locks=[lock]).locked
    assert (verdict.status, verdict.cost, verdict.beaten_by) == ("sold_out", None, None)
    (reason,) = verdict.reasons
    assert reason.words == f"generator {hub} is sold out: no supplier has the 1 that are lacking"
    assert verdict.nearest
    other = stored.find(verdict.nearest.design_id)
    assert other is not None
    assert stored.feasible[other]
    cost = costing.costs(gone, stored.designs)
    swapped = np.sum(
        [stored.designs.parts[link] != stored.designs.parts[link][row] for link in LINKS], axis=0
    )
    able = stored.feasible & np.isfinite(cost) & (cost <= (gone.study.limits.cost or inf))
    assert swapped[other] == swapped[able].min() == len(verdict.nearest.parts) > 0
    assert verdict.cost_to_switch == verdict.nearest.cost == cost[other]
    # Who has one needs none; and nobody is beaten by what cannot be bought.
    own = replace(gone, study=replace(gone.study, owned={hub: 1}))
    (verdict,) = reprice(own, stored, locks=[lock]).locked
    assert verdict.status in ("kept", "beaten")
    assert verdict.cost == pytest.approx(lock.result["cost"] - price_of(small_project, hub))
    changes = [c for c in price_changes(small_project.catalogue.prices, gone.catalogue.prices)]
    assert [(c.part, c.why, c.new) for c in changes] == [(hub, "sold_out", None)]
    more = stocked(small_project, hub, 7)
    changes = [c for c in price_changes(more.catalogue.prices, small_project.catalogue.prices)]
    assert [(c.part, c.why) for c in changes] == [(hub, "stock")]


def price_of(project: Project, part: str) -> float:
    return project.catalogue.prices.unit_price(part)


def test_a_part_gone_from_the_choices_sells_a_lock_out(
    small_project: Project, store: Store, stored: Stored
) -> None:
    row = int(reprice(small_project, stored).front[0])
    lock = prepare(small_project, store, ids_of(stored.numbers[[row]])[0])
    hub = lock.parts["generator"]
    others = tuple(one for one in small_project.study.choices["generator"] if one != hub)
    choices = {**small_project.study.choices, "generator": others}
    project = replace(small_project, study=replace(small_project.study, choices=choices))
    (verdict,) = reprice(project, store.load(project)[0], locks=[lock]).locked
    assert verdict.status == "sold_out"
    assert verdict.nearest
    assert verdict.nearest.parts["generator"] in others
    own = replace(project, study=replace(project.study, owned={hub: 1}))
    (verdict,) = reprice(own, store.load(own)[0], locks=[lock]).locked
    assert verdict.status != "sold_out"


LINES = """fuse_and_holder = { price = 3.0, mass_kg = 0.02 }
wire = { price = 4.5 }
frame_and_hardware = { mass_kg = 0.6 }
"""


def with_lines(study: Path, lines: str = LINES) -> Project:
    """The study with what small things cost and weigh."""
    text = study.read_text()
    assert "[build]" not in text
    study.write_text(f"{text}\n[build]\n{lines}")
    return load(study)


def test_small_things_are_inside_cost_mass_and_bill(small_study: Path) -> None:
    plain, project = load(small_study), with_lines(small_study)
    assert project.scenario_hash == plain.scenario_hash
    some = designs(project, 50)
    for kits in (1, 4):
        one, other = (with_study(p, "prices", build_quantity=kits) for p in (project, plain))
        gap = costing.costs(one, some) - costing.costs(other, some)
        assert gap.tolist() == pytest.approx([7.5] * 50)
        for lines, total in zip(costing.bills(one, some), costing.costs(one, some), strict=True):
            assert [line["part"] for line in lines[-3:]] == list(one.study.build.budget)
            assert {line["link"] for line in lines[-3:]} == {"build"}
            paid = sum(line["bought"] * line["unit_price"] for line in lines) / kits
            assert paid == pytest.approx(total)
            assert f"{sum(costing.printed_amounts(lines)):.2f}" == f"{total:.2f}"
    masses = costing.mass_kg(project, some) - costing.mass_kg(plain, some)
    assert masses.tolist() == pytest.approx([0.62] * 50)
    assert project.study.limits_of_parts == (
        plain.study.limits.model_copy(update={"mass_kg": plain.study.limits.mass_kg - 0.62})
        if plain.study.limits.mass_kg
        else plain.study.limits
    )
    changes = list(term_changes(terms(plain), terms(project)))
    assert changes == [("build.fuse_and_holder", 0, 3.0), ("build.wire", 0, 4.5)]


def test_without_small_things_a_search_keeps_its_name(small_project: Project) -> None:
    limited = with_study(small_project, "limits", mass_kg=4.0)
    heavier = limited.study.build
    wire = {"wire": BudgetLine(mass_kg=0.5)}
    project = replace(limited, study=replace(limited.study, build=heavier.model_copy(update=wire)))
    tighter = with_study(small_project, "limits", mass_kg=3.5)
    assert search_key(project) == search_key(tighter) != search_key(limited)
    free = replace(
        limited,
        study=replace(
            limited.study, build=heavier.model_copy(update={"wire": BudgetLine(price=3.0)})
        ),
    )
    assert search_key(free) == search_key(limited)


WRONG_LINES = {
    "wire = { price = -1 }": "build.wire.price: must be at least 0, got -1",
    "wire = { cost = 1 }": "build.wire.cost: unknown key",
    "wire = 3": "build.wire: must be a table, got 3",
    "wires = { price = 1 }": "build.wires: unknown key (nearest: wire)",
    "wire = { price = 500 }": "limits.cost: must be above what the lines of [build] come to, 500",
}


@pytest.mark.parametrize("line", WRONG_LINES)
def test_wrong_lines_are_named(small_study: Path, line: str) -> None:
    text = small_study.read_text()
    if "\ncost" not in text.partition("[limits]")[2].partition("\n[")[0]:
        small_study.write_text(text.replace("[limits]\n", "[limits]\ncost = 100\n"))
    with pytest.raises(InputError) as caught:
        with_lines(small_study, line)
    assert any(WRONG_LINES[line] in str(fault) for fault in caught.value.faults), caught.value


def test_a_lock_keeps_small_things(small_study: Path, small_project: Project) -> None:
    project = with_lines(small_study)
    with Store.open(path_of(project)) as store:
        store.append(project, results(project, designs(project, 200)), "sweep")
        stored = store.load(project)[0]
        row = int(reprice(project, stored).front[0])
        design = ids_of(stored.numbers[[row]])[0]
        keep(project, store, prepare(project, store, design))
        (lock,) = read_locks(project, store)
        assert [line["part"] for line in lock.bill[-3:]] == list(project.study.build.budget)
        assert sum(line["amount"] for line in lock.record["bill"]) == pytest.approx(
            lock.result["cost"]
        )
        (verdict,) = reprice(project, stored, locks=[lock]).locked
        assert (verdict.status, verdict.cost) == ("kept", pytest.approx(lock.result["cost"]))


def on_front_at(project: Project, stored: Stored, part: str, price: float) -> bool:
    """Whether a design that buys a part is on the front, by brute force, when pieces of it cost so
    much, one by one.
    """
    prices = project.catalogue.prices
    row = Price(part=part, amount=price, currency="EUR", dated=DAY)
    prices = replace(prices, breaks={**prices.breaks, part: (row,)})
    project = replace(project, catalogue=replace(project.catalogue, prices=prices))
    numbers = slow_front(project, stored, slow_costs(project, stored))
    (link,) = (one for one in LINKS if part in project.study.choices[one])
    ids = [one.id for one in project.catalogue.parts[link]]
    taken = costing.quantities(project.catalogue, stored.designs)[link]
    needed = taken * project.study.prices.build_quantity
    buys = (stored.designs.parts[link] == ids.index(part)) & (
        needed > project.study.owned.get(part, 0)
    )
    return bool(numbers & set(ids_of(stored.numbers[buys])))


@pytest.mark.parametrize("seed", range(5))
def test_a_part_is_on_the_front_up_to_its_bid_and_no_further(
    small_project: Project, stored: Stored, seed: int
) -> None:
    """Of a few parts each, at a price a little below and above the bid, by brute force."""
    project = at_random(small_project, 1000 + seed)
    some = stored.take(np.arange(120))
    cost = costing.costs(project, some.designs)
    found = worth_paying(project, some, cost)
    every = [part for parts in project.study.choices.values() for part in parts]
    assert list(found) == every
    rng = np.random.default_rng(seed)
    for part in rng.permutation(every)[:9].tolist():
        bid = found[part]
        if bid is None:
            assert on_front_at(project, some, part, 1e6)
            continue
        if bid > 0:
            assert on_front_at(project, some, part, bid * (1 - 1e-6) - 1e-6 * (bid > 1e-3))
        assert not on_front_at(project, some, part, bid * (1 + 1e-6) + 1e-6)


@pytest.mark.parametrize("at_a_time", [2, 256])
def test_the_highest_bid_is_that_of_a_plain_loop(
    monkeypatch: pytest.MonkeyPatch, at_a_time: int
) -> None:
    """Buyers and others on a coarse grid, many of them equal, with and without a limit of cost."""
    monkeypatch.setattr(bids, "COMPARED_AT_A_TIME", at_a_time)
    kinds = set()
    for seed in range(400):
        rng = np.random.default_rng(seed)
        count, rivals, grid = rng.integers(0, 40), rng.integers(0, 40), rng.integers(2, 12)
        physics = rng.integers(0, grid, (count, 3)).astype(float)
        others = rng.integers(0, grid, (rivals, 3)).astype(float)
        rest, cost = rng.integers(0, 3000, count) / 100, rng.integers(0, 6000, rivals) / 100
        lacking, limit = rng.integers(1, 7, count), [None, 5.0, 40.0][seed % 3]
        best = 0.0
        for mine, spent, pieces in zip(physics, rest, lacking, strict=True):
            as_good = [
                price for other, price in zip(others, cost, strict=True) if (other <= mine).all()
            ]
            least = min([*as_good, np.inf if limit is None else limit])
            best = max(best, (least - spent) / pieces)
        found = bids._most_paid(bids._Terms(physics, rest, lacking, limit), others, cost)
        assert found == pytest.approx(best, rel=1e-12, abs=1e-9)
        kinds.add("none" if best == 0 else "any" if best == np.inf else "some")
    assert kinds == {"none", "any", "some"}


def at_other_money(study: Path, seed: int) -> None:
    """Other prices, breaks, stocks, kits and pieces at hand, in the files themselves."""
    rng = np.random.default_rng(seed)
    project = load(study)
    lines = ["part,price,currency,dated,from_quantity,available"]
    for part, (first, *_) in project.catalogue.prices.breaks.items():
        price, stock = first.amount * rng.uniform(0.4, 2.0), rng.choice(["", "", "", "200"])
        starts = sorted({1, *rng.integers(2, 40, rng.integers(0, 3)).tolist()})
        for start in starts:
            lines.append(f"{part},{price:.2f},EUR,2026-11-10,{start},{stock}")
            price *= rng.uniform(0.5, 1.0)
    (study.parent / "parts" / "prices.csv").write_text("\n".join(lines) + "\n")
    cells = rng.choice(project.study.choices["cell"], 2, replace=False)
    owned = "".join(f"{cell} = {rng.integers(1, 30)}\n" for cell in cells)
    text = study.read_text().replace(
        '[prices]\ncurrency = "EUR"\n',
        f'[prices]\ncurrency = "EUR"\nbuild_quantity = {rng.integers(1, 11)}\n',
    )
    study.write_text(f"{text}\n[owned]\n{owned}")


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_a_rerun_at_other_money_is_a_fresh_launch(
    small_study: Path, tmp_path: Path, seed: int
) -> None:
    """The same front whether the store was filled at these prices or at others, and the same as by
    brute force over everything stored.
    """
    explorer.launch(small_study, page=False, workers=1)
    fresh = tmp_path / "fresh" / "small.toml"
    shutil.copytree(small_study.parent, fresh.parent, ignore=shutil.ignore_patterns("*.sqlite*"))
    for study in (small_study, fresh):
        at_other_money(study, seed)
    again = explorer.rerun(small_study, page=False)
    launched = explorer.launch(fresh, page=False, workers=1)
    values = [
        sorted((one["design_id"], one["cost"]) for one in answer["front"])
        for answer in (again, launched)
    ]
    assert values[0] == values[1]
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        stored = store.load(project)[0]
    stored = stored.take(stored.feasible)
    assert len(stored) > again["front_size"] > 5
    numbers = slow_front(project, stored, slow_costs(project, stored))
    assert {design for design, _ in values[0]} <= numbers
    assert len(numbers) == again["front_size"]


def test_a_designs_file_may_have_small_things_of_its_own(small_study: Path) -> None:
    project = with_lines(small_study)
    file = small_study.parent / "mine.toml"
    file.write_text("[build]\nenclosure = { price = 9.0, mass_kg = 0.4 }\n")
    own = built_as(project, file).study.build
    assert list(own.budget) == ["enclosure"]
    assert own.resistor_series == project.study.build.resistor_series
    file.write_text("[parts]\n")
    assert built_as(project, file) is project
    file.write_text("[build]\nenclosures = { price = 9.0 }\nwire = { price = -1.0 }\nguard = 3\n")
    with pytest.raises(InputError) as caught:
        built_as(project, file)
    faults = [str(fault).removeprefix(f"{file}: ") for fault in caught.value.faults]
    assert faults == [
        "build.enclosures: is unknown (nearest: enclosure)",
        "build.wire.price: must be at least 0, got -1.0",
        "build.guard: must be a table, got 3",
    ]
