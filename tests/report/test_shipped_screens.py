"""The first screens of both shipped studies, as a reader meets them: all of the answer is there."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from explorer.commands import front_view, terminal
from explorer.commands.launch import launch_study
from explorer.inputs.study import load
from explorer.model.names import name_of
from explorer.model.objectives import COST
from tests.conftest import DEMO
from tests.helpers.browser import Open
from tests.helpers.invented import replace_in
from tests.report.test_first_screen import ABOVE, HIGH

FEW_PARTS = {
    'crank = "all"': 'crank = ["crank_short"]',
    '["no_gearing", "belt_2", "chain_3", "belt_4", "spur_6", "planetary_8"]': (
        '["belt_2", "chain_3"]'
    ),
    '[\n    "hub_small", "hub_mid", "hub_ebike", "washer_direct",\n'
    '    "outrunner_63", "stepper_long", "treadmill_dc",\n]': '["hub_mid", "stepper_long"]',
    'lead = "all"': 'lead = ["hollow_axle"]',
    '["schottky_1a", "schottky_3a", "silicon_3a", "active_20"]': '["active_20"]',
    '["cell_5f", "cell_10f", "cell_25f", "cell_50f", "cell_100f"]': '["cell_25f"]',
    'clamp = "all"': 'clamp = ["bus_clamp", "no_clamp"]',
    '["buckboost_wide", "buckboost_sync", "buckboost_budget"]': '["buckboost_sync"]',
    "cells_series = [4, 6]": "cells_series = [6]",
    "draws = 200\nminutes = 2": "draws = 50\nminutes = 0.1",
    'method = "auto"': 'method = "sweep"',
    "undervoltage_band_V = [0.8, 1.6]": "undervoltage_band_V = [1.6]",
    "overvoltage_off_V = [9.0, 11.2]": "overvoltage_off_V = [11.2]",
}
"""What the demo searches here, so that its launch takes seconds; the words are its own."""


@pytest.fixture(scope="module", params=["flood_gauge", "household"])
def launched(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, dict[str, Any]]:
    """A study's file and the answer of its launch."""
    if request.param == "household":
        path = request.getfixturevalue("household")
        return path, request.getfixturevalue("household_launched")
    home = tmp_path_factory.mktemp("demo")
    shutil.copy(DEMO, home)
    for folder in ("parts", "bench"):
        shutil.copytree(DEMO.parent / folder, home / folder)
    study = home / DEMO.name
    replace_in(study, FEW_PARTS)
    with pytest.MonkeyPatch.context() as fewer:
        fewer.setattr(front_view, "ADVICE_DRAWS", 60)
        return study, launch_study(study, workers=1)


@pytest.fixture(scope="module")
def address(launched: tuple[Path, dict[str, Any]]) -> str:
    return Path(launched[1]["report"]).as_uri()


def test_a_launch_ends_with_the_words_of_the_first_screen(
    launched: tuple[Path, dict[str, Any]],
) -> None:
    _, answer = launched
    said = answer["first_screen"]
    assert said[0].startswith("Build A, ")
    for start in ("To buy for ", "Chance of a hazard: ", "Measure first: "):
        assert sum(line.startswith(start) for line in said) == 1
    assert sum("of builds give" in line for line in said) == 1
    assert terminal.launched(answer)[-len(said) - 1 : -1] == said
    assert said[-1].startswith("Caution. ")
    written = " ".join(unescape(Path(answer["report"]).read_text("utf-8")).split())
    for line in said:
        words = line.removeprefix("Measure first: ").removeprefix("Caution. ")
        assert line.startswith("To buy") or words in written


def test_a_launch_says_each_thing_once(launched: tuple[Path, dict[str, Any]]) -> None:
    """A line for each picked design, with all wishes that it answers; of the recommended one no
    cost, effort, promise or hazard, which the first screen's words have; what its numbers combine
    stands once.
    """
    _, answer = launched
    said, lines = answer["first_screen"], terminal.launched(answer)
    before = lines[: -len(said) - 1]
    picks = {wish: name for wish, name in answer["picks"].items() if name is not None}
    named = {name: [line for line in before if name_of(name) in line] for name in picks.values()}
    for name, found in named.items():
        (line,) = found
        head, _, words = line.partition(": ")
        assert head.split(", ") == [w.replace("_", " ") for w in picks if picks[w] == name]
        own = name == picks["recommended"]
        assert ("hazard rule" in words) != own
        assert ("of builds give" in words) != own
        assert ("EUR" in words) != own
    (record,) = [one for one in answer["front"] if one["design_id"] == picks["recommended"]]
    (line,) = named[picks["recommended"]]
    assert f"{record['delivered_energy_J']:.0f} J" in line
    assert "of builds keep the rules" in line
    several = len(record["cases"]) > 1
    assert sum("packs" in line for line in before) == several
    # Where no page is written there is no first screen, and where it is written again its words do
    # not follow: then the line says all.
    alone = terminal.launched({**answer, "first_screen": [], "report": None})
    for shown in (alone, terminal.reviewed({**answer, "reuse": [], "changes": {}})):
        (line,) = [one for one in shown if name_of(picks["recommended"]) in one]
        assert f"{record[COST]:.2f} EUR" in line
        assert "of builds give" in line


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 360])
def test_the_first_screen_of_a_shipped_study_has_the_whole_answer(
    visit: Open, launched: tuple[Path, dict[str, Any]], width: int
) -> None:
    """Name, promise with its share, minutes for a percent, what to buy and its sum, hazard, what
    decides, what to measure, a caution, and two rivals.
    """
    study, answer = launched
    phone = width < 500
    tab = visit(width=width, height=HIGH, has_touch=phone, is_mobile=phone)
    seen = tab.evaluate(ABOVE)
    (record,) = [
        one for one in answer["front"] if one["design_id"] == answer["picks"]["recommended"]
    ]
    assert name_of(record["design_id"]) in seen
    assert re.search(r"90 % of builds give [\d,.]+ J \([\d.]+ Wh\) or more in \d+ minutes", seen)
    assert re.search(r"the worst tenth gives [\d,.]+ J on average", seen)
    packs = [load(study).catalogue.packs[case["pack"]].name for case in record["cases"]]
    for pack in packs:
        assert f"for 1 % of {pack}" in seen
    assert re.search(r"at \d+ % of what the arm can hold", seen)
    bought = re.search(r"To buy: ([\d.]+) EUR (.*?) It weighs", seen)
    assert bought is not None
    amounts = re.findall(r" (\d+\.\d\d)(?=[ ;]|$)", bought.group(2))
    assert sum(map(float, amounts)) == pytest.approx(float(bought.group(1)), abs=0.005)
    assert float(bought.group(1)) == pytest.approx(record[COST], abs=0.005)
    assert re.search(r"Chance of a hazard: .*?at most [\d.]+ % \(95 % sure; allowed: 1 %\)", seen)

    assert tab.locator(".decisive li").count() == 2
    assert " ".join(tab.locator(".decisive").inner_text().split()) in seen
    for part in (".measure", ".hazard", "#answer .warn"):
        words = " ".join(tab.locator(part).first.inner_text().split())
        assert len(words) > 30
        assert words in seen
    rivals = tab.locator(".rivals li")
    assert rivals.count() == 2
    for words in rivals.all_inner_texts():
        assert " ".join(words.split()) in seen
