"""The page of a front: its data put together from the store, and written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from explorer.commands import history
from explorer.commands.front_view import MEASURE_NEXT, FrontView
from explorer.commands.provenance import provenance, reports_folder
from explorer.decision import lock, repricing
from explorer.decision.verdict import Verdict
from explorer.files import finish_together
from explorer.front import extremes
from explorer.model.space import Rows, evenly
from explorer.store.standing import nominal_front_rows

if TYPE_CHECKING:
    from explorer.report.page.content import PageData
    from explorer.report.page.nominal import NominalFront
    from explorer.report.page.price_content import Market

Verdicts = Mapping[str, Verdict]


def publish(
    view: FrontView, verdicts: Verdicts | None = None, *, page: bool = True
) -> dict[str, Any]:
    """`FrontView.results`, `report`, the path of the page that is written, and `first_screen`, what
    stands on its first screen, a line each; None and nothing without `page`.

    `verdicts` are those on the locked designs, by design id, where a rerun has found them already.
    """
    if not page:
        return {**view.results, "report": None, "first_screen": []}
    from explorer.report.page import page as writer
    from explorer.report.page.first_screen import screen_lines

    locks = lock.read_locks(view.project, view.store)
    if verdicts is None:
        options = view.store.load_options(view.project) if locks else None
        found = repricing.verdicts(view.project, view.stored, view.cost, locks, options)
        verdicts = {one.design_id: one for one in found}
    data = data_of_front(view, verdicts, _market(view, locks, verdicts))
    folder = reports_folder(view.project)
    finish_together(folder)
    # What would be must not stand where what is is looked for.
    written = writer.write(data, folder / "what_if" if view.owned else folder)
    return {**view.results, "report": str(written), "first_screen": screen_lines(data.first)}


def _market(view: FrontView, locks: Sequence[lock.Lock], verdicts: Verdicts) -> Market:
    from explorer.report.page import market

    return market.market_of(
        view.project,
        view.stored,
        view.cost,
        view.rows,
        previous=view.before(),
        locks=locks,
        verdicts=verdicts,
        hold=view.picker.hold,
        units=view.picker.units,
        moments=repricing.moments(view.store),
        entries=history.history_entries(view.store),
        lock_costs=history.lock_costs(view.store),
    )


def data_of_front(
    view: FrontView, verdicts: Verdicts | None = None, market: Market | None = None
) -> PageData:
    """What the page of a front says; verdicts and market are left out where they are None."""
    from explorer.decision.effects import best_by_part
    from explorer.report.page import swaps
    from explorer.report.page import view as page_view
    from explorer.search.probes import PROBES

    project, stored, last = view.project, view.stored, view.last
    locks = lock.read_locks(project, view.store)
    shown = _shown(view, locks, page_view.PAGE_LIMIT)
    known = {record["design_id"] for record in shown}
    looked_at = list(dict.fromkeys([*view.picked.values(), *view.locked_rows(locks)]))
    picks = {wish: name for wish, name in view.results["picks"].items() if name is not None}
    findings = page_view.Findings(
        votes=view.vote_shares,
        why_none=view.results["why_none"],
        unsettled=len(view.results["unsettled"]),
        search=last,
        rejections={k: (v[0], v[1]) for k, v in last.get("rejections", {}).items()},
        probed=PROBES,
        provenance=provenance(project, last),
        front_size=len(view.rows),
        history=history.history_entries(view.store),
        locked=[_locked_entry(one, verdicts) for one in locks],
        outing=project.study.outing.model_dump(),
        effects=best_by_part(project, stored, view.cost),
        rule_costs=last.get("rule_costs"),
        stale=view.moved_since_launch,
        session_traces={k: v for k, v in last.get("bus_curves", {}).items() if k in known},
        cadence_curves={k: v for k, v in last.get("cadences", {}).items() if k in known},
        market=market,
        measure_next=last.get(MEASURE_NEXT),
        swaps=swaps.swaps_of(project, stored, view.cost, looked_at),
        nominal=_nominal(view) if project.study.by_promise and len(view.rows) else None,
    )
    return page_view.page_data(project, shown, picks, findings)


def _nominal(view: FrontView) -> NominalFront:
    """The front of the tables' values, beside that of promises."""
    from explorer.report.page.nominal import NominalFront

    rows = nominal_front_rows(view.project, view.stored, view.cost)
    best = rows[extremes(view.stored.nominal(view.cost)[rows])]
    return NominalFront(len(rows), len(np.setdiff1d(rows, view.rows)), view.records(best))


def _shown(view: FrontView, locks: Sequence[lock.Lock], most: int) -> list[dict[str, Any]]:
    """Results that the page shows: the thinned front, more of the front up to what a browser
    follows, and locked designs that are not on it.
    """
    rest: Rows = view.rows[~np.isin(view.rows, view.read)]
    rest = evenly(rest, max(most - len(view.read), 0))
    shown = [*view.results["front"], *view.records(rest)]
    known = {record["design_id"] for record in shown}
    others = [one for one in locks if one.design_id not in known]
    apart = [row for row in view.locked_rows(others) if view.stored.feasible[row]]
    return [*shown, *view.records(np.array(apart, dtype=np.int64))]


def _locked_entry(one: lock.Lock, verdicts: Verdicts | None) -> dict[str, Any]:
    verdict = (verdicts or {}).get(one.design_id)
    return {
        "design_id": one.design_id,
        "status": verdict.status if verdict else "locked",
        "note": one.note,
        "beaten_by": verdict.beaten_by if verdict else None,
    }
