"""What moved between two runs: prices, and what the study says about prices beside its lists."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from explorer.inputs.prices import Price, Prices
from explorer.inputs.sections import BUDGET_LINES, BudgetLine, Build
from explorer.inputs.study import Project

OWNED = "owned."
"""What a term's name begins with that says how many pieces of a part are owned."""
SMALL = "build."
"""What a term's name begins with that says what small things of a kind cost."""


class PriceChange(NamedTuple):
    """A price that is not what it was; None for what did not or does not exist.

    In the currency of the list, unless the currency or its rate is what changed: then in the
    study's. `why` is price, currency, rate, new, gone, sold_out (listed, but no supplier has so
    many) or stock (the price is the same, but there are more pieces or fewer).
    """

    part: str
    from_quantity: int
    old: float | None
    new: float | None
    currency: str
    dated: str
    why: str


class TermChange(NamedTuple):
    """What the study says about prices beside the lists, and is not what it was; see `terms`."""

    term: str
    old: float | None
    new: float | None


def price_changes(old: Prices, new: Prices) -> Iterable[PriceChange]:
    """Every price that differs between two lists, in the order of the new one, gone ones last."""

    before, after = _cheapest(old), _cheapest(new)
    listed = {(one.part, one.from_quantity) for several in new.breaks.values() for one in several}
    for key, price in after.items():
        was = before.get(key)
        dated = price.dated.isoformat()
        if was is None:
            yield PriceChange(*key, None, price.amount, price.currency, dated, "new")
        elif was.currency == price.currency and was.amount != price.amount:
            yield PriceChange(*key, was.amount, price.amount, price.currency, dated, "price")
        elif old.currency == new.currency and old.in_currency(was) != new.in_currency(price):
            why = "rate" if was.currency == price.currency else "currency"
            worth = (old.in_currency(was), new.in_currency(price))
            yield PriceChange(*key, *worth, new.currency, dated, why)
        elif was.available != price.available:
            worth = (was.amount, price.amount)
            yield PriceChange(*key, *worth, price.currency, dated, "stock")
    for key, price in before.items():
        if key not in after:
            dated = price.dated.isoformat()
            why = "sold_out" if key in listed else "gone"
            yield PriceChange(*key, price.amount, None, price.currency, dated, why)


def _cheapest(prices: Prices) -> dict[tuple[str, int], Price]:
    """By part and quantity the price of the cheapest supplier that has so many."""
    found: dict[tuple[str, int], Price] = {}
    for several in prices.breaks.values():
        for one in several:
            key = (one.part, one.from_quantity)
            if one.available is not None and one.available < one.from_quantity:
                continue
            if key not in found or prices.in_currency(one) < prices.in_currency(found[key]):
                found[key] = one
    return found


def terms(project: Project) -> dict[str, float | None]:
    """What decides costs and the front beside prices and may change between two runs: how many kits
    are built (price breaks count for all of them), the study's limit on cost, how many pieces of a
    part are owned (`OWNED` and the part), and what small things cost (`SMALL` and their line).
    """
    study = project.study
    return {
        "build_quantity": study.prices.build_quantity,
        "limit_cost": study.limits.cost,
        **{f"{OWNED}{part}": pieces for part, pieces in study.owned.items()},
        **{f"{SMALL}{name}": line.price for name, line in study.build.budget.items()},
    }


def build_then(project: Project, kept: Mapping[str, float | None]) -> Build:
    """[build] of a study with the prices of small things from when these terms were kept."""
    lines = {}
    for name in BUDGET_LINES:
        price, today = kept.get(f"{SMALL}{name}"), getattr(project.study.build, name)
        line = BudgetLine() if today is None else today
        lines[name] = None if price is None else line.model_copy(update={"price": price})
    return project.study.build.model_copy(update=lines)


def owned_then(kept: Mapping[str, float | None]) -> dict[str, int]:
    """What was owned when these terms were kept: part -> pieces."""
    return {
        name.removeprefix(OWNED): int(pieces or 0)
        for name, pieces in kept.items()
        if name.startswith(OWNED)
    }


def term_changes(
    old: Mapping[str, float | None], new: Mapping[str, float | None]
) -> Iterable[TermChange]:
    """Every term that differs; one that was not kept before is passed over, unless it is of what is
    owned or of small things: that was nothing.

    >>> list(term_changes({"build_quantity": 1}, {"build_quantity": 50, "limit_cost": None}))
    [TermChange(term='build_quantity', old=1, new=50)]
    """
    for term in dict.fromkeys([*new, *old]):
        counted = term.startswith((OWNED, SMALL))
        if counted or (term in old and term in new):
            before, now = old.get(term, 0), new.get(term, 0)
            if before != now:
                yield TermChange(term, before, now)
