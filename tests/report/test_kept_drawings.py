"""Drawings that are kept between pages: the same as drawn anew, and drawn anew when they differ."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pytest

from explorer import user_cache
from explorer.report.goals import goals
from explorer.report.page import figures, plots, still
from tests.helpers import synthetic


@pytest.fixture(autouse=True)
def _fresh_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(user_cache, "_candidates", lambda: [tmp_path])


def test_plots_are_drawn_once_for_the_same_goals(monkeypatch: pytest.MonkeyPatch) -> None:
    first = plots.plots_of(goals("EUR"))
    drawn = []

    def noted(asked: object) -> plots.Plots:
        drawn.append(asked)
        return plots.Plots("library", "script", (("key", "label", "div"),))

    monkeypatch.setattr(plots, "draw_plots", noted)
    assert plots.plots_of(goals("EUR")) == first
    assert drawn == []
    assert plots.plots_of(goals("USD")).library == "library"
    assert plots.plots_of(goals("EUR", by_promise=True)).script == "script"
    assert len(drawn) == 2


def test_figures_are_drawn_once_for_the_same_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    page = synthetic.page(40)
    first = still.stills_of(page)
    assert first["pairs"].startswith("data:image/svg+xml")
    with monkeypatch.context() as nothing_drawn:
        for name in ("pairs_svg", "ledger_svg", "convergence_svg", "break_even_svg"):
            nothing_drawn.setattr(figures, name, lambda _: pytest.fail("drawn again"))
        assert still.stills_of(replace(page, title="another title")) == first
    (cost,) = [one for one in page.designs.objectives if one.name == "cost"]
    dearer = replace(cost, values=tuple(2 * value for value in cost.values))
    objectives = tuple(dearer if one is cost else one for one in page.designs.objectives)
    moved = still.stills_of(replace(page, designs=replace(page.designs, objectives=objectives)))
    assert moved["pairs"] != first["pairs"]
    assert moved["convergence"] == first["convergence"]


def test_figures_read_nothing_of_a_page_that_their_key_lacks() -> None:
    """Else a figure could be taken from another page."""
    for module in (figures, plots):
        tree = ast.parse(Path(str(module.__file__)).read_text())
        read = {
            node.attr
            for node in ast.walk(tree)
            if isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id == "page"
        }
        assert read <= set(still.DRAWN_FROM), module.__name__
    assert "designs" in still.DRAWN_FROM
