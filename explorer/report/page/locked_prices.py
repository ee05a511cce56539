"""A locked design at today's prices: whether it stands, and which prices would beat it."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil, floor, isfinite

from explorer.decision import price_sensitivity
from explorer.decision.lock import Lock
from explorer.decision.verdict import Verdict
from explorer.model.names import name_of
from explorer.model.objectives import BY_KEY
from explorer.report.format import HALF_A_CENT, cents, signed_percent
from explorer.report.goals import goal_difference
from explorer.report.page.price_content import LockedPrices, PriceLimit
from explorer.report.page.price_view import NAMED, PriceView
from explorer.report.wording import link_words


def locked_design(view: PriceView, lock: Lock, verdict: Verdict) -> LockedPrices:
    """What today's prices make of a locked design."""
    limits = [
        (one.break_even > one.price, price_limit(view, one, lock.parts)) for one in verdict.tips
    ]
    reasons = [reason.words for reason in verdict.reasons]
    return LockedPrices(
        lock.design_id,
        verdict.status,
        lock.note,
        (*_verdict(view, verdict), *(f"{words[0].upper()}{words[1:]}." for words in reasons)),
        tuple(limit for rises, limit in limits if rises)[:NAMED],
        tuple(limit for rises, limit in limits if not rises)[:NAMED],
        _nearest(verdict, limits),
    )


def _nearest(verdict: Verdict, limits: list[tuple[bool, PriceLimit]]) -> str:
    """The price that is nearest to beating the design."""
    if not limits:
        if verdict.status == "kept":
            return "No single price would change that, as far as the store knows."
        return ""
    rises, limit = limits[0]
    way = "rises above" if rises else "falls below"
    return (
        f"The nearest price that would change that: {limit.name}, when it {way} {limit.until} "
        f"({limit.price} today)."
    )


def _verdict(view: PriceView, one: Verdict) -> list[str]:
    if one.status == "kept":
        words = ["Stands: no stored design beats it at today's prices by what counts."]
    elif one.status == "adjust":
        words = ["Stands with other settings: its own parts can do better."]
    elif one.status == "infeasible":
        words = ["No longer keeps every rule of today's study."]
    elif one.status == "sold_out":
        words = ["Has a part that is no longer offered."]
    else:
        words = [f"Beaten by {name_of(str(one.beaten_by))}: {_better(view, one)}."]
    words.append(one.advice.text)
    words += [f"Best {option.label}: {option.text}." for option in one.options]
    if one.cost is not None and one.cost_when_locked is not None:
        gap = one.cost - one.cost_when_locked
        moved = (
            f"{cents(abs(gap), view.currency)} {'more' if gap > 0 else 'less'} than"
            if abs(gap) >= HALF_A_CENT
            else "the same as"
        )
        words.append(
            f"It costs {cents(one.cost, view.currency)} today, {moved} on the day of the lock."
        )
    switches = one.status != "adjust" and one.cost_to_switch is not None
    if one.cost_to_stay is not None and switches:
        words.append(
            f"Staying costs {cents(one.cost_to_stay, view.currency)}, switching costs "
            f"{cents(one.cost_to_switch, view.currency)}; parts that you already have count as "
            "free only when the study or the rerun names them."
        )
    return words


def _better(view: PriceView, one: Verdict) -> str:
    """What the rival does better; `by` counts what is better as above 0 in every objective."""
    words = [
        goal_difference(goal, -BY_KEY[goal.key].sign * one.by[goal.key])
        for goal in view.goals
        if one.by.get(goal.key, 0.0) > 0
    ]
    return ", ".join(words) or "no worse in any goal"


def price_limit(
    view: PriceView, one: price_sensitivity.BreakEven, parts: Mapping[str, str]
) -> PriceLimit:
    """A price at which a design of these parts is beaten, up to which it stands."""
    change = one.change_percent
    return PriceLimit(
        view.names.get(one.part, one.part),
        link_words(one.link),
        parts[one.link] == one.part,
        cents(one.price, view.currency),
        f"{short_of(one.break_even, one.price)} {view.currency}",
        signed_percent(change) if isfinite(change) else "",
        name_of(one.rival) if one.rival else "the study's limit on cost",
    )


def short_of(break_even: float, price: float) -> str:
    """The last price short of a break-even price, to the cent or as fine as it takes to differ.

    At a tie the rival wins wherever it is better in another goal, so a whole cent is not enough.

    >>> short_of(17.80, 12.5), short_of(8.191, 13.5), short_of(2.4003, 2.4)
    ('17.79', '8.20', '2.4002')
    """
    for digits in (2, 3, 4):
        near = round(break_even * 10**digits, 6)  # 17.80 is not 1779.9999 cents
        until = (ceil(near) - 1 if break_even > price else floor(near) + 1) / 10**digits
        if (until - price) * (break_even - price) > 0:
            break
    return f"{until:,.{digits}f}"
