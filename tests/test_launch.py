"""A killed launch goes on, a finished one is not done again, new rows add only themselves."""

from __future__ import annotations

import csv
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from explorer.inputs.csv_tables import content_hash
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project, load
from explorer.model import costing, objectives
from explorer.model.evaluation import Evaluation
from explorer.model.objectives import Objective
from explorer.model.space import Designs, Space
from explorer.search import plan, progress, sample, shared_sweep, sweep
from explorer.search import run as search_run
from explorer.search.cover import Cover, contents
from explorer.search.pairing import Pairing
from explorer.search.progress import SearchState, Summary
from explorer.store.keys import ids_of, path_of, search_key
from explorer.store.results import Store
from explorer.store.standing import front_rows
from explorer.store.stored import Stored

ROOT = Path(__file__).parent.parent


def launched(project: Project, workers: int = 1) -> Summary:
    with Store.open(path_of(project)) as store:
        return search_run.launch(project, store, workers=workers)


def front_of(project: Project) -> set[str]:
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
    cost = costing.costs(project, stored.designs)
    return set(ids_of(stored.numbers[front_rows(project, stored, cost)]))


def choosing(project: Project, **choices: tuple[str, ...]) -> Project:
    study = replace(project.study, choices={**project.study.choices, **choices})
    return replace(project, study=study)


def limited(project: Project, **limits: float | None) -> Project:
    study = replace(project.study, limits=project.study.limits.model_copy(update=limits))
    return replace(project, study=study)


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many blocks, so that a small study can be cut short."""
    monkeypatch.setattr(sweep, "HALVES_PER_BLOCK", 8)


@pytest.fixture
def evaluated(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of the pairs that pairings evaluate."""
    counts: list[int] = []
    evaluate = Pairing.evaluate

    def counting(self, half, back):
        counts.append(len(half))
        return evaluate(self, half, back)

    monkeypatch.setattr(Pairing, "evaluate", counting)
    return counts


@pytest.mark.slow
def test_a_finished_launch_is_not_done_again(small_project: Project, evaluated: list[int]) -> None:
    first = launched(small_project)
    assert first.exact
    assert sum(evaluated) == first.designs_evaluated > 0
    evaluated.clear()
    again = launched(small_project)
    assert not evaluated
    assert (again.designs_considered, again.designs_feasible, again.exact) == (
        first.designs_considered, first.designs_feasible, True,
    )  # fmt: skip


def test_the_time_limit_cuts_a_sweep_and_a_later_launch_goes_on(
    small_project: Project, small_blocks: None, evaluated: list[int]
) -> None:
    search = small_project.study.search.model_copy(update={"minutes": 1e-6, "method": "sweep"})
    hasty = replace(small_project, study=replace(small_project.study, search=search))
    shares = []
    for _ in range(1000):
        found = launched(hasty)
        shares.append(found.share_covered)
        if found.exact:
            break
        assert "launch again" in found.why
    assert len(shares) > 2
    assert shares == sorted(shares)
    assert shares[-1] == 1
    pieces = sum(evaluated)
    evaluated.clear()
    path_of(hasty).unlink()
    fresh = launched(small_project)
    assert sum(evaluated) == pieces
    assert fresh.designs_feasible == found.designs_feasible
    whole = front_of(small_project)
    path_of(hasty).unlink()
    while not launched(hasty).exact:
        pass
    assert front_of(small_project) == whole


def test_new_rows_add_the_new_combinations_only(
    small_project: Project, evaluated: list[int]
) -> None:
    cells = small_project.study.choices["cell"]
    generators = small_project.study.choices["generator"]
    whole = launched(small_project)
    expected, all_pairs = front_of(small_project), sum(evaluated)
    path_of(small_project).unlink()
    evaluated.clear()
    fewer = choosing(small_project, cell=cells[:-1])
    first = launched(fewer)
    assert first.designs_considered == whole.designs_considered * (len(cells) - 1) // len(cells)
    more = launched(small_project)
    assert more.exact
    assert more.designs_considered == whole.designs_considered
    assert more.designs_feasible == whole.designs_feasible
    assert first.designs_evaluated + more.designs_evaluated == sum(evaluated) == all_pairs
    assert any("were swept before" in line for line in more.reuse)
    assert front_of(small_project) == expected
    # Two links at once: the difference is no box, and nothing is done twice.
    path_of(small_project).unlink()
    evaluated.clear()
    launched(choosing(small_project, cell=cells[:-1], generator=generators[1:]))
    again = launched(small_project)
    assert sum(evaluated) == all_pairs
    assert again.designs_feasible == whole.designs_feasible
    assert front_of(small_project) == expected
    # Fewer choices than before need no sweep at all.
    evaluated.clear()
    less = launched(choosing(small_project, cell=cells[:1]))
    assert less.exact
    assert not evaluated


def test_a_changed_row_counts_as_new(small_study: Path, evaluated: list[int]) -> None:
    whole = launched(load(small_study))
    table = small_study.parent / "parts" / "cells.csv"
    with table.open() as file:
        rows = list(csv.DictReader(file))
    rows[1]["mass_kg"] = str(float(rows[1]["mass_kg"]) + 0.001)
    with table.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    evaluated.clear()
    changed = load(small_study)
    again = launched(changed)
    cells = len(changed.study.choices["cell"])
    total = whole.designs_considered
    assert again.exact
    assert f"{total // cells:,} are new" in " ".join(again.reuse)
    assert any("has changed in its table" in line for line in again.reuse)
    assert 0 < sum(evaluated) < whole.designs_evaluated
    reused = front_of(changed)
    path_of(changed).unlink()
    assert front_of_after(changed) == reused


def front_of_after(project: Project) -> set[str]:
    launched(project)
    return front_of(project)


def test_tighter_limits_reuse_what_looser_ones_found(
    small_project: Project, evaluated: list[int]
) -> None:
    launched(limited(small_project, mass_kg=None))
    tight = limited(small_project, mass_kg=4.0)
    evaluated.clear()
    assert launched(tight).exact
    assert not evaluated
    reused = front_of(tight)
    path_of(tight).unlink()
    assert front_of_after(tight) == reused
    # A looser limit, or another time of the first charge, may need what was dropped before.
    evaluated.clear()
    found = launched(small_project)
    assert evaluated
    assert any("other limits" in line for line in found.reuse)
    evaluated.clear()
    launched(limited(small_project, first_charge_s=250.0))
    assert evaluated


def searching(project: Project, **options: object) -> Project:
    search = project.study.search.model_copy(update=options)
    return replace(project, study=replace(project.study, search=search))


def between_points(project: Project, **options: object) -> Project:
    """The same with a continuous cadence, so that a sweep is followed by sampling."""
    cadence = Setting.model_validate({"low": 45.0, "high": 70.0, "sweep_points": 3})
    settings = {**project.study.settings, "cadence_rpm": cadence}
    study = replace(project.study, settings=settings)
    return searching(replace(project, study=study), **options)


def everything_in(project: Project) -> Stored:
    with Store.open(path_of(project)) as store:
        return store.load(project)[0]


def test_the_order_in_which_blocks_come_back_does_not_show(
    small_project: Project, small_blocks: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two processes give their blocks back in any order: what is sampled after them is the same."""
    project = between_points(small_project, evaluations=300, batch=100)
    launched(project)
    expected = everything_in(project)
    path_of(project).unlink()
    run_blocks = shared_sweep.run_blocks

    def backwards(sweep, numbers, workers):
        yield from list(run_blocks(sweep, list(numbers)[::-1], workers))

    monkeypatch.setattr(shared_sweep, "run_blocks", backwards)
    launched(project)
    found = everything_in(project)
    assert not np.array_equal(found.numbers, expected.numbers)
    assert set(found.numbers.tolist()) == set(expected.numbers.tolist())


@pytest.mark.slow
def test_any_number_of_workers_gives_the_same_designs(
    small_project: Project, small_blocks: None
) -> None:
    """Swept and then sampled, by one process, two and three."""
    project = between_points(small_project, evaluations=300, batch=100)
    found = []
    for workers in (1, 2, 3):
        summary = launched(project, workers)
        assert summary.exact
        stored = everything_in(project)
        order = np.argsort(stored.numbers)
        found.append((stored.numbers[order], stored.delivered_energy_J[order], summary.why))
        path_of(project).unlink()
    for other in found[1:]:
        np.testing.assert_array_equal(other[0], found[0][0])
        np.testing.assert_array_equal(other[1], found[0][1])
        assert other[2] == found[0][2]


@pytest.fixture
def slow_clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Every look at the clock finds a second gone, so that a sweep of many blocks takes long."""
    now = [0.0]

    def tick() -> float:
        now[0] += 1.0
        return now[0]

    monkeypatch.setattr(progress.time, "monotonic", tick)
    return now


def test_a_sweep_that_proves_too_slow_gives_way_to_sampling(
    small_project: Project, small_blocks: None, slow_clock: list[float], monkeypatch
) -> None:
    """What it had covered stays, and is not evaluated again; with more time it goes on."""
    monkeypatch.setattr(plan, "SWEPT_PER_SECOND", 1000.0)
    project = between_points(small_project, evaluations=300, batch=50, minutes=1.0)
    size = Space.of(project).size
    assert plan.plan(project, Space.of(project)).on_trial
    calls: list[Designs] = []
    real = sample.evaluate

    def noting(some: Project, designs: Designs) -> Evaluation:
        calls.append(designs)
        return real(some, designs)

    monkeypatch.setattr(sample, "evaluate", noting)
    found = launched(project)
    assert found.method == "sweep+sample"
    assert not found.exact
    assert found.swept_per_second is not None
    assert "measured rate" in found.why
    assert 0 < found.share_covered < 1
    sampled = Designs.concatenate(calls)
    swept = found.designs_considered - len(sampled)
    assert 0 < swept < size
    everything = Space.of(project)
    with Store.open(path_of(project)) as store:
        kept = contents(project, everything)
        key = content_hash([search_key(project), kept])
        state = SearchState.read(store.search_progress(key))
        holds = Cover(project, store, everything, kept).holds(state)
    every = everything.at(np.arange(size))
    assert holds(every).sum() == swept
    assert not holds(sampled).any()
    assert len(set(everything_in(project).numbers.tolist())) == len(everything_in(project))
    calls.clear()
    again = launched(searching(project, minutes=600.0))
    assert again.exact
    assert again.designs_considered == size + len(sampled)
    assert not calls
    # The same front as that of a sweep which was never given up, and what was sampled beside it.
    swept_only = searching(project, method="sweep", minutes=600.0)
    found = front_of(project)
    path_of(project).unlink()
    launched(swept_only)
    with Store.open(path_of(project)) as store:
        store.append(project, real(project, sampled), "sample")
    assert front_of(project) == found


def test_a_quick_sweep_on_trial_is_swept_whole(
    small_project: Project, small_blocks: None, slow_clock: list[float], monkeypatch
) -> None:
    """The assumed rate says twice the limit, its own less: it goes on."""
    project = searching(small_project, minutes=2.0)
    monkeypatch.setattr(plan, "SWEPT_PER_SECOND", Space.of(project).size / 240.0)
    planned = plan.plan(project, Space.of(project))
    assert planned.on_trial
    found = launched(project)
    assert found.exact
    assert found.swept_per_second is not None


def test_no_sweep_begins_where_it_is_hopeless(small_project: Project, monkeypatch) -> None:
    monkeypatch.setattr(plan, "SWEPT_PER_SECOND", 1e-3)
    project = searching(small_project, evaluations=100, batch=50)
    found = launched(project)
    assert (found.method, found.designs_considered) == ("sample", 100)
    assert "at a guess" in found.why


def test_many_stored_designs_are_not_evaluated_again(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the search starts from the best of many, the others are known all the same."""
    monkeypatch.setattr(search_run, "MOST_STARTS", 10)
    first = searching(small_project, method="sample", evaluations=400, batch=100)
    launched(first)
    before = set(everything_in(first).numbers.tolist())
    assert len(before) == 400
    launched(searching(first, seed=first.study.search.seed + 1))
    assert len(everything_in(first)) == 800
    with Store.open(path_of(first)) as store:
        held = store.load(first)[1].stored
    assert held == 800


def test_feasible_designs_are_at_least_so_many_where_not_all_were_counted(
    small_project: Project,
) -> None:
    """Of a sweep that covered more than today's study only the stored designs are known."""
    whole = launched(small_project)
    assert whole.feasible_counted
    cells = small_project.study.choices["cell"]
    fewer = choosing(small_project, cell=cells[:-1])
    found = launched(fewer)
    assert not found.feasible_counted
    path_of(small_project).unlink()
    exact = launched(fewer)
    assert exact.feasible_counted
    assert 0 < found.designs_feasible <= exact.designs_feasible


def test_a_new_objective_makes_swept_combinations_new(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a sweep dropped before may be the best in an objective that it did not know."""
    project = replace(
        small_project,
        study=replace(
            small_project.study,
            settings={
                **small_project.study.settings,
                "cadence_rpm": Setting.model_validate([45.0, 50.0, 65.0]),
                "undervoltage_band_V": Setting.model_validate([1.2, 1.8, 2.4]),
            },
        ),
    )
    launched(project)
    before = front_of(project)
    slow = Objective(
        "slowness_rpm", "Slowness", "rpm", False, "slowest", 3,
        lambda _project, designs: designs.settings["cadence_rpm"],
    )  # fmt: skip
    monkeypatch.setattr(objectives, "OBJECTIVES", (*objectives.OBJECTIVES, slow))
    again = launched(project)
    assert again.exact
    reached = front_of(project)
    path_of(project).unlink()
    assert front_of_after(project) == reached
    assert before < reached


LAUNCH = """
import sys
from explorer.search import run
from explorer.inputs.study import load
from explorer.search import sweep
from explorer.store.results import Store
from explorer.store.keys import path_of
sweep.HALVES_PER_BLOCK = 8
project = load(sys.argv[1])
with Store.open(path_of(project)) as store:
    print("begun", flush=True)
    found = run.launch(project, store, workers=1)
print(found.exact)
"""


@pytest.mark.slow
def test_killed_at_any_moment_and_launched_again_gives_the_same_front(
    small_project: Project,
) -> None:
    """Kill -9, ten times and wherever it is; the last one is left to finish."""
    expected = front_of_after(small_project)
    path_of(small_project).unlink()
    generator = np.random.default_rng(5)
    command = [sys.executable, "-c", LAUNCH, str(small_project.path)]
    for _ in range(10):
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(generator.uniform(0.0, 0.6))
            process.send_signal(signal.SIGKILL)
    finished = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    assert finished.stdout.split() == ["begun", "True"]
    assert front_of(small_project) == expected
