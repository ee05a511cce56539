"""The page on paper: the summary and one design, on A4 and on Letter."""

from __future__ import annotations

import re
from typing import Any

import pytest

from explorer.inputs.study import Project
from explorer.report.page import page
from tests.helpers import long_names
from tests.helpers.browser import Open, unfold

pytestmark = pytest.mark.browser

POINTS = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}
"""Width and height in points of 1/72 inch: 210 by 297 mm (ISO 216), 8.5 by 11 in (ANSI Y14.1)."""
MARGIN_MM = 12.0
MOST_SUMMARY, MOST_DESIGN = 3, 2


@pytest.fixture(scope="module")
def address(demo_project: Project, tmp_path_factory: pytest.TempPathFactory) -> str:
    return page.write(long_names.page(demo_project), tmp_path_factory.mktemp("paper")).as_uri()


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
    told = unfold(tab).locator("#full").inner_text()
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
    ends = tab.locator("#cards").evaluate("e => e.getBoundingClientRect().bottom")
    assert tab.locator("#cards .card").count() >= 4
    assert all(card.is_visible() for card in tab.locator("#cards .card").all())
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


def test_no_dashed_line_crosses_the_words_above_its_bar(visit: Open) -> None:
    """It marks what is close, within the bar and nowhere else."""
    tab = visit()
    one_design(tab)
    unfold(tab)
    tab.emulate_media(media="print")
    bars = tab.locator("#full .limits .gap").evaluate_all(
        """all => all.map(one => { const line = getComputedStyle(one, "::after");
        return [parseFloat(line.top), parseFloat(line.height), one.clientHeight]; })"""
    )
    assert len(bars) > 5
    for top, height, bar in bars:
        assert top >= 0
        assert top + height <= bar + 0.01


def test_one_design_prints_alone(visit: Open) -> None:
    tab = visit()
    tab.evaluate("window.print = () => { window.printed = document.documentElement.className; }")
    unfold(tab).get_by_role("button", name="Print this design").click()
    assert "one" in tab.evaluate("window.printed").split()
    tab.emulate_media(media="print")
    assert not tab.locator("#answer").is_visible()
    assert tab.locator("#design").is_visible()
    assert tab.locator("#cautions").is_visible()
