"""A page follows the table of objectives, however many it has: here with a fifth one, noise."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.helpers.browser import unfold

WITH_NOISE = """
import sys
from explorer.model import objectives
noise = objectives.Objective("noise_dB", "Noise", "dB", False, "quietest", 2, usual_most=80.0)
objectives.OBJECTIVES += (noise,)
objectives.KEYS += (noise.key,)
objectives.BY_KEY[noise.key] = noise

from tests.helpers import synthetic
from explorer.report.page import beside, page, view

rows = [{**row, "noise_dB": 40.0 + k % 9} for k, row in enumerate(synthetic.records(60))]
case = {"operator": "adult", "pack": "gauge_pack"}
cases = [{**rows[1], **case}, {**rows[1], **case}]
rows[1]["cases"] = cases
picks = {"recommended": rows[0]["design_id"], "quietest": rows[9]["design_id"]}
found = view.Findings(synthetic.SEARCH, synthetic.REJECTIONS, synthetic.PROVENANCE)
data = view.page_data(synthetic.project(), rows, picks, found)
page.write(data, sys.argv[1])
beside.write_beside([data, data], sys.argv[1] + "/beside")
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the pages with five objectives are: another process writes them, since the table is
    read when modules are imported.
    """
    home = tmp_path_factory.mktemp("five")
    paths = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    run = subprocess.run(
        [sys.executable, "-c", WITH_NOISE, str(home)],
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stderr
    return home


@pytest.fixture(scope="module")
def address(folder: Path) -> str:
    return (folder / "index.html").as_uri()


def test_a_fifth_objective_is_on_the_page(folder: Path) -> None:
    html = (folder / "index.html").read_text("utf-8")
    assert "none of them is beaten on all five goals" in html
    assert "Ten scatter plots, one for each pair of the goals" in html
    assert "All pairs of the five goals" in html
    assert "has 40 dB of noise" in html
    assert "Quietest" in html
    both = (folder / "beside" / "index.html").read_text("utf-8")
    assert "ten scatter plots" in both
    assert "<td>Noise</td>" in both


@pytest.mark.browser
def test_a_fifth_objective_is_explored(visit) -> None:
    """A slider, a column that sorts, a plot for each pair, and a value for each design."""
    tab = unfold(visit())
    assert tab.locator("#sliders input").count() == 5
    assert tab.locator("#sliders label").last.inner_text() == "Noise, at most"
    assert tab.locator(".holder").count() == 10
    head = tab.locator("#front th[data-key=noise_dB] button")
    assert head.inner_text() == "Noise, dB"
    head.click()
    column = tab.locator("#front tbody td.n:nth-child(7)").all_inner_texts()
    assert column == sorted(column)
    assert column[0] == "40"
    assert "dB noise" in tab.locator("#full").inner_text()
