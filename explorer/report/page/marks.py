"""How each regime is drawn: one row a regime, for figures, plots and the page's script."""

from __future__ import annotations

from dataclasses import dataclass

from explorer.report.wording import regime_words

BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
GREY = "#999999"
"""Okabe and Ito's published palette for all kinds of colour vision (Color Universal Design, 2008);
shape, hatch and letters repeat what colour shows."""


@dataclass(frozen=True)
class Mark:
    """`still` is the marker of a still figure, `live` that of a plot on the screen, `shape` its
    name; `colour` is for still figures, `tone` the style sheet's variable for the screen.
    """

    still: str
    live: str
    shape: str
    colour: str
    tone: str


MARKS: dict[str, Mark] = {
    "steady": Mark("o", "circle", "disc", BLUE, "--blue"),
    "cycling": Mark("^", "triangle", "triangle", VERMILLION, "--verm"),
    "flooded": Mark("s", "square", "square", GREEN, "--green"),
    "chattering": Mark("D", "diamond", "diamond", PURPLE, "--ink"),
    "starved": Mark("X", "x", "cross", GREY, "--soft"),
}


def marks_sentence(regimes: tuple[str, ...]) -> str:
    """Which shape stands for which regime, of those that occur.

    >>> marks_sentence(("steady",))
    'Shapes: disc for steady (the load stays on).'
    """
    shapes = [
        f"{mark.shape} for {regime_words(name)}" for name, mark in MARKS.items() if name in regimes
    ]
    return f"Shapes: {', '.join(shapes)}." if shapes else ""
