"""What a build sheet says of mechanics, window and bank: by hand, whatever the design, on paper."""

from __future__ import annotations

import re
from math import floor, log, log10, pi, sqrt
from typing import Any

import pytest

from explorer.decision.dividers import series
from explorer.inputs.links import LINKS
from explorer.inputs.study import Project
from explorer.report.sheet.facts import facts
from explorer.report.sheet.mechanics import AXLES_MM, ELBOW_MM, loads_of
from explorer.report.sheet.sheet import Sheet, build_sheet, render_sheet, write_sheet
from explorer.report.sheet.stages import BELT, CHAIN, GEARS, KINDS, PULLEYS, teeth_for, ways
from explorer.report.sheet.stock import (
    LOADED_SHARE,
    RATINGS_W,
    bleed,
    rated_W,
    shunt_ohm,
    wire_words,
)
from tests.report.test_paper import POINTS, sheets
from tests.report.test_sheet import TOUCHES, decided, numbers

FEW = 20


def made(project: Project, **parts: str) -> Sheet:
    chosen = decided(project, **parts)
    return build_sheet(project, chosen, facts(project, chosen, draws=FEW))


# ---- stages


def test_four_to_one_by_hand() -> None:
    """Chain 13 and 52 teeth: pitch circles of 12.7 mm/sin(pi/z). 25.5 N m at the crank pull with
    2 x 25.5/0.2103 m = 242 N."""
    chain, belt, gears = ways(4.0, 25.5)
    assert (chain.small, chain.large, chain.stages) == (13, 52, 1)
    assert chain.large_m == pytest.approx(0.21034, abs=1e-4)
    assert chain.pull_N == pytest.approx(242.5, abs=0.5)
    assert chain.pieces % 2 == 0
    assert (belt.small, belt.large) == (18, 72)
    assert belt.large_m == pytest.approx(72 * 0.005 / pi)
    assert belt.slow_load_N == pytest.approx(1.5 * belt.pull_N)
    assert (gears.small, gears.large, gears.pieces) == (17, 68, 0)
    assert gears.centre_m == pytest.approx(0.0015 * 85 / 2)  # m (z1 + z2)/2, textbook


@pytest.mark.parametrize("ratio", [0.25, 0.5, 1.3, 2.0, 3.0, 5.0, 8.0, 12.0, 40.0])
def test_every_ratio_has_wheels_that_do_not_touch(ratio: float) -> None:
    for one in ways(ratio, 20.0):
        assert one.ratio == pytest.approx(ratio, rel=0.06)
        assert one.small in one.kind.small
        assert one.large in one.kind.large
        assert one.centre_m >= (one.small_m + one.large_m) / 2 - 1e-9
        # Power is the same at both ends: pull falls as the belt gets faster.
        before = one.ratio ** ((one.stages - 1) / one.stages)
        assert one.slow_load_N / one.fast_load_N == pytest.approx(before)


def test_one_to_one_needs_no_stage_and_teeth_are_those_of_shops() -> None:
    assert list(ways(1.0, 20.0)) == []
    assert {kind.name for kind in KINDS} == {CHAIN.name, BELT.name, GEARS.name}
    assert set(teeth_for(BELT, 2.0)) <= set(PULLEYS)
    assert teeth_for(CHAIN, 1.0) == (17, 17)


# ---- around the chain


def test_forces_axle_and_height_by_hand(small_project: Project) -> None:
    """The hardest pull of the study's strongest person on 170 mm; a quarter of the turn further the
    same pull tips the frame. Axle heights: elbows of 980 and 1,050 mm less the 170 mm of the crank.
    """
    chosen = decided(small_project)
    known = facts(small_project, chosen, draws=FEW)
    person = small_project.catalogue.operators[small_project.study.session.operators[0]]
    loads = loads_of(known)
    assert loads.most_N == person.force_limit_N
    assert loads.most_N_m == pytest.approx(0.17 * person.force_limit_N)
    uneven = 1 + person.unevenness + person.unevenness_turn
    assert loads.crest_N == pytest.approx(uneven * loads.mean_N)
    rows = dict(build_sheet(small_project, chosen, known).mechanics)
    assert numbers(rows["axle height"])[:2] == [ELBOW_MM[0] - 170, ELBOW_MM[1] - 170]
    assert numbers(rows["frame"])[0] == pytest.approx(person.force_limit_N * 0.88, rel=5e-3)
    side = max(one.slow_load_N for one in ways(4.0, loads.most_N_m))
    bending = 0.1 * person.force_limit_N + 0.03 * side
    thin = 1000 * (16 * sqrt(bending**2 + loads.most_N_m**2) / (pi * 40e6)) ** (1 / 3)
    bore, shown = numbers(rows["crank axle"])[:2]
    assert shown == pytest.approx(thin, rel=5e-3)
    assert bore in AXLES_MM
    assert bore >= thin
    assert "the gearing bears 22 N m" in rows["force on the handle"]  # belt_4's own row
    turned = loads.most_N_m * 0.96 / 4  # its efficiency and ratio
    assert numbers(rows["generator"])[0] == pytest.approx(turned, rel=5e-3)
    assert "circle of 270 mm" in rows["guard"]


def test_which_way_to_turn(small_project: Project) -> None:
    """Bridges take both ways; one diode of a brushed machine bears bank and generator backwards."""
    both = dict(made(small_project).mechanics)["turning direction"]
    assert both.startswith("either")
    brushed = made(small_project, generator="treadmill_dc", rectifier="active_8")
    one_way = dict(brushed.mechanics)["turning direction"]
    assert one_way.startswith("only so that the meter shows plus")
    shaft = 50 * 4 * 2 * pi / 60
    # 5 x 2.7 V x 0.95 of the bank, 0.32 V s of the machine.
    assert numbers(one_way)[0] == pytest.approx(12.825 + 0.32 * shaft, rel=5e-3)


# ---- small parts


def test_a_bleed_resistor_drains_in_time_at_half_its_rating() -> None:
    """`V exp(-t/(R C))`: after the time it says a full bank is at 1 V."""
    for bank_V, farad in ((12.8, 5.0), (12.8, 20.0), (25.0, 3.0), (5.0, 100.0)):
        found = bleed(bank_V, farad)
        assert bank_V**2 / found.ohm <= LOADED_SHARE * found.rated_W * (1 + 1e-9)
        assert found.drains_s == pytest.approx(found.ohm * farad * log(bank_V))
        assert found.halves_s == pytest.approx(found.ohm * farad * log(2))
        assert found.drains_s <= 600 or found.rated_W == RATINGS_W[-1]
        step = found.ohm / 10 ** floor(log10(found.ohm))
        assert min(abs(step - value) for value in series("E12")) < 1e-9
    assert rated_W(0.31) == 1.0
    assert shunt_ohm(0.0083) == pytest.approx(0.008)


@pytest.mark.parametrize(("gauge", "mm2"), [(24, 0.205), (18, 0.823), (12, 3.31)])
def test_wires_are_named_both_ways(gauge: int, mm2: float) -> None:
    """Cross sections of ASTM B258: the size of a shop is the next above it."""
    size, shown = numbers(wire_words(gauge))
    assert shown == gauge
    assert mm2 * 0.999 <= size <= 1.7 * mm2


# ---- window and bank


def test_every_joint_of_the_window_ends_on_something_drawn(small_project: Project) -> None:
    sheet = made(small_project)
    ends = " ".join(" ".join(one.points) for one in sheet.joints)
    for name in ("bus +", "bank −", "RS", "Q", "R1", "R4", "K1", "K2", "K3", "K4", "reference"):
        assert name in ends
    printed = [one.what for one in sheet.small if one.why == "divider of the window"]
    assert len(printed) == len(sheet.circuit.divider) == 4
    for what, ohm in zip(printed, sheet.circuit.divider, strict=True):
        assert ohm in what
    whole = made(small_project, window="window_limit_5a")
    assert whole.circuit.sense == ""
    assert "K4" not in " ".join(" ".join(one.points) for one in whole.joints)
    assert "RS" not in " ".join(" ".join(one.points) for one in whole.joints)


def test_the_bank_goes_from_minus_to_plus(small_project: Project) -> None:
    """Five of 2.7 V at 0.95: each row's plus is the next row's minus, 12.8 V at the end."""
    rows = made(small_project).cells
    assert [row.minus for row in rows] == ["bank −", *(f"plus of {k}" for k in range(1, 5))]
    assert [row.plus for row in rows] == [*(f"minus of {k}" for k in range(2, 6)), "fuse: bank +"]
    assert [numbers(row.to_here_V)[0] for row in rows] == pytest.approx(
        [2.565 * k for k in range(1, 6)], rel=5e-3
    )


# ---- on paper and on screens

DESIGNS = {
    "clamped": {},
    "two stages": {"clamp": "no_clamp", "gearing": "chain_belt_12", "generator": "stepper_long"},
    "direct": {"gearing": "no_gearing", "generator": "treadmill_dc", "window": "window_limit_5a"},
}
SMALL_ON_PAPER = """least => [...document.querySelectorAll('body *')].flatMap(e =>
    [...e.childNodes].filter(n => n.nodeType === 3 && n.textContent.trim())
        .filter(() => e.checkVisibility({contentVisibilityAuto: true}))
        .map(n => [parseFloat(getComputedStyle(e).fontSize)
            * (e.ownerSVGElement ? e.getScreenCTM().a : 1), n.textContent.trim()]))
    .filter(([size]) => size < least)"""
"""Texts whose letters are below a size in CSS pixels, drawings scaled as they stand."""


@pytest.fixture(scope="module")
def drawn(demo_project: Project, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Addresses of the sheets, by design."""
    ids = {link: {part.id for part in demo_project.catalogue.parts[link]} for link in LINKS}
    found = {}
    for name, parts in DESIGNS.items():
        assert all(part in ids[link] for link, part in parts.items())
        folder = tmp_path_factory.mktemp("sheet")
        found[name] = write_sheet(made(demo_project, **parts), folder)[0].as_uri()
    return found


@pytest.mark.browser
@pytest.mark.parametrize("name", DESIGNS)
@pytest.mark.parametrize("size", POINTS)
def test_a_sheet_is_four_pages_of_ten_points(
    chromium: Any, drawn: dict[str, str], name: str, size: str
) -> None:
    wide = int(96 * (POINTS[size][0] / 72 - 2 * 11 / 25.4))
    tab = chromium.new_page(viewport={"width": wide, "height": 800})
    tab.goto(drawn[name])
    printed = sheets(tab.pdf(format=size))
    assert 1 <= len(printed) <= 4
    assert printed[0] == pytest.approx(POINTS[size], abs=1.0)
    tab.emulate_media(media="print")
    # 10 pt are 13.33 CSS pixels.
    assert tab.evaluate(SMALL_ON_PAPER, 13.3) == []
    assert tab.evaluate("document.documentElement.scrollWidth") <= wide
    tab.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 1280])
def test_no_letter_of_a_sheet_is_below_twelve_pixels(
    chromium: Any, drawn: dict[str, str], width: int
) -> None:
    tab = chromium.new_page(viewport={"width": width, "height": 800})
    for address in drawn.values():
        tab.goto(address)
        assert tab.evaluate(SMALL_ON_PAPER, 12.0) == []
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
    tab.close()


ON_LINES = TOUCHES.replace(" || shape.isPointInFill(at)", "").replace(
    "other.parentNode !== texts[k].parentNode", "j !== k"
)
"""The same of the window, whose words may stand in a box but on no line and no other word."""


@pytest.mark.browser
@pytest.mark.parametrize("media", ["screen", "print"])
def test_no_words_of_the_window_touch(chromium: Any, drawn: dict[str, str], media: str) -> None:
    tab = chromium.new_page(viewport={"width": 1280, "height": 800})
    tab.emulate_media(media=media)
    for address in drawn.values():
        tab.goto(address)
        touching = tab.locator(".window svg").evaluate(ON_LINES)
        # A sign fills little of its box, and stands in the corner of its triangle.
        assert [words for words in touching if words[0] not in "+−"] == []
    tab.close()


def test_every_check_has_a_field_for_its_reading(small_project: Project) -> None:
    sheet = made(small_project)
    html = render_sheet(sheet)
    assert len(re.findall(r"<dt>read</dt><dd><i class=\"blank\">", html)) == len(
        sheet.commissioning
    )
    assert len(sheet.gear) >= 5
