"""What a page holds: frozen records of words, numbers and columns, nothing computed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from explorer.report.page.market import Market
    from explorer.report.page.swaps import Around

Record = Mapping[str, Any]


@dataclass(frozen=True)
class Objective:
    """One of the four goals: `more_is_better` is True for energy alone."""

    key: str
    label: str
    unit: str
    more_is_better: bool


@dataclass(frozen=True)
class Standing:
    """One objective of one design; `place` is 0 at the front's worst and 1 at its best."""

    key: str
    label: str
    text: str
    place: float


@dataclass(frozen=True)
class Card:
    """A picked design, ready to read. `letter` marks it in the plots."""

    letter: str
    title: str
    wishes: tuple[str, ...]
    design_id: str
    short: str
    """The parts that make the chain what it is; `bill` names all of them."""
    bill: str
    turned: str
    standings: tuple[Standing, ...]
    regime: str
    regime_words: str
    per_minute: str
    cases: tuple[str, ...]
    """What each person gets into each pack, empty where there is one case only."""
    ledger_of: str
    """Whose ledger and regime these are, empty where there is one case only."""
    of_the_limit: str
    lost: str
    confirmed: str
    stepped: bool
    apart: bool
    caution: str
    builds: str = ""
    """How chains built of such parts fare."""


@dataclass(frozen=True)
class CaseLimit:
    """What no chain can pass for one person and pack, J."""

    operator: str
    pack: str
    energy_J: float
    arm_J: float
    pack_J: float


@dataclass(frozen=True)
class Limit:
    """What no chain can pass: the arm's work over the session, and the pack's appetite.

    Over several cases each number is their mean or least as the study says; `cases` has their own.
    """

    energy_J: float
    arm_J: float
    pack_J: float
    sentence: str
    cases: tuple[CaseLimit, ...]

    def of(self, case: Record) -> CaseLimit:
        """The limit of one case, KeyError for one that the study does not have."""
        for one in self.cases:
            if (one.operator, one.pack) == (case["operator"], case["pack"]):
                return one
        raise KeyError(f"{case['operator']} with {case['pack']}")


@dataclass(frozen=True)
class Column:
    """A named number of every design on the page, None where there is none."""

    name: str
    label: str
    unit: str
    values: tuple[float | None, ...]
    near: float = 0.0
    """For margins: the distance that counts as close, in the margin's unit."""


@dataclass(frozen=True)
class PartName:
    """A part as the page calls it."""

    id: str
    name: str
    source: str
    dated: str


@dataclass(frozen=True)
class Link:
    """A link of the chain: its parts, and which of them each design uses (row in `parts`)."""

    name: str
    label: str
    parts: tuple[PartName, ...]
    used: tuple[int, ...]


@dataclass(frozen=True)
class BillLine:
    """A line of a bill of materials."""

    link: str
    part: str
    name: str
    quantity: int
    unit_price: float
    price_dated: str


class CaseRow(NamedTuple):
    """What one person gets into one pack; None where it gets nothing."""

    operator: str
    pack: str
    delivered_energy_J: float
    crank_effort_percent: float
    regime: str
    time_to_first_charge_s: float | None
    minutes_per_percent: float | None


@dataclass(frozen=True)
class Designs:
    """All designs of the page as columns of one length, in falling order of energy."""

    ids: tuple[str, ...]
    regimes: tuple[str, ...]
    objectives: tuple[Column, ...]
    settings: tuple[Column, ...]
    margins: tuple[Column, ...]
    ledger: tuple[Column, ...]
    readings: tuple[Column, ...]
    links: tuple[Link, ...]
    bill_lines: tuple[BillLine, ...]
    bills: tuple[tuple[int, ...], ...]
    cases: tuple[tuple[CaseRow, ...], ...]
    """Of each design; empty where there is one case only."""
    ledger_of: tuple[str, ...]
    """Whose ledger, regime and readings they are, empty where there is one case only."""
    reading: tuple[bool, ...]
    """Whether the design belongs to the front thinned to what a person can tell apart."""
    locked: tuple[bool, ...]


@dataclass(frozen=True)
class Rejection:
    """A rule, how many designs broke it, and how many broke it alone."""

    name: str
    words: str
    rejected: int
    alone: int
    share: float


@dataclass(frozen=True)
class RuleCost:
    """What a rule costs the front: how many designs a looser one would lift, and by how much."""

    name: str
    looser: str
    lifted: str
    gain: str
    picks: str


@dataclass(frozen=True)
class RuleCosts:
    """Rules that cost energy, dearest first, and in words what to make of them."""

    sentence: str
    rules: tuple[RuleCost, ...]
    free: str
    basis: str


@dataclass(frozen=True)
class Choice:
    """A part within its link: how often the front uses it, and the best it takes part in, nothing
    where no design with it keeps every limit.
    """

    part: str
    name: str
    share: float
    best: tuple[str, ...]


@dataclass(frozen=True)
class LinkChoices:
    """The choices of one link; `scope` says which designs were counted, `does` what they move."""

    link: str
    label: str
    scope: str
    does: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True)
class Convergence:
    """How far the search got: evaluations against dominated share, and what that means."""

    evaluations: tuple[float, ...]
    hypervolume: tuple[float, ...]
    sentence: str


@dataclass(frozen=True)
class OutingLine:
    """A picked kit on an outing: Wh for each kg carried at the end of each day."""

    letter: str
    title: str
    Wh_per_kg: tuple[float, ...]
    break_even_day: float | None
    end: str
    """What it gives for each kg by the end of the outing, and on which day it breaks even."""
    even: str


@dataclass(frozen=True)
class Outing:
    """Kit against a charged spare pack of the same mass."""

    days: tuple[float, ...]
    lines: tuple[OutingLine, ...]
    spare_Wh_per_kg: float
    sentence: str


@dataclass(frozen=True)
class Trace:
    """Curves of one design for the page's line drawings, x first."""

    design_id: str
    title: str
    x: Column
    curves: tuple[Column, ...]
    levels: tuple[tuple[str, float], ...] = ()
    sentence: str = ""
    screen_only: bool = False


@dataclass(frozen=True)
class PageData:
    """Everything that the page shows."""

    name: str
    title: str
    question: str
    currency: str
    minutes: float
    objectives: tuple[Objective, ...]
    answer: tuple[str, ...]
    limit: Limit
    whose: str
    """What stands behind one number a design, empty where the study has one case only."""
    caution: str
    missing: str
    """What the picks lack since the last launch, and the command that adds it."""
    assumed: tuple[str, ...]
    cards: tuple[Card, ...]
    recommended_id: str | None
    front_size: int
    counts: str
    designs: Designs
    rejections: tuple[Rejection, ...]
    rejection_sentence: str
    rule_costs: RuleCosts | None
    choices: tuple[LinkChoices, ...]
    convergence: Convergence
    outing: Outing | None
    traces: tuple[Trace, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    model_notes: tuple[str, ...]
    locked: tuple[tuple[str, str], ...]
    history: tuple[tuple[str, str], ...]
    market: Market | None
    around: Mapping[str, Around]
    provenance: tuple[tuple[str, str], ...]
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Plain dicts, lists and numbers, for `json.dumps`."""
        return asdict(self)
