"""How far the search got, and what that means for the decision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from explorer.report.format import number
from explorer.report.goals import DesignResult
from explorer.report.page.content import Convergence
from explorer.search.plan import SAMPLER_WORDS


def convergence_of(search: DesignResult) -> Convergence:
    history = [(float(a), float(b)) for a, b in search.get("hypervolume_history", ())]
    seconds = number(float(search.get("seconds", 0.0)), 2)
    considered = int(search.get("designs_considered", 0))
    proposes = SAMPLER_WORDS.get(str(search.get("sampler")), str(search.get("sampler")))
    sampled = (
        f"sampled by {proposes}, repeatable since its random numbers start from "
        f"{search.get('seed')}"
    )
    covered = int(search.get("combinations_covered", considered))
    if search.get("exact"):
        sentence = (
            f"Every combination of the study was covered, {covered:,} in {seconds} s: on its "
            "grid the front is exact, as far as the model is."
        )
        if history:
            sentence += f" Between the points of the grid further designs were {sampled}."
    elif search.get("method") == "sweep+sample":
        share = number(100 * covered / max(int(search.get("combinations", 0)), 1))
        sentence = (
            f"{share} % of all combinations were covered, too slowly to go on with; "
            f"{considered - covered:,} others were {sampled}, all in {seconds} s. A longer time "
            "limit may find better ones."
        )
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
    sentence += _audit_words(search.get("audit"))
    return Convergence(tuple(a for a, _ in history), tuple(b for _, b in history), sentence)


def _audit_words(audit: Mapping[str, int] | None) -> str:
    """What stepping designs showed that the search's filter had left out; empty without any."""
    if not audit or not audit["stepped"]:
        return ""
    return (
        f" Of {audit['stepped']:,} designs that keep every rule and that the search's quicker "
        f"model had left out, "
        f"{audit['missed']:,} belonged to the front when they were stepped through time."
    )


def _late_gain(history: Sequence[tuple[float, float]]) -> float | None:
    """Relative growth of the hypervolume over the last quarter of the evaluations."""
    if len(history) < 2 or history[-1][1] <= 0:
        return None
    three_quarters = 0.75 * history[-1][0]
    before = np.interp(three_quarters, [a for a, _ in history], [b for _, b in history])
    return float(1 - before / history[-1][1])
