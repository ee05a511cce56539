"""What the page says, computed before anything is drawn.

`build` turns results into a `PageData`: words, rounded numbers and columns that drawing only has
to place. It touches no disk and draws nothing; everything in it goes through `json.dumps`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np

from explorer import front
from explorer.parts import LINKS, Converter
from explorer.physics.operator import endurance_power
from explorer.report.words import (
    CAUTIONS,
    DECISIVE_LINKS,
    HIDDEN_READINGS,
    LEDGER,
    LINK_WORDS,
    MODEL_NOTES,
    PICK_WORDS,
    READINGS,
    REGIMES,
    SETTING_WORDS,
    margin_words,
    unit_of,
)
from explorer.units import J_PER_WH

if TYPE_CHECKING:
    from explorer.config import Project
    from explorer.report.around import Around
    from explorer.report.market import Market

Record = Mapping[str, Any]

PAGE_LIMIT = 5000
"""Most designs that one page carries; beyond it a browser no longer follows a brush."""

APART = 0.03
"""Share beyond which the two fidelities' energies are marked as differing."""

LOSSES_TOLD = 3

OBJECTIVE_KEYS = ("delivered_energy_J", "cost", "mass_kg", "crank_effort_percent")


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
    bill: str
    turned: str
    standings: tuple[Standing, ...]
    regime: str
    regime_words: str
    per_minute: str
    of_the_limit: str
    lost: str
    confirmed: str
    apart: bool
    caution: str


@dataclass(frozen=True)
class Limit:
    """What no chain can pass: the arm's work over the session, and the pack's appetite."""

    energy_J: float
    arm_J: float
    pack_J: float
    sentence: str


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
    cases: tuple[tuple[tuple[str, str, float, float, str], ...], ...]
    """Operator, pack, delivered J, effort %, regime of each case of each design."""
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
class Choice:
    """A part within its link: how often the front uses it, and the best it takes part in."""

    part: str
    name: str
    share: float
    best: tuple[str, ...]


@dataclass(frozen=True)
class LinkChoices:
    """The choices of one link; `scope` says which designs were counted."""

    link: str
    label: str
    scope: str
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
    caution: str
    assumed: tuple[str, ...]
    cards: tuple[Card, ...]
    balanced_id: str | None
    front_size: int
    counts: str
    designs: Designs
    rejections: tuple[Rejection, ...]
    rejection_sentence: str
    levers: tuple[str, ...]
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


def build(
    project: Project,
    records: Sequence[Record],
    picks: Mapping[str, str],
    *,
    search: Record,
    rejections: Mapping[str, tuple[int, int]],
    provenance: Mapping[str, Any],
    probed: int | None = None,
    front_size: int | None = None,
    history: Sequence[Record] = (),
    locked: Sequence[Record] = (),
    outing: Record | None = None,
    effects: Mapping[str, Mapping[str, Mapping[str, float]]] | None = None,
    levers: Sequence[Record] = (),
    session_traces: Mapping[str, Record] | None = None,
    cadence_curves: Mapping[str, Record] | None = None,
    market: Market | None = None,
    around: Mapping[str, Around] | None = None,
) -> PageData:
    """Put the results of a study into words and columns.

    - `records`: feasible designs of the front with the contract's keys (`bill` and `cases`
      included; optional `readings` name -> number and `session_energy_J`, what the time-stepped
      session delivers, for designs that it has confirmed); picks among them, locked designs where
      they are to be shown. Over `PAGE_LIMIT` the page carries the thinned front and says so;
      `front_size` is the full count.
    - `picks`: wish as in `front.PICKS` -> design_id; may be empty where nothing is feasible.
    - `search`: sampler, seed, designs_considered, designs_feasible, exact, seconds,
      hypervolume_history [(evaluations, hypervolume)], and optional yardstick {combinations,
      hypervolume_share, front_share}, the shares 0 to 1; further keys are left alone.
    - `rejections`: margin name -> (designs that broke it, designs that broke it alone), counted
      over `probed` designs drawn at random, or over all that were considered where it is None.
    - `provenance`: what the page is made from; nested mappings are flattened.
    - `history`: {when, what}; `locked`: {design_id, status, note, beaten_by}.
    - `outing`: {minutes_per_day, days, spare_Wh_per_kg}.
    - `effects`: link -> part id -> objective -> best value over all feasible designs; without it
      the page counts over the front and says so.
    - `levers`: {margin, step, gain_J}: what loosening a rule by `step` of its unit would add to
      the most energy; shown in falling order of gain.
    - `session_traces`: design_id -> {time_s, bus_V, pack_W}; `cadence_curves`: design_id ->
      {cadence_rpm, handle_force_N, pack_power_W}; equal lengths.
    - `market`: what prices do; `around`: design_id -> what one swapped part would change.

    Raises KeyError when a pick is not among the records. Nothing is mutated.
    """
    study, catalogue = project.study, project.catalogue
    currency = str(study.prices.currency)
    goals = _objectives(currency)
    minutes = float(study.session.minutes)
    rows = sorted(records, key=lambda record: _goal_key(record))
    known = {str(record["design_id"]): record for record in rows}
    for wish, design_id in picks.items():
        if design_id not in known:
            raise KeyError(f"pick {wish} names {design_id}, which is not among the records")
    locked_ids = {str(entry["design_id"]) for entry in locked}
    points = np.array([_goal_key(record) for record in rows], dtype=float).reshape(len(rows), 4)
    reading = np.zeros(len(rows), dtype=bool)
    reading[front.reading_front(points)] = True
    always = set(picks.values()) | locked_ids
    reading |= np.array([record["design_id"] in always for record in rows], dtype=bool)
    total = len(rows) if front_size is None else front_size
    if len(rows) > PAGE_LIMIT:
        spare = np.flatnonzero(~reading)
        extra = spare[np.linspace(0, len(spare) - 1, PAGE_LIMIT - int(reading.sum())).astype(int)]
        keep = np.union1d(np.flatnonzero(reading), extra)
        rows, reading, points = [rows[k] for k in keep], reading[keep], points[keep]

    limit = physics_limit(project)
    cards = _cards(project, picks, known, points, goals, limit)
    designs = _designs(project, rows, reading, locked_ids)
    balanced = picks.get("balanced")
    return PageData(
        name=str(study.name),
        title=str(study.title),
        question=str(study.question),
        currency=currency,
        minutes=minutes,
        objectives=goals,
        answer=_answer(project, cards, known, rejections),
        limit=limit,
        caution=_first_caution(cards, known),
        assumed=_assumed(project),
        cards=cards,
        balanced_id=balanced,
        front_size=total,
        counts=_counts(total, len(rows), int(reading.sum())),
        designs=designs,
        rejections=_rejections(rejections, search, probed),
        rejection_sentence=_rejection_sentence(rejections, search, probed),
        levers=_levers(levers),
        choices=_choices(designs, goals, effects),
        convergence=_convergence(search),
        outing=_outing(outing, cards, known, minutes),
        traces=_traces(session_traces or {}, cadence_curves or {}, known),
        cautions=CAUTIONS,
        notes=tuple(map(str, getattr(catalogue, "notes", ()))),
        model_notes=MODEL_NOTES,
        locked=tuple((str(e["design_id"]), _locked_words(e)) for e in locked),
        history=tuple((str(e["when"]), str(e["what"])) for e in history),
        provenance=_flat(provenance),
        market=market,
        around=around or {},
        words={"regimes": REGIMES, "settings": {k: v[0] for k, v in SETTING_WORDS.items()}},
    )


def number(value: float | None, digits: int = 3) -> str:
    """A number as a person reads it: `digits` significant ones, thousands apart.

    >>> number(1049.6), number(0.02917), number(38.0), number(None)
    ('1,050', '0.0292', '38', 'none')
    """
    if value is None or not isfinite(value):
        return "none"
    if value == 0:
        return "0"
    places = digits - 1 - int(np.floor(np.log10(abs(value))))
    rounded = round(value, places)
    text = f"{rounded:,.{max(places, 0)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", "−")


def money(value: float, currency: str) -> str:
    """An amount to the cent, to the unit from 100 up.

    >>> money(38.4, "EUR"), money(1234.5, "EUR")
    ('38.40 EUR', '1,234 EUR')
    """
    return f"{value:,.0f} {currency}" if abs(value) >= 100 else f"{value:,.2f} {currency}"


def physics_limit(project: Project) -> Limit:
    """The energy that no chain can pass in this session, J.

    The arm gives at most its share of `CP + W'/t` for the whole session, the pack takes at most
    its current at the highest output of any converter on offer; the smaller of the two holds, by
    case, combined over the cases as the study says (mean or worst). Losses are left out, so this
    is a bound and not a forecast.
    """
    study, catalogue = project.study, project.catalogue
    seconds = 60.0 * float(study.session.minutes)
    offered = study.choices["converter"]
    volts = max(
        part.output_V
        for part in catalogue.parts["converter"]
        if isinstance(part, Converter) and part.id in offered
    )
    arms, packs = [], []
    for name in study.session.operators:
        person = catalogue.operators[name]
        hold = endurance_power(person.critical_power_W, person.reserve_J, seconds)
        arms.append(float(person.power_share * hold) * seconds)
    for name in study.session.packs:
        packs.append(catalogue.packs[name].current_A * volts * seconds)
    pairs = np.array([[min(a, p) for p in packs] for a in arms])
    combine = np.min if study.session.over_cases == "worst" else np.mean
    energy, arm, pack = (float(combine(v)) for v in (pairs, np.array(arms), np.array(packs)))
    span = f"{number(float(study.session.minutes))} minutes"
    sentence = (
        f"In {span} no chain can pass {number(energy)} J: the arm has {number(arm)} J to give at a "
        f"pace it can hold, and the pack takes {number(pack)} J at most."
    )
    return Limit(energy, arm, pack, sentence)


def bill_words(record: Record, names: Mapping[str, str]) -> str:
    """The bill of materials on one line, left-out parts left out.

    `names` maps part ids to what people call them.
    """
    words = []
    for line in record["bill"]:
        if line["quantity"] == 0 or str(line["part"]).startswith("no_"):
            continue
        name = names.get(line["part"], str(line["part"]))
        words.append(name if line["quantity"] == 1 else f"{line['quantity']} × {name}")
    return ", ".join(words)


def tightest(record: Record) -> tuple[str, float, float]:
    """The margin that is closest to its limit for what it measures: name, value, closeness.

    Closeness is the margin over the distance that counts as close for it (see report/words.py).
    Hazards count as twice as close as nuisances. Raises ValueError without margins.
    """
    ranked = []
    for name, value in record["margins"].items():
        words = margin_words(name)
        closeness = float(value) / words.near * (0.5 if words.hazard else 1.0)
        if np.isfinite(closeness):
            ranked.append((closeness, name, float(value)))
    if not ranked:
        raise ValueError("a design without finite margins has no tightest one")
    closeness, name, value = min(ranked)
    return name, value, closeness


def _objectives(currency: str) -> tuple[Objective, ...]:
    return (
        Objective("delivered_energy_J", "Energy", "J", True),
        Objective("cost", "Cost", currency, False),
        Objective("mass_kg", "Mass", "kg", False),
        Objective("crank_effort_percent", "Effort", "%", False),
    )


def _goal_key(record: Record) -> tuple[float, float, float, float]:
    """The record's place in objective space, all minimised."""
    energy, *rest = (float(record[key]) for key in OBJECTIVE_KEYS)
    return (-energy, *rest)  # type: ignore[return-value]


def _part_names(project: Project) -> dict[str, str]:
    parts = project.catalogue.parts
    return {part.id: part.name for link in LINKS for part in parts.get(link, ())}


def _standings(
    record: Record, points: np.ndarray, goals: Sequence[Objective]
) -> tuple[Standing, ...]:
    low, high = points.min(axis=0), points.max(axis=0)
    place = [
        float((b - v) / (b - a)) if b > a else 1.0
        for v, a, b in zip(_goal_key(record), low, high, strict=True)
    ]
    return tuple(
        Standing(goal.key, goal.label, _objective_text(goal, record), round(where, 3))
        for goal, where in zip(goals, place, strict=True)
    )


def _objective_text(goal: Objective, record: Record) -> str:
    value = float(record[goal.key])
    return money(value, goal.unit) if goal.key == "cost" else f"{number(value)} {goal.unit}"


def _cards(
    project: Project,
    picks: Mapping[str, str],
    known: Mapping[str, Record],
    points: np.ndarray,
    goals: Sequence[Objective],
    limit: Limit,
) -> tuple[Card, ...]:
    """One card a picked design; a design that answers several wishes gets one card for them."""
    names = _part_names(project)
    wishes: dict[str, list[str]] = {}
    # Balanced leads: it is the answer, the extremes are what it is weighed against.
    for wish in sorted(picks, key=lambda w: (w != "balanced", _wish_order(w))):
        wishes.setdefault(picks[wish], []).append(wish)
    cards = []
    for letter, (design_id, wished) in zip("ABCDEFGHIJ", wishes.items(), strict=False):
        record = known[design_id]
        energy = float(record["delivered_energy_J"])
        titles = [PICK_WORDS.get(wish, wish.replace("_", " ")) for wish in wished]
        head = " and ".join([titles[0], *(t[0].lower() + t[1:] for t in titles[1:])])
        cadence = record["settings"].get("cadence_rpm")
        cards.append(
            Card(
                letter=letter,
                title=head,
                wishes=tuple(wished),
                design_id=design_id,
                bill=bill_words(record, names),
                turned=f"turned at {number(cadence)} rpm" if cadence is not None else "",
                standings=_standings(record, points, goals),
                regime=str(record["regime"]),
                regime_words=REGIMES.get(str(record["regime"]), ""),
                per_minute=_per_minute(project, energy),
                of_the_limit=f"{number(100 * energy / limit.energy_J, 2)} % of what physics allows",
                lost=_lost(record, limit),
                confirmed=_confirmed(record),
                apart=_apart(record) > APART,
                caution=_margin_caution(record),
            )
        )
    return tuple(cards)


def _wish_order(wish: str) -> int:
    return front.PICKS.index(wish) if wish in front.PICKS else len(front.PICKS)


def _per_minute(project: Project, energy_J: float) -> str:
    """Joules beside Wh and minutes for each percent of the pack, by pack."""
    a_minute = energy_J / float(project.study.session.minutes)
    text = f"{number(a_minute)} J ({number(a_minute / J_PER_WH, 2)} Wh) for each minute of cranking"
    if a_minute <= 0:
        return text + "; the pack never gains a percent"
    packs = [project.catalogue.packs[name] for name in project.study.session.packs]
    percents = [
        f"{number(pack.capacity_Wh * J_PER_WH / 100 / a_minute, 2)} minutes for 1 % of "
        f"{pack.name} ({number(pack.capacity_Wh)} Wh)"
        for pack in packs
    ]
    return f"{text}; {', '.join(percents)}"


def _lost(record: Record, limit: Limit) -> str:
    """Why the rest of the limit of physics does not arrive, in words.

    What is missing is either never asked of the arm, or lost on the way. Where the pack's appetite
    is the limit, the arm has more to give than the pack takes, and the losses need not cost any.
    """
    ledger, energy = record["ledger_J"], float(record["delivered_energy_J"])
    work = float(ledger.get("crank_work", 0.0))
    missing = limit.energy_J - energy
    if work <= 0 or missing <= 0.005 * limit.energy_J:
        return "Nothing that counts is missing: the pack takes all that it can."
    losses = sorted(
        ((float(v), n) for n, v in ledger.items() if n not in ("crank_work", "delivered")),
        reverse=True,
    )
    largest = ", ".join(
        f"{LEDGER.get(n, n.replace('_', ' '))} {number(v, 2)} J"
        for v, n in losses[:LOSSES_TOLD]
        if v > 0.01 * work
    )
    text = (
        f"Of the {number(limit.arm_J)} J that the arm could give, this chain asks "
        f"{number(work)} J at this cadence and loses {number(work - energy)} J on the way"
    )
    text += f", most in: {largest}." if largest else "."
    if limit.pack_J < limit.arm_J:
        text += f" The pack could take {number(missing)} J more."
    return text


def _apart(record: Record) -> float:
    """How far the two fidelities' energies differ, as a share; 0 where only one is known."""
    stepped, energy = record.get("session_energy_J"), float(record["delivered_energy_J"])
    return abs(float(stepped) / energy - 1) if stepped is not None and energy else 0.0


def _confirmed(record: Record) -> str:
    """Which fidelity stands behind the energy, and how far the two are apart."""
    stepped = record.get("session_energy_J")
    if stepped is None:
        return "Averaged only, not stepped through time: launch again to have it confirmed."
    apart = number(100 * _apart(record), 2)
    return f"Stepped through time it is {number(float(stepped))} J, {apart} % apart."


def _assumed(project: Project) -> tuple[str, ...]:
    """Operators and packs whose values are assumed, by what their tables' sources say."""
    catalogue, session = project.catalogue, project.study.session
    people = [catalogue.operators[name] for name in session.operators]
    packs = [catalogue.packs[name] for name in session.packs]
    told = []
    for one in (*people, *packs):
        source = str(getattr(one, "source", ""))
        if "assumed" in source.lower():
            told.append(f"{one.name} ({source})")
    return tuple(told)


def _margin_caution(record: Record) -> str:
    """The nearest limit in words; regimes that mislead are said first."""
    if record["regime"] == "flooded":
        return "Delivers one burst, then nothing until the load returns: the bank overfills."
    if record["regime"] == "starved":
        return "Never starts: the bus does not reach its switch-on voltage."
    name, value, closeness = tightest(record)
    words = margin_words(name)
    unit = f" {words.unit}" if words.unit else ""
    lead = "Close to a limit" if closeness < 1 else "Nearest limit"
    room = f"{number(value, 2)}{unit} to spare" if value > 0 else "nothing to spare"
    return f"{lead}: {words.rule}, {room}."


def _first_caution(cards: Sequence[Card], known: Mapping[str, Record]) -> str:
    """The one caution of the first screen: a hazard that the answer is close to, or the bank's."""
    if cards:
        name, _, closeness = tightest(known[cards[0].design_id])
        if closeness < 1 and margin_words(name).hazard:
            return f"{cards[0].caution} Keep to the stated cadence, and read the cautions below."
    return CAUTIONS[0]


def _answer(
    project: Project,
    cards: Sequence[Card],
    known: Mapping[str, Record],
    rejections: Mapping[str, tuple[int, int]],
) -> tuple[str, ...]:
    """What to build, in two or three sentences."""
    if not cards:
        worst = sorted(rejections.items(), key=lambda item: (-item[1][0], item[0]))[:3]
        told = "; ".join(margin_words(name).broken for name, _ in worst)
        return (
            "No design keeps every limit of this study.",
            f"What stands in the way most often: {told}." if told else "",
        )
    card, record = cards[0], known[cards[0].design_id]
    energy = float(record["delivered_energy_J"])
    minutes = float(project.study.session.minutes)
    cost, mass, effort = (s.text for s in card.standings[1:])
    return (
        f"Build {card.letter}: {_headline(project, record)}.",
        f"{number(minutes)} minutes of cranking{_at_cadence(card)} put {number(energy)} J "
        f"({number(energy / J_PER_WH)} Wh) into the pack: {card.per_minute}.",
        f"It costs {cost}, weighs {mass} and takes {effort} of what the arm can hold.",
    )


def _headline(project: Project, record: Record) -> str:
    """The parts that make the chain what it is, on one line; the card has them all."""
    bill = [line for line in record["bill"] if line.get("link") in DECISIVE_LINKS]
    words = bill_words({"bill": bill or record["bill"]}, _part_names(project))
    # A number and its unit stay on one line.
    return re.sub(r"(?<=\d) (?=\S{1,3}(?:,|$))", "\u00a0", words)


def _at_cadence(card: Card) -> str:
    return f" {card.turned.removeprefix('turned ')}" if card.turned else ""


def _counts(total: int, carried: int, reading: int) -> str:
    """How many designs the front has and how many of them are shown at first."""
    if not total:
        return "No design is on the front."
    text = f"{total:,} designs are on the front: none of them is beaten on all four goals."
    if carried < total:
        text += f" This page carries {carried:,} of them; the store keeps all."
    if reading < carried:
        text += (
            f" Shown at first are the {reading:,} that a person can tell apart "
            f"({number(100 * front.EQUAL_WITHIN)} % counts as equal)."
        )
    return text


def _designs(
    project: Project, rows: Sequence[Record], reading: np.ndarray, locked: set[str]
) -> Designs:
    lines: dict[tuple[Any, ...], int] = {}
    names = _part_names(project)
    bills = []
    for record in rows:
        bill = []
        for line in record["bill"]:
            key = (
                str(line.get("link", "")),
                str(line["part"]),
                names.get(line["part"], str(line["part"])),
                int(line["quantity"]),
                float(line["unit_price"]),
                str(line.get("price_dated", "")),
            )
            bill.append(lines.setdefault(key, len(lines)))
        bills.append(tuple(bill))
    currency = str(project.study.prices.currency)
    return Designs(
        ids=tuple(str(record["design_id"]) for record in rows),
        regimes=tuple(str(record["regime"]) for record in rows),
        objectives=tuple(
            Column(g.key, g.label, g.unit, _numbers([r[g.key] for r in rows], 6))
            for g in _objectives(currency)
        ),
        settings=_columns(rows, "settings", lambda n: SETTING_WORDS.get(n, (n, unit_of(n)))),
        margins=_margin_columns(rows),
        ledger=_ledger(rows),
        readings=(
            Column(
                "session_energy_J",
                "energy by the time-stepped session",
                "J",
                _numbers([r.get("session_energy_J") for r in rows]),
            ),
            *_columns(rows, "readings", lambda n: READINGS.get(n, (n, unit_of(n)))),
            Column(
                "time_to_first_charge_s",
                "time to first charge",
                "s",
                _numbers([r["time_to_first_charge_s"] for r in rows]),
            ),
        ),
        links=tuple(_link(project, rows, link) for link in LINKS),
        bill_lines=tuple(BillLine(*key) for key in lines),
        bills=tuple(bills),
        cases=_cases(project, rows),
        reading=tuple(map(bool, reading)),
        locked=tuple(str(record["design_id"]) in locked for record in rows),
    )


def _numbers(values: Sequence[Any], digits: int = 4) -> tuple[float | None, ...]:
    """Rounded to `digits` significant ones, more than the model knows; None if infinite."""
    return tuple(
        float(f"{float(v):.{digits}g}") if v is not None and isfinite(float(v)) else None
        for v in values
    )


def _keys(rows: Sequence[Record], field_name: str) -> list[str]:
    """Names that occur in a mapping of any record, in order of first sight."""
    names = dict.fromkeys(name for record in rows for name in record.get(field_name, {}))
    return [name for name in names if name not in HIDDEN_READINGS]


def _columns(
    rows: Sequence[Record], field_name: str, words: Callable[[str], tuple[str, str]]
) -> tuple[Column, ...]:
    columns = []
    for name in _keys(rows, field_name):
        values = _numbers([record.get(field_name, {}).get(name) for record in rows])
        label, unit = words(name)
        columns.append(Column(name, label, unit, values))
    return tuple(columns)


def _ledger(rows: Sequence[Record]) -> tuple[Column, ...]:
    """Terms in the order of the chain, unknown ones last."""
    columns = _columns(rows, "ledger_J", lambda n: (LEDGER.get(n, n.replace("_", " ")), "J"))
    order = list(LEDGER)
    return tuple(
        sorted(columns, key=lambda c: order.index(c.name) if c.name in LEDGER else len(order))
    )


def _margin_columns(rows: Sequence[Record]) -> tuple[Column, ...]:
    columns = []
    for name in _keys(rows, "margins"):
        words = margin_words(name)
        values = _numbers([record["margins"].get(name) for record in rows])
        columns.append(Column(name, words.rule, words.unit, values, words.near))
    return tuple(columns)


def _link(project: Project, rows: Sequence[Record], link: str) -> Link:
    records = {part.id: part for part in project.catalogue.parts.get(link, ())}
    ids = list(dict.fromkeys(str(record["parts"][link]) for record in rows))
    index = {part: k for k, part in enumerate(ids)}
    parts = tuple(
        PartName(i, records[i].name, records[i].source, records[i].dated.isoformat())
        if i in records
        else PartName(i, i, "", "")
        for i in ids
    )
    return Link(
        link, LINK_WORDS[link], parts, tuple(index[str(record["parts"][link])] for record in rows)
    )


def _cases(
    project: Project, rows: Sequence[Record]
) -> tuple[tuple[tuple[str, str, float, float, str], ...], ...]:
    """Each design's cases; empty where there is one only, which the design itself tells already."""
    known = {**project.catalogue.operators, **project.catalogue.packs}
    names = {key: str(one.name) for key, one in known.items()}
    return tuple(
        tuple(
            (
                names.get(case["operator"], str(case["operator"])),
                names.get(case["pack"], str(case["pack"])),
                float(f"{float(case['delivered_energy_J']):.4g}"),
                float(f"{float(case['crank_effort_percent']):.4g}"),
                str(case["regime"]),
            )
            for case in record.get("cases", ())
        )
        if len(record.get("cases", ())) > 1
        else ()
        for record in rows
    )


def _rejections(
    rejections: Mapping[str, tuple[int, int]], search: Record, probed: int | None
) -> tuple[Rejection, ...]:
    counted = max(int(search.get("designs_considered", 0)) if probed is None else probed, 1)
    ranked = sorted(rejections.items(), key=lambda item: (-item[1][0], item[0]))
    return tuple(
        Rejection(name, margin_words(name).broken, int(n), int(alone), int(n) / counted)
        for name, (n, alone) in ranked
        if n
    )


def _rejection_sentence(
    rejections: Mapping[str, tuple[int, int]], search: Record, probed: int | None
) -> str:
    considered, feasible = (int(search.get(f"designs_{k}", 0)) for k in ("considered", "feasible"))
    if not considered:
        return "No design was looked at."
    text = (
        f"{considered:,} designs were looked at, {feasible:,} of them "
        f"({number(100 * feasible / considered, 2)} %) keep every limit."
    )
    if probed is not None:
        text += f" The counts below are of {probed:,} designs drawn at random."
    alone = max(rejections.items(), key=lambda item: item[1][1], default=None)
    if alone and alone[1][1]:
        text += (
            f" One rule alone turned away the most: {margin_words(alone[0]).rule} "
            f"({alone[1][1]:,} designs that broke no other)."
        )
    return text


def _levers(levers: Sequence[Record]) -> tuple[str, ...]:
    """What each rule costs, dearest first; rules that cost nothing are not told."""
    told = []
    for lever in sorted(levers, key=lambda one: -float(one["gain_J"])):
        words, gain = margin_words(str(lever["margin"])), float(lever["gain_J"])
        if gain > 0:
            step = f"{number(float(lever['step']))} {words.unit}".strip()
            told.append(f"{step} more room in {words.rule} would buy {number(gain, 2)} J.")
    return tuple(told)


def _choices(
    designs: Designs,
    goals: Sequence[Objective],
    effects: Mapping[str, Mapping[str, Mapping[str, float]]] | None,
) -> tuple[LinkChoices, ...]:
    """What each part of each link takes part in: its share of the front, its best by objective."""
    if not designs.ids:
        return ()
    values = np.array([column.values for column in designs.objectives], dtype=float)
    result = []
    for link in designs.links:
        used = np.array(link.used)
        choices = []
        for k, part in enumerate(link.parts):
            mine = values[:, used == k]
            best = {
                goal.key: float(row.max() if goal.more_is_better else row.min())
                for goal, row in zip(goals, mine, strict=True)
            }
            if effects is not None:
                best = {**best, **effects.get(link.name, {}).get(part.id, {})}
            choices.append(
                Choice(
                    part.id,
                    part.name,
                    float(np.mean(used == k)),
                    tuple(_objective_text(goal, best) for goal in goals),
                )
            )
        choices.sort(key=lambda c: -c.share)
        scope = "designs on this page" if effects is None else "all designs that keep every limit"
        result.append(LinkChoices(link.name, link.label, scope, tuple(choices)))
    return tuple(result)


def _convergence(search: Record) -> Convergence:
    history = [(float(a), float(b)) for a, b in search.get("hypervolume_history", ())]
    seconds = number(float(search.get("seconds", 0.0)), 2)
    considered = int(search.get("designs_considered", 0))
    sampled = f"sampled ({search.get('sampler')}, seed {search.get('seed')})"
    if search.get("exact"):
        sentence = (
            f"Every combination of the study was covered, {considered:,} in {seconds} s: on its "
            "grid the front is exact, as far as the model is."
        )
        if history:
            sentence += f" Between the points of the grid further designs were {sampled}."
    elif "sweep" in str(search.get("method", "")):
        share = number(100 * float(search.get("share_covered", 0.0)))
        sentence = (
            f"The search was cut short: {share} % of all combinations were covered in {seconds} s; "
            "the others may hold better ones. Launch again to go on."
        )
    else:
        sentence = (
            f"{considered:,} designs were {sampled} in {seconds} s; a longer search may find "
            "better ones."
        )
    late = _late_gain(history)
    if late is not None:
        sentence += (
            f" The last quarter of the samples enlarged the front by {number(100 * late, 2)} %."
        )
    yardstick = search.get("yardstick")
    if yardstick:
        sentence += (
            f" Of the exact front of all {int(yardstick['combinations']):,} combinations, the "
            f"search reached {number(100 * float(yardstick['hypervolume_share']))} % of the volume "
            f"and {number(100 * float(yardstick['front_share']))} % of the designs."
        )
    return Convergence(tuple(a for a, _ in history), tuple(b for _, b in history), sentence)


def _late_gain(history: Sequence[tuple[float, float]]) -> float | None:
    """Relative growth of the hypervolume over the last quarter of the evaluations."""
    if len(history) < 2 or history[-1][1] <= 0:
        return None
    three_quarters = 0.75 * history[-1][0]
    before = np.interp(three_quarters, [a for a, _ in history], [b for _, b in history])
    return float(1 - before / history[-1][1])


def _outing(
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


def _traces(
    sessions: Mapping[str, Record], cadences: Mapping[str, Record], known: Mapping[str, Record]
) -> tuple[Trace, ...]:
    traces = []
    for design_id, trace in sessions.items():
        cycle = (known[design_id].get("readings") or {}).get("cycle_s")
        settings = known[design_id]["settings"] if design_id in known else {}
        off, band = settings.get("undervoltage_off_V"), settings.get("undervoltage_band_V")
        levels = [("load off below", off)] if off is not None else []
        if off is not None and band is not None:
            levels.append(("load on above", off + band))
        if settings.get("overvoltage_off_V") is not None:
            levels.append(("load cut above", settings["overvoltage_off_V"]))
        traces.append(
            Trace(
                design_id,
                "Bus voltage and power over the session",
                Column("time_s", "time", "s", _numbers(trace["time_s"])),
                (
                    Column("bus_V", "bus voltage", "V", _numbers(trace["bus_V"])),
                    Column("pack_W", "power into the pack", "W", _numbers(trace["pack_W"])),
                ),
                tuple((name, float(v)) for name, v in levels),
                _too_fine(trace["time_s"], cycle),
            )
        )
    for design_id, curve in cadences.items():
        force, power = curve["handle_force_N"], curve["pack_power_W"]
        traces.append(
            Trace(
                design_id,
                "Force and power against cadence",
                Column("cadence_rpm", "cadence", "rpm", _numbers(curve["cadence_rpm"])),
                (
                    Column("handle_force_N", "force at the handle", "N", _numbers(force)),
                    Column("pack_power_W", "power into the pack", "W", _numbers(power)),
                ),
                sentence=_over_cadence(curve["cadence_rpm"], power),
            )
        )
    return tuple(traces)


def _too_fine(time_s: Sequence[float], cycle_s: float | None) -> str:
    """A caution where the kept points are too far apart to show single bursts."""
    spacing = float(np.median(np.diff(np.asarray(time_s, dtype=float))))
    if cycle_s is None or cycle_s > 4 * spacing:
        return ""
    return (
        f"Its bursts take some {number(cycle_s, 2)} s, the points drawn stand {number(spacing, 2)} "
        "s apart: read the range of the curve, not its single steps."
    )


def _over_cadence(cadence_rpm: Sequence[float], power_W: Sequence[float]) -> str:
    """Where cranking gives most, and that faster can be less."""
    turns, power = np.asarray(cadence_rpm, dtype=float), np.asarray(power_W, dtype=float)
    if not power.size or not power.max() > 0:
        return "At none of these cadences does the pack gain anything."
    most = int(power.argmax())
    text = f"Most power into the pack at {number(turns[most])} rpm: {number(power[most])} W."
    less = np.flatnonzero((np.arange(power.size) > most) & (power < power[most] / 2))
    if less.size:
        text += (
            f" From {number(turns[less[0]])} rpm on it is {number(power[less[0]], 2)} W: faster "
            "is less, as a rule because the bank then fills to its cut-off and the load stays off."
        )
    return text


def _locked_words(entry: Record) -> str:
    words = {
        "kept": "still on the front",
        "beaten": "beaten",
        "infeasible": "no longer keeps every limit",
    }
    status = str(entry.get("status", "kept"))
    text = words.get(status, status)
    if entry.get("beaten_by"):
        text += f" by {entry['beaten_by']}"
    return f"{text}. Note: {entry['note']}" if entry.get("note") else f"{text}."


def _flat(mapping: Mapping[str, Any], prefix: str = "") -> tuple[tuple[str, str], ...]:
    pairs: list[tuple[str, str]] = []
    for key, value in mapping.items():
        label = f"{prefix}{str(key).replace('_', ' ')}"
        if isinstance(value, Mapping):
            pairs.extend(_flat(value, f"{label}: "))
        elif isinstance(value, (list, tuple)):
            pairs.append((label, ", ".join(map(str, value))))
        else:
            pairs.append((label, str(value)))
    return tuple(pairs)
