"""Whether a study is swept, sampled or both."""

from __future__ import annotations

from typing import NamedTuple

from explorer.inputs.study import Project
from explorer.model.space import Space

SAMPLER_WORDS = {
    "nsga2": "a genetic search (NSGA-II)",
    "nsga3": "a genetic search (NSGA-III)",
    "tpe": "a search that learns where good designs lie (TPE)",
    "random": "a random search",
}
"""What each sampler of a study does."""
SWEPT_PER_SECOND = 1e6
"""Combinations a second that two cores cover, assumed until a study's own rate is known: the
demo's are between half and twice that (tests/bench/sweep_scale.py).
"""
SKIP_TRIAL_BELOW, SKIP_TRIAL_ABOVE = 0.05, 50.0
"""An assumed need of less of the time limit, or more, needs no measuring: no study is so far from
the assumed rate.
"""
GRACE = 1.1
"""How far beyond its time limit a sweep may be expected to end and still be worth going on with."""


class Plan(NamedTuple):
    """Whether to sweep, whether to sample, and why; `on_trial` where the rate of the sweep is
    assumed and may be wrong.
    """

    sweep: bool
    sample: bool
    why: str
    on_trial: bool = False


def plan(
    project: Project, space: Space, rate: float | None = None, left: int | None = None
) -> Plan:
    """Choose how to look: sweep when the time limit allows, sample what a sweep cannot reach.

    `rate` is the sweep's own, combinations a second, where it is known, and `left` what is left of
    the space to sweep. Without a rate a sweep of doubtful length begins on trial.
    """
    search, size = project.study.search, space.size
    names, proposes = ", ".join(space.continuous), SAMPLER_WORDS[search.sampler]
    after = f"; then {proposes} between the sweep's points of {names}" if names else ""
    if search.method == "sweep":
        return Plan(True, False, f"all {size:,} combinations, as the study asks")
    if search.method == "sample":
        return Plan(False, True, f"{proposes} in {size:,} combinations, as the study asks")
    limit = 60 * search.minutes
    needed = (size if left is None else left) / (rate or SWEPT_PER_SECOND)
    known = "at the measured rate" if rate else "at a guess"
    on_trial = rate is None and SKIP_TRIAL_BELOW * limit < needed < SKIP_TRIAL_ABOVE * limit
    if not on_trial and needed > limit * (1.0 if rate is None else GRACE):
        return sampled_instead(project, space, needed, known)
    if on_trial:
        known = "at a first guess"
    why = (
        f"all {size:,} combinations, which {known} take some {needed:.0f} s of the {limit:.0f} s "
        "allowed"
    )
    return Plan(True, bool(names), why + after, on_trial)


def sampled_instead(project: Project, space: Space, needed_s: float, known: str) -> Plan:
    """Sampling in place of a sweep that would take too long; `known` says how that is known."""
    search = project.study.search
    return Plan(
        False,
        True,
        f"{SAMPLER_WORDS[search.sampler]}, since all {space.size:,} combinations would take some "
        f"{needed_s:.0f} s {known} where {60 * search.minutes:.0f} s are allowed",
    )
