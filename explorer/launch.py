"""A study's search from wherever it stands to its end: sweep, then sample, all into the store."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from explorer import MODEL_VERSION, costing, front, reprice
from explorer.config import Project
from explorer.evaluate import Evaluation, evaluate
from explorer.search import boxes
from explorer.search.sample import sample
from explorer.search.sweep import Sweep, on_machines, run
from explorer.space import Space
from explorer.store import Store, Stored, search_key
from explorer.tables import content_hash
from explorer.units import Array

WORKERS = 2
SWEPT_PER_SECOND = 1e6
"""Combinations a second that a sweep covers at the least on two cores (measured, tests/bench)."""
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
    designs_considered: int = 0
    designs_feasible: int = 0
    designs_evaluated: int = 0
    exact: bool = False
    share_covered: float = 0.0
    seconds: float = 0.0
    resumed: bool = False
    hypervolume: float = 0.0
    hypervolume_history: list[tuple[int, float]] = field(default_factory=list)
    yardstick: dict[str, Any] | None = None
    reuse: list[str] = field(default_factory=list)


class Plan(NamedTuple):
    """Whether to sweep, whether to sample, and why."""

    sweep: bool
    sample: bool
    why: str


def plan(project: Project, space: Space) -> Plan:
    """Choose how to look: sweep when the time limit allows, sample what a sweep cannot reach."""
    search, size = project.study.search, space.size
    names = ", ".join(space.continuous)
    after = f"; then {search.sampler} between the sweep's points of {names}" if names else ""
    if search.method == "sweep":
        return Plan(True, False, f"all {size:,} combinations, as the study asks")
    if search.method == "sample":
        return Plan(False, True, f"{search.sampler} in {size:,} combinations, as the study asks")
    limit = 60 * search.minutes
    needed = size / SWEPT_PER_SECOND
    if needed <= limit:
        return Plan(
            True,
            bool(names),
            f"all {size:,} combinations, some {needed:.0f} s of {limit:.0f} s allowed{after}",
        )
    return Plan(
        False,
        True,
        f"{search.sampler}, since all {size:,} combinations would take some {needed:.0f} s "
        f"where {limit:.0f} s are allowed",
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
    chosen = plan(project, space)
    state: dict[str, Any] = {**_BEGINNING, **store.search_progress(key)}
    _, reuse = store.load(project)
    summary = Summary(
        method="+".join(n for n, on in (("sweep", chosen.sweep), ("sample", chosen.sample)) if on),
        why=chosen.why,
        sampler=project.study.search.sampler if chosen.sample else "",
        seed=project.study.search.seed,
        resumed=bool(state["evaluated"] or state["sampled"]),
        reuse=list(reuse.lines) if reuse.stored else [],
    )
    begun, spent_before = time.monotonic(), state["seconds"]
    clock = _Clock(begun, 60 * project.study.search.minutes)
    done = state["finished"]
    if again and done:
        state.update(finished=False, sampled=0, history=[])
    if chosen.sweep and not done:
        cover = _Cover(project, store, space, contents)
        with on_machines(cluster or project.study.search.cluster):
            done = _sweep(project, store, key, state, cover, watch, workers, clock)
        summary.reuse += cover.words
    else:
        done = True
    if chosen.sample and done and not state["finished"]:
        _sample(project, store, space, key, state, watch, begun, chosen.sweep)
    if done and not state["finished"]:
        state["finished"] = True
        state["seconds"] = spent_before + time.monotonic() - begun
        if chosen.sample and not chosen.sweep and space.size <= YARDSTICK_SIZE:
            state["yardstick"] = yardstick(project, store)
        store.save_progress(key, state)
    swept = state["swept"] + state["known"]
    summary.designs_considered = swept + state["sampled"]
    summary.designs_feasible = state["feasible"]
    summary.designs_evaluated = state["evaluated"]
    summary.exact = chosen.sweep and swept == space.size
    summary.share_covered = min((swept or state["sampled"]) / space.size, 1.0)
    summary.seconds = state["seconds"]
    summary.hypervolume_history = [(int(n), float(v)) for n, v in state["history"]]
    summary.yardstick = state.get("yardstick")
    if chosen.sweep and not summary.exact:
        summary.why += (
            f"; cut short after {60 * project.study.search.minutes:.0f} s with "
            f"{summary.share_covered:.1%} covered, launch again to go on"
        )
    return summary


_BEGINNING: Mapping[str, Any] = {
    "pieces": None, "swept": 0, "known": 0, "feasible": 0, "counted": True, "evaluated": 0,
    "sampled": 0, "seconds": 0.0, "history": [], "finished": False,
}  # fmt: skip


class _Clock(NamedTuple):
    begun: float
    limit_s: float

    @property
    def run_out(self) -> bool:
        return time.monotonic() - self.begun > self.limit_s


def _contents(project: Project, space: Space) -> str:
    """Which margins, ledger terms, readings and cases a result has: stored ones must have all."""
    one = evaluate(project, space.at(np.zeros(1, dtype=np.int64)))
    margins = (name for name in one.margins if not name.startswith("limit_"))
    cases = [(case.operator, case.pack) for case in one.cases]
    return content_hash([*margins, *one.ledger_J, *one.readings, cases])


class _Cover:
    """The boxes that finished sweeps of the same model and scenario have covered."""

    def __init__(self, project: Project, store: Store, space: Space, contents: str) -> None:
        self.project, self.store = project, store
        self.key = f"covered:{content_hash([MODEL_VERSION, project.scenario_hash, contents])}"
        self.limits = project.study.limits.model_dump(mode="json", exclude={"cost"})
        self.whole = boxes.box_of(project, space)
        self.entries: list[dict[str, Any]] = store.search_progress(self.key).get("boxes", [])
        self.serving = [
            entry for entry in self.entries
            if boxes.still_holds(entry["limits"], project.study.limits)
        ]  # fmt: skip
        self.words: list[str] = []

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
        self.words.append("of those swept before, only the stored ones are counted as feasible")
        return int(stored.feasible.sum()), False

    def _covered(self, entries: Sequence[Mapping[str, Any]]) -> int:
        left = boxes.difference(self.whole, [entry["box"] for entry in entries])
        return boxes.size(self.whole) - sum(map(boxes.size, left))

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
) -> bool:
    """Sweep what was never swept, piece by piece; False when the time ran out before its end."""
    total = boxes.size(cover.whole)
    if state["pieces"] is None:
        pieces = cover.left()
        state["known"] = total - sum(map(boxes.size, pieces))
        if state["known"]:
            state["feasible"], state["counted"] = cover.feasible_before()
        state["pieces"] = [{"box": piece, "blocks": [], "cut": 0, "feasible": 0, "swept": 0}
                           for piece in pieces]  # fmt: skip
    before = state["seconds"]
    watch(Step("sweep", state["known"] + state["swept"], total, state["feasible"]))
    for piece in state["pieces"]:
        sweep = Sweep.of(project, boxes.space_of(project, piece["box"]))
        if piece["cut"] != sweep.halves_per_block:  # blocks of another release
            state["swept"] -= piece["swept"]
            state["feasible"] -= piece["feasible"]
            piece |= {"blocks": [], "cut": sweep.halves_per_block, "feasible": 0, "swept": 0}
        numbers = np.setdiff1d(np.arange(len(sweep)), piece["blocks"])
        results = run(sweep, numbers, workers if numbers.size > 1 else 1)
        with closing(results):
            for result in results:
                piece["blocks"].append(result.number)
                for part in (state, piece):
                    part["swept"] += result.considered
                    part["feasible"] += result.feasible
                state["evaluated"] += result.solved
                state["seconds"] = before + time.monotonic() - clock.begun
                if result.kept is None:
                    store.save_progress(key, state)
                else:
                    store.append(project, result.kept, "sweep", progress=(key, state))
                watch(Step("sweep", state["known"] + state["swept"], total, state["feasible"]))
                if clock.run_out and state["known"] + state["swept"] < total:
                    return False
        cover.add(piece["box"], piece["feasible"], True)
    cover.add(cover.whole, state["feasible"], state["counted"])
    return True


def _sample(
    project: Project,
    store: Store,
    space: Space,
    key: str,
    state: dict[str, Any],
    watch: Watch,
    begun: float,
    swept: bool,
) -> None:
    budget, limit_s = project.study.search.evaluations, 60 * project.study.search.minutes
    stored, _ = store.load(project)
    known = starting_points(project, store, stored)
    before = state["sampled"]

    def stop(evaluations: int) -> bool:
        return before + evaluations >= budget or time.monotonic() - begun > limit_s

    watch(Step("sample", before, budget, state["feasible"]))
    growth = _Growth(project, known)
    for found in sample(project, space, known, swept=swept, stop=stop):
        state["sampled"] += len(found)
        state["evaluated"] += len(found)
        state["feasible"] += int(found.feasible.sum())
        state["history"].append((state["sampled"], growth.add(found)))
        store.append(project, found, "sample", progress=(key, state))
        watch(Step("sample", state["sampled"], budget, state["feasible"]))


MOST_STARTS = 20_000


def starting_points(project: Project, store: Store, stored: Stored) -> Evaluation | None:
    """What a sampled search starts from: all it sampled before, or of many the best at today's
    prices.
    """
    if not len(stored):
        return None
    rows = np.arange(len(stored))
    if len(rows) > MOST_STARTS:
        rows = reprice.front_rows(project, stored, costing.costs(project, stored.designs))
    return store.evaluation(project, stored, rows)


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
    mine_points = stored.objectives(cost)[reprice.front_rows(project, stored, cost)]
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
