"""Whether a picked kit is worth carrying: against a charged spare pack of its own mass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil

import numpy as np

from explorer.model.objectives import ENERGY
from explorer.report.format import number
from explorer.report.goals import DesignResult
from explorer.report.page.content import Card, PackComparison, PackComparisonLine
from explorer.units import J_PER_WH


def _day(even: float) -> str:
    """The first day by whose end the kit has given as much."""
    return f"{max(ceil(even - 1e-9), 1):,}"


def _verdict(lines: Sequence[PackComparisonLine], days: float) -> str:
    first = lines[0]
    worth = [x.letter for x in lines if x.break_even_day is not None and x.break_even_day <= days]
    length = f"an outing of {number(days)} days"
    if not worth:
        beyond = (
            f"{first.letter} would give more from day {_day(first.break_even_day)} on"
            if first.break_even_day is not None
            else f"{first.letter} never would"
        )
        return f"Not for its weight on {length}: a charged spare pack gives more; {beyond}."
    if first.letter in worth:
        assert first.break_even_day is not None
        return (
            f"Yes on {length}: {first.letter} passes a charged spare pack of its own mass on day "
            f"{_day(first.break_even_day)}."
        )
    return f"On {length} {', '.join(worth)} passes a charged spare pack, {first.letter} does not."


def pack_comparison(
    outing: DesignResult | None,
    cards: Sequence[Card],
    known: Mapping[str, DesignResult],
    minutes: float,
) -> PackComparison | None:
    """Energy for each kg carried: a kit after so many days against a spare pack brought charged.

    `outing` is {minutes_per_day, days, spare_Wh_per_kg}; `minutes` those of a session. None without
    an outing or without picks.
    """
    if outing is None or not cards:
        return None
    a_day, spare = float(outing["minutes_per_day"]), float(outing["spare_Wh_per_kg"])
    days = np.linspace(0, float(outing["days"]), 57)
    lines = []
    for card in cards:
        record = known[card.design_id]
        daily = float(record[ENERGY]) / minutes * a_day / J_PER_WH
        per_kg = daily / float(record["mass_kg"])
        even = spare / per_kg if per_kg > 0 else None
        lines.append(
            PackComparisonLine(
                card.letter,
                card.title,
                tuple((per_kg * days).round(3).tolist()),
                even,
                f"{number(per_kg * days[-1], 2)} Wh",
                "never" if even is None else f"day {_day(even)}",
            )
        )
    sentence = (
        f"{_verdict(lines, float(days[-1]))} Cranked {number(a_day)} minutes a day; a charged "
        f"spare pack of the same mass is taken as {number(spare)} Wh for each kg."
    )
    return PackComparison(tuple(days.round(3).tolist()), tuple(lines), spare, sentence)
