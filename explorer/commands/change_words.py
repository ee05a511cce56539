"""What a rerun found changed since the last run, in words for the terminal."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from explorer.report.format import minute_of

Lines = list[str]
Answer = Mapping[str, Any]


def causes(answer: Answer) -> Lines:
    """What a rerun found changed: prices, the study's terms, inputs, and parts that are free."""
    causes = []
    if answer["slip"]:
        causes.append(
            f"the run of {minute_of(answer['slip'])} held a slip: it is compared with no more"
        )
    causes += [
        f"price of {c['part']}{_from_pieces(c)}: {_amount(c['old'])} -> {_amount(c['new'])} "
        f"{c['currency']} ({c['why']}, dated {c['dated']})"
        for c in answer["price_changes"]
    ] or ["no price has changed since the last run"]
    causes += [_term_words(c, answer["currency"]) for c in answer["terms_changed"]]
    known = {"cost"} if any(c["term"] == "limit_cost" for c in answer["terms_changed"]) else set()
    causes += changed_since(answer, known)
    unknown = answer["cannot_know"]
    causes += [
        f"what the store cannot know since {changed([one])[0]}: {one['why']}" for one in unknown
    ]
    causes += [f"to find out: {one['command']}" for one in unknown[:1]]
    if answer["owned"]:
        pieces = answer["owned_pieces"]
        parts = [
            part if pieces[part] is None else f"{pieces[part]} x {part}" for part in answer["owned"]
        ]
        causes.append(
            f"what if: {', '.join(parts)} counted as free; the next rerun compares with "
            "the last one without"
        )
    return causes


def changed_since(answer: Answer, known: Collection[str] = ()) -> Lines:
    """What study and tables did not say at the last run, beside limits already `known`."""
    return [f"changed since the last run: {w}" for w in changed(answer["changed"], known)]


def moved_since(answer: Answer) -> Lines:
    """What changed before a launch, and how the front moved; nothing where it did not."""
    lines = changed_since(answer)
    if answer["entered"] or answer["left"]:
        lines.append(
            f"since the last run {len(answer['entered']):,} designs entered the front, "
            f"{len(answer['left']):,} left it"
        )
    return lines


def changed(values: Sequence[Answer], known: Collection[str] = ()) -> Lines:
    """Limits, settings, tables, people and packs that changed, beside limits already `known`."""
    from explorer.decision.changes import Change

    found = [Change(*(one[key] for key in Change._fields)) for one in values]
    return [one.words for one in found if one.what != "limit" or one.name not in known]


def _term_words(change: Answer, currency: str) -> str:
    """A change of the study's own terms, and what it does to costs or to the front."""
    if change["term"] == "build_quantity":
        kits = f"{change['old']:,} -> {change['new']:,}"
        return f"build_quantity of the study: {kits} (price breaks count for all kits together)"
    from explorer.decision.price_changes import OWNED, SMALL

    if change["term"].startswith(OWNED):
        part = change["term"].removeprefix(OWNED)
        return f"pieces of {part} that you have: {change['old']:,.0f} -> {change['new']:,.0f}"
    old, new = (_amount(change[way]) for way in ("old", "new"))
    if change["term"].startswith(SMALL):
        line = change["term"].removeprefix(SMALL).replace("_", " ")
        return f"{line} in the study's [build]: {old} -> {new} {currency}"
    return f"the study's limit on cost: {old} -> {new} {currency}"


def _from_pieces(change: Answer) -> str:
    count = change["from_quantity"]
    return f" from {count} pieces" if count > 1 else ""


def _amount(value: float | None) -> str:
    return "none" if value is None else f"{value:.2f}"
