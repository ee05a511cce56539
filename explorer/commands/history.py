"""What the store's history says of earlier runs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from explorer.decision import slips
from explorer.model.names import name_of
from explorer.report.format import minute_of
from explorer.search.progress import Summary
from explorer.store.history import Run
from explorer.store.results import Store


def last_launch(store: Store) -> dict[str, Any]:
    """Result of the last launch that ended, with what was looked at more closely; that of an empty
    search without one.
    """
    for run in store.newest("launch"):
        if run.result:
            looked_at = run.result.get("looked_at")
            return run.result | (store.search_progress(looked_at) if looked_at else {})
    return asdict(Summary())


def inputs_at_locks(store: Store) -> dict[str, str | None]:
    """Design -> name of what study and tables held when it was locked last, for `changes.since`."""
    found: dict[str, str | None] = {}
    for run in store.newest("lock"):
        if run.result:
            name = run.result.get("inputs")
            found.setdefault(run.intent["design_id"], None if name is None else str(name))
    return found


def lock_costs(store: Store) -> list[tuple[str, str, float]]:
    """(when, design_id, cost) of every lock on its day, oldest first."""
    return [
        (run.ended or run.begun, run.intent["design_id"], run.result["cost"])
        for run in store.history()
        if run.kind == "lock" and run.result
    ]


def history_entries(store: Store) -> list[dict[str, Any]]:
    """The history for a page, oldest first: {when, kind, what}, `what` being for people."""
    wrong = slips.slips(store)
    return [
        {
            "when": run.ended or run.begun,
            "kind": run.kind,
            "what": _what(run) + (", a slip: compared with no more" if run.id in wrong else ""),
        }
        for run in store.history()
        # A lock that never ended is one whose file could not be written.
        if run.ended or "design_id" not in run.intent
    ]


def _what(run: Run) -> str:
    if run.kind == slips.SLIP:
        return f"said to be a slip: the run of {minute_of(run.intent['of'])}"
    result = run.result or {}
    what = run.kind if run.ended else f"{run.kind}, not finished"
    if result.get("owned"):
        what = f"{what}, what if {', '.join(result['owned'])} were free"
    if "front_size" in result:
        what += f": front of {result['front_size']:,} designs"
    if "price_changes" in result:
        count = len(result["price_changes"])
        what += f", {count} price {'change' if count == 1 else 'changes'}"
    for change in result.get("terms_changed", ()):
        what += f", {change['term']} from {change['old'] or 'none'} to {change['new'] or 'none'}"
    if "design_id" in run.intent:
        what += f" {name_of(run.intent['design_id'])}"
    return what
