"""Whether a picked kit is worth carrying: against a charged spare pack of its own mass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from explorer.report.content import Card, Outing, OutingLine, Record
from explorer.report.numerals import number
from explorer.units import J_PER_WH


def outing_of(
    outing: Record | None, cards: Sequence[Card], known: Mapping[str, Record], minutes: float
) -> Outing | None:
    """Energy for each kg carried: kit after D days against a spare pack that came charged."""
    if outing is None or not cards:
        return None
    a_day, spare = float(outing["minutes_per_day"]), float(outing["spare_Wh_per_kg"])
    days = np.linspace(0, float(outing["days"]), 57)
    lines = []
    for card in cards:
        record = known[card.design_id]
        daily = float(record["delivered_energy_J"]) / minutes * a_day / J_PER_WH
        per_kg = daily / float(record["mass_kg"])
        even = spare / per_kg if per_kg > 0 else None
        lines.append(
            OutingLine(card.letter, card.title, tuple((per_kg * days).round(3).tolist()), even)
        )
    first = lines[0].break_even_day
    told = (
        f"{lines[0].letter} passes a charged spare pack of its own mass on day {number(first, 2)}"
        if first is not None
        else f"{lines[0].letter} never passes a charged spare pack of its own mass"
    )
    sentence = (
        f"Cranked {number(a_day)} minutes a day, {told}; the spare pack is taken as "
        f"{number(spare)} Wh for each kg."
    )
    return Outing(tuple(days.round(3).tolist()), tuple(lines), spare, sentence)
