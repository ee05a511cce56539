"""What the page says, computed before anything is drawn.

`build` turns results into a `PageData`: words, rounded numbers and columns that drawing only has
to place. It touches no disk and draws nothing; everything in it goes through `json.dumps`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from explorer import front
from explorer.report import whose
from explorer.report.format import number
from explorer.report.goals import goal_key, objectives, offered_parts
from explorer.report.page.break_even import outing_of
from explorer.report.page.cards import answer, assumed, cards_of, first_caution
from explorer.report.page.choices import (
    choices_of,
    rejection_sentence,
    rejections_of,
    rule_costs_of,
)
from explorer.report.page.columns import designs_of
from explorer.report.page.content import Card, PageData, Record
from explorer.report.page.convergence import convergence_of
from explorer.report.page.curves import traces_of
from explorer.report.upper_bound import physics_limit
from explorer.report.wording import CAUTIONS, MODEL_NOTES, REGIMES, SETTING_WORDS

if TYPE_CHECKING:
    from explorer.inputs.study import Project
    from explorer.report.page.market import Market
    from explorer.report.page.swaps import Around

PAGE_LIMIT = 5000
"""Most designs that one page carries; beyond it a browser no longer follows a brush."""


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
    rule_costs: Record | None = None,
    stale: bool = False,
    session_traces: Mapping[str, Record] | None = None,
    cadence_curves: Mapping[str, Record] | None = None,
    market: Market | None = None,
    around: Mapping[str, Around] | None = None,
    why_none: str = "",
) -> PageData:
    """Put the results of a study into words and columns.

    - `records`: feasible designs of the front with the contract's keys (`bill` and `cases`
      included; optional `readings` name -> number and `session_energy_J`, what the time-stepped
      session delivers, for designs that it has confirmed); picks among them, locked designs where
      they are to be shown. Over `PAGE_LIMIT` the page carries the thinned front and says so;
      `front_size` is the full count.
    - `picks`: wish as in `picks.WISHES` -> design_id; may be empty where nothing is feasible, or
      nothing holds in its builds: `why_none` says so then.
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
    - `rule_costs`: what `rule_costs.rule_costs` found; `stale` where it did so at other prices.
    - `session_traces`: design_id -> {time_s, bus_V, pack_W}; `cadence_curves`: design_id ->
      {cadence_rpm, handle_force_N, pack_power_W}; equal lengths.
    - `market`: what prices do; `around`: design_id -> what one swapped part would change.

    Raises KeyError when a pick is not among the records. Nothing is mutated.
    """
    study, catalogue = project.study, project.catalogue
    currency = str(study.prices.currency)
    goals = objectives(currency)
    minutes = float(study.session.minutes)
    rows = sorted(records, key=lambda record: goal_key(record))
    known = {str(record["design_id"]): record for record in rows}
    for wish, design_id in picks.items():
        if design_id not in known:
            raise KeyError(f"pick {wish} names {design_id}, which is not among the records")
    locked_ids = {str(entry["design_id"]) for entry in locked}
    points = np.array([goal_key(record) for record in rows], dtype=float).reshape(len(rows), 4)
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
    cards = cards_of(project, picks, known, points, goals, limit)
    designs = designs_of(project, rows, reading, locked_ids)
    return PageData(
        name=str(study.name),
        title=str(study.title),
        question=str(study.question),
        currency=currency,
        minutes=minutes,
        objectives=goals,
        answer=answer(project, cards, known, rejections, why_none),
        limit=limit,
        whose=whose.scope(project),
        caution=first_caution(cards, known),
        missing=_missing(str(study.name), cards, cadence_curves or {}),
        assumed=assumed(project),
        cards=cards,
        recommended_id=picks.get("recommended"),
        front_size=total,
        counts=_counts(total, len(rows), int(reading.sum())),
        designs=designs,
        rejections=rejections_of(rejections, search, probed),
        rejection_sentence=rejection_sentence(rejections, search, probed),
        rule_costs=rule_costs_of(rule_costs, cards, currency, stale),
        choices=choices_of(designs, goals, effects, offered_parts(project)),
        convergence=convergence_of(search),
        outing=outing_of(outing, cards, known, minutes),
        traces=traces_of(session_traces or {}, cadence_curves or {}, known),
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


def _missing(name: str, cards: Sequence[Card], curves: Mapping[str, Record]) -> str:
    """Which picks were not looked at closely by the last launch, and what would do it."""
    new = [card.letter for card in cards if card.design_id not in curves or not card.stepped]
    if not new or not curves:
        return ""
    told = new[0] if len(new) == 1 else f"{', '.join(new[:-1])} and {new[-1]}"
    verb = "is a new pick" if len(new) == 1 else "are new picks"
    return (
        f"{told} {verb} since the last launch: no session stepped through time and no curves yet. "
        f"genchain launch {name}.toml adds them."
    )


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


def _locked_words(entry: Record) -> str:
    words = {
        "kept": "still on the front",
        "beaten": "beaten",
        "infeasible": "no longer keeps every limit",
        "sold_out": "has a part that is no longer offered",
    }
    status = str(entry.get("status", "kept"))
    text = words.get(status, status)
    if entry.get("beaten_by"):
        text += f" by {entry['beaten_by']}"
    return f"{text}. Note: {entry['note']}" if entry.get("note") else f"{text}."


def _flat(mapping: Mapping[str, Any], prefix: str = "") -> tuple[tuple[str, str], ...]:
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
