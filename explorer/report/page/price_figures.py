"""Still figures about prices: what moved, the front over one price, and the history."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from importlib import import_module
from itertools import cycle
from typing import Any

import numpy as np

from explorer.model.objectives import COST, ENERGY
from explorer.report.goals import Goal
from explorer.report.page.drawing import INK, VECTOR_LIMIT, WIDE, axis_label, svg_of
from explorer.report.page.marks import BLUE, GREEN, GREY, VERMILLION
from explorer.report.page.price_content import FrontCloud, PriceHistory

LEGEND_LETTERS = 80
"""A legend with more letters than this stands in two columns instead of four."""


def moved_svg(
    before: FrontCloud,
    after: FrontCloud,
    goals: Sequence[Goal],
    labels: Sequence[str] = ("stays, cost before", "stays, cost now", "left", "entered"),
) -> str:
    """Two fronts in one figure: what stays (before and after), what left, what entered."""

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        stays, entered = np.array(after.stays, dtype=bool), ~np.array(after.stays, dtype=bool)
        left = ~np.array(before.stays, dtype=bool)
        now = np.array([after.cost, after.energy_J]).reshape(2, -1)
        then = np.array([before.cost, before.energy_J]).reshape(2, -1)
        styles: tuple[tuple[Any, Any, dict[str, Any]], ...] = (
            (then, ~left, {"marker": ".", "color": GREY, "s": 14}),
            (now, stays, {"marker": "o", "color": BLUE, "s": 12}),
            (then, left, {"marker": "x", "color": VERMILLION, "s": 22, "linewidths": 1.2}),
            (now, entered, {"marker": "^", "color": GREEN, "s": 24}),
        )
        for (points, mask, style), label in zip(styles, labels, strict=True):
            if mask.any():
                many = bool(mask.sum() > VECTOR_LIMIT)
                axes.scatter(*points[:, mask], label=label, alpha=0.7, rasterized=many, **style)
        by_key = {goal.key: goal for goal in goals}
        axes.set_xlabel(axis_label(by_key[COST]))
        axes.set_ylabel(axis_label(by_key[ENERGY]))
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
        columns = 4 if sum(map(len, labels)) < LEGEND_LETTERS else 2
        figure.legend(loc="outside upper center", ncols=columns, frameon=False, labelcolor=INK,
                      markerscale=1.6)  # fmt: skip

    return svg_of(draw, (WIDE, 3.6))


def history_svg(history: PriceHistory, goals: Sequence[Goal]) -> str:
    """Best of each objective over time, and what the locked designs cost."""
    rows = -(-len(goals) // 2)

    def draw(figure: Any) -> None:
        panels = figure.subplots(rows, 2, sharex=True, squeeze=False).ravel()
        for axes in panels[len(goals) :]:
            axes.set_axis_off()
        for axes, goal in zip(panels, goals, strict=False):
            _over_time(axes, history, goal)
        # Beside the panels: inside one, lines would run through it.
        money = next(axes for axes, goal in zip(panels, goals, strict=False) if goal.is_money)
        lines, labels = money.get_legend_handles_labels()
        figure.legend(lines, labels, loc="outside upper center", ncols=3, frameon=False,
                      labelcolor=INK)  # fmt: skip

    return svg_of(draw, (WIDE, 2.2 * rows))


def _over_time(axes: Any, history: PriceHistory, goal: Goal) -> None:
    """The best of one objective; beside the least cost, what the locked designs cost."""
    dates: Any = import_module("matplotlib.dates")
    when = [datetime.fromisoformat(one) for one in history.when]
    steps: dict[str, Any] = {"ms": 4, "lw": 1.6, "drawstyle": "steps-post"}
    axes.plot(when, np.array(history.best[goal.key], dtype=float), color=BLUE, marker="o",
              label="best of the front", **steps)  # fmt: skip
    if goal.is_money:
        styles = ["--", "-.", ":", (0, (5, 1, 1, 1, 1, 1))]
        for (name, pairs), style in zip(history.locked_cost.items(), cycle(styles)):
            days = [datetime.fromisoformat(day) for day, _ in pairs]
            axes.plot(days, [cost for _, cost in pairs], color=VERMILLION, marker="s", ls=style,
                      label=f"locked {name}", **steps)  # fmt: skip
    for day, _ in history.events:
        axes.axvline(datetime.fromisoformat(day), color=INK, lw=0.8, ls=":")
    best = "" if goal.is_money else "most " if goal.more_is_better else "least "
    axes.set_ylabel(f"{best}{goal.label.lower()}, {goal.unit}")
    axes.margins(y=0.25)
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:,.6g}")
    # Fewer than three at the least: of 150 to 300 seconds no step makes five or six.
    locator = dates.AutoDateLocator(minticks=2, maxticks=6)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))
