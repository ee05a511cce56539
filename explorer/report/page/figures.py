"""Figures that stand without scripts: SVG for page and print, one PNG for the README.

Data comes ready from view.py. Colours are Okabe & Ito's published palette for all kinds of colour
vision (Color Universal Design, 2008); shape, hatch and letters repeat what colour says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from io import BytesIO, StringIO
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from explorer.files import write_atomic
from explorer.report.page.content import Objective, PageData
from explorer.report.page.market import Cloud, Course, Line
from explorer.report.wording import LEDGER_GROUPS

BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
REGIME_MARKS = {
    "steady": ("o", BLUE),
    "cycling": ("^", VERMILLION),
    "flooded": ("s", GREEN),
    "chattering": ("D", PURPLE),
    "starved": ("X", "#999999"),
}
"""Marker of matplotlib and colour of each regime."""

INK = "#010203"
"""Stands for the reader's text colour, light or dark, until the SVG is finished."""

WIDE = 7.6
"""Width of a figure, inches: its letters of nine points are then about as large as the page's."""
LEAST_LABELLED = 4.0
"""Share of the work, %, below which a piece has no room for its number."""
LEGEND_LETTERS = 80
"""A legend with more letters than this stands in two columns instead of four."""
VECTOR_LIMIT = 400
"""Above this many points a cloud becomes an image inside the SVG, to keep the page small."""


def axis_label(goal: Objective) -> str:
    """Name, unit and good direction of an objective.

    >>> axis_label(Objective("mass_kg", "Mass", "kg", False))
    'Mass, kg (less is better)'
    """
    return f"{goal.label}, {goal.unit} ({'more' if goal.more_is_better else 'less'} is better)"


def pairs_svg(page: PageData) -> str:
    """All six pairs of the objectives, picks lettered."""
    return _svg(lambda figure: _pairs(figure, page, INK, small=True), (WIDE, 5.0))


def ledger_svg(page: PageData) -> str:
    """Where each joule of crank work goes, one bar a picked design."""
    return _svg(lambda figure: _ledger(figure, page), (WIDE, 1.2 + 0.42 * max(len(page.cards), 1)))


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

    return _svg(draw, (WIDE, 2.3))


def outing_svg(page: PageData) -> str:
    """Wh for each kg carried over the days of an outing, kit against spare pack."""

    def draw(figure: Any) -> None:
        outing = page.outing
        assert outing is not None
        axes = figure.subplots()
        styles = ["-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1))]
        colours = [BLUE, VERMILLION, GREEN, PURPLE, INK]
        ends = []
        for line, style, colour in zip(outing.lines, styles, colours, strict=False):
            axes.plot(outing.days, line.Wh_per_kg, ls=style, color=colour, lw=2)
            ends.append((line.Wh_per_kg[-1], line.letter))
        ends_of_lines = [(letter, value) for value, letter in ends]
        axes.axhline(outing.spare_Wh_per_kg, color=INK, lw=1)
        axes.annotate(
            "charged spare pack of the same mass",
            (0.0, outing.spare_Wh_per_kg),
            textcoords="offset points",
            xytext=(4, 4),
        )
        top = max([outing.spare_Wh_per_kg, *(value for value, _ in ends)])
        heights = dict(ends_of_lines)
        for value, letter in _spread(ends, 0.08 * top):
            axes.annotate(
                letter,
                (outing.days[-1], heights[letter]),
                xytext=(1.03 * outing.days[-1], value),
                va="center",
                arrowprops={"arrowstyle": "-", "lw": 0.6, "color": INK},
            )
        axes.set_xlabel("day of the outing")
        axes.set_ylabel("energy, Wh for each kg")
        axes.set_ylim(0, 1.1 * top)

    return _svg(draw, (WIDE, 2.7))


def moved_svg(
    before: Cloud,
    after: Cloud,
    currency: str,
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
            (then, ~left, {"marker": ".", "color": "#999999", "s": 14}),
            (now, stays, {"marker": "o", "color": BLUE, "s": 12}),
            (then, left, {"marker": "x", "color": VERMILLION, "s": 22, "linewidths": 1.2}),
            (now, entered, {"marker": "^", "color": GREEN, "s": 24}),
        )
        for (points, mask, style), label in zip(styles, labels, strict=True):
            if mask.any():
                many = bool(mask.sum() > VECTOR_LIMIT)
                axes.scatter(*points[:, mask], label=label, alpha=0.7, rasterized=many, **style)
        axes.set_xlabel(f"Cost, {currency} (less is better)")
        axes.set_ylabel("Energy, J (more is better)")
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
        columns = 4 if sum(map(len, labels)) < LEGEND_LETTERS else 2
        figure.legend(loc="outside upper center", ncols=columns, frameon=False, labelcolor=INK,
                      markerscale=1.6)  # fmt: skip

    return _svg(draw, (WIDE, 3.6))


def line_svg(line: Line, currency: str) -> str:
    """The front over one part's price: which designs are on it, and how many use the part."""

    def draw(figure: Any) -> None:
        from matplotlib.collections import LineCollection

        left, right = figure.subplots(1, 2, width_ratios=[3, 2])
        uses = np.array(line.uses, dtype=bool)
        ends = np.array([line.enters, line.leaves, line.energy_J]).reshape(3, -1).T
        for mask, colour, style in ((~uses, VERMILLION, (0, (4, 2))), (uses, BLUE, "solid")):
            few = [((a, y), (b, y)) for a, b, y in ends[mask]]
            left.add_collection(
                LineCollection(few, colors=colour, linestyles=[style], linewidths=1.0, alpha=0.6,
                               rasterized=len(few) > VECTOR_LIMIT)
            )  # fmt: skip
        left.autoscale()
        left.set_ylabel("Energy of the designs on the front, J")
        left.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
        edges = np.append(line.prices, line.high)
        using = np.array(line.using)
        for counts, colour, style, label in (
            (np.array(line.sizes) - using, VERMILLION, "--", "without it"),
            (using, BLUE, "-", "using it"),
        ):
            right.stairs(counts, edges, color=colour, ls=style, lw=1.8, label=label, baseline=None)
        right.set_ylim(0)
        right.set_ylabel("designs on the front")
        for axes in (left, right):
            axes.axvline(line.price, color=INK, lw=1)
            axes.set_xlim(line.low, line.high)
            axes.set_xlabel(f"price of one piece, {currency}")
        left.annotate("today", (line.price, 1), xycoords=("data", "axes fraction"), xytext=(3, -9),
                      textcoords="offset points", fontsize=8)  # fmt: skip
        figure.legend(loc="outside upper center", ncols=2, frameon=False, labelcolor=INK)

    return _svg(draw, (WIDE, 3.3))


def course_svg(course: Course, goals: Sequence[Objective]) -> str:
    """Best of each objective over time, and what the locked designs cost."""

    def draw(figure: Any) -> None:
        from datetime import datetime

        dates: Any = import_module("matplotlib.dates")
        when = [datetime.fromisoformat(one) for one in course.when]
        styles = ["--", "-.", ":", (0, (5, 1, 1, 1, 1, 1))]
        panels = figure.subplots(2, 2, sharex=True).ravel()
        for axes, goal in zip(panels, goals, strict=True):
            best = "most" if goal.more_is_better else "least"
            axes.plot(when, course.best[goal.key], color=BLUE, marker="o", ms=4, lw=1.6,
                      drawstyle="steps-post", label="best of the front")  # fmt: skip
            if goal.key == "cost":
                for (name, pairs), style in zip(course.locked_cost.items(), styles, strict=False):
                    days = [datetime.fromisoformat(day) for day, _ in pairs]
                    axes.plot(days, [cost for _, cost in pairs], color=VERMILLION, marker="s",
                              ms=4, ls=style, lw=1.6, drawstyle="steps-post",
                              label=f"locked {name}")  # fmt: skip
            for day, _ in course.events:
                axes.axvline(datetime.fromisoformat(day), color=INK, lw=0.8, ls=":")
            what = goal.label.lower() if goal.key == "cost" else f"{best} {goal.label.lower()}"
            axes.set_ylabel(f"{what}, {goal.unit}")
            axes.margins(y=0.25)
            axes.yaxis.set_major_formatter(lambda value, _: f"{value:,.6g}")
            # Fewer than three at the least: of 150 to 300 seconds no step makes five or six.
            locator = dates.AutoDateLocator(minticks=2, maxticks=6)
            axes.xaxis.set_major_locator(locator)
            axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))
        # Beside the panels: inside one, lines would run through it.
        lines, labels = panels[
            [goal.key for goal in goals].index("cost")
        ].get_legend_handles_labels()
        figure.legend(lines, labels, loc="outside upper center", ncols=3, frameon=False,
                      labelcolor=INK)  # fmt: skip

    return _svg(draw, (WIDE, 4.4))


def front_png(page: PageData, path: str | Path) -> Path:
    """Write the six pairs as a PNG on white, for a README. Returns the path."""
    from matplotlib.figure import Figure

    with _style("#1b2a33"):
        figure = Figure(figsize=(9.6, 6.2), layout="constrained", facecolor="white")
        _pairs(figure, page, "#1b2a33", small=False)
        stream = BytesIO()
        figure.savefig(stream, format="png", dpi=120, metadata={"Software": None})
    return write_atomic(path, stream.getvalue())


def _pairs(figure: Any, page: PageData, ink: str, *, small: bool) -> None:
    columns = {column.name: np.array(column.values) for column in page.designs.objectives}
    regimes = np.array(page.designs.regimes)
    reading = np.array(page.designs.reading, dtype=bool)
    place = {design_id: row for row, design_id in enumerate(page.designs.ids)}
    panels = figure.subplots(2, 3).ravel()
    for axes, (x, y) in zip(panels, combinations(page.objectives, 2), strict=True):
        for regime, (marker, colour) in REGIME_MARKS.items():
            shown = reading & (regimes == regime)
            if shown.any():
                axes.scatter(
                    columns[x.key][shown],
                    columns[y.key][shown],
                    s=9,
                    marker=marker,
                    color=colour,
                    alpha=0.55,
                    linewidths=0,
                    label=regime,
                    rasterized=small and shown.sum() > VECTOR_LIMIT,
                )
        axes.set_xlabel(axis_label(x))
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
    figure.draw_without_rendering()
    for axes, (x, y) in zip(panels, combinations(page.objectives, 2), strict=True):
        rows = [place[card.design_id] for card in page.cards]
        _letters(axes, columns[x.key][rows], columns[y.key][rows], [c.letter for c in page.cards])


DISC_POINTS = 15.0
"""From centre to centre of two discs with letters that just do not touch."""


def _letters(axes: Any, x: np.ndarray, y: np.ndarray, letters: Sequence[str]) -> None:
    """Mark points with lettered discs, those that would cover each other joined by stems."""
    points_a_pixel = 72 / axes.figure.dpi
    places = points_a_pixel * axes.transData.transform(np.column_stack([x, y]))
    box = points_a_pixel * axes.bbox.get_points() + DISC_POINTS / 2 * np.array([[1, 1], [-1, -1]])
    moved = pushed_apart(places, DISC_POINTS, box) - places
    for across, up, letter, offset in zip(x, y, letters, moved, strict=True):
        axes.annotate(
            letter,
            (across, up),
            xytext=tuple(offset),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=8,
            fontweight="bold",
            color="white",
            bbox={"boxstyle": "circle,pad=0.25", "fc": "#1b2a33", "ec": "white", "lw": 0.8},
            arrowprops={"arrowstyle": "-", "lw": 1.2, "color": INK} if offset.any() else None,
        )


def pushed_apart(places: np.ndarray, least: float, box: np.ndarray) -> np.ndarray:
    """`places` (n, 2) moved as little as keeps any two `least` apart, inside `box` [low, high].

    Pairs that are too close push each other along the line between them, until none is or a
    hundred rounds are over. Where no two are too close, none is moved. explore.js does the same.

    >>> pushed_apart(np.array([[5.0, 5.0], [6.0, 5.0]]), 3.0, np.array([[0, 0], [9, 9]])).tolist()
    [[4.0, 5.0], [7.0, 5.0]]
    """
    at = np.array(places, dtype=float)
    for _ in range(100):
        moved = False
        for a, b in combinations(range(len(at)), 2):
            line = at[b] - at[a]
            gap = float(np.hypot(*line))
            if gap >= least - 0.1:
                continue
            push = (least - gap) / 2 * (line / gap if gap else np.array([1.0, 0.0]))
            at[a], at[b], moved = at[a] - push, at[b] + push, True
        if not moved:
            break
        at = np.clip(at, *box)
    return at


def _ledger(figure: Any, page: PageData) -> None:
    """Stacked shares along the chain; a term without a group joins the last one."""
    axes = figure.subplots()
    place = {design_id: row for row, design_id in enumerate(page.designs.ids)}
    ledger = {column.name: column.values for column in page.designs.ledger}
    group_of = {term: group for group, terms in LEDGER_GROUPS.items() for term in terms}
    fills = [GREEN, BLUE, "#56B4E9", "#E69F00", VERMILLION, PURPLE, "#F0E442", "#999999"]
    hatches = ["", "//", "..", "\\\\", "xx", "--", "oo", "||"]
    rows = [place[card.design_id] for card in page.cards]
    joules = {group: np.zeros(len(rows)) for group in LEDGER_GROUPS}
    for term, values in ledger.items():
        if term != "crank_work":
            group = group_of.get(term, "left in the bank")
            joules[group] += np.array([values[row] or 0.0 for row in rows])
    # As told beside it: the terms are rounded, and their sum may round another way.
    told = np.array([ledger["crank_work"][row] or 0.0 for row in rows])
    work = np.maximum(np.where(told > 0, told, sum(joules.values())), 1e-12)
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
                color="#1b2a33",
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


@contextmanager
def _style(ink: str) -> Iterator[None]:
    import matplotlib

    style: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": "genchain",
        "font.family": "sans-serif",
        "font.size": 9,
        "text.color": ink,
        "axes.labelcolor": ink,
        "axes.edgecolor": ink,
        "xtick.color": ink,
        "ytick.color": ink,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.facecolor": "none",
        "text.parse_math": False,
    }
    with matplotlib.rc_context(style):
        yield


def _svg(draw: Callable[[Any], None], size: tuple[float, float]) -> str:
    """An SVG document in the reader's colours, light or dark; draws nothing else."""
    from matplotlib.figure import Figure

    with _style(INK):
        figure = Figure(figsize=size, layout="constrained", facecolor="none")
        draw(figure)
        stream = StringIO()
        figure.savefig(stream, format="svg", dpi=150, metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    theme = (
        "<style>svg{color:#1b2a33}"
        "@media (prefers-color-scheme:dark){svg{color:#e6ebe8}}"
        "@media print{svg{color:#000}}</style>"
    )
    head, body = text.split("<defs>", 1)
    return head + theme + "<defs>" + body.replace(INK, "currentColor")
