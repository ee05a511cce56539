"""The page on paper: the summary and one design, on A4 and on Letter."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from explorer.decision.picks import picks
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluate import evaluate
from explorer.model.objectives import points_of
from explorer.model.record import design_record
from explorer.model.space import Space
from explorer.report.page import page, view
from explorer.report.wording import PICK_WORDS
from tests.helpers import synthetic
from tests.helpers.browser import Open

pytestmark = pytest.mark.browser

POINTS = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}
"""Width and height in points of 1/72 inch: 210 by 297 mm (ISO 216), 8.5 by 11 in (ANSI Y14.1)."""
MARGIN_MM = 12.0
MOST_SUMMARY, MOST_DESIGN = 3, 2


def after_a_rerun() -> Any:
    """What prices do after nine of them moved, with another answer to every wish and three locks,
    two of them beaten: the words are those of the demo.
    """
    told = synthetic.market()
    change = replace(told.changes[0], name="Fine comparator pair with a P-channel switch")
    wish = replace(told.wishes[0], before=DESIGN, after=DESIGN)
    decision = replace(told.decisions[0], note="For the spring crew", words=WORDS, nearest="")
    return replace(
        told,
        changes=(change,) * 9,
        wishes=tuple(replace(wish, wish=words) for words in PICK_WORDS.values()),
        decisions=(decision, decision, replace(decision, words=WORDS[1:2], nearest=NEAREST)),
    )


DESIGN = "3,930 J, 73.64 EUR, 2.84 kg, 34 % effort"
WORDS = (
    "Beaten by de0809851e69: 120 J more energy, 3.60 EUR cheaper.",
    "It costs 74.24 EUR today, 5.50 EUR more than on the day of the lock.",
    "Staying costs 74.24 EUR, switching costs 70.64 EUR; parts that you already have count as free "
    "only when the rerun names them.",
)
NEAREST = (
    "The nearest price that would change that: Buck-boost module 3 to 20 V four switches, when "
    "it falls below 3.11 EUR (13.50 EUR today)."
)


@pytest.fixture(scope="module")
def address(demo_project: Project, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A page with the demo's long names and many rules: random designs, whatever they are worth."""
    project = demo_project
    results = evaluate(project, Space.of(project).draw(400, np.random.default_rng(3)))
    results = results.take(np.flatnonzero(results.delivered_energy_J > 0))
    cost = costing.costs(project, results.designs)
    rows = [design_record(project, results, row, float(cost[row])) for row in range(len(results))]
    picked = picks(points_of(project, results, cost), synthetic.UNITS)
    wishes = {wish: rows[k]["design_id"] for wish, k in picked.items()}
    assert len(set(wishes.values())) >= 4
    for row in rows:
        row["readings"] = {**row["readings"], "cycle_s": 4.98}
    seconds = np.linspace(0, 600, 120)
    first = wishes["recommended"]
    found = view.Findings(
        search=synthetic.SEARCH,
        rejections={name: (9, 1) for name in rows[0]["margins"] if name != "limit_cost"},
        provenance=synthetic.PROVENANCE,
        outing=synthetic.OUTING,
        rule_costs=synthetic.rule_costs({"design_id": first}),
        session_traces={first: {"time_s": seconds, "bus_V": 5 + seconds % 3, "pack_W": seconds}},
        cadence_curves={
            # Faster gives less here, which takes a long sentence.
            first: {
                "cadence_rpm": [40, 60, 80],
                "handle_force_N": [9, 12, 4],
                "pack_power_W": [1, 9.93, 0.24],
            }
        },
        market=after_a_rerun(),
        locked=[{"design_id": one["design_id"], "status": "kept"} for one in rows[:3]],
        swaps=synthetic.swaps(first, rows[0]["design_id"]),
    )
    data = view.page_data(project, rows, wishes, found)
    return page.write(data, tmp_path_factory.mktemp("paper")).as_uri()


def sheets(pdf: bytes) -> list[tuple[float, float]]:
    """Width and height of every page of a PDF, in points (ISO 32000-1, 7.7.3.3: MediaBox)."""
    assert pdf.startswith(b"%PDF-")
    pages = re.findall(rb"/Type\s*/Page\b(?!s).*?/MediaBox\s*\[([^\]]*)\]", pdf, re.S)
    return [tuple(float(v) for v in box.split()[2:]) for box in pages]  # type: ignore[misc]


def one_design(tab: Any) -> None:
    tab.evaluate("document.documentElement.classList.add('one')")


@pytest.mark.parametrize("size", POINTS)
def test_the_summary_is_a_few_sheets_of_the_size_asked_for(visit: Open, size: str) -> None:
    printed = sheets(visit().pdf(format=size))
    assert 1 <= len(printed) <= MOST_SUMMARY
    for sheet in printed:
        assert sheet == pytest.approx(POINTS[size], abs=1.0)


@pytest.mark.parametrize("size", POINTS)
def test_one_design_is_two_sheets(visit: Open, size: str) -> None:
    tab = visit()
    one_design(tab)
    told = tab.locator("#full").inner_text()
    assert "read the range" in told
    assert "faster is less" in told
    printed = sheets(tab.pdf(format=size))
    assert len(printed) == MOST_DESIGN
    assert printed[0] == pytest.approx(POINTS[size], abs=1.0)


@pytest.mark.parametrize("size", POINTS)
def test_answer_and_all_cards_share_the_first_sheet(visit: Open, size: str) -> None:
    """Laid out as wide as the sheet between its margins; a CSS pixel is 1/96 inch."""
    wide, high = (96 * (points / 72 - 2 * MARGIN_MM / 25.4) for points in POINTS[size])
    tab = visit(width=int(wide))
    tab.emulate_media(media="print")
    top = tab.locator("header").evaluate("e => e.getBoundingClientRect().top")
    ends = tab.locator("#answer").evaluate("e => e.getBoundingClientRect().bottom")
    assert tab.locator("#answer .card").count() >= 4
    assert ends - top <= high
    assert tab.evaluate("document.documentElement.scrollWidth") <= int(wide)


def test_paper_says_what_it_leaves_to_the_screen(visit: Open) -> None:
    """Long tables are cut to what decides, and say so; no table is cut in silence."""
    tab = visit()
    tab.emulate_media(media="print")
    for table, most in ((".rules", 6), (".moves", 6), (".costs", 4)):
        rows = tab.locator(f"{table} tbody tr")
        assert rows.count() > 0
        seen = sum(row.is_visible() for row in rows.all())
        assert seen == min(rows.count(), most)
        note = tab.locator(f"div:has(> {table}) + .paper")
        assert note.count() == (rows.count() > most)
        if rows.count() > most:
            assert str(rows.count()) in note.inner_text()
            assert note.is_visible()
    assert not tab.locator(".price-limits").first.is_visible()
    assert "For the spring crew" in tab.locator(".decision").first.inner_text()


def test_paper_has_the_still_figures(visit: Open) -> None:
    tab = visit()
    tab.emulate_media(media="print")
    assert not tab.locator("#design").is_visible()  # it has a print of its own
    assert not tab.locator("#plots").is_visible()
    assert tab.locator(".still img").is_visible()
    assert tab.locator("body").evaluate("e => getComputedStyle(e).backgroundColor") == (
        "rgb(255, 255, 255)"
    )


def test_one_design_prints_alone(visit: Open) -> None:
    tab = visit()
    tab.evaluate("window.print = () => { window.printed = document.documentElement.className; }")
    tab.get_by_role("button", name="Print this design").click()
    assert "one" in tab.evaluate("window.printed").split()
    tab.emulate_media(media="print")
    assert not tab.locator("#answer").is_visible()
    assert tab.locator("#design").is_visible()
    assert tab.locator("#cautions").is_visible()
