"""The first screen: its sentences, and what of them stands above the fold in a real browser."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from explorer.inputs.study import Project
from explorer.model.names import name_of
from explorer.report.page import page, view
from explorer.report.page.content import PageData
from tests.helpers import long_names, synthetic
from tests.helpers.browser import Open, unfold, wait_for

SIZES = {1280: 3, 360: 5}
"""Width of a screen 800 px high, and how many of them the folded page may fill."""
HIGH = 800
ABOVE = """() => {
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), seen = [];
  for (let node; (node = walk.nextNode());) {
    const range = document.createRange(); range.selectNodeContents(node);
    const boxes = [...range.getClientRects()].filter(b => b.width && b.height);
    if (boxes.length && boxes.every(b => b.top >= 0 && b.bottom <= innerHeight && b.left >= 0
        && b.right <= innerWidth) && node.parentElement.checkVisibility()) seen.push(node.data);
  }
  return seen.join(" ").replace(/\\s+/g, " "); }"""
"""All text that lies on the first screen as a whole."""


def built(rows: list[dict[str, Any]], picks: dict[str, str], **found: Any) -> PageData:
    given = {"search": synthetic.SEARCH, "rejections": {}, "provenance": {}, **found}
    return view.page_data(synthetic.project(), rows, picks, view.Findings(**given))


def of_one(changes: dict[str, Any], **found: Any) -> PageData:
    """The page of one made-up design."""
    row = {**synthetic.records(1)[0], **changes}
    return built([row], {"recommended": row["design_id"]}, **found)


def test_the_cadence_that_decides_by_hand() -> None:
    """Power at 60 rpm is 4 W; 3.6 W and more is nine tenths of it, 1 W at 70 rpm a quarter."""
    row = synthetic.records(1)[0]
    curve = {
        "cadence_rpm": [40.0, 50.0, 60.0, 70.0],
        "handle_force_N": [9.0] * 4,
        "pack_power_W": [2.0, 3.7, 4.0, 1.0],
    }
    settings = {**row["settings"], "cadence_rpm": 60.0}
    first = of_one({"settings": settings}, cadence_curves={row["design_id"]: curve}).first
    assert "Hold 50 to 60 rpm: at 70 it gives 25 % of that." in first.decisive
    flat = {**curve, "pack_power_W": [4.0] * 4}
    first = of_one({"settings": settings}, cadence_curves={row["design_id"]: flat}).first
    assert not any("rpm" in words for words in first.decisive)


def test_the_loss_that_decides_by_hand() -> None:
    """630 of 1,000 J; what is left in the bank is no loss."""
    ledger = {"crank_work": 1000.0, "drag": 630.0, "copper": 70.0, "stored": 200.0}
    first = of_one({"ledger_J": {**ledger, "delivered": 100.0}}).first
    assert first.decisive[0].startswith("63 % of the work at the crank is lost to generator drag:")


def test_what_to_measure_first_is_what_is_worth_most() -> None:
    """The words are of the computation; nothing is said where nobody has computed."""
    name = synthetic.records(1)[0]["design_id"]
    first = of_one({}, measure_next=synthetic.advice(name)).first
    assert first.measure.startswith("threshold of the clamp, a_clamp (10 minutes with multimeter")
    assert "gains 107 J on average (89 to 125 J): in 25 % of cases" in first.measure
    many = {**synthetic.advice(name)["worth"][0], "minutes": 85.0, "instruments": ["a", "b", "c"]}
    long = of_one({}, measure_next={**synthetic.advice(name), "worth": [many]}).first.measure
    assert long.startswith("threshold of the clamp, a_clamp (85 minutes). Knowing it gains")
    assert of_one({}).first.measure == ""
    assert of_one({}, measure_next=synthetic.advice("0123456789ab")).first.measure == ""
    nothing = {**synthetic.advice(name), "measure_nothing": True}
    assert of_one({}, measure_next=nothing).first.measure.startswith("nothing. No single number")
    falls = synthetic.advice(name, worth_J=0.0, interval_J=[-9.0, -7.0], falls_share=0.34)
    assert "In 34 % of cases its promise does not hold" in (
        of_one({}, measure_next=falls).first.measure
    )


def test_what_a_rule_costs_decides_where_it_is_much() -> None:
    """40 J of 50 J are four fifths: more than any loss of this ledger."""
    row = synthetic.records(1)[0]
    changes = {"delivered_energy_J": 50.0, "ledger_J": {"crank_work": 100.0, "drag": 50.0}}
    first = of_one(changes, rule_costs=synthetic.rule_costs(row)).first
    assert first.decisive[0].startswith("With a bank of cells rated 1\u00a0V higher")
    assert first.decisive[0].endswith("40 J more.")
    assert len(first.decisive) == 2


def test_parts_that_cost_nothing_are_at_hand() -> None:
    row = synthetic.records(1)[0]
    crank, *others = row["bill"]
    given = {"bill": [{**crank, "unit_price": 0.0}, *others]}
    given["cost"] = row["cost"] - crank["unit_price"]
    first = of_one(given).first
    names = [one.name for one in first.purchases]
    assert not any("crank" in name for name in names)
    assert "crank" in first.at_hand
    assert total(first) == pytest.approx(given["cost"], abs=0.005)


def test_parts_that_a_what_if_owns_are_not_to_be_bought() -> None:
    """Six valves are free, as the cost of a what-if has it."""
    row = synthetic.records(1)[0]
    valves = next(line for line in row["bill"] if line["link"] == "rectifier")
    cost = row["cost"] - valves["quantity"] * valves["unit_price"]
    free = {"owned": valves["quantity"], "bought": 0, "amount": 0.0}
    bill = [{**line, **free} if line is valves else line for line in row["bill"]]
    first = of_one({"cost": cost, "bill": bill}).first
    assert total(first) == pytest.approx(cost, abs=0.005)
    assert "6 × " in first.at_hand


def total(first: Any) -> float:
    return sum(float(one.amount.replace(",", "")) for one in first.purchases)


def test_the_promise_and_the_hazard_say_their_shares() -> None:
    first = of_one({**synthetic.DRAWN}).first
    assert first.promise.startswith("90 % of builds give 1,230 J (0.343 Wh) or more in 10 minutes")
    assert first.hazard.startswith(
        "Chance of a hazard: 0.4 % of 1,000 builds, at most 1 % (95 % sure; allowed: "
    )
    none = of_one({**synthetic.DRAWN, "hazard_chance": 0.0}).first
    assert "none in 1,000 builds, at most 1 %" in none.hazard


def test_nothing_is_promised_before_builds_are_drawn() -> None:
    row = {k: v for k, v in synthetic.records(1)[0].items() if k not in synthetic.DRAWN}
    first = built([row], {"recommended": row["design_id"]}).first
    assert "nothing is promised" in first.promise
    assert "unknown" in first.hazard


def test_rivals_are_two_alternatives_with_gain_and_loss() -> None:
    """The third is all but the second: it is no alternative of its own."""
    base = {**synthetic.records(1)[0], "delivered_energy_J": 1000.0, "cost": 50.0, "mass_kg": 2.0}
    base["crank_effort_percent"] = 40.0
    changes = [
        {},
        {"delivered_energy_J": 1500.0, "cost": 80.0},
        {"delivered_energy_J": 700.0, "cost": 30.0},
        {"delivered_energy_J": 690.0, "cost": 30.5, "mass_kg": 1.99},
    ]
    rows = [{**base, **change, "design_id": f"{k:012x}"} for k, change in enumerate(changes)]
    wishes = ("recommended", "most_energy", "least_cost", "lightest")
    first = built(rows, {w: r["design_id"] for w, r in zip(wishes, rows, strict=True)}).first
    assert [one.words for one in first.rivals] == [
        "Most energy: 500 J more energy, but 30.00 EUR dearer.",
        "Least cost: 20.00 EUR cheaper, but 300 J less energy.",
    ]


def test_the_share_of_votes_stands_with_what_to_build_and_with_rivals() -> None:
    base = synthetic.records(1)[0]
    rows = [
        {**base, "design_id": f"{k:012x}", "delivered_energy_J": 1000.0 + 500 * k, "cost": 50 + k}
        for k in range(2)
    ]
    wishes = {"recommended": rows[0]["design_id"], "most_energy": rows[1]["design_id"]}
    votes = {rows[0]["design_id"]: 0.413, rows[1]["design_id"]: 0.0004}
    first = built(rows, wishes, votes=votes).first
    assert first.best_for.startswith(
        "A is best for 41 % of all ways to weigh energy, cost, mass and "
    )
    assert first.rivals[0].words.startswith("Most energy, best for less than 1 %: 500 J more")
    silent = built(rows, wishes).first
    assert not silent.best_for
    assert "best for" not in silent.rivals[0].words


@pytest.fixture(scope="module", params=["made_up", "long_names", "two_people"])
def data(request: pytest.FixtureRequest, demo_project: Project) -> PageData:
    if request.param == "long_names":
        return long_names.page(demo_project)
    return synthetic.page(400) if request.param == "made_up" else of_two_people()


def of_two_people() -> PageData:
    """A page of two people who charge two packs."""
    project = synthetic.with_case(
        synthetic.project(),
        operators={"weak": {"name": "Weak arm"}},
        packs={"small_pack": {"name": "small pack", "capacity_Wh": 5.0}},
    )
    rows = []
    for row in synthetic.records(100):
        keys = ("crank_effort_percent", "regime", "time_to_first_charge_s")
        own, energy = {key: row[key] for key in keys}, row["delivered_energy_J"]
        cases = [
            {**own, "operator": person, "pack": pack, "delivered_energy_J": part * energy}
            for person, part in (("adult", 1.3), ("weak", 0.7))
            for pack in ("gauge_pack", "small_pack")
        ]
        rows.append({**row, "cases": cases})
    wishes = {"recommended": 0, "most_energy": 1, "least_cost": 2}
    first = rows[0]["design_id"]
    found = view.Findings(
        search=synthetic.SEARCH,
        rejections=synthetic.REJECTIONS,
        provenance=synthetic.PROVENANCE,
        market=synthetic.market(),
        votes={rows[0]["design_id"]: 0.27, rows[1]["design_id"]: 0.11},
        cadence_curves={
            first: {"cadence_rpm": [40, 60], "handle_force_N": [9, 9], "pack_power_W": [9, 1]}
        },
    )
    picks = {wish: rows[k]["design_id"] for wish, k in wishes.items()}
    return view.page_data(project, rows, picks, found)


@pytest.fixture(scope="module")
def address(data: PageData, tmp_path_factory: pytest.TempPathFactory) -> str:
    return page.write(data, tmp_path_factory.mktemp("first")).as_uri()


def screen(visit: Open, width: int, **more: Any) -> Any:
    phone = width < 500
    return visit(width=width, height=HIGH, has_touch=phone, is_mobile=phone, **more)


@pytest.mark.browser
@pytest.mark.parametrize("width", SIZES)
def test_the_answer_stands_above_the_fold(visit: Open, data: PageData, width: int) -> None:
    seen = screen(visit, width).evaluate(ABOVE)
    first = data.first
    assert name_of(str(data.recommended_id)) in seen
    told = [
        first.promise,
        first.hazard,
        first.measure,
        first.caution,
        *first.people,
    ]
    for words in (*told, *first.decisive):
        assert words in seen
    assert re.match(r"\d+ % of builds give [\d,.]+ J", first.promise)
    assert "at most" in first.hazard
    row = data.designs.ids.index(data.recommended_id)
    cost = data.designs.objectives[1].values[row]
    bill = {
        (line.name, f"{line.quantity * line.unit_price:,.2f}")
        for line in (data.designs.bill_lines[k] for k in data.designs.bills[row])
    }
    listed = re.search(rf"To buy: {re.escape(first.cost)} (.*?) It weighs", seen)
    assert listed is not None
    amounts = []
    for one in first.purchases:
        assert (one.name, one.amount) in bill
        words = f"{one.name} ({one.gloss})" if one.gloss else one.name
        assert re.search(rf"{re.escape(words)} {re.escape(one.amount)}", listed.group(1))
        amounts.append(float(one.amount.replace(",", "")))
    assert sum(amounts) == pytest.approx(float(first.cost.split()[0].replace(",", "")), abs=0.005)
    assert sum(amounts) == pytest.approx(cost, abs=0.005)


@pytest.mark.browser
@pytest.mark.parametrize("width", SIZES)
def test_folded_the_page_is_short_and_nothing_sticks_out(visit: Open, width: int) -> None:
    tab = screen(visit, width)
    assert tab.locator("details[open]").count() == 0
    high, wide = tab.evaluate("(e => [e.scrollHeight, e.scrollWidth])(document.documentElement)")
    assert high <= SIZES[width] * HIGH
    assert wide <= width
    assert unfold(tab).evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.browser
@pytest.mark.parametrize("width", SIZES)
def test_no_letters_are_smaller_than_twelve_pixels(visit: Open, width: int) -> None:
    small = unfold(screen(visit, width)).evaluate(
        """() => [...document.querySelectorAll("body *")].filter(e => e.checkVisibility()
        && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim())
        && parseFloat(getComputedStyle(e).fontSize) < 12).map(e => e.outerHTML.slice(0, 90))"""
    )
    assert small == []


@pytest.mark.browser
def test_every_fold_asks_a_question_and_opens_by_keyboard(visit: Open) -> None:
    tab = screen(visit, 1280)
    questions = tab.locator(".fold > summary, .inner > summary").all()
    asked = [one.inner_text() for one in questions if one.is_visible()]
    assert len(asked) >= 10
    assert all(text.endswith("?") for text in asked)
    assert len(set(asked)) == len(asked)
    for one in questions:
        if one.is_visible():
            one.focus()
            tab.keyboard.press("Enter")
    assert tab.locator("#prices").is_visible()
    assert tab.locator("#full h3").first.is_visible()


@pytest.mark.browser
def test_a_link_opens_what_it_leads_to(visit: Open, data: PageData) -> None:
    tab = screen(visit, 1280)
    tab.locator(".rivals a").first.click()
    rival = data.first.rivals[0].design_id
    wait_for(tab, f"document.querySelector('#full h3').textContent.includes('{name_of(rival)}')")
    assert tab.locator("#full").is_visible()
    tab.get_by_role("link", name="See what moved").click()
    wait_for(tab, "document.getElementById('fold-prices').open")


@pytest.mark.browser
def test_no_sentence_and_no_heading_stands_twice(visit: Open) -> None:
    """Cards and single designs aside, which say the same things of several designs."""
    tab = unfold(screen(visit, 1280))
    texts = tab.locator("main").evaluate(
        """main => [...main.querySelectorAll("p, li, h2")].filter(e => e.checkVisibility()
        && !e.closest(".card, .detail, #full, #parallel, .decision")).map(e => e.innerText)"""
    )
    sentences = [one for text in texts for one in re.split(r"(?<=[.?])\s+", text) if len(one) > 25]
    assert len(sentences) > 30
    assert sorted({one for one in sentences if sentences.count(one) > 1}) == []


@pytest.mark.browser
@pytest.mark.parametrize("width", SIZES)
def test_where_nothing_holds_the_first_words_say_why(
    visit: Open, tmp_path: Path, width: int
) -> None:
    none = built([], {}, rejections=synthetic.REJECTIONS)
    at = page.write(replace(none, market=None), tmp_path).as_uri()
    seen = screen(visit, width, at=at, ready="").evaluate(ABOVE)
    assert none.first.build in seen
    assert none.first.why in seen
