"""Draws the page: one HTML file that needs no network, from the words and columns of `view`."""

from __future__ import annotations

import json
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from typing import Any

from explorer.files import write_atomic
from explorer.front import EQUAL_WITHIN
from explorer.model.objectives import ENERGY
from explorer.report.format import counted
from explorer.report.page.columns import WORST_TENTH
from explorer.report.page.content import PageData
from explorer.report.page.figures import tails_of
from explorer.report.page.marks import MARKS, TAILS, marks_sentence
from explorer.report.page.plots import DISC, Plots, plots_of
from explorer.report.page.still import alternatives_of, details_of, stills_of, table_rows
from explorer.report.templating import content_policy, own_text, packed, template

SCRIPTS = ("shared", "parallel", "explore", "one", "asking", "sheets", "start")
"""The page's scripts in the order in which they build on each other; they share one scope."""

LIVE = (
    'if (window.DecompressionStream && "adoptedStyleSheets" in document) '
    'document.documentElement.classList.add("live");'
)
"""Run before anything is painted: what is for readers with scripts is shown from the start. Where a
browser is too old to unpack data or to style plots, the page stays what it is without scripts."""
SHARE_CLASSES = "".join(
    f".at-{share}{{left:{share}%}}.to-{share}{{width:{share}%}}" for share in range(101)
)
"""Places and widths in percent as classes, since the page's policy refuses attributes of style."""


def write(page: PageData, folder: str | Path) -> Path:
    """Write `folder`/index.html whole or not at all; returns its path.

    Raises OSError where the folder cannot be written.
    """
    return write_atomic(Path(folder) / "index.html", render(page))


def _script() -> Any:
    """The scripts as one, in a scope of their own that may wait for the page's data."""
    from markupsafe import Markup

    parts = Markup("\n").join(own_text(f"{name}.js") for name in SCRIPTS)
    return Markup('"use strict";\n(async () => {\n') + parts + Markup("\n})();")


def render(page: PageData) -> str:
    """The page as one HTML text; names and notes in it are escaped."""
    from markupsafe import Markup

    drawn = bool(page.designs.ids)
    plots = plots_of(page.goals) if drawn else Plots("", "", ())
    css, js = own_text("page.css") + Markup(SHARE_CLASSES), _script()
    scripts = (LIVE, js, plots.library, plots.script) if drawn else (LIVE,)
    return template("index.html.j2").render(
        page=page,
        policy=content_policy(styles=(css,), scripts=scripts),
        css=css,
        live=Markup(LIVE),
        js=js,
        library=packed(plots.library),
        plot_script=Markup(plots.script),
        plots=[(key, label, Markup(div)) for key, label, div in plots.holders],
        payload=packed(json.dumps(_payload(page), separators=(",", ":"), allow_nan=False)),
        rows=table_rows(page),
        shown=frozenset(page.designs.ids),
        details=details_of(page),
        still=stills_of(page),
        alt=alternatives_of(page),
        marks=marks_sentence(page.designs.regimes),
        tails=TAILS if tails_of(page) else "",
        regimes=tuple({card.regime: card.regime_words for card in page.cards}.items()),
        goal_count=counted(len(page.goals)),
    )


def _plain(record: Any) -> Any:
    """Records as mappings, all else as it is: `asdict` copies half a million numbers."""
    if is_dataclass(record):
        return {field.name: _plain(getattr(record, field.name)) for field in fields(record)}
    if isinstance(record, tuple | list) and any(map(is_dataclass, record[:1])):
        return [_plain(one) for one in record]
    return record


def _payload(page: PageData) -> dict[str, Any]:
    """What the script needs, without what the template has already written out."""
    return {
        "designs": _plain(page.designs),
        "goals": [asdict(goal) for goal in page.goals],
        "energy": ENERGY,
        "worst_tenth": WORST_TENTH,
        "cards": [
            {"letter": c.letter, "title": c.title, "design_id": c.design_id} for c in page.cards
        ],
        "recommended_id": page.recommended_id,
        "currency": page.currency,
        "yours": page.yours,
        "curves": [asdict(one) for one in page.curves],
        "swaps": {name: asdict(one) for name, one in page.swaps.items()},
        "equal_within": EQUAL_WITHIN,
        "marks": {name: {"live": m.live, "tone": m.tone} for name, m in MARKS.items()},
        "disc": DISC,
        "words": page.words,
    }
