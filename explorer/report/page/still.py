"""What a page shows without scripts: a table, the picks in full, figures and their alternatives."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from hashlib import sha256
from importlib.metadata import version
from typing import Any

import numpy as np

from explorer.report import goals as page_goals
from explorer.report import wording
from explorer.report.format import counted, in_unit, number
from explorer.report.goals import Goal
from explorer.report.page import drawing, figures, marks, price_figures
from explorer.report.page.content import PageData
from explorer.report.page.price_content import Market
from explorer.report.templating import data_address, own_code
from explorer.user_cache import keep_text, kept_text

STILL_ROWS = 40
"""Rows of the table for readers without scripts."""
STILLS = "stills"
"""Name under which the user's cache holds figures."""
DRAWN_FROM = ("designs", "goals", "cards", "convergence", "break_even")
"""Fields of a page that decide about the figures of its front."""
DRAWN_BY = (drawing, figures, marks, page_goals, price_figures, wording)
"""Modules that decide how they look."""


def table_rows(page: PageData) -> list[dict[str, Any]]:
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
            "goals": [
                goal.text(column.values[row])
                for goal, column in zip(page.goals, designs.objectives, strict=True)
            ],
            "regime": designs.regimes[row],
            "generator": part("generator", row),
            "gearing": part("gearing", row),
            "bank": f"{cells(row)} × {part('cell', row)}",
        }
        for row in rows
    ]


def details_of(page: PageData) -> list[dict[str, Any]]:
    """Bill, settings and margins of the picks, for readers without scripts."""
    designs = page.designs
    place = {design_id: row for row, design_id in enumerate(designs.ids)}
    result = []
    for card in page.cards:
        row = place[card.design_id]
        margins = sorted(
            (value / (m.near or 1), m.label, in_unit(value, m.unit, 2))
            for m in designs.margins
            if (value := m.values[row]) is not None
        )
        result.append(
            {
                "letter": card.letter,
                "title": card.title,
                "id": card.design_id,
                "bill": [designs.bill_lines[k] for k in designs.bills[row]],
                "settings": [(s.label, in_unit(s.values[row], s.unit)) for s in designs.settings],
                "margins": [(label, text) for _, label, text in margins],
                "swaps": page.swaps.get(card.design_id),
                "cases": designs.cases[row],
            }
        )
    return result


def stills_of(page: PageData) -> dict[str, str]:
    """Data addresses of the figures that stand without scripts; empty where there is nothing.

    What was drawn of the same numbers before is taken from there: Matplotlib takes half of the
    processor time of a page that is written again.
    """
    names = ("pairs", "ledger", "convergence", "break_even", "moved", "history")
    drawn = dict.fromkeys(names, "")
    drawn |= _kept([getattr(page, name) for name in DRAWN_FROM], lambda: _front_stills(page))
    if page.market:
        market, goals = page.market, page.goals
        made_of = [market.before, market.after, market.history, goals]
        drawn |= _kept(made_of, lambda: _market_stills(market, goals))
    return {name: data_address(text) for name, text in drawn.items()}


def _kept(made_of: Sequence[object], draw: Callable[[], dict[str, str]]) -> dict[str, str]:
    """Figures, name -> SVG, that follow from some records: as they were kept, or drawn and kept."""
    code = own_code(*(module.__name__ for module in DRAWN_BY))
    content = f"{version('matplotlib')}\0{made_of!r}\0{code}"
    key = sha256(content.encode()).hexdigest()[:24]
    known = kept_text(STILLS, key)
    if known is not None:
        return {str(name): str(text) for name, text in json.loads(known).items()}
    drawn = draw()
    if drawn:
        keep_text(STILLS, key, json.dumps(drawn))
    return drawn


def _front_stills(page: PageData) -> dict[str, str]:
    """Of a page these figures read what `DRAWN_FROM` names, and nothing else (a test looks)."""
    drawn: dict[str, str] = {}
    if page.designs.ids:
        drawn |= {"pairs": figures.pairs_svg(page), "ledger": figures.ledger_svg(page)}
    if page.convergence.evaluations:
        drawn["convergence"] = figures.convergence_svg(page)
    if page.break_even and page.break_even.shows_more_than_words:
        drawn["break_even"] = figures.break_even_svg(page)
    return drawn


def _market_stills(market: Market, goals: Sequence[Goal]) -> dict[str, str]:
    drawn: dict[str, str] = {}
    if market.before and market.after:
        drawn["moved"] = price_figures.moved_svg(market.before, market.after, goals)
    if len(market.history.when) > 1:
        drawn["history"] = price_figures.history_svg(market.history, goals)
    return drawn


def alternatives_of(page: PageData) -> dict[str, str]:
    """What each figure shows, for those who do not see it."""
    designs = page.designs
    place = {design_id: row for row, design_id in enumerate(designs.ids)}
    ledger = {column.name: column for column in designs.ledger}

    def joules(name: str, design_id: str) -> float:
        return (ledger[name].values[place[design_id]] or 0.0) if name in ledger else 0.0

    def largest(design_id: str) -> str:
        losses = [n for n in ledger if n not in ("crank_work", "delivered", "stored")]
        if not losses:
            return "no losses known"
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
    pairs = len(page.goals) * (len(page.goals) - 1) // 2
    return {
        "pairs": f"{counted(pairs).capitalize()} scatter plots, one for each pair of the goals. "
        f"{page.counts} {picks}.",
        "ledger": f"Where the work at the crank goes. {flows}.",
        "convergence": f"Enclosed volume against designs looked at. {page.convergence.sentence}",
        "break_even": page.break_even.sentence if page.break_even else "",
        **_market_alternatives(page.market),
    }


def _market_alternatives(market: Market | None) -> dict[str, str]:
    if market is None:
        return dict.fromkeys(("moved", "history"), "")
    return {
        "moved": f"Cost against energy of the front before and now. {market.sentence}",
        "history": f"The best of each goal over time. {market.history.sentence}",
    }
