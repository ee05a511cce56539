"""Draws the page: one HTML file that needs no network, from the words and columns of view.py."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from explorer.decision.picks import AGREES
from explorer.files import write_atomic
from explorer.front import EQUAL_WITHIN
from explorer.report.format import number
from explorer.report.goals import EFFORT_DIGITS, goal_text
from explorer.report.page import figures
from explorer.report.page.content import Card, Objective, PageData
from explorer.report.page.market import Cloud
from explorer.report.wording import PICK_WORDS

if TYPE_CHECKING:
    from jinja2 import Template

    from explorer.report.page.market import Market

STILL_ROWS = 40
"""Rows of the table for readers without scripts."""

PLOT_HEIGHT = 268
DISC = 17
"""Pixels across the disc that carries a pick's letter."""
BOKEH_MARKS = {
    "steady": "circle",
    "cycling": "triangle",
    "flooded": "square",
    "chattering": "diamond",
    "starved": "x",
}
MARK_NAMES = {
    "circle": "disc",
    "triangle": "triangle",
    "square": "square",
    "diamond": "diamond",
    "x": "cross",
}


def write(page: PageData, folder: str | Path) -> Path:
    """Write `folder`/index.html whole or not at all; returns its path.

    Raises OSError where the folder cannot be written.
    """
    return write_atomic(Path(folder) / "index.html", render(page))


def write_beside(
    pages: Sequence[PageData], folder: str | Path, labels: Sequence[str] | None = None
) -> Path:
    """Write studies, or one study at several dates, beside each other on one page.

    `labels` head the columns, the studies' names without it. Writes `folder`/index.html and
    returns its path. Raises ValueError for no pages or another number of labels.
    """
    return write_atomic(Path(folder) / "index.html", render_beside(pages, labels))


def render_beside(pages: Sequence[PageData], labels: Sequence[str] | None = None) -> str:
    """The page of `write_beside` as one HTML text; it needs no script."""
    labels = [page.name for page in pages] if labels is None else list(labels)
    if not pages or len(labels) != len(pages):
        raise ValueError(f"{len(pages)} pages and {len(labels)} labels do not make a page")
    stills = [_address(figures.pairs_svg(page)) if page.designs.ids else "" for page in pages]
    return _template("beside.html.j2").render(
        pages=list(zip(pages, labels, strict=True)),
        labels=labels,
        groups=_wish_rows(pages),
        both=_both(pages, labels),
        stills=stills,
        css=_own("page.css"),
    )


def _both(pages: Sequence[PageData], labels: Sequence[str]) -> dict[str, str]:
    """Two fronts in one figure, where costs can be compared; empty otherwise."""
    if len(pages) != 2 or len({p.currency for p in pages}) > 1:
        return {}
    ids = [set(page.designs.ids) for page in pages]
    if not all(ids):
        return {}
    clouds = [_cloud_of(page, ids[1 - k]) for k, page in enumerate(pages)]
    shared = len(ids[0] & ids[1])
    words = (
        f"{shared:,} designs are on both pages, {len(ids[0]) - shared:,} on that of {labels[0]} "
        f"only, {len(ids[1]) - shared:,} on that of {labels[1]} only."
    )
    names = (f"in both, {labels[0]}", f"in both, {labels[1]}", f"{labels[0]} only",
             f"{labels[1]} only")  # fmt: skip
    svg = figures.moved_svg(clouds[0], clouds[1], pages[0].currency, names)
    return {"still": _address(svg), "words": words}


def _cloud_of(page: PageData, others: set[str]) -> Cloud:
    columns = {column.name: column.values for column in page.designs.objectives}
    cost, energy = (
        tuple(v or 0.0 for v in columns[name]) for name in ("cost", "delivered_energy_J")
    )
    return Cloud(cost, energy, tuple(name in others for name in page.designs.ids))


def _wish_rows(pages: Sequence[PageData]) -> list[dict[str, Any]]:
    """One group a wish, in it one row a goal with one text a page, and rows of parts; a page
    without the pick shows a dash. `change` says how the second of two pages differs from the first.
    """
    cards = [{wish: card for card in page.cards for wish in card.wishes} for page in pages]
    groups = []
    for wish in sorted({wish for one in cards for wish in one}, key=list(PICK_WORDS).index):
        picked = [one.get(wish) for one in cards]
        rows = [
            {
                "goal": goal.label,
                "texts": [card.standings[k].text if card else "–" for card in picked],
                "whole": "",
                "change": _change(pages, picked, goal),
            }
            for k, goal in enumerate(pages[0].objectives)
        ]
        rows += _part_rows(pages, picked)
        groups.append({"wish": PICK_WORDS[wish], "rows": rows})
    return groups


def _part_rows(
    pages: Sequence[PageData], picked: Sequence[Card | None]
) -> Iterator[dict[str, Any]]:
    """What the picks are made of: one row where they are the same design, else one a link whose
    parts differ.
    """
    made = [_parts_of(page, card) if card else {} for page, card in zip(pages, picked, strict=True)]
    if len({card.design_id if card else "" for card in picked}) == 1:
        bill = picked[0].bill if picked[0] else "–"
        yield {"goal": "Parts", "whole": bill, "change": "the same design"}
        return
    for label in dict.fromkeys(label for parts in made for label in parts):
        texts = [parts.get(label, "–") for parts in made]
        if len(set(texts)) > 1:
            told = label[0].upper() + label[1:]
            change = "another" if all(made) else ""
            yield {"goal": told, "texts": texts, "whole": "", "change": change}


def _parts_of(page: PageData, card: Card) -> dict[str, str]:
    """Link or setting -> what a pick has there."""
    designs, row = page.designs, page.designs.ids.index(card.design_id)
    parts = {link.label: link.parts[link.used[row]].name for link in designs.links}
    settings = {s.label: f"{number(s.values[row])} {s.unit}".strip() for s in designs.settings}
    return {**parts, **settings}


def _change(pages: Sequence[PageData], picked: Sequence[Card | None], goal: Objective) -> str:
    """By how much a goal of two picks differs, where that can be told."""
    if len(pages) != 2 or None in picked or pages[0].currency != pages[1].currency:
        return ""
    before, after = (
        next(c for c in page.designs.objectives if c.name == goal.key).values[
            page.designs.ids.index(card.design_id)
        ]
        for page, card in zip(pages, picked, strict=True)
        if card is not None
    )
    gap = (after or 0.0) - (before or 0.0)
    if not gap:
        return "the same"
    # Money is counted; of the rest a person cannot tell so little, and the model knows no better.
    if goal.key != "cost" and abs(gap) <= EQUAL_WITHIN * max(abs(after or 0), abs(before or 0)):
        return f"within {number(100 * EQUAL_WITHIN)} %"
    unit = "points of effort" if goal.unit == "%" else goal.unit
    return f"{'+' if gap > 0 else '−'}{goal_text(goal.key, abs(gap))} {unit}"


def _own(name: str) -> Any:
    """A style sheet or script of this package, which needs no escaping."""
    from markupsafe import Markup

    return Markup((Path(__file__).parent.parent / "templates" / name).read_text("utf-8"))


SCRIPTS = ("shared", "parallel", "explore", "one", "start")
"""The page's scripts in the order in which they build on each other; they share one scope."""


def _script() -> Any:
    """The scripts as one, in a scope of their own."""
    from markupsafe import Markup

    parts = Markup("\n").join(_own(f"{name}.js") for name in SCRIPTS)
    return Markup('"use strict";\n(() => {\n') + parts + Markup("\n})();")


def _template(name: str) -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("explorer.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
    )
    environment.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "allow_nan": False}
    return environment.get_template(name)


def _address(svg: str) -> str:
    """An SVG as the data address of an image."""
    return f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}"


def render(page: PageData) -> str:
    """The page as one HTML text; names and notes in it are escaped."""
    from markupsafe import Markup

    drawn = bool(page.designs.ids)
    library, script, divs = _plots(page) if drawn else ("", "", {})
    return _template("index.html.j2").render(
        page=page,
        css=_own("page.css"),
        js=_script(),
        library=Markup(library),
        plot_script=Markup(script),
        plots=[(key, label, Markup(div)) for key, (label, div) in divs.items()],
        payload=_payload(page),
        rows=_still_rows(page),
        shown=frozenset(page.designs.ids),
        details=_details(page),
        still=_stills(page),
        alt=_alternatives(page),
        marks=_marks(page),
    )


def _payload(page: PageData) -> dict[str, Any]:
    """What the script needs, without what the template has already written out."""
    return {
        "designs": asdict(page.designs),
        "cards": [
            {"letter": c.letter, "title": c.title, "design_id": c.design_id} for c in page.cards
        ],
        "recommended_id": page.recommended_id,
        "currency": page.currency,
        "traces": [asdict(trace) for trace in page.traces],
        "around": {name: asdict(one) for name, one in page.around.items()},
        "apart": AGREES,
        "equal_within": EQUAL_WITHIN,
        "marks": BOKEH_MARKS,
        "disc": DISC,
        "effort_digits": EFFORT_DIGITS,
        "words": page.words,
    }


def _plots(page: PageData) -> tuple[str, str, dict[str, tuple[str, str]]]:
    """Bokeh's library, the script that places the plots, and label and holder of each plot.

    The plots come without their designs, which the page's own data holds: explore.js fills them in.
    Each has a source of its own, so that they can be painted one after the other.
    """
    from bokeh.embed import components
    from bokeh.resources import Resources

    pairs = list(combinations(page.objectives, 2))
    drawn = {f"{x.key}-{y.key}": _scatter(x, y) for x, y in pairs}
    script, divs = components(drawn, wrap_script=False)
    labels = {f"{x.key}-{y.key}": f"{y.label} against {x.label.lower()}" for x, y in pairs}
    library = "\n".join(Resources(mode="inline", components=["bokeh"], log_level="error").js_raw)
    return library, script, {key: (labels[key], divs[key]) for key in drawn}


def _scatter(x: Objective, y: Objective) -> Any:
    from bokeh.models import BoxSelectTool, ColumnDataSource, HoverTool, TapTool
    from bokeh.plotting import figure

    plot: Any = figure(
        height=PLOT_HEIGHT,
        sizing_mode="stretch_width",
        toolbar_location=None,
        tools=[],
        x_axis_label=figures.axis_label(x),
        y_axis_label=figures.axis_label(y),
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
    # What lies over the cloud is drawn without drawing the cloud anew.
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
        text_font_size="11px",
        text_font_style="bold",
        name="letters",
        **over,
    )
    pointed = ColumnDataSource(data={"x": [], "y": []})
    plot.scatter(
        "x",
        "y",
        source=pointed,
        size=13,
        fill_color=None,
        line_width=2,
        level="overlay",
        name="here",
    )
    brush = BoxSelectTool(renderers=[cloud], name="brush")
    plot.add_tools(brush, TapTool(renderers=[cloud]), HoverTool(renderers=[cloud], tooltips=None))
    plot.toolbar.active_drag = brush
    plot.toolbar.logo = None
    # The range follows the designs, not where a letter was moved to.
    plot.x_range.renderers = plot.y_range.renderers = [cloud]
    for axis in (*plot.xaxis, *plot.yaxis):
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = "12px"
        axis.major_label_text_font_size = "11px"
    plot.xgrid.grid_line_dash = plot.ygrid.grid_line_dash = [2, 4]
    return plot


def _goal_texts(page: PageData, row: int) -> list[str]:
    return [goal_text(column.name, column.values[row]) for column in page.designs.objectives]


def _still_rows(page: PageData) -> list[dict[str, Any]]:
    """The table as it stands without scripts: picks first, then evenly spread over the front."""
    designs = page.designs
    letters = {card.design_id: card.letter for card in page.cards}
    readable = [row for row, reading in enumerate(designs.reading) if reading]
    every = max(1, len(readable) // STILL_ROWS)
    picked = [row for row in readable if designs.ids[row] in letters]
    rows = sorted({*picked, *readable[::every]})
    links = {link.name: link for link in designs.links}
    columns = {column.name: column.values for column in designs.settings}

    def part(link: str, row: int) -> str:
        return links[link].parts[links[link].used[row]].name

    def cells(row: int) -> int:
        each = [columns.get(f"cells_{way}", ()) for way in ("series", "parallel")]
        return int(np.prod([values[row] or 1 for values in each if values]))

    return [
        {
            "letter": letters.get(designs.ids[row], ""),
            "id": designs.ids[row],
            "goals": _goal_texts(page, row),
            "regime": designs.regimes[row],
            "generator": part("generator", row),
            "gearing": part("gearing", row),
            "bank": f"{cells(row)} × {part('cell', row)}",
        }
        for row in rows
    ]


def _details(page: PageData) -> list[dict[str, Any]]:
    """Bill, settings and margins of the picks, for readers without scripts."""
    designs = page.designs
    place = {design_id: row for row, design_id in enumerate(designs.ids)}
    result = []
    for card in page.cards:
        row = place[card.design_id]
        margins = sorted(
            (value / (m.near or 1), m.label, f"{number(value, 2)} {m.unit}".strip())
            for m in designs.margins
            if (value := m.values[row]) is not None
        )
        result.append(
            {
                "letter": card.letter,
                "title": card.title,
                "id": card.design_id,
                "bill": [designs.bill_lines[k] for k in designs.bills[row]],
                "settings": [
                    (s.label, f"{number(s.values[row])} {s.unit}".strip()) for s in designs.settings
                ],
                "margins": [(label, text) for _, label, text in margins],
                "around": page.around.get(card.design_id),
                "cases": designs.cases[row],
            }
        )
    return result


def _stills(page: PageData) -> dict[str, str]:
    """Data addresses of the figures that stand without scripts; empty where there is nothing."""
    names = ("pairs", "ledger", "convergence", "outing", "moved", "line", "course")
    drawn = dict.fromkeys(names, "")
    if page.designs.ids:
        drawn |= {"pairs": figures.pairs_svg(page), "ledger": figures.ledger_svg(page)}
    if page.convergence.evaluations:
        drawn["convergence"] = figures.convergence_svg(page)
    if page.outing:
        drawn["outing"] = figures.outing_svg(page)
    if page.market:
        drawn |= _market_stills(page.market, page)
    return {name: _address(text) if text else "" for name, text in drawn.items()}


def _market_stills(market: Market, page: PageData) -> dict[str, str]:
    drawn = {}
    if market.before and market.after:
        drawn["moved"] = figures.moved_svg(market.before, market.after, page.currency)
    if market.line:
        drawn["line"] = figures.line_svg(market.line, page.currency)
    if len(market.course.when) > 1:
        drawn["course"] = figures.course_svg(market.course, page.objectives)
    return drawn


def _alternatives(page: PageData) -> dict[str, str]:
    """What each figure says, for those who do not see it."""
    designs = page.designs
    place = {design_id: row for row, design_id in enumerate(designs.ids)}
    ledger = {column.name: column for column in designs.ledger}

    def joules(name: str, design_id: str) -> float:
        return (ledger[name].values[place[design_id]] or 0.0) if name in ledger else 0.0

    def largest(design_id: str) -> str:
        losses = [n for n in ledger if n not in ("crank_work", "delivered", "stored")]
        if not losses:
            return "no losses told"
        name = max(losses, key=lambda n: joules(n, design_id))
        return f"largest loss {ledger[name].label}, {number(joules(name, design_id))} J"

    picks = "; ".join(
        f"{c.letter} {', '.join(f'{s.label.lower()} {s.text}' for s in c.standings)}"
        for c in page.cards
    )
    flows = "; ".join(
        f"{c.letter}: {number(joules('crank_work', c.design_id))} J at the crank, "
        f"{number(joules('delivered', c.design_id))} J into the pack, {largest(c.design_id)}"
        for c in page.cards
    )
    return {
        "pairs": f"Six scatter plots, one for each pair of the goals. {page.counts} {picks}.",
        "ledger": f"Where the work at the crank goes. {flows}.",
        "convergence": f"Enclosed volume against designs looked at. {page.convergence.sentence}",
        "outing": page.outing.sentence if page.outing else "",
        "moved": f"Cost against energy of the front before and now. {page.market.sentence}"
        if page.market
        else "",
        "line": "Which designs are on the front over one price, and how many use the part. "
        + page.market.line.sentence
        if page.market and page.market.line
        else "",
        "course": f"The best of each goal over time. {page.market.course.sentence}"
        if page.market
        else "",
    }


def _marks(page: PageData) -> str:
    """Which shape stands for which regime, of those that occur."""
    present = {
        regime: MARK_NAMES.get(mark, mark)
        for regime, mark in BOKEH_MARKS.items()
        if regime in page.designs.regimes
    }
    told = [f"{mark} for {regime}" for regime, mark in present.items()]
    return f"Shapes: {', '.join(told)}." if told else ""
