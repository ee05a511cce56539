"""Still figures of the front and the picks: SVG for page and print, one PNG for the README."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from itertools import combinations, cycle
from pathlib import Path
from typing import Any

import numpy as np

from explorer.files import write_atomic
from explorer.report.goals import Goal
from explorer.report.page.columns import WORST_TENTH
from explorer.report.page.content import PageData
from explorer.report.page.drawing import (
    DARK,
    INK,
    VECTOR_LIMIT,
    WIDE,
    axis_label,
    lay_out,
    letter_marks,
    style,
    svg_of,
)
from explorer.report.page.marks import BLUE, GREEN, GREY, MARKS, PURPLE, VERMILLION
from explorer.report.wording import LEDGER_GROUPS
from explorer.units import Array

PANELS_ACROSS = 3
LEAST_LABELLED = 4.0
"""Share of the work, %, below which a piece has no room for its number."""


def _panel_rows(page: PageData) -> int:
    """Rows of panels that one panel for each pair of objectives takes."""
    count = len(page.goals) * (len(page.goals) - 1) // 2
    return -(-count // PANELS_ACROSS)


def tails_of(page: PageData) -> tuple[tuple[int, float], ...]:
    """Row of each picked design -> what its worst tenth of builds gives on average, J; empty where
    the study does not go by promises, or nothing was drawn.
    """
    column = next((one for one in page.designs.readings if one.name == WORST_TENTH), None)
    if column is None or not any(goal.promised for goal in page.goals):
        return ()
    place = {design_id: row for row, design_id in enumerate(page.designs.ids)}
    rows = dict.fromkeys(place[card.design_id] for card in page.cards)
    return tuple((row, worst) for row in rows if (worst := column.values[row]) is not None)


def pairs_svg(page: PageData) -> str:
    """All pairs of the objectives, picks lettered."""
    size = (WIDE, 2.5 * _panel_rows(page))
    return svg_of(lambda figure: _pairs(figure, page, INK, small=True), size)


def ledger_svg(page: PageData) -> str:
    """Where each joule of crank work goes, one bar a picked design."""
    return svg_of(
        lambda figure: _ledger(figure, page), (WIDE, 1.2 + 0.42 * max(len(page.cards), 1))
    )


def convergence_svg(page: PageData) -> str:
    """Dominated volume against designs looked at."""

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        best = max(page.convergence.hypervolume, default=1.0) or 1.0
        share = 100 * np.array(page.convergence.hypervolume) / best
        axes.plot(page.convergence.evaluations, share, color=BLUE, lw=2, drawstyle="steps-post")
        axes.set_xlabel("designs looked at")
        axes.set_ylabel("volume enclosed,\n% of the last")
        # The last few percent are what is left to see; a bar of the whole would show a flat line.
        axes.set_ylim(max(min(share, default=0.0) - 1, 0), 100.5)
        axes.xaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")

    return svg_of(draw, (WIDE, 2.3))


def break_even_svg(page: PageData) -> str:
    """Wh for each kg carried over the days of an outing, kits against a spare pack."""

    def draw(figure: Any) -> None:
        comparison = page.break_even
        assert comparison is not None
        axes = figure.subplots()
        styles = ["-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1))]
        colours = [BLUE, VERMILLION, GREEN, PURPLE, INK]
        ends = []
        for line, dashes, colour in zip(comparison.lines, cycle(styles), cycle(colours)):
            axes.plot(comparison.days, line.Wh_per_kg, ls=dashes, color=colour, lw=2)
            ends.append((line.Wh_per_kg[-1], line.letter))
        ends_of_lines = [(letter, value) for value, letter in ends]
        axes.axhline(comparison.spare_Wh_per_kg, color=INK, lw=1)
        axes.annotate(
            "charged spare pack of the same mass",
            (0.0, comparison.spare_Wh_per_kg),
            textcoords="offset points",
            xytext=(4, 4),
        )
        top = max([comparison.spare_Wh_per_kg, *(value for value, _ in ends)])
        heights = dict(ends_of_lines)
        for value, letter in _spread(ends, 0.08 * top):
            axes.annotate(
                letter,
                (comparison.days[-1], heights[letter]),
                xytext=(1.03 * comparison.days[-1], value),
                va="center",
                arrowprops={"arrowstyle": "-", "lw": 0.6, "color": INK},
            )
        axes.set_xlabel("day of the outing")
        axes.set_ylabel("energy, Wh for each kg")
        axes.set_ylim(0, 1.1 * top)

    return svg_of(draw, (WIDE, 2.7))


def front_png(page: PageData, path: str | Path) -> Path:
    """Write all pairs as a PNG on white, for a README. Returns the path."""
    from matplotlib.figure import Figure

    with style(DARK):
        size = (9.6, 3.1 * _panel_rows(page))
        figure = Figure(figsize=size, layout="constrained", facecolor="white")
        _pairs(figure, page, DARK, small=False)
        stream = BytesIO()
        figure.savefig(stream, format="png", dpi=120, metadata={"Software": None})
    return write_atomic(path, stream.getvalue())


def _pairs(figure: Any, page: PageData, ink: str, *, small: bool) -> None:
    columns = {column.name: np.array(column.values) for column in page.designs.objectives}
    regimes = np.array(page.designs.regimes)
    reading = np.array(page.designs.reading, dtype=bool)
    place = {design_id: row for row, design_id in enumerate(page.designs.ids)}
    panels = figure.subplots(_panel_rows(page), PANELS_ACROSS, squeeze=False).ravel()
    pairs = list(combinations(page.goals, 2))
    for axes in panels[len(pairs) :]:
        axes.set_axis_off()
    for axes, (x, y) in zip(panels, pairs, strict=False):
        for regime, mark in MARKS.items():
            shown = reading & (regimes == regime)
            if shown.any():
                axes.scatter(
                    columns[x.key][shown],
                    columns[y.key][shown],
                    s=9,
                    marker=mark.still,
                    color=mark.colour,
                    alpha=0.55,
                    linewidths=0,
                    label=regime,
                    rasterized=small and shown.sum() > VECTOR_LIMIT,
                )
        _draw_tails(axes, tails_of(page), (x, columns[x.key]), (y, columns[y.key]), ink)
        axes.set_xlabel(axis_label(x).replace(" (", "\n("))
        axes.set_ylabel(axis_label(y))
    handles, labels = panels[0].get_legend_handles_labels()
    if handles:
        figure.legend(
            handles,
            labels,
            loc="outside upper center",
            ncols=5,
            frameon=False,
            labelcolor=ink,
            markerscale=2,
        )
    # Where letters would lie on each other is known once everything else is laid out.
    lay_out(figure)
    for axes, (x, y) in zip(panels, pairs, strict=False):
        rows = [place[card.design_id] for card in page.cards]
        letter_marks(
            axes, columns[x.key][rows], columns[y.key][rows], [c.letter for c in page.cards]
        )


def _draw_tails(
    axes: Any,
    tails: Sequence[tuple[int, float]],
    across: tuple[Goal, Array],
    up: tuple[Goal, Array],
    ink: str,
) -> None:
    """A line from the promise of each picked design to what its worst tenth of builds gives."""
    if not any(goal.promised for goal, _ in (across, up)):
        return
    for row, worst in tails:
        ends = [[values[row], worst if g.promised else values[row]] for g, values in (across, up)]
        axes.plot(*ends, color=ink, lw=0.8, solid_capstyle="butt")


def _ledger(figure: Any, page: PageData) -> None:
    """Stacked shares along the chain; a term without a group joins the last one."""
    axes = figure.subplots()
    place = {design_id: row for row, design_id in enumerate(page.designs.ids)}
    ledger = {column.name: column.values for column in page.designs.ledger}
    group_of = {term: group for group, terms in LEDGER_GROUPS.items() for term in terms}
    fills = [GREEN, BLUE, "#56B4E9", "#E69F00", VERMILLION, PURPLE, "#F0E442", GREY]
    # Lines alone: dots and rings would take a third of a megabyte.
    hatches = ["", "//", "--", "\\\\", "xx", "||", "++", "////"]
    rows = [place[card.design_id] for card in page.cards]
    joules = {group: np.zeros(len(rows)) for group in LEDGER_GROUPS}
    for term, values in ledger.items():
        if term != "crank_work":
            group = group_of.get(term, "left in bank and crank")
            joules[group] += np.array([values[row] or 0.0 for row in rows])
    # As printed beside it: the terms are rounded, and their sum may round another way.
    printed = np.array([ledger["crank_work"][row] or 0.0 for row in rows])
    work = np.maximum(np.where(printed > 0, printed, sum(joules.values())), 1e-12)
    left = np.zeros(len(rows))
    for (group, amounts), fill, hatch in zip(joules.items(), fills, hatches, strict=True):
        share = 100 * amounts / work
        axes.barh(
            range(len(rows)),
            share,
            left=left,
            color=fill,
            hatch=hatch,
            edgecolor="white",
            lw=0.8,
            label=group,
        )
        for level in np.flatnonzero(share > LEAST_LABELLED):
            axes.annotate(
                f"{share[level]:.0f} %",
                (left[level] + share[level] / 2, level),
                ha="center",
                va="center",
                fontsize=8,
                color=DARK,
                bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none"},
            )
        left = left + share
    axes.set_yticks(range(len(page.cards)), [f"{c.letter}  {c.title}" for c in page.cards])
    axes.invert_yaxis()
    axes.set_xlim(0, 100)
    axes.set_xlabel("share of the work at the crank, %")
    figure.legend(loc="outside upper center", ncols=4, frameon=False, labelcolor=INK)


def _spread(ends: list[tuple[float, str]], gap: float) -> list[tuple[float, str]]:
    """Label heights moved apart so that letters lie neither on each other nor on the axis."""
    placed: list[tuple[float, str]] = []
    for value, letter in sorted(ends):
        least = placed[-1][0] + gap if placed else gap / 2
        placed.append((max(value, least), letter))
    return placed
