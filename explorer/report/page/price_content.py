"""What a page holds about prices: frozen records of words, numbers and columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class MovedPrice:
    """A price that moved."""

    part: str
    name: str
    link: str
    before: str
    after: str
    percent: str
    why: str
    dated: str


@dataclass(frozen=True)
class MovedDesign:
    """A design that entered or left the front, with its objectives in words."""

    design_id: str
    words: str


@dataclass(frozen=True)
class MovedWish:
    """The objectives of the design that answered a wish before, and of the one that does now."""

    wish: str
    before: str
    after: str
    same: bool


@dataclass(frozen=True)
class PriceLimit:
    """A price up to which a design stands, rounded so that it still does."""

    name: str
    link: str
    own: bool
    price: str
    until: str
    percent: str
    rival: str


@dataclass(frozen=True)
class LockedPrices:
    """A locked design at today's prices: `rises` and `falls` are the prices that would beat it."""

    design_id: str
    status: str
    note: str
    words: tuple[str, ...]
    rises: tuple[PriceLimit, ...]
    falls: tuple[PriceLimit, ...]
    nearest: str


@dataclass(frozen=True)
class PriceRow:
    """A price that matters: `share` of the front uses the part, `by_fall` and `by_rise` designs
    enter or leave when it alone moves."""

    part: str
    name: str
    link: str
    price: str
    share: float
    by_fall: int
    by_rise: int


@dataclass(frozen=True)
class FrontCloud:
    """A front for drawing: cost and energy of each design, and whether it is on both fronts."""

    cost: tuple[float, ...]
    energy_J: tuple[float, ...]
    stays: tuple[bool, ...]


@dataclass(frozen=True)
class PriceHistory:
    """The front's best and the locked designs' costs over time; events are (when, words).

    `best` has None where a moment does not know the objective.
    """

    when: tuple[str, ...]
    best: Mapping[str, tuple[float | None, ...]]
    locked_cost: Mapping[str, tuple[tuple[str, float], ...]]
    events: tuple[tuple[str, str], ...]
    sentence: str


@dataclass(frozen=True)
class Bid:
    """Up to which price one piece of a part is worth buying, beside what a shop asks."""

    name: str
    link: str
    asked: str
    worth: str


@dataclass(frozen=True)
class Market:
    """Everything on the page about prices."""

    currency: str
    what_if: str
    sentence: str
    changes: tuple[MovedPrice, ...]
    entered: tuple[MovedDesign, ...]
    entered_count: int
    left: tuple[MovedDesign, ...]
    left_count: int
    wishes: tuple[MovedWish, ...]
    before: FrontCloud | None
    after: FrontCloud | None
    decisions: tuple[LockedPrices, ...]
    weights: tuple[PriceRow, ...]
    weight_sentence: str
    choice: str
    choice_limits: tuple[PriceLimit, ...]
    history: PriceHistory
    entries: tuple[tuple[str, str], ...]
    bids: tuple[Bid, ...] = ()
