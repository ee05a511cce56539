"""What stands on the page, computed before anything is drawn.

`page_data` turns results into a `PageData`: words, rounded numbers and columns that drawing only
has to place. It touches no disk and draws nothing; everything in it goes through `json.dumps`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.decision.picks import RECOMMENDED
from explorer.inputs.study import Project
from explorer.model.bounds import energy_bound
from explorer.model.regimes import TABLE
from explorer.report import whose
from explorer.report.format import counted, listed, number
from explorer.report.goals import DesignResult, Goal, goals, minimised, offered_parts
from explorer.report.measured_reach import beyond_measured
from explorer.report.page.break_even import pack_comparison
from explorer.report.page.cards import assumed, cards_of
from explorer.report.page.choices import (
    choices_of,
    rejection_sentence,
    rejections_of,
    rule_costs_of,
)
from explorer.report.page.columns import design_table
from explorer.report.page.content import Card, FirstScreen, PageData, Swaps
from explorer.report.page.convergence import convergence_of
from explorer.report.page.curves import CurvesOf, curves_of
from explorer.report.page.first_screen import first_screen, no_design
from explorer.report.page.nominal import NominalFront, nominal_table
from explorer.report.page.price_content import Market
from explorer.report.upper_bound import bound_sentence
from explorer.report.wording import CAUTIONS, MODEL_NOTES, SETTING_WORDS, owned_words
from explorer.units import Array

PAGE_LIMIT = 5000
"""Most designs that one page carries; beyond it a browser no longer follows a brush."""
LOCK_WORDS = {
    "kept": "no other design beats it",
    "adjust": "its own parts do better when set otherwise",
    "beaten": "beaten",
    "infeasible": "no longer keeps every limit",
    "sold_out": "has a part that is no longer offered",
}

SCRIPT_WORDS = {
    "regimes": {regime.name: regime.description for regime in TABLE},
    "settings": {name: label for name, (label, _) in SETTING_WORDS.items()},
}


@dataclass(frozen=True)
class Findings:
    """What a page shows beside its designs.

    - `search`: sampler, seed, designs_considered, designs_feasible, exact, seconds,
      hypervolume_history [(evaluations, hypervolume)], and optional yardstick {combinations,
      hypervolume_share, front_share}, the shares 0 to 1; further keys are ignored.
    - `rejections`: margin name -> (designs that broke it, designs that broke it alone), counted
      over `probed` designs drawn at random, or over all that were considered where it is None.
    - `provenance`: what the page is made from; nested mappings are flattened.
    - `front_size`: the full count where the page carries fewer designs.
    - `history`: {when, kind, what}; `locked`: {design_id, status, note, beaten_by}.
    - `outing`: {minutes_per_day, days, spare_Wh_per_kg}.
    - `effects`: link -> part id -> objective -> best value over all feasible designs; without it
      the page counts over the front and says so.
    - `rule_costs`: as `decision.rule_costs` has them; `stale` where they are of other prices.
    - `session_traces`: design_id -> {time_s, bus_V, pack_W}; `cadence_curves`: design_id ->
      {cadence_rpm, handle_force_N, pack_power_W}; equal lengths.
    - `market`: what prices do; `swaps`: design_id -> what one swapped part would change.
    - `measure_next`: what to measure, as `measuring.what_to_measure` has it, of one design.
    - `votes`: design_id -> share of all weightings of the goals that like it best, 0 to 1.
    - `why_none`: why no design is picked, where none is.
    - `nominal`: the front of the tables' values, beside one of promises; `unsettled`: how many
      designs may belong to the front that there was no time for.
    """

    search: DesignResult
    rejections: Mapping[str, tuple[int, int]]
    provenance: Mapping[str, Any]
    probed: int | None = None
    front_size: int | None = None
    history: Sequence[DesignResult] = ()
    locked: Sequence[DesignResult] = ()
    outing: DesignResult | None = None
    effects: Mapping[str, Mapping[str, Mapping[str, float]]] | None = None
    rule_costs: DesignResult | None = None
    stale: bool = False
    session_traces: Mapping[str, DesignResult] = field(default_factory=dict)
    cadence_curves: Mapping[str, DesignResult] = field(default_factory=dict)
    market: Market | None = None
    swaps: Mapping[str, Swaps] = field(default_factory=dict)
    votes: Mapping[str, float] = field(default_factory=dict)
    why_none: str = ""
    measure_next: DesignResult | None = None
    nominal: NominalFront | None = None
    unsettled: int = 0


def page_data(
    project: Project, records: Sequence[DesignResult], picks: Mapping[str, str], found: Findings
) -> PageData:
    """Put the results of a study into words and columns.

    `records` are feasible designs of the front with the contract's keys (`bill` and `cases`
    included; optional `readings` name -> number); picks among them, locked designs where they are
    to be shown. Over `PAGE_LIMIT` the page carries the thinned front and says so. `picks`
    is wish -> design_id, empty where nothing can be picked.

    Raises KeyError when a pick is not among the records. Nothing is mutated.
    """
    study, currency = project.study, str(project.study.prices.currency)
    known = _by_id(records, picks)
    locked_ids = {str(entry["design_id"]) for entry in found.locked}
    rows, points, reading = _carried(records, {*picks.values(), *locked_ids}, study.by_promise)
    shown, bound = goals(currency, study.by_promise), energy_bound(project)
    minutes = float(study.session.minutes)
    cards = cards_of(project, picks, known, points, shown, bound)
    designs = design_table(project, rows, reading, locked_ids)
    total = len(records) if found.front_size is None else found.front_size
    return PageData(
        name=str(study.name),
        title=str(study.title),
        question=str(study.question),
        currency=currency,
        yours=owned_words(study.prices.build_quantity),
        minutes=minutes,
        goals=shown,
        first=_first(project, cards, known, found),
        bound=bound,
        bound_sentence=bound_sentence(project, bound),
        whose=whose.scope(project),
        missing=_missing(str(study.name), cards, found.cadence_curves),
        assumed=assumed(project),
        cards=cards,
        recommended_id=picks.get(RECOMMENDED),
        front_size=total,
        counts=_counts(shown, total, len(rows), int(reading.sum()), found.unsettled),
        designs=designs,
        rejections=rejections_of(found.rejections, found.search, found.probed),
        rejection_sentence=rejection_sentence(found.rejections, found.search, found.probed),
        rule_costs=rule_costs_of(found.rule_costs, cards, currency, found.stale),
        choices=choices_of(designs, shown, found.effects, offered_parts(project)),
        convergence=convergence_of(found.search),
        break_even=pack_comparison(found.outing, cards, known, minutes),
        curves=curves_of(
            found.session_traces, found.cadence_curves, known, CurvesOf.study(project)
        ),
        cautions=CAUTIONS,
        notes=(*map(str, project.catalogue.notes), *_beyond_measured(project, cards, known)),
        model_notes=MODEL_NOTES,
        locked=tuple((str(e["design_id"]), _locked_words(e)) for e in found.locked),
        history=tuple((str(e["when"]), str(e["what"])) for e in found.history),
        provenance=_flat(found.provenance),
        market=found.market,
        swaps=found.swaps,
        nominal=found.nominal and nominal_table(shown, found.nominal),
        words=SCRIPT_WORDS,
    )


def _first(
    project: Project, cards: Sequence[Card], known: Mapping[str, DesignResult], found: Findings
) -> FirstScreen:
    if not cards:
        return no_design(found.rejections, found.why_none)
    return first_screen(
        project,
        cards,
        known,
        goals(str(project.study.prices.currency), project.study.by_promise),
        cadences=found.cadence_curves,
        rule_costs=found.rule_costs,
        market=found.market,
        measure_next=found.measure_next,
        votes=found.votes,
    )


def _beyond_measured(
    project: Project, cards: Sequence[Card], known: Mapping[str, DesignResult]
) -> Iterator[str]:
    """Of the picked designs, what was not measured of their converter and diodes."""
    for card in cards:
        record = known[card.design_id]
        words = beyond_measured(project, record)
        if words:
            yield f"{card.letter}: {words}"


def _by_id(records: Sequence[DesignResult], picks: Mapping[str, str]) -> dict[str, DesignResult]:
    """Records by design id; KeyError for a pick that is not among them."""
    known = {str(record["design_id"]): record for record in records}
    for wish, design_id in picks.items():
        if design_id not in known:
            raise KeyError(f"pick {wish} names {design_id}, which is not among the records")
    return known


def _carried(
    records: Sequence[DesignResult], always: set[str], by_promise: bool
) -> tuple[list[DesignResult], Array, NDArray[np.bool_]]:
    """The designs that the page carries in falling order of energy, their objectives, and which of
    them belong to the thinned front; those of `always` do.
    """
    points = minimised(records, by_promise)
    order = np.lexsort(points.T[::-1])
    rows, points = [records[k] for k in order], points[order]
    reading = np.array([record["design_id"] in always for record in rows], dtype=bool)
    reading[front.reading_front(points)] = True
    if len(rows) <= PAGE_LIMIT:
        return rows, points, reading
    spare = np.flatnonzero(~reading)
    extra = spare[np.linspace(0, len(spare) - 1, PAGE_LIMIT - int(reading.sum())).astype(int)]
    keep = np.union1d(np.flatnonzero(reading), extra)
    return [rows[k] for k in keep], points[keep], reading[keep]


def _missing(name: str, cards: Sequence[Card], curves: Mapping[str, DesignResult]) -> str:
    """Which picks were not looked at closely by the last launch, and what would do it."""
    new = [card.letter for card in cards if card.design_id not in curves]
    if not new or not curves:
        return ""
    letters = listed(new)
    verb = "is a new pick" if len(new) == 1 else "are new picks"
    return (
        f"{letters} {verb} since the last launch: no curves over time and cadence "
        f"yet. genchain launch {name}.toml adds them."
    )


def _counts(shown: Sequence[Goal], total: int, carried: int, reading: int, unsettled: int) -> str:
    """How many designs the front has, how many of them are shown at first, how many may join."""
    if not total:
        return "No design is on the front."
    text = (
        f"{total:,} designs are on the front: none of them is beaten on all {counted(len(shown))} "
        "goals."
    )
    if unsettled:
        text += f" {unsettled:,} more may belong to it: launch the study again to settle them."
    if carried < total:
        text += f" This page carries {carried:,} of them; the store keeps all."
    if reading < carried:
        text += (
            f" Shown at first are the {reading:,} that a person can distinguish "
            f"({number(100 * front.EQUAL_WITHIN)} % counts as equal)."
        )
    return text


def _locked_words(entry: DesignResult) -> str:
    status = str(entry.get("status", "kept"))
    text = LOCK_WORDS.get(status, status)
    if entry.get("beaten_by") and status != "adjust":
        text += f" by {entry['beaten_by']}"
    return f"{text}. Note: {entry['note']}" if entry.get("note") else f"{text}."


def _flat(mapping: Mapping[str, Any], prefix: str = "") -> tuple[tuple[str, str], ...]:
    """Labels and values of a nested mapping, one after the other."""
    pairs: list[tuple[str, str]] = []
    for key, value in mapping.items():
        # The name of a file stays as it is.
        label = f"{prefix}{key if '.' in str(key) else str(key).replace('_', ' ')}"
        if isinstance(value, Mapping):
            pairs.extend(_flat(value, f"{label}: "))
        elif isinstance(value, (list, tuple)):
            pairs.append((label, ", ".join(map(str, value))))
        else:
            pairs.append((label, str(value)))
    return tuple(pairs)
