"""What the page says, without drawing it."""

from __future__ import annotations

import copy
import json
import math
from typing import Any, get_args

import numpy as np
import pytest

from explorer.decision.picks import WISHES
from explorer.inputs.links import LINKS
from explorer.inputs.sections import Search
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.bounds import energy_bound
from explorer.model.evaluate import evaluate
from explorer.model.record import design_record
from explorer.model.rules import RULES, rule
from explorer.model.space import Space
from explorer.report.format import number
from explorer.report.page import view
from explorer.report.page.cards import assumed, bill_words, tightest
from explorer.report.page.choices import rejection_sentence
from explorer.report.page.content import PageData
from explorer.report.page.convergence import convergence_of
from explorer.report.page.curves import over_cadence, too_fine
from explorer.report.wording import LEDGER, LEDGER_GROUPS
from explorer.search.plan import SAMPLER_WORDS
from explorer.units import unit_of
from tests.helpers import synthetic
from tests.helpers.chains import with_person


@pytest.fixture(scope="module")
def page() -> PageData:
    return synthetic.page(300)


def build(rows: list[dict[str, Any]], picks: dict[str, str], **more: Any) -> PageData:
    given: dict[str, Any] = {
        "search": synthetic.SEARCH,
        "rejections": synthetic.REJECTIONS,
        "provenance": synthetic.PROVENANCE,
        **more,
    }
    return view.page_data(synthetic.project(), rows, picks, view.Findings(**given))


def test_page_is_plain_json(page: PageData) -> None:
    assert json.loads(json.dumps(page.as_dict(), allow_nan=False))["name"] == "synthetic"


def test_limit_of_physics_by_hand(page: PageData) -> None:
    """Monod & Scherrer 1965: P = CP + W'/t. Half of (45 + 3600/600) W for 600 s is 15,300 J; a
    2 A pack on the 5.1 V of the made-up converters takes 6,120 J.
    """
    assert page.bound.arm_J == pytest.approx(15_300, rel=1e-12)
    assert page.bound.pack_J == pytest.approx(6_120, rel=1e-12)
    assert page.bound.energy_J == page.bound.pack_J
    assert "6,120 J" in page.bound_sentence


def test_limit_is_taken_case_by_case() -> None:
    """A weak arm meets a small pack and a strong arm a large one only in the pairs, not in the
    means: min(mean, mean) would be wrong.
    """
    weak = {"critical_power_W": 3.0, "reserve_J": 0.0}  # 900 J at half of 3 W
    project = synthetic.with_case(synthetic.project(), operators={"weak": weak})
    assert energy_bound(project).energy_J == pytest.approx((6_120 + 900) / 2)
    worst = synthetic.with_case(project, over_cases="worst")
    assert energy_bound(worst).energy_J == pytest.approx(900)


def test_answer_tells_what_where_and_how_much(page: PageData) -> None:
    card = page.cards[0]
    assert card.title.startswith("Recommended")
    assert card.letter == "A"
    row = page.designs.ids.index(card.design_id)
    energy = page.designs.objectives[0].values[row]
    assert energy is not None
    assert card.short in page.first.build
    assert f"{number(energy)} J" == card.standings[0].text
    assert f"{number(energy / 600 * 60)} J" in card.per_minute
    # 1 % of 20 Wh is 720 J.
    assert f"{number(720 / (energy / 10), 2)} minutes for 1 %" in card.per_minute
    assert f"{number(720 / (energy / 10), 2)} minutes for 1 %" in page.first.people[0]


def test_cards_cover_every_wish_once(page: PageData) -> None:
    titles = " and ".join(card.title for card in page.cards).lower()
    for word in ("recommended", "most energy", "least cost", "lightest", "easiest"):
        assert titles.count(word) == 1
    assert len({card.design_id for card in page.cards}) == len(page.cards)
    # An extreme stands at the best end of its own staff.
    by_title = {card.title: card for card in page.cards}
    for title, k in [("Most energy", 0), ("Least cost", 1), ("Lightest", 2)]:
        if title in by_title:
            assert by_title[title].standings[k].place == 1.0


def test_one_design_with_all_wishes_is_one_card() -> None:
    row = synthetic.records(1)[0]
    page = build([row], dict.fromkeys(WISHES, row["design_id"]))
    assert len(page.cards) == 1
    assert page.cards[0].title.startswith("Recommended and most energy and")
    assert [s.place for s in page.cards[0].standings] == [1.0] * 4


def test_bill_words_leave_out_what_is_not_there() -> None:
    record = {
        "bill": [
            {"part": "no_gearing", "quantity": 1},
            {"part": "valve", "quantity": 6},
            {"part": "clamp", "quantity": 0},
            {"part": "motor", "quantity": 1},
        ]
    }
    assert (
        bill_words(record, {"valve": "Valve", "motor": "Motor"}, {"no_gearing"})
        == "6 × Valve, Motor"
    )


def test_every_constraint_has_words_of_its_own() -> None:
    rules = [rule.label for rule in RULES.values()]
    assert len(set(rules)) == len(rules)
    assert len({rule.broken for rule in RULES.values()}) == len(rules)
    assert all(rule.near > 0 for rule in RULES.values())


def test_a_rule_endangers_or_wears_but_not_both() -> None:
    """A rating exceeded is a hazard, a derating exceeded costs life; the unit ends the name."""
    for name, one in RULES.items():
        assert not (one.hazard and one.shortens_life), name
        assert unit_of(name) == one.unit, name
        assert one.loosened_by.count("{}") == bool(one.loosened_by), name
        assert one.description.endswith("."), name


def test_an_unknown_constraint_speaks_for_itself() -> None:
    words = rule("winding_heat_K")
    assert (words.label, words.unit) == ("winding heat", "K")
    assert rule("spin_N_m").unit == "N m"


def test_ledger_groups_hold_every_term_once() -> None:
    grouped = [term for terms in LEDGER_GROUPS.values() for term in terms]
    assert sorted(grouped) == sorted(set(LEDGER) - {"crank_work"})


def test_a_hazard_counts_as_closer_than_a_nuisance() -> None:
    record = {"margins": {"cell_voltage_V": 0.3, "first_charge_s": 15.0, "lead_current_A": 9.0}}
    # 0.3 V is 1.5 times near, halved as a hazard to 0.75; 15 s is exactly once near.
    assert tightest(record) == ("cell_voltage_V", 0.3, pytest.approx(0.75))


def test_a_close_hazard_is_the_first_caution() -> None:
    row = synthetic.records(1)[0]
    row["margins"] = {"undervoltage_guard_V": 0.01, "lead_current_A": 5.0}
    page = build([row], {"recommended": row["design_id"]})
    assert "0.01 V to spare" in page.first.caution
    row["margins"] = {"undervoltage_guard_V": 9.0, "lead_current_A": 0.01}
    page = build([row], {"recommended": row["design_id"]})
    assert page.first.caution == page.cautions[0]


def test_what_is_missing_to_the_limit_is_told() -> None:
    """By hand: 6,120 J is the made-up pack's limit; 2,000 J at the crank, 1,500 J arrive."""
    ledger = {"crank_work": 2000.0, "copper": 300.0, "converter": 150.0, "lead": 50.0}
    row = {
        **synthetic.records(1)[0],
        "delivered_energy_J": 1500.0,
        "ledger_J": {**ledger, "delivered": 1500.0},
    }
    card = build([row], {"recommended": row["design_id"]}).cards[0]
    assert card.share_of_bound == "25 % of what physics allows"
    assert "draws 2,000 J" in card.lost
    assert "loses 500 J on the way" in card.lost
    assert "copper of the winding 300 J, converter 150 J, generator lead 50 J" in card.lost
    assert "The pack could take 4,620 J more" in card.lost


def test_assumed_people_and_packs_are_named() -> None:
    project = synthetic.project()
    assert assumed(project) == ()
    given = with_person(project, source="Assumed: from nobody")
    assert assumed(given) == ("Adult, one arm (Assumed: from nobody)",)


def test_faster_is_told_to_be_less_where_it_is() -> None:
    told = over_cadence([40, 50, 60, 70], [2.0, 4.0, 0.3, 0.2])
    assert told.startswith("Most power into the pack at 50 rpm: 4 W.")
    assert "From 60 rpm on it is 0.3 W" in told
    assert "From" not in over_cadence([40, 50, 60], [2.0, 4.0, 3.5])
    assert "At none" in over_cadence([40, 50], [0.0, 0.0])


def test_fast_bursts_get_a_second_look_on_a_scale_of_their_own() -> None:
    row = synthetic.records(1)[0]
    row["readings"]["cycle_s"] = 5.0
    end = {"time_s": [570.0, 585.0, 600.0], "bus_V": [5.0, 6.6, 5.0], "pack_W": [0.0, 9.0, 0.0]}
    whole = {"time_s": [0.0, 300.0, 600.0], "bus_V": [0.0, 6.0, 5.0], "pack_W": [0.0, 9.0, 0.0]}
    given = {row["design_id"]: {**whole, "close": end}}
    first, second = build([row], {}, session_traces=given).curves
    assert "read the range" in first.sentence
    assert second.title == "Its last 30 s"
    assert second.x.values == (570.0, 585.0, 600.0)
    assert second.levels == first.levels
    row["readings"]["cycle_s"] = 5000.0
    assert len(build([row], {}, session_traces=given).curves) == 1


def test_points_too_far_apart_for_bursts_are_owned_up_to() -> None:
    assert "read the range" in too_fine([0, 2.5, 5, 7.5], 5.0)
    assert too_fine([0, 2.5, 5, 7.5], 45.0) == ""
    assert too_fine([0, 2.5, 5], None) == ""


def test_several_cases_are_told_by_name() -> None:
    case = {"delivered_energy_J": 900.0, "crank_effort_percent": 30.0, "regime": "steady"}
    cases = [{"operator": "adult", "pack": "gauge_pack", **case},
             {"operator": "stranger", "pack": "gauge_pack", **case}]  # fmt: skip
    row = {**synthetic.records(1)[0], "cases": cases}
    told = build([row], {}).designs.cases[0]
    assert [one[:2] for one in told] == [
        ("Adult, one arm", "telemetry pack"),
        ("stranger", "telemetry pack"),
    ]


def test_flooded_is_warned_of_before_any_margin() -> None:
    row = {**synthetic.records(1)[0], "regime": "flooded"}
    page = build([row], {"recommended": row["design_id"]})
    assert "one burst" in page.cards[0].caution


def test_without_a_feasible_design_the_page_says_what_is_in_the_way() -> None:
    page = build([], {}, search={**synthetic.SEARCH, "designs_feasible": 0})
    assert page.cards == ()
    assert "No design keeps every limit" in page.first.build
    assert rule("turnable_N_m").broken in page.first.why
    json.dumps(page.as_dict(), allow_nan=False)


def test_what_never_charges_has_no_time() -> None:
    row = {**synthetic.records(1)[0], "time_to_first_charge_s": math.inf}
    page = build([row], {"recommended": row["design_id"]})
    column = next(c for c in page.designs.readings if c.name == "time_to_first_charge_s")
    assert column.values == (None,)


def test_columns_have_one_length(page: PageData) -> None:
    designs, count = page.designs, len(page.designs.ids)
    columns = (designs.objectives, designs.settings, designs.margins, designs.ledger)
    assert all(len(c.values) == count for group in (*columns, designs.readings) for c in group)
    assert all(len(link.used) == count for link in designs.links)
    assert len(designs.bills) == len(designs.reading) == len(designs.locked) == count
    energies = np.array(designs.objectives[0].values, dtype=float)
    assert (np.diff(energies) <= 0).all()


def test_the_ledger_on_the_page_still_closes(page: PageData) -> None:
    """Rounding to four significant digits may cost half a digit a term: 17 terms, 5e-4 each."""
    ledger = {c.name: np.array(c.values, dtype=float) for c in page.designs.ledger}
    assert list(ledger) == list(LEDGER)
    work = ledger.pop("crank_work")
    assert np.allclose(sum(ledger.values()), work, rtol=17 * 5e-4)


def test_bills_are_the_records_bills(page: PageData) -> None:
    rows = {r["design_id"]: r for r in synthetic.records(300)}
    for design_id, bill in zip(page.designs.ids, page.designs.bills, strict=True):
        lines = [page.designs.bill_lines[k] for k in bill]
        assert [(x.part, x.quantity, x.unit_price, x.price_dated) for x in lines] == [
            (x["part"], x["quantity"], x["unit_price"], x["price_dated"])
            for x in rows[design_id]["bill"]
        ]


def test_a_large_front_is_cut_to_what_a_page_carries(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(view, "PAGE_LIMIT", 150)
    rows = synthetic.records(1000)
    # All close together, so that a person can tell only a few apart.
    for k, row in enumerate(rows):
        row |= {"delivered_energy_J": 900 + 0.001 * k, "cost": 40 + 1e-5 * k}
        row |= {"mass_kg": 2.0, "crank_effort_percent": 50.0}
    pick, last = rows[500]["design_id"], rows[700]["design_id"]
    page = build(rows, {"recommended": pick}, front_size=1000, locked=[{"design_id": last}])
    assert len(page.designs.ids) == 150
    assert {pick, last} <= set(page.designs.ids)
    assert page.designs.locked[page.designs.ids.index(last)]
    assert page.front_size == 1000
    assert "1,000 designs" in page.counts
    assert "carries 150" in page.counts


def test_rejections_are_ranked_and_empty_ones_left_out(page: PageData) -> None:
    assert [r.name for r in page.rejections] == [
        "turnable_N_m",
        "stroke_ripple_V",
        "cell_voltage_V",
        "undervoltage_guard_V",
    ]
    assert page.rejections[0].share == pytest.approx(7400 / 20_000)
    probed = build([], {}, probed=10_000)
    assert probed.rejections[0].share == pytest.approx(0.74)
    assert "10,000 designs drawn at random" in probed.rejection_sentence
    assert "2,400 designs that broke no other" in page.rejection_sentence


def test_convergence_tells_exact_from_sampled(page: PageData) -> None:
    # 1 - exp(-n/5000): from 15,000 to 20,000 it grows by (e^-3 - e^-4)/(1 - e^-4) = 3.2 %.
    assert "last quarter of the samples enlarged the front by 3.2 %" in page.convergence.sentence
    assert "98.7 %" in page.convergence.sentence
    row = synthetic.records(1)[0]
    covered = {"exact": True, "combinations": 7, "combinations_covered": 7, "seconds": 1}
    exact = build([row], {}, search={**covered, "designs_considered": 9})
    assert "exact" in exact.convergence.sentence
    assert "Every combination of the study was covered, 7 in" in exact.convergence.sentence


def test_outing_breaks_even_where_the_energies_meet(page: PageData) -> None:
    assert page.break_even is not None
    row = next(r for r in synthetic.records(300) if r["design_id"] == page.cards[0].design_id)
    wh_a_day = row["delivered_energy_J"] / 600 * 30 * 60 / 3600
    assert page.break_even.lines[0].break_even_day == pytest.approx(120 * row["mass_kg"] / wh_a_day)
    assert page.break_even.lines[0].Wh_per_kg[0] == 0


def test_choices_count_what_the_front_uses(page: PageData) -> None:
    for link in page.choices:
        assert sum(choice.share for choice in link.choices) == pytest.approx(1)


def test_effects_of_all_feasible_designs_replace_the_fronts() -> None:
    row = synthetic.records(1)[0]
    part = row["parts"]["crank"]
    page = build([row], {}, effects={"crank": {part: {"mass_kg": 0.123}}})
    assert page.choices[0].choices[0].best[2] == "0.123 kg"
    assert page.choices[0].scope == "all designs that keep every limit"


def test_every_part_on_offer_is_told_and_what_its_link_moves() -> None:
    """Two cranks of three keep the limits: 900 and 1,000 J at the most, 10 % apart."""
    rows = synthetic.records(40)
    best = {"cost": 40.0, "mass_kg": 2.0, "crank_effort_percent": 30.0}
    effects = {link: {part: {**best, "delivered_energy_J": 1000.0 - 100 * k}
                      for k, part in enumerate(parts[:2])}
               for link, parts in synthetic.project().study.choices.items()}  # fmt: skip
    for link in LINKS:
        for row in rows:
            row["parts"][link] = next(iter(effects[link]))
    effects["gearing"] = {part: {**best, "delivered_energy_J": 5.0} for part in effects["gearing"]}
    told = {link.link: link for link in build(rows, {}, effects=effects).choices}
    assert {c.part for c in told["generator"].choices} == set(
        synthetic.project().study.choices["generator"]
    )
    assert told["generator"].effect == "most energy 900 to 1,000 J"
    assert told["gearing"].effect == "moves nothing that a person would notice"
    assert list(told)[-1] == "gearing"
    assert [c.share for c in told["generator"].choices] == [1.0, 0.0, 0.0, 0.0]
    assert [bool(c.best) for c in told["generator"].choices] == [True, True, False, False]


def test_effort_is_told_to_two_digits_and_shares_in_percent() -> None:
    row = synthetic.records(1)[0]
    row |= {"crank_effort_percent": 35.24, "delivered_energy_J": 1234.5}
    row["readings"]["on_share"] = 0.6789
    row["margins"] |= {"limit_cost": 51.0, "limit_effort_percent": 1.0}
    page = build([row], {"recommended": row["design_id"]})
    assert [s.text for s in page.cards[0].standings][::3] == ["1,230 J", "35 %"]
    share = next(c for c in page.designs.readings if c.name == "on_share")
    assert (share.values, share.unit) == ((68.0,), "%")
    assert next(c for c in page.designs.margins if c.name == "limit_cost").unit == "EUR"
    effort = next(c for c in page.designs.margins if c.name == "limit_effort_percent")
    assert effort.unit == "percentage points"


def test_a_close_hazard_comes_before_a_closer_nuisance() -> None:
    row = synthetic.records(1)[0]
    row["margins"] = {"converter_output_A": 0.0, "cell_voltage_V": 0.087}
    page = build([row], {"recommended": row["design_id"]})
    assert "converter" in page.cards[0].caution
    assert "0.087 V to spare" in page.first.caution


def test_names_of_files_keep_their_underscores(page: PageData) -> None:
    flat = build([], {}, provenance={"tables": {"pack_leads.csv": "1a"}, "model_version": 1})
    assert flat.provenance == (("tables: pack_leads.csv", "1a"), ("model version", "1"))


@pytest.mark.parametrize(
    ("days", "words", "end"),
    [(28, "Not for its weight", "8.4 Wh"), (400, "Yes on an outing", "120 Wh")],
)
def test_the_outing_says_whether_it_is_worth_it(days: int, words: str, end: str) -> None:
    """720 J in 10 minutes are 0.02 Wh a minute, 0.6 Wh in 30; of 2 kg that is 0.3 Wh a day for each
    kg: 120 Wh are there by day 400.
    """
    row = {**synthetic.records(1)[0], "delivered_energy_J": 720.0, "mass_kg": 2.0}
    outing = build([row], {"recommended": row["design_id"]},
                   outing={**synthetic.OUTING, "days": days}).break_even  # fmt: skip
    assert outing is not None
    assert outing.sentence.startswith(words)
    assert (outing.lines[0].even, outing.lines[0].end) == ("day 400", end)


def test_what_a_rule_costs_is_told_in_words() -> None:
    row = synthetic.records(1)[0]
    told = build(
        [row], {"recommended": row["design_id"]}, rule_costs=synthetic.rule_costs(row)
    ).rule_costs
    assert told is not None
    volt, newton = told.rules
    assert "With a bank of cells rated 1\u00a0V higher, 12 % of" in told.sentence
    assert (volt.lifted, volt.picks) == ("12 %", "A 40 J")
    assert volt.gain == "150 J in the middle, 900 J at most (from 1,000 to 1,900 J)"
    assert newton.looser == "a hand that can pull 10\u00a0N more at the start"
    assert newton.picks == "none"
    assert rule("lead_current_A").label in told.free
    assert "1,234 designs" in told.basis
    assert "prices of the last launch" not in told.basis


def test_costs_of_rules_at_other_prices_are_owned_up_to() -> None:
    told = build([], {}, rule_costs=synthetic.rule_costs(None), stale=True).rule_costs
    assert told is not None
    assert "prices of the last launch" in told.basis


def test_a_front_that_no_rule_holds_back_is_told_so() -> None:
    found = {"tried": 9, "front": 2, "rules": [], "free": ["chatter_V"]}
    told = build([], {}, rule_costs=found).rule_costs
    assert told is not None
    assert "No rule costs any energy" in told.sentence
    assert build([], {}).rule_costs is None


def test_new_picks_are_said_to_lack_curves() -> None:
    rows = synthetic.records(3)
    old, new = rows[0], rows[1]
    curves = {old["design_id"]: {"cadence_rpm": [40.0], "handle_force_N": [9.0],
                                 "pack_power_W": [1.0]}}  # fmt: skip
    picks = {"recommended": old["design_id"], "least_cost": new["design_id"]}
    told = build(rows, picks, cadence_curves=curves).missing
    assert told.startswith("B is a new pick since the last launch")
    assert told.endswith("genchain launch synthetic.toml adds them.")
    assert build(rows, {"recommended": old["design_id"]}, cadence_curves=curves).missing == ""


def test_traces_carry_the_window(page: PageData) -> None:
    levels = dict(page.curves[0].levels)
    assert levels == {
        "load off below": 4.2,
        "load on above": pytest.approx(6.7),
        "load cut above": 12.5,
    }


def test_unknown_picks_are_refused() -> None:
    with pytest.raises(KeyError, match="not among"):
        build(synthetic.records(2), {"recommended": "ffffffffffff"})


def test_nothing_given_is_changed() -> None:
    rows = synthetic.records(20)
    before = copy.deepcopy(rows)
    build(rows, {"recommended": rows[3]["design_id"]})
    assert rows == before


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1049.6, "1,050"),
        (0.02917, "0.0292"),
        (38.0, "38"),
        (0, "0"),
        (99.96, "100"),
        (-2.5, "−2.5"),
    ],
)
def test_numbers_are_rounded_for_people(value: float, text: str) -> None:
    assert number(value) == text


def test_numbers_that_are_none() -> None:
    assert number(math.inf) == number(None) == "none"


def test_no_real_chain_passes_the_limit_of_physics(demo_project: Project) -> None:
    """Random designs of the demo, the whole way from its tables to the page's words."""
    project = demo_project
    found = evaluate(project, Space.of(project).draw(1000, np.random.default_rng(5)))
    limit = energy_bound(project)
    # The converter's output voltage and the pack's current enter both, so rounding is all.
    assert found.delivered_energy_J.max() <= limit.energy_J * (1 + 1e-9)
    chosen = np.arange(300)
    cost = costing.costs(project, found.designs)
    rows = [design_record(project, found, row, float(cost[row])) for row in chosen]
    assert max(row["delivered_energy_J"] for row in rows) <= limit.energy_J * (1 + 1e-9)
    page = view.page_data(project, rows, {}, view.Findings({}, {}, {}))
    assert len(page.designs.ids) == 300
    assert json.dumps(page.as_dict(), allow_nan=False)
    for column in (*page.designs.ledger, *page.designs.margins):
        assert column.label != column.name.replace("_", " ") or column.name in LEDGER


def test_a_sweep_cut_short_says_what_share_it_covered() -> None:
    cut = {
        "method": "sweep", "exact": False, "share_covered": 0.25, "seconds": 3.0,
        "designs_considered": 1000,
    }  # fmt: skip
    sentence = convergence_of(cut).sentence
    assert "25 % of all combinations" in sentence
    assert "sampled" not in sentence


def test_a_sweep_given_up_says_what_it_covered_and_what_was_sampled_then() -> None:
    search = {
        "method": "sweep+sample", "exact": False, "combinations": 10_000,
        "combinations_covered": 500, "designs_considered": 2500, "sampler": "nsga2", "seed": 3,
        "seconds": 60.0,
    }  # fmt: skip
    sentence = convergence_of(search).sentence
    assert "5 % of all combinations" in sentence
    assert "2,000 others were sampled by a genetic search (NSGA-II), repeatable" in sentence
    assert "random numbers start from 3" in sentence


def test_every_sampler_of_a_study_has_words() -> None:
    """No name of a program's own stands on the page or in the terminal."""
    assert set(SAMPLER_WORDS) == set(get_args(Search.model_fields["sampler"].annotation))
    said = " ".join(SAMPLER_WORDS.values())
    assert not any(name in said for name in ("nsga", "tpe"))


def test_feasible_designs_that_were_not_all_counted_are_at_least_so_many() -> None:
    search = {"designs_considered": 1000, "designs_feasible": 20, "feasible_counted": False}
    assert "at least 20 of them" in rejection_sentence({}, search, None)
    assert "at least" not in rejection_sentence({}, {**search, "feasible_counted": True}, None)


def of_two_people() -> tuple[Any, dict[str, Any]]:
    """A study of an adult and a weaker one with a smaller pack each, and a result of theirs."""
    weak = {"name": "Weak arm", "critical_power_W": 3.0, "reserve_J": 0.0}  # 900 J in 600 s
    project = synthetic.with_case(
        synthetic.project(),
        operators={"weak": weak},
        packs={"small_pack": {"name": "small pack", "capacity_Wh": 5.0}},
    )
    energies = {("adult", "gauge_pack"): 3000.0, ("adult", "small_pack"): 2000.0,
                ("weak", "gauge_pack"): 600.0, ("weak", "small_pack"): 400.0}  # fmt: skip
    cases = [
        {"operator": person, "pack": pack, "minutes": 10.0, "delivered_energy_J": energy,
         "crank_effort_percent": 40.0 if person == "adult" else 95.0, "regime": "cycling",
         "time_to_first_charge_s": 12.0, "minutes_per_percent": 1.0}
        for (person, pack), energy in energies.items()
    ]  # fmt: skip
    record = {
        **synthetic.records(1)[0],
        "delivered_energy_J": 1500.0,
        "crank_effort_percent": 67.5,
        "regime": "cycling",
        "ledger_J": {"crank_work": 700.0, "copper": 300.0, "delivered": 400.0},
        "ledger_case": {"operator": "weak", "pack": "small_pack"},
        "cases": cases,
    }
    return project, record


def built_of_two(project: Any, record: dict[str, Any]) -> PageData:
    found = view.Findings(synthetic.SEARCH, {}, {})
    return view.page_data(project, [record], {"balanced": record["design_id"]}, found)


def test_with_several_cases_each_number_says_whose_it_is() -> None:
    """By hand: 1 % of 20 Wh is 720 J, at 300 J a minute 2.4 minutes; 1 % of 5 Wh is 180 J."""
    project, record = of_two_people()
    page = built_of_two(project, record)
    (card,) = page.cards
    assert "minutes for 1 %" not in card.per_minute
    assert card.per_minute.endswith("mean of its cases")
    assert len(card.case_lines) == 4
    adult = project.catalogue.operators["adult"].name
    for line, (name, joules, minutes, effort) in zip(
        card.case_lines,
        [(f"{adult} into telemetry pack", "3,000 J", "2.4 minutes for 1 %", "40 %"),
         (f"{adult} into small pack", "2,000 J", "0.9 minutes for 1 %", "40 %"),
         ("Weak arm into telemetry pack", "600 J", "12 minutes for 1 %", "95 %"),
         ("Weak arm into small pack", "400 J", "4.5 minutes for 1 %", "95 %")],
        strict=True,
    ):  # fmt: skip
        assert line.name == name
        assert line.results.startswith(f"{joules}, {minutes} of ")
        assert f"{effort} effort" in line.results
    first, second = page.first.people
    assert first.startswith(f"{adult}: 2.4 minutes for 1 % of telemetry pack (20 Wh), 0.9 minutes")
    assert first.endswith("at 40 % of what the arm can hold.")
    assert second.startswith("Weak arm: 12 minutes for 1 % of telemetry pack, 4.5 minutes")
    assert second.endswith("at 95 % of what the arm can hold.")
    assert "68 %" not in str(page.first)  # nobody's effort
    assert [s.label for s in card.standings] == ["Energy, mean", "Cost", "Mass", "Effort, mean"]
    assert "mean of 4 cases" in page.whose


def test_the_ledger_is_held_against_its_own_case() -> None:
    """The weak arm's 700 J of work and 400 J delivered, never the mean's 1,500 J minus its losses;
    of its own 900 J, of which 500 J are missing."""
    project, record = of_two_people()
    page = built_of_two(project, record)
    (card,) = page.cards
    assert card.ledger_of == "Weak arm into small pack"
    assert page.designs.ledger_of == (card.ledger_of,)
    assert card.lost.startswith("Weak arm into small pack: Of the 900 J that the arm could give")
    assert "draws 700 J" in card.lost
    assert "loses 300 J on the way" in card.lost
    assert energy_bound(project).of(record["ledger_case"]).arm_J == pytest.approx(900)
    weakest = synthetic.with_case(project, over_cases="worst")
    worst = built_of_two(weakest, {**record, "delivered_energy_J": 400.0})
    assert worst.cards[0].share_of_bound == "44 % of what physics allows"  # 400 of 900 J


def test_one_case_needs_no_names(page: PageData) -> None:
    card = page.cards[0]
    assert (card.case_lines, card.ledger_of, page.whose) == ((), "", "")


def test_power_over_cadence_is_left_out_where_it_is_unknown() -> None:
    assert over_cadence([40.0, 50.0, 60.0], [2.0, None, 3.0]).startswith(
        "Most power into the pack at 60 rpm: 3 W"
    )
    assert "At none of these" in over_cadence([40.0], [None])
