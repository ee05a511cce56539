"""A study's search from wherever it stands to its end: sweep, then sample, all into the store."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer import MODEL_VERSION, front
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluate import Evaluation, evaluate
from explorer.model.space import Designs, Space
from explorer.search import boxes
from explorer.search.sample import sample
from explorer.search.sweep import Sweep, on_machines, run
from explorer.store.results import Store, Stored, search_key
from explorer.store.standing import front_rows
from explorer.units import Array

WORKERS = 2
SWEPT_PER_SECOND = 1e6
"""Combinations a second that two cores cover, to guess with until a study's own rate is known: the
demo's are between half and twice that (tests/bench/sweep_scale.py).
"""
SURE, SKIP_TRIAL_ABOVE = 0.05, 50.0
"""A guess of less of the time limit, or more, needs no measuring: no study is so far from it."""
PILOT_SHARE = 0.05
"""Share of the time limit after which a sweep that was begun on a guess is judged by its own rate.
"""
PILOT_BLOCKS = 4
"""Blocks that every worker has done by then."""
GRACE = 1.1
"""How far beyond its time limit a sweep may be expected to end and still be worth going on with."""
YARDSTICK_SIZE = 100_000
"""Spaces up to this size are also enumerated when they are sampled, to say what was missed."""
PROBES = 1000
"""Random designs that tell how often each rule is broken."""


class Step(NamedTuple):
    """Where a search stands, for whoever shows progress."""

    stage: str
    done: int
    total: int
    feasible: int


Watch = Callable[[Step], None]


def unwatched(step: Step) -> None:
    """Nobody looks."""


@dataclass
class Summary:
    """What a search came to; all of it can be written as JSON."""

    method: str = ""
    why: str = ""
    sampler: str = ""
    seed: int = 0
    combinations: int = 0
    """All that the study allows, continuous settings at their sweep points."""
    combinations_covered: int = 0
    designs_considered: int = 0
    designs_feasible: int = 0
    designs_evaluated: int = 0
    exact: bool = False
    feasible_counted: bool = True
    """Whether `designs_feasible` is their number; else there are at least so many."""
    share_covered: float = 0.0
    swept_per_second: float | None = None
    """Combinations a second that this study's sweep was seen to cover."""
    seconds: float = 0.0
    resumed: bool = False
    hypervolume: float = 0.0
    hypervolume_history: list[tuple[int, float]] = field(default_factory=list)
    yardstick: dict[str, Any] | None = None
    reuse: list[str] = field(default_factory=list)


class Plan(NamedTuple):
    """Whether to sweep, whether to sample, and why; `on_trial` where the sweep's rate is a guess
    that may be wrong.
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
    names = ", ".join(space.continuous)
    after = f"; then {search.sampler} between the sweep's points of {names}" if names else ""
    if search.method == "sweep":
        return Plan(True, False, f"all {size:,} combinations, as the study asks")
    if search.method == "sample":
        return Plan(False, True, f"{search.sampler} in {size:,} combinations, as the study asks")
    limit = 60 * search.minutes
    needed = (size if left is None else left) / (rate or SWEPT_PER_SECOND)
    known = "at the measured rate" if rate else "at a guess"
    on_trial = rate is None and SURE * limit < needed < SKIP_TRIAL_ABOVE * limit
    if not on_trial and needed > limit * (1.0 if rate is None else GRACE):
        return _sampled_instead(project, space, needed, known)
    if on_trial:
        known += ", which its own rate will correct"
    why = f"all {size:,} combinations, some {needed:.0f} s of {limit:.0f} s allowed {known}"
    return Plan(True, bool(names), why + after, on_trial)


def _sampled_instead(project: Project, space: Space, needed_s: float, known: str) -> Plan:
    search = project.study.search
    return Plan(
        False,
        True,
        f"{search.sampler}, since all {space.size:,} combinations would take some {needed_s:.0f} s "
        f"{known} where {60 * search.minutes:.0f} s are allowed",
    )


def launch(
    project: Project,
    store: Store,
    watch: Watch = unwatched,
    workers: int = WORKERS,
    cluster: str | None = None,
    again: bool = False,
) -> Summary:
    """Search a study; a search that was cut short goes on, a finished one is not done again.

    `cluster` is the address of a Dask cluster, by default the study's. `again` samples anew where
    a finished search had sampled, from the front at today's prices: what was swept needs no second
    look, since it holds at any price.
    """
    space = Space.of(project)
    contents = _contents(project, space)
    key = content_hash([search_key(project), contents])
    state: dict[str, Any] = {**_beginning(), **store.search_progress(key)}
    cover = _Cover(project, store, space, contents)
    chosen = plan(project, space, state["rate"], cover.open(state))
    _, reuse = store.load(project)
    summary = Summary(
        seed=project.study.search.seed,
        resumed=bool(state["evaluated"] or state["sampled"]),
        reuse=list(reuse.lines) if reuse.stored else [],
    )
    begun, spent_before = time.monotonic(), state["seconds"]
    clock = _Clock(begun, 60 * project.study.search.minutes)
    # A longer time limit than last time may let a sweep end that was given up then.
    done = state["finished"] and not (chosen.sweep and _swept(state) < space.size)
    if again and done:
        state.update(finished=False, sampled=0, history=[])
    if chosen.sweep and not done:
        state["finished"] = False
        with on_machines(cluster or project.study.search.cluster):
            end = _sweep(project, store, key, state, cover, watch, workers, clock, chosen.on_trial)
        summary.reuse += cover.words
        done = end != CUT_SHORT
        if end == TOO_SLOW:
            needed_s = space.size / state["rate"]
            chosen = _sampled_instead(project, space, needed_s, "at the measured rate")
    else:
        done = True
    if chosen.sample and done and not state["finished"]:
        _sample(project, store, space, key, state, watch, begun, cover)
    if done and not state["finished"]:
        state["finished"] = True
        state["seconds"] = spent_before + time.monotonic() - begun
        if chosen.sample and not chosen.sweep and space.size <= YARDSTICK_SIZE:
            state["yardstick"] = yardstick(project, store)
        store.save_progress(key, state)
    swept = _swept(state)
    ways = (("sweep", swept > 0), ("sample", chosen.sample and done))
    summary.method = "+".join(name for name, taken in ways if taken)
    summary.why = chosen.why
    summary.sampler = project.study.search.sampler if chosen.sample and done else ""
    summary.combinations, summary.combinations_covered = space.size, swept
    summary.designs_considered = swept + state["sampled"]
    summary.designs_feasible = state["feasible"]
    summary.feasible_counted = state["counted"]
    summary.designs_evaluated = state["evaluated"]
    summary.exact = swept == space.size
    covered = swept if chosen.sweep else summary.designs_considered
    summary.share_covered = min(covered / space.size, 1.0)
    summary.swept_per_second = state["rate"]
    summary.seconds = state["seconds"]
    summary.hypervolume_history = [(int(n), float(v)) for n, v in state["history"]]
    summary.yardstick = state.get("yardstick")
    if swept and not chosen.sweep:
        summary.why += f"; {swept:,} were swept before that was known"
    if chosen.sweep and not summary.exact:
        summary.why += (
            f"; cut short after {60 * project.study.search.minutes:.0f} s with "
            f"{summary.share_covered:.1%} covered, launch again to go on"
        )
    return summary


def _beginning() -> dict[str, Any]:
    """The state of a search that has done nothing."""
    return {
        "pieces": None, "swept": 0, "known": 0, "feasible": 0, "counted": True, "evaluated": 0,
        "sampled": 0, "seconds": 0.0, "history": [], "finished": False, "rate": None,
    }  # fmt: skip


COVERED, CUT_SHORT, TOO_SLOW = "covered", "cut short", "too slow"
"""How a sweep ends."""


def _swept(state: Mapping[str, Any]) -> int:
    """Combinations that a search has behind it without sampling."""
    return int(state["swept"] + state["known"])


class _Clock(NamedTuple):
    begun: float
    limit_s: float

    @property
    def spent(self) -> float:
        """Share of the limit that is over."""
        return (time.monotonic() - self.begun) / self.limit_s


def _contents(project: Project, space: Space) -> str:
    """Which margins, ledger terms, readings and cases a result has: stored ones must have all."""
    one = evaluate(project, space.at(np.zeros(1, dtype=np.int64)))
    margins = (name for name in one.margins if not name.startswith("limit_"))
    cases = [(case.operator, case.pack) for case in one.cases]
    return content_hash([*margins, *one.ledger_J, *one.readings, cases])


class _Pace:
    """How fast combinations are covered, from the first block that came back on: what comes before
    is the start of processes.
    """

    def __init__(self, blocks: int) -> None:
        self.blocks = blocks
        self.seen: tuple[float, int] | None = None

    def at(self, swept: int) -> float | None:
        """Combinations a second once `swept` are covered, None before enough blocks came back."""
        now = time.monotonic()
        if self.seen is None:
            self.seen = now, swept
        self.blocks -= 1
        begun, before = self.seen
        return (swept - before) / (now - begun) if self.blocks < 0 and now > begun else None


class _Cover:
    """The boxes that finished sweeps of the same model and scenario have covered."""

    def __init__(self, project: Project, store: Store, space: Space, contents: str) -> None:
        self.project, self.store = project, store
        self.key = f"covered:{content_hash([MODEL_VERSION, project.scenario_hash, contents])}"
        self.limits = project.study.limits.model_dump(mode="json", exclude={"cost"})
        self.whole = boxes.box_of(project, space)
        self.entries: list[dict[str, Any]] = store.search_progress(self.key).get("boxes", [])
        self.words: list[str] = []

    @property
    def serving(self) -> list[dict[str, Any]]:
        """Those whose limits let them serve today."""
        limits = self.project.study.limits
        return [entry for entry in self.entries if boxes.still_holds(entry["limits"], limits)]

    def open(self, state: Mapping[str, Any]) -> int:
        """How many combinations a search in some state still has to sweep."""
        total = boxes.size(self.whole)
        return self._open(self.serving) if state["pieces"] is None else total - _swept(state)

    def holds(self, state: Mapping[str, Any]) -> Callable[[Designs], NDArray[np.bool_]]:
        """Tells which designs a sweep has evaluated, whole or some blocks of it."""
        shared = (boxes.overlap(entry["box"], self.whole) for entry in self.serving)
        spaces = [boxes.space_of(self.project, box) for box in shared if box is not None]
        begun = [
            (Sweep.of(self.project, boxes.space_of(self.project, piece["box"])), piece["blocks"])
            for piece in state["pieces"] or []
            if piece["blocks"]
        ] if _swept(state) < boxes.size(self.whole) else []  # fmt: skip

        def told(designs: Designs) -> NDArray[np.bool_]:
            inside = np.zeros(len(designs), dtype=bool)
            for space in spaces:
                inside |= space.numbers(designs) >= 0
            for sweep, blocks in begun:
                inside |= sweep.holds(designs, blocks)
            return inside

        return told

    def left(self) -> list[boxes.Box]:
        """What no earlier sweep has covered; says so in words."""
        left = boxes.difference(self.whole, [entry["box"] for entry in self.serving])
        total, open_ = boxes.size(self.whole), sum(map(boxes.size, left))
        if open_ < total:
            self.words.append(
                f"{total - open_:,} of {total:,} combinations were swept before, {open_:,} are new"
            )
        elif self.entries and not self.serving:
            self.words.append("earlier sweeps had other limits, so none of them can be reused")
        return left

    def feasible_before(self) -> tuple[int, bool]:
        """Feasible designs among what was covered, and whether that is their exact number: it is
        for boxes that today's space holds whole under the same limits; else the stored ones count.
        """
        inside = [
            entry for entry in self.serving
            if entry["limits"] == self.limits and entry["counted"]
            and not boxes.without(entry["box"], self.whole)
        ]  # fmt: skip
        apart = sum(boxes.size(entry["box"]) for entry in inside)
        if self._covered(inside) == apart == self._covered(self.serving):
            return sum(int(entry["feasible"]) for entry in inside), True
        stored, _ = self.store.load(self.project)
        self.words.append(
            "of those swept before, only the stored ones are counted as feasible: at least so many"
        )
        return int(stored.feasible.sum()), False

    def _covered(self, entries: Sequence[Mapping[str, Any]]) -> int:
        return boxes.size(self.whole) - self._open(entries)

    def _open(self, entries: Sequence[Mapping[str, Any]]) -> int:
        left = boxes.difference(self.whole, [entry["box"] for entry in entries])
        return sum(map(boxes.size, left))

    def add(self, box: boxes.Box, feasible: int, counted: bool) -> None:
        """Note that a box is covered; what it holds need not be noted any longer."""
        kept = [
            entry for entry in self.entries
            if entry["limits"] != self.limits or boxes.without(entry["box"], box)
        ]  # fmt: skip
        new = {"box": dict(box), "limits": self.limits, "feasible": feasible, "counted": counted}
        self.entries = [*kept, new]
        self.store.save_progress(self.key, {"boxes": self.entries})


def _sweep(
    project: Project,
    store: Store,
    key: str,
    state: dict[str, Any],
    cover: _Cover,
    watch: Watch,
    workers: int,
    clock: _Clock,
    on_trial: bool,
) -> str:
    """Sweep what was never swept, piece by piece; says how it ended.

    Blocks come in random order, so that those done tell how long the others will take: `on_trial`
    it is given up when that is too long. What was covered by then is kept.
    """
    total = boxes.size(cover.whole)
    if state["pieces"] is None:
        pieces = cover.left()
        state["known"] = total - sum(map(boxes.size, pieces))
        if state["known"]:
            state["feasible"], state["counted"] = cover.feasible_before()
        state["pieces"] = [{"box": piece, "blocks": [], "cut": 0, "feasible": 0, "swept": 0}
                           for piece in pieces]  # fmt: skip
    before, pace = state["seconds"], _Pace(PILOT_BLOCKS * workers)
    shuffled = np.random.default_rng(project.study.search.seed)
    watch(Step("sweep", state["known"] + state["swept"], total, state["feasible"]))
    for piece in state["pieces"]:
        sweep = Sweep.of(project, boxes.space_of(project, piece["box"]))
        if piece["cut"] != sweep.halves_per_block:  # blocks of another release
            state["swept"] -= piece["swept"]
            state["feasible"] -= piece["feasible"]
            piece |= {"blocks": [], "cut": sweep.halves_per_block, "feasible": 0, "swept": 0}
        numbers = np.setdiff1d(np.arange(len(sweep)), piece["blocks"])
        numbers = shuffled.permutation(numbers)
        results = run(sweep, numbers, workers if numbers.size > 1 else 1)
        with closing(results):
            for result in results:
                piece["blocks"].append(result.number)
                for part in (state, piece):
                    part["swept"] += result.considered
                    part["feasible"] += result.feasible
                state["evaluated"] += result.solved
                state["seconds"] = before + time.monotonic() - clock.begun
                rate = pace.at(_swept(state))
                judged = rate is not None and clock.spent > PILOT_SHARE
                if judged:
                    state["rate"] = rate
                if result.kept is None:
                    store.save_progress(key, state)
                else:
                    store.append(project, result.kept, "sweep", progress=(key, state))
                watch(Step("sweep", state["known"] + state["swept"], total, state["feasible"]))
                left = total - _swept(state)
                if on_trial and judged:
                    on_trial = False
                    if left / state["rate"] > (GRACE - clock.spent) * clock.limit_s:
                        return TOO_SLOW
                if clock.spent > 1 and left:
                    return CUT_SHORT
        cover.add(piece["box"], piece["feasible"], True)
    cover.add(cover.whole, state["feasible"], state["counted"])
    return COVERED


def _sample(
    project: Project,
    store: Store,
    space: Space,
    key: str,
    state: dict[str, Any],
    watch: Watch,
    begun: float,
    cover: _Cover,
) -> None:
    budget, limit_s = project.study.search.evaluations, 60 * project.study.search.minutes
    stored, _ = store.load(project)
    covered = cover.holds(state)
    known, others = starting_points(project, store, stored)
    seen = None if others is None else others.take(~covered(others))
    before = state["sampled"]

    def stop(evaluations: int) -> bool:
        return before + evaluations >= budget or time.monotonic() - begun > limit_s

    watch(Step("sample", before, budget, state["feasible"]))
    growth = _Growth(project, known)
    for found in sample(project, space, known, seen=seen, covered=covered, stop=stop):
        state["sampled"] += len(found)
        state["evaluated"] += len(found)
        state["feasible"] += int(found.feasible.sum())
        state["history"].append((state["sampled"], growth.add(found)))
        store.append(project, found, "sample", progress=(key, state))
        watch(Step("sample", state["sampled"], budget, state["feasible"]))


MOST_STARTS = 20_000


def starting_points(
    project: Project, store: Store, stored: Stored
) -> tuple[Evaluation | None, Designs | None]:
    """What a sampled search starts from: all that is stored, or of many the best at today's
    prices, and the designs of the others.

    In the order of their ids: that in which they were found depends on how many searched.
    """
    if not len(stored):
        return None, None
    rows, others = np.arange(len(stored)), None
    if len(rows) > MOST_STARTS:
        rows = front_rows(project, stored, costing.costs(project, stored.designs))
        others = stored.designs.take(np.setdiff1d(np.arange(len(stored)), rows))
    rows = rows[np.argsort(stored.numbers[rows], kind="stable")]
    return store.evaluation(project, stored, rows), others


class _Growth:
    """Hypervolume of the front as results come in, as a share of a box around the first ones."""

    def __init__(self, project: Project, known: Evaluation | None) -> None:
        self.project = project
        self.points = np.empty((0, 4))
        if known is not None:
            self.add(known)

    def add(self, found: Evaluation) -> float:
        good = found.take(np.flatnonzero(found.feasible))
        cost = costing.costs(self.project, good.designs)
        limit = self.project.study.limits.cost
        kept = cost <= (np.inf if limit is None else limit)
        points = np.concatenate([self.points, good.objectives(cost)[kept]])
        self.points = points[front.non_dominated(points)]
        return relative_hypervolume(self.project, self.points)


def relative_hypervolume(project: Project, points: Array) -> float:
    """Hypervolume of a front as a share of the study's box, 0 to 1.

    The box reaches from nothing delivered at the limits on cost, mass and effort (or, without
    them, at 1000 of the currency, 50 kg and 100 %) to the operator's whole energy at no cost, mass
    or effort: the same for every front of a study, so that numbers can be compared.
    """
    study, catalogue = project.study, project.catalogue
    seconds = 60 * study.session.minutes
    energy = max(
        o.critical_power_W * seconds + o.reserve_J
        for o in (catalogue.operators[name] for name in study.session.operators)
    )
    limits = study.limits
    worst = np.array([limits.cost or 1000.0, limits.mass_kg or 50.0,
                      limits.crank_effort_percent or 100.0])  # fmt: skip
    scaled = points / np.array([energy, *worst])
    return front.hypervolume(scaled, np.array([0.0, 1.0, 1.0, 1.0]))


def yardstick(project: Project, store: Store) -> dict[str, Any]:
    """How much of the exact front of a small space a sampled search has reached."""
    sweep = Sweep.of(project)
    kept = [r.kept for r in run(sweep, np.arange(len(sweep))) if r.kept is not None]
    stored, _ = store.load(project)
    cost = costing.costs(project, stored.designs)
    mine_points = stored.objectives(cost)[front_rows(project, stored, cost)]
    if not kept:
        return {"hypervolume_share": 1.0, "front_share": 1.0, "combinations": sweep.size}
    points = _Growth(project, Evaluation.concatenate(kept)).points
    reached = {tuple(p) for p in np.round(mine_points, 9).tolist()}
    hits = [tuple(p) in reached for p in np.round(points, 9).tolist()]
    whole = relative_hypervolume(project, points)
    return {
        "combinations": sweep.size,
        "hypervolume_share": relative_hypervolume(project, mine_points) / whole if whole else 1.0,
        "front_share": float(np.mean(hits)) if hits else 1.0,
    }


def rejections(project: Project) -> dict[str, tuple[int, int]]:
    """How many of `PROBES` random designs break each rule, and break it alone."""
    broken = {name: margin < 0 for name, margin in _probed(project).items()}
    count = np.sum(list(broken.values()), axis=0)
    return {
        name: (int(b.sum()), int((b & (count == 1)).sum())) for name, b in broken.items() if b.any()
    }


def nearest_miss(project: Project) -> dict[str, float]:
    """By how much the random design that breaks fewest rules misses each rule it breaks."""
    margins = _probed(project)
    count = np.sum([margin < 0 for margin in margins.values()], axis=0)
    best = int(count.argmin())
    return {name: -float(m[best]) for name, m in margins.items() if m[best] < 0}


def _probed(project: Project) -> dict[str, Array]:
    """Margins of `PROBES` random designs, the limit on cost included."""
    designs = Space.of(project).draw(PROBES, np.random.default_rng(project.study.search.seed))
    margins, limit = dict(evaluate(project, designs).margins), project.study.limits.cost
    if limit is not None:
        margins["limit_cost"] = limit - costing.costs(project, designs)
    return margins
