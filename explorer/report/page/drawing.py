"""Drawing of still figures: size, colours that follow the reader's, letters that stay apart."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from io import StringIO
from itertools import combinations
from typing import Any

import numpy as np

from explorer.report.goals import Goal
from explorer.units import Array

INK = "#010203"
"""Stands for the reader's text colour, light or dark, until the SVG is finished."""
DARK = "#1b2a33"
"""Ink on white."""
WIDE = 7.6
"""Width of a figure, inches: its letters of nine points are then about as large as the page's."""
VECTOR_LIMIT = 400
"""Above this many points a cloud becomes an image inside the SVG, to keep the page small."""
DISC_POINTS = 15.0
"""From centre to centre of two discs with letters that just do not touch."""


def axis_label(goal: Goal) -> str:
    """Name, unit and good direction of an objective: "Mass, kg (less is better)"."""
    return f"{goal.label}, {goal.unit} ({'more' if goal.more_is_better else 'less'} is better)"


def letter_marks(axes: Any, x: Array, y: Array, letters: Sequence[str]) -> None:
    """Mark points (n,) with lettered discs; discs that would overlap are moved, joined by stems."""
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
            bbox={"boxstyle": "circle,pad=0.25", "fc": DARK, "ec": "white", "lw": 0.8},
            arrowprops={"arrowstyle": "-", "lw": 1.2, "color": INK} if offset.any() else None,
        )


def pushed_apart(places: Array, least: float, box: Array) -> Array:
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


@contextmanager
def style(ink: str) -> Iterator[None]:
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


def lay_out(figure: Any) -> None:
    """Find the places of all panels once, and keep them: else each drawing finds them anew, which
    takes as long as all the rest. A figure without a layout keeps the places that it has.
    """
    if engine := figure.get_layout_engine():
        engine.execute(figure)
        figure.set_layout_engine("none")


def svg_of(draw: Callable[[Any], None], size: tuple[float, float]) -> str:
    """An SVG document in the reader's colours, light or dark; draws nothing else."""
    from matplotlib.figure import Figure

    with style(INK):
        figure = Figure(figsize=size, layout="constrained", facecolor="none")
        draw(figure)
        lay_out(figure)
        stream = StringIO()
        figure.savefig(stream, format="svg", dpi=150, metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    theme = (
        f"<style>svg{{color:{DARK}}}"
        "@media (prefers-color-scheme:dark){svg{color:#e6ebe8}}"
        "@media print{svg{color:#000}}</style>"
    )
    head, body = text.split("<defs>", 1)
    return head + theme + "<defs>" + body.replace(INK, "currentColor")
