"""What the page says about prices and about swapped parts, against plain repricing and loops."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from explorer.decision.price_changes import terms
from explorer.decision.repricing import Moment, Previous, reprice
from explorer.front import EQUAL_WITHIN
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.names import name_of
from explorer.model.objectives import KEYS
from explorer.model.space import describe, design_id
from explorer.report.page import market, page, price_figures, still, swaps
from explorer.report.page.locked_prices import short_of
from explorer.report.page.price_content import Market, PriceHistory
from explorer.report.page.price_history import price_history
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store
from explorer.store.standing import front_rows
from explorer.store.stored import Stored
from tests.helpers import synthetic
from tests.helpers.chains import with_study
from tests.helpers.invented import at_prices, designs, results


@pytest.fixture
def stored(small_project: Project) -> Iterator[Stored]:
    with Store.open(path_of(small_project)) as store:
        chosen = designs(small_project, 900)
        store.append(small_project, results(small_project, chosen, coarse=True), "sweep")
        yield store.load(small_project)[0]


def locked(project: Project, stored: Stored, row: int, note: str = "") -> Any:
    parts, settings = describe(project.catalogue, stored.designs, row)
    result = {
        "delivered_energy_J": float(stored.delivered_energy_J[row]),
        "cost": float(costing.costs(project, stored.designs.take(np.array([row])))[0]),
        "mass_kg": float(stored.mass_kg[row]),
        "crank_effort_percent": float(stored.crank_effort_percent[row]),
    }
    return SimpleNamespace(
        design_id=design_id(parts, settings), parts=parts, settings=settings, result=result,
        margins={}, stale=(), note=note,
    )  # fmt: skip


def told(
    project: Project,
    stored: Stored,
    before: Project | None = None,
    locks: tuple[Any, ...] = (),
    owned: tuple[str, ...] = (),
    **more: Any,
) -> Market:
    """The section at a project's prices, after those of another."""
    project = replace(project, what_if=dict.fromkeys(owned))
    cost = costing.costs(project, stored.designs)
    found = reprice(project, stored, locks=locks)
    previous = None
    if before is not None:
        then = costing.costs(before, stored.designs)
        rows = front_rows(before, stored, then)
        points = stored.objectives(then)[rows]
        previous = Previous(
            "2026-11-20T08:30:00+00:00", before.catalogue.prices, stored.numbers[rows], points,
            terms(before),
        )  # fmt: skip
    given: dict[str, Any] = {"moments": (), "entries": (), **more}
    given = {"hold": lambda numbers: np.ones(len(numbers), bool), "units": synthetic.UNITS, **given}
    return market.market_of(
        project, stored, cost, found.front, previous=previous, locks=locks,
        verdicts={one.design_id: one for one in found.locked}, **given,
    )  # fmt: skip


def dearer(project: Project, link: str, factor: float) -> Project:
    part = project.study.choices[link][0]
    amount = project.catalogue.prices.breaks[part][0].amount
    return at_prices(project, {part: factor * amount})


def test_what_moved_is_what_repricing_moves(small_project: Project, stored: Stored) -> None:
    now = dearer(small_project, "generator", 3.0)
    said = told(now, stored, before=small_project)
    old = set(front_rows(small_project, stored, costing.costs(small_project, stored.designs)))
    new = set(front_rows(now, stored, costing.costs(now, stored.designs)))
    assert old != new
    assert (said.entered_count, said.left_count) == (len(new - old), len(old - new))
    assert f"{len(new - old):,} designs have entered" in said.sentence
    assert "Since 2026-11-20 08:30, 1 price has moved" in said.sentence
    (change,) = said.changes
    assert change.part == small_project.study.choices["generator"][0]
    assert change.percent == "+200 %"
    assert said.before is not None
    assert said.after is not None
    assert sum(said.before.stays) == sum(said.after.stays) == len(old & new)
    assert {m.design_id for m in said.entered} <= set(ids_of(stored.numbers[sorted(new - old)]))


def test_without_a_move_nothing_is_said_to_move(small_project: Project, stored: Stored) -> None:
    assert "Nothing has moved yet" in told(small_project, stored).sentence
    same = told(small_project, stored, before=small_project)
    assert "no price has moved; the front still holds the same" in same.sentence
    assert all(wish.same for wish in same.wishes)
    assert same.entered == same.left == ()


def test_more_kits_or_another_limit_are_named_as_a_cause(
    small_project: Project, stored: Stored
) -> None:
    """Costs move although no price has; a price that moves as well is counted as before."""
    many = with_study(small_project, "prices", build_quantity=1000)
    moved = costing.costs(many, stored.designs) != costing.costs(small_project, stored.designs)
    assert moved.any()
    said = told(many, stored, before=small_project).sentence
    assert said.startswith(
        "Since 2026-11-20 08:30, no price has moved, but the study builds 1,000 kits instead of 1, "
        "which counts for price breaks"
    )
    both = told(dearer(many, "generator", 3.0), stored, before=small_project).sentence
    assert "1 price has moved, and the study builds 1,000 kits instead of 1" in both
    costs = costing.costs(small_project, stored.designs)
    middle = round(float(np.median(costs[front_rows(small_project, stored, costs)])), 2)
    poor = with_study(small_project, "limits", cost=middle)
    said = told(poor, stored, before=small_project)
    limit = small_project.study.limits.cost
    assert f"limit on cost is {middle:.2f} EUR instead of {limit:.2f} EUR" in said.sentence
    assert said.left_count > 0
    assert "builds" not in told(many, stored, before=many).sentence


def test_a_design_stands_up_to_its_tipping_price_and_no_further(
    small_project: Project, stored: Stored
) -> None:
    """Repriced: at the stated price it stands, two cents beyond it falls (at one there may be a
    tie, which only a rival that is better elsewhere wins).
    """
    cost = costing.costs(small_project, stored.designs)
    rows = front_rows(small_project, stored, cost)
    lock = locked(small_project, stored, int(rows[len(rows) // 2]))
    (decision,) = told(small_project, stored, locks=(lock,)).decisions
    assert decision.status == "kept"
    assert decision.rises
    ids = {p.name: p.id for link in LINKS for p in small_project.catalogue.parts[link]}
    for tip, cents in [(t, 0.02) for t in decision.rises] + [(t, -0.02) for t in decision.falls]:
        until = float(tip.until.split()[0].replace(",", ""))
        for price, status in ((until, ["kept"]), (until + cents, ["beaten", "infeasible"])):
            shifted = at_prices(small_project, {ids[tip.name]: max(price, 0)})
            assert reprice(shifted, stored, locks=[lock]).locked[0].status in status, tip


def test_a_beaten_design_is_told_by_what_and_what_it_costs(
    small_project: Project, stored: Stored
) -> None:
    cost = costing.costs(small_project, stored.designs)
    rows = front_rows(small_project, stored, cost)
    off = np.setdiff1d(np.flatnonzero(stored.feasible), rows)
    lock = locked(small_project, stored, int(off[0]), note="ours")
    (decision,) = told(small_project, stored, locks=(lock,)).decisions
    verdict = reprice(small_project, stored, locks=[lock]).locked[0]
    assert decision.status == "beaten"
    assert decision.words[0].startswith(f"Beaten by {name_of(str(verdict.beaten_by))}")
    words = " ".join(decision.words)
    assert f"{verdict.cost_to_stay:,.2f} EUR" in words
    assert f"{verdict.cost_to_switch:,.2f} EUR" in words
    assert decision.rises == decision.falls == ()


def test_the_choice_changes_at_the_prices_of_the_table(
    small_project: Project, stored: Stored
) -> None:
    """The prices put in: up to them the recommended design stands on the front, beyond them not."""
    said = told(small_project, stored)
    assert said.choice_limits
    chosen = stored.find(said.choice)
    assert chosen is not None
    names = {part.name: part.id for link in LINKS for part in small_project.catalogue.parts[link]}
    for one in said.choice_limits:
        part, until = names[one.name], float(one.until.split()[0])
        today = float(one.price.split()[0])
        beyond = until + (0.02 if until > today else -0.02)
        assert chosen in reprice(at_prices(small_project, {part: until}), stored).front
        assert chosen not in reprice(at_prices(small_project, {part: beyond}), stored).front


def test_owned_parts_are_a_what_if(small_project: Project, stored: Stored) -> None:
    part = small_project.study.choices["generator"][0]
    said = told(small_project, stored, before=small_project, owned=(part,))
    assert "counted as free" in said.what_if
    assert "some parts count as free" in said.sentence


def test_the_history_keeps_locks_and_moments() -> None:
    moments = [
        Moment("2026-10-01T08:00:00+00:00", "launch", 9, dict.fromkeys(KEYS, 10.0), {}),
        Moment("2026-11-01T08:00:00+00:00", "rerun", 9, dict.fromkeys(KEYS, 8.0), {"ab": 70.0}),
    ]
    entries = [
        {"when": "2026-10-02T08:00:00+00:00", "kind": "lock", "what": "lock ab"},
        {"when": "2026-11-01T08:00:00+00:00", "kind": "rerun", "what": "rerun: front of 9 designs"},
    ]
    history = price_history(moments, entries, [("2026-10-02T08:00:00+00:00", "ab", 75.0)])
    assert [cost for _, cost in history.locked_cost["ab"]] == [75.0, 70.0]
    assert history.events == (("2026-10-02T08:00:00+00:00", "lock ab"),)
    assert "from 10.00 to 8.00" in history.sentence
    assert "currentColor" in price_figures.history_svg(history, synthetic.page(20).goals)


@pytest.mark.parametrize("seconds", [40, 160, 250, 299, 7_000, 170_000, 4e6, 9e7])
def test_the_history_has_a_time_axis_whatever_it_spans(seconds: float) -> None:
    """A warning, an error here, was drawn where no step of the axis made enough marks."""
    begun = datetime(2026, 11, 25, 8, tzinfo=UTC)
    days = (begun.isoformat(), (begun + timedelta(seconds=seconds)).isoformat())
    history = PriceHistory(days, {goal: (10.0, 9.0) for goal in KEYS}, {}, (), "")
    assert "currentColor" in price_figures.history_svg(history, synthetic.page(20).goals)


@pytest.mark.parametrize(
    ("tips_at", "price", "text"),
    [(12.999, 12.5, "12.99"), (8.191, 13.5, "8.20"), (12.51, 12.5, "12.509"), (0.0, 2.0, "0.01")],
)
def test_tipping_prices_are_rounded_towards_today(tips_at: float, price: float, text: str) -> None:
    assert short_of(tips_at, price) == text


def test_the_page_shows_the_section_and_escapes_it(small_project: Project, stored: Stored) -> None:
    cost = costing.costs(small_project, stored.designs)
    row = int(front_rows(small_project, stored, cost)[0])
    lock = locked(small_project, stored, row, note=synthetic.HOSTILE)
    said = told(
        dearer(small_project, "cell", 2.0), stored, before=small_project, locks=(lock,),
        entries=[{"when": "2026-11-20T08:30:00+00:00", "kind": "lock", "what": "lock"}],
    )  # fmt: skip
    html = page.render(replace(synthetic.page(30), market=said))
    assert said.sentence in html
    assert "<b onclick" not in html
    assert still.stills_of(replace(synthetic.page(5), market=said))["moved"]


def test_neighbours_are_those_of_a_plain_loop(small_project: Project, stored: Stored) -> None:
    """Every pair compared by hand: one part other, fewest settings other, most energy."""
    cost = costing.costs(small_project, stored.designs)
    rows = [int(row) for row in np.flatnonzero(stored.feasible)[[3, 50, 200]]]
    found = swaps.swaps_of(small_project, stored, cost, rows)
    assert any(found[name].swaps for name in found)
    for row in rows:
        best: dict[tuple[str, int], tuple[int, float, int]] = {}
        for other in np.flatnonzero(stored.feasible).tolist():
            parts = stored.designs.parts
            other_links = [k for k in LINKS if parts[k][other] != parts[k][row]]
            if len(other_links) != 1:
                continue
            key = (other_links[0], int(parts[other_links[0]][other]))
            values = stored.designs.settings
            turned = sum(values[name][other] != values[name][row] for name in SETTINGS)
            rank = (turned, -float(stored.delivered_energy_J[other]), other)
            best[key] = min(best.get(key, rank), rank)
        (name,) = ids_of([stored.numbers[row]])
        wanted = {ids_of([stored.numbers[other]])[0] for *_, other in best.values()}
        assert {one.design_id for one in found[name].swaps} == wanted


def test_a_neighbour_is_better_only_where_it_is_nowhere_worse(
    small_project: Project, stored: Stored
) -> None:
    cost = costing.costs(small_project, stored.designs)
    points = stored.objectives(cost)
    rows = [int(row) for row in np.flatnonzero(stored.feasible)[:40]]
    seen = set()
    for name, told_of in swaps.swaps_of(small_project, stored, cost, rows).items():
        mine = points[stored.find(name)]
        for one in told_of.swaps:
            gap = points[stored.find(one.design_id)] - mine
            counts = np.abs(gap) > EQUAL_WITHIN * np.abs(mine)
            good, bad = (counts & (gap < 0)).any(), (counts & (gap > 0)).any()
            assert one.verdict == ("better" if good and not bad else
                                   "worse" if bad and not good else "trade")  # fmt: skip
            seen.add(one.verdict)
    assert seen >= {"trade", "worse"}


def test_a_better_part_that_floods_the_bank_is_explained(
    small_project: Project, stored: Stored
) -> None:
    """The swap with less energy whose bus floods at the cut-off is told why."""
    cost = costing.costs(small_project, stored.designs)
    row = int(np.flatnonzero(stored.feasible)[3])
    flooded = replace(stored, regime=np.full(len(stored), 3, dtype=np.int8))
    flooded.regime[row] = 2
    flooded.delivered_energy_J[row] = 2 * stored.delivered_energy_J.max()
    (found,) = swaps.swaps_of(small_project, flooded, cost, [row]).values()
    assert found.swaps
    assert all("More power, less energy" in one.why for one in found.swaps)
