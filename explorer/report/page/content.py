"""What a page holds: frozen records of words, numbers and columns; nothing is computed here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple

from explorer.model.bounds import EnergyBound
from explorer.report.goals import Goal
from explorer.report.page.price_content import Market
from explorer.report.whose import CaseLine


@dataclass(frozen=True)
class GoalStanding:
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
    standings: tuple[GoalStanding, ...]
    regime: str
    regime_words: str
    per_minute: str
    case_lines: tuple[CaseLine, ...]
    """What each person gets into each pack, empty where there is one case only."""
    ledger_of: str
    """The case that the regime belongs to, empty where there is one case only."""
    joules_of: str
    """Whose joules are shown, likewise: of shifts in a row all together."""
    share_of_bound: str
    lost: str
    caution: str
    builds: str = ""
    """How chains built of such parts fare."""


@dataclass(frozen=True)
class Purchase:
    """A row of the bill that costs money: `amount` is for all pieces, to the cent."""

    name: str
    quantity: int
    amount: str
    gloss: str = ""
    """What the part does, where its name says nothing to most people."""


@dataclass(frozen=True)
class Rival:
    """Another picked design, with what it has over the first one and what it lacks."""

    letter: str
    design_id: str
    words: str


@dataclass(frozen=True)
class FirstScreen:
    """What is read first, in sentences. Without a design `build` and `why` say why there is none,
    and all else but the caution is empty.
    """

    build: str
    caution: str
    best_for: str = ""
    """For how many ways to weigh the goals it is the best."""
    why: str = ""
    promise: str = ""
    people: tuple[str, ...] = ()
    """For each person, how long one percent of each pack takes."""
    purchases: tuple[Purchase, ...] = ()
    cost: str = ""
    at_hand: str = ""
    """What the design needs and nobody pays for."""
    also: str = ""
    """The objectives that nothing else here speaks of."""
    hazard: str = ""
    decisive: tuple[str, ...] = ()
    measure: str = ""
    rivals: tuple[Rival, ...] = ()
    compared: str = ""
    """What the energies and efforts of the rivals combine; empty where there is one case only."""


@dataclass(frozen=True)
class NominalTable:
    """The front by the tables' values alone, beside one of promises: a sentence, and for each wish
    the design that would answer it, its objectives, its promise and its hazards.
    """

    sentence: str
    rows: tuple[tuple[str, str, tuple[str, ...], str, str], ...]


@dataclass(frozen=True)
class ValueColumn:
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
class LinkColumn:
    """A link of the chain: its parts, and which of them each design uses (row in `parts`)."""

    name: str
    label: str
    parts: tuple[PartName, ...]
    used: tuple[int, ...]


@dataclass(frozen=True)
class BillLine:
    """A line of a bill of materials: `owned` of all kits' pieces are at hand, `amount` is what is
    paid for one kit, to the cent, so that the lines add up to the printed cost.
    """

    link: str
    part: str
    name: str
    quantity: int
    unit_price: float
    price_dated: str
    owned: int = 0
    amount: float = 0.0


class CaseRow(NamedTuple):
    """What one person gets into one pack: `values` of the objectives that each case has of its own,
    in their order; None where it gets nothing.
    """

    operator: str
    pack: str
    values: tuple[float, ...]
    regime: str
    time_to_first_charge_s: float | None
    minutes_per_percent: float | None


@dataclass(frozen=True)
class DesignTable:
    """All designs of the page as columns of one length, in falling order of energy."""

    ids: tuple[str, ...]
    regimes: tuple[str, ...]
    objectives: tuple[ValueColumn, ...]
    settings: tuple[ValueColumn, ...]
    margins: tuple[ValueColumn, ...]
    ledger: tuple[ValueColumn, ...]
    readings: tuple[ValueColumn, ...]
    links: tuple[LinkColumn, ...]
    bill_lines: tuple[BillLine, ...]
    bills: tuple[tuple[int, ...], ...]
    cases: tuple[tuple[CaseRow, ...], ...]
    """Of each design; empty where there is one case only."""
    ledger_of: tuple[str, ...]
    """The case that each design's regime and readings belong to, empty where there is one case
    only."""
    joules_of: tuple[str, ...]
    """Whose joules each design's ledger has, likewise: of shifts in a row all together."""
    reading: tuple[bool, ...]
    """Whether the design belongs to the front thinned to what a person can distinguish."""
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
    """Rules that cost energy, dearest first, and what follows from them in words."""

    sentence: str
    rules: tuple[RuleCost, ...]
    free: str
    basis: str


@dataclass(frozen=True)
class Choice:
    """A part within its link: how often the front uses it, and the best value of each objective
    among designs with it, () where none of them keeps every limit.
    """

    part: str
    name: str
    share: float
    best: tuple[str, ...]


@dataclass(frozen=True)
class LinkChoices:
    """The choices of one link; `scope` names the designs that were counted, `effect` what the
    choice moves.
    """

    link: str
    label: str
    scope: str
    effect: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True)
class Convergence:
    """How far the search got: evaluations against dominated share, and what that means."""

    evaluations: tuple[float, ...]
    hypervolume: tuple[float, ...]
    sentence: str


@dataclass(frozen=True)
class PackComparisonLine:
    """A picked kit against a spare pack: Wh for each kg carried at the end of each day."""

    letter: str
    title: str
    Wh_per_kg: tuple[float, ...]
    break_even_day: float | None
    end: str
    """What it gives for each kg by the end of the outing, and on which day it breaks even."""
    even: str


WORTH_A_FIGURE = 0.25
"""Share of a spare pack's energy that some kit must come to (judgement)."""


@dataclass(frozen=True)
class PackComparison:
    """Kits against a charged spare pack of the same mass, over the days of an outing."""

    days: tuple[float, ...]
    lines: tuple[PackComparisonLine, ...]
    spare_Wh_per_kg: float
    sentence: str

    @property
    def shows_more_than_words(self) -> bool:
        """Whether any kit comes near the pack; else a figure would be all but empty."""
        ends = [line.Wh_per_kg[-1] for line in self.lines]
        return max(ends, default=0.0) >= WORTH_A_FIGURE * self.spare_Wh_per_kg


@dataclass(frozen=True)
class Swap:
    """A stored design that differs in one part; `verdict` is better, worse or a trade.

    `settings` names the settings that it needs besides; `why` explains what may surprise.
    """

    design_id: str
    link: str
    part: str
    verdict: str
    words: str
    settings: str
    why: str


@dataclass(frozen=True)
class Swaps:
    """What one other part would change in a design, and how many other parts have no such design
    stored."""

    swaps: tuple[Swap, ...]
    sentence: str


@dataclass(frozen=True)
class DesignCurves:
    """Curves of one design for the page's line drawings, x first."""

    design_id: str
    title: str
    x: ValueColumn
    curves: tuple[ValueColumn, ...]
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
    yours: str
    """Head of the bills' column of pieces at hand."""
    minutes: float
    goals: tuple[Goal, ...]
    first: FirstScreen
    bound: EnergyBound
    bound_sentence: str
    whose: str
    """Which cases a design's single number combines, empty where the study has one case only."""
    missing: str
    """What the picks lack since the last launch, and the command that adds it."""
    assumed: tuple[str, ...]
    cards: tuple[Card, ...]
    recommended_id: str | None
    front_size: int
    counts: str
    designs: DesignTable
    rejections: tuple[Rejection, ...]
    rejection_sentence: str
    rule_costs: RuleCosts | None
    choices: tuple[LinkChoices, ...]
    convergence: Convergence
    break_even: PackComparison | None
    curves: tuple[DesignCurves, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    model_notes: tuple[str, ...]
    locked: tuple[tuple[str, str], ...]
    history: tuple[tuple[str, str], ...]
    market: Market | None
    nominal: NominalTable | None
    swaps: Mapping[str, Swaps]
    provenance: tuple[tuple[str, str], ...]
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Plain dicts, lists and numbers, for `json.dumps`."""
        return asdict(self)
