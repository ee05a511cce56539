"""The plots of a page that answer the reader: one for each pair of the objectives."""

from __future__ import annotations

import json
from collections.abc import Sequence
from hashlib import sha256
from importlib.metadata import version
from itertools import combinations
from typing import Any, NamedTuple

from explorer.report.goals import Goal
from explorer.report.page.drawing import axis_label
from explorer.report.templating import own_code
from explorer.user_cache import keep_text, kept_text

PLOTS = "plots"
"""Name under which the user's cache holds them."""

PLOT_HEIGHT, LARGE_HEIGHT = 268, 338
"""Pixels; the first pair of goals is drawn large."""
DISC = 17
"""Pixels across the disc that carries a pick's letter."""


class Plots(NamedTuple):
    """Bokeh's library, the script that places the plots, and of each plot key, label and holder."""

    library: str
    script: str
    holders: tuple[tuple[str, str, str], ...]


def plots_of(goals: Sequence[Goal]) -> Plots:
    """A plot for each pair of the goals, as Bokeh writes them.

    They come without their designs, which the page's own data holds: explore.js fills them in. So
    they follow from the goals alone, and are kept for the next page of this user: drawing them, and
    reading the library that draws, took a third of a page's processor time.
    """
    key = _key(goals)
    kept = kept_text(PLOTS, key)
    if kept is not None:
        library, script, holders = json.loads(kept)
        return Plots(library, script, tuple((name, label, div) for name, label, div in holders))
    drawn = draw_plots(goals)
    keep_text(PLOTS, key, json.dumps(drawn))
    return drawn


def _key(goals: Sequence[Goal]) -> str:
    """A name for what decides about the plots: the goals, Bokeh's release, and this package's code
    that draws them.
    """
    code = own_code(__name__, axis_label.__module__)
    return sha256(f"{version('bokeh')}\0{list(goals)!r}\0{code}".encode()).hexdigest()[:24]


def draw_plots(goals: Sequence[Goal]) -> Plots:
    """The plots of some goals, drawn by Bokeh. Each has a source of its own, so that they can be
    painted one after the other.
    """
    from bokeh.document import Document
    from bokeh.embed import components
    from bokeh.resources import Resources

    pairs = list(combinations(goals, 2))
    heights = [LARGE_HEIGHT, *[PLOT_HEIGHT] * (len(pairs) - 1)]
    drawn = {
        f"{x.key}-{y.key}": _scatter(x, y, height)
        for (x, y), height in zip(pairs, heights, strict=True)
    }
    # One document, whose models are counted once: Bokeh would count all anew with each plot.
    document = Document()
    with document.models.freeze():
        for one in drawn.values():
            document.add_root(one)
    script, roots = components(drawn, wrap_script=False, wrap_plot_info=False)
    # As Bokeh writes them but for an attribute of style, which the page's policy refuses.
    divs = {
        key: f'<div id="{root.elementid}" data-root-id="{root.id}" class="plot-root"></div>'
        for key, root in roots.items()
    }
    labels = [f"{y.label} against {x.label.lower()}" for x, y in pairs]
    holders = tuple((key, label, divs[key]) for key, label in zip(drawn, labels, strict=True))
    library = "\n".join(Resources(mode="inline", components=["bokeh"], log_level="error").js_raw)
    return Plots(library.replace("\r\n", "\n"), script.replace("\r\n", "\n"), holders)


def _scatter(x: Goal, y: Goal, height: int) -> Any:
    """An empty plot of one objective over another, with a brush, letters and a ring."""
    from bokeh.models import BoxSelectTool, ColumnDataSource, HoverTool, TapTool
    from bokeh.plotting import figure

    plot: Any = figure(
        height=height,
        sizing_mode="stretch_width",
        toolbar_location=None,
        tools=[],
        x_axis_label=axis_label(x),
        y_axis_label=axis_label(y),
        background_fill_color=None,
        border_fill_color=None,
        outline_line_color=None,
        min_border_right=12,
    )
    columns = (x.key, y.key, "mark", "colour", "strength", "size")
    cloud = plot.scatter(
        x.key,
        y.key,
        source=ColumnDataSource(data={name: [] for name in columns}),
        marker="mark",
        size="size",
        fill_color="colour",
        line_color=None,
        fill_alpha="strength",
        nonselection_fill_alpha=0.06,
        selection_fill_alpha=1.0,
        name="cloud",
    )
    _draw_over(plot)
    brush = BoxSelectTool(renderers=[cloud], name="brush")
    plot.add_tools(brush, TapTool(renderers=[cloud]), HoverTool(renderers=[cloud], tooltips=None))
    plot.toolbar.active_drag = brush
    plot.toolbar.logo = None
    # The range follows the designs and their tails, not where a letter was moved to.
    tails = plot.select_one({"name": "tails"})
    plot.x_range.renderers = plot.y_range.renderers = [cloud, tails]
    for axis in (*plot.xaxis, *plot.yaxis):
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = "12px"
        axis.major_label_text_font_size = "12px"
    plot.xgrid.grid_line_dash = plot.ygrid.grid_line_dash = [2, 4]
    return plot


def _draw_over(plot: Any) -> None:
    """Letters of the picks, their tails down to the worst tenth of builds, and the ring around the
    design pointed at: over the cloud, so that they change without drawing the cloud anew.
    """
    from bokeh.models import ColumnDataSource

    ends = ColumnDataSource(data={name: [] for name in ("x", "y", "end_x", "end_y")})
    plot.segment(
        "x", "y", "end_x", "end_y", source=ends, level="overlay", line_width=1, name="tails"
    )
    picked = ColumnDataSource(data={name: [] for name in ("x", "y", "at_x", "at_y", "letter")})
    over: dict[str, Any] = {"source": picked, "level": "overlay"}
    plot.segment("x", "y", "at_x", "at_y", line_width=1.5, name="stems", **over)
    plot.scatter("x", "y", size=5, line_color=None, name="feet", **over)
    plot.scatter("at_x", "at_y", size=DISC, name="discs", **over)
    plot.text(
        "at_x",
        "at_y",
        text="letter",
        text_align="center",
        text_baseline="middle",
        text_font_size="12px",
        text_font_style="bold",
        name="letters",
        **over,
    )
    plot.scatter(
        "x",
        "y",
        source=ColumnDataSource(data={"x": [], "y": []}),
        size=13,
        fill_color=None,
        line_width=2,
        level="overlay",
        name="here",
    )
