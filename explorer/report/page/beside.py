"""Studies, or one study at several dates, beside each other on one page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from explorer.files import write_atomic
from explorer.front import EQUAL_WITHIN
from explorer.model.objectives import COST, ENERGY
from explorer.report.format import counted, number
from explorer.report.goals import Goal
from explorer.report.page import figures, price_figures
from explorer.report.page.content import Card, PageData
from explorer.report.page.figures import tails_of
from explorer.report.page.marks import TAILS, marks_sentence
from explorer.report.page.price_content import FrontCloud
from explorer.report.templating import content_policy, data_address, own_text, template
from explorer.report.wording import PICK_WORDS


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
    stills = [data_address(figures.pairs_svg(page)) if page.designs.ids else "" for page in pages]
    goals = len(pages[0].goals)
    css = own_text("page.css")
    return template("beside.html.j2").render(
        pair_count=counted(goals * (goals - 1) // 2),
        pages=list(zip(pages, labels, strict=True)),
        labels=labels,
        groups=_wish_rows(pages),
        both=_both(pages, labels),
        legends=[_legend(page) for page in pages],
        stills=stills,
        css=css,
        policy=content_policy(styles=(css,)),
    )


def _legend(page: PageData) -> str:
    """What shapes and thin lines of a page's plots stand for."""
    tails = TAILS if tails_of(page) else ""
    return f"{marks_sentence(page.designs.regimes)} {tails}".strip()


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
    svg = price_figures.moved_svg(clouds[0], clouds[1], pages[0].goals, names)
    return {"still": data_address(svg), "words": words}


def _cloud_of(page: PageData, others: set[str]) -> FrontCloud:
    columns = {column.name: column.values for column in page.designs.objectives}
    cost, energy = (tuple(v or 0.0 for v in columns[key]) for key in (COST, ENERGY))
    return FrontCloud(cost, energy, tuple(name in others for name in page.designs.ids))


def _wish_rows(pages: Sequence[PageData]) -> list[dict[str, Any]]:
    """One group a wish: in it one row a goal with one text a page, and rows of parts. A page
    without the pick shows a dash. `change` is how the second of two pages differs from the first.
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
            for k, goal in enumerate(pages[0].goals)
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
            change = "another" if all(made) else ""
            head = label[0].upper() + label[1:]
            yield {"goal": head, "texts": texts, "whole": "", "change": change}


def _parts_of(page: PageData, card: Card) -> dict[str, str]:
    """Link or setting -> what a pick has there."""
    designs, row = page.designs, page.designs.ids.index(card.design_id)
    parts = {link.label: link.parts[link.used[row]].name for link in designs.links}
    settings = {s.label: f"{number(s.values[row])} {s.unit}".strip() for s in designs.settings}
    return {**parts, **settings}


def _change(pages: Sequence[PageData], picked: Sequence[Card | None], goal: Goal) -> str:
    """By how much two picks differ in a goal, where they can be compared."""
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
    # Money is counted; of the rest a person notices no less, and the model knows no better.
    if not goal.is_money and abs(gap) <= EQUAL_WITHIN * max(abs(after or 0), abs(before or 0)):
        return f"within {number(100 * EQUAL_WITHIN)} %"
    return f"{'+' if gap > 0 else '−'}{goal.text(abs(gap))} {goal.gap_unit}"
