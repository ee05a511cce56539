"""The same search on a Dask cluster, with one of its machines lost midway."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np
import pytest

from explorer import __version__
from explorer.commands.launch import launch_study
from explorer.errors import ExplorerError
from explorer.inputs.study import Project, load
from explorer.model import costing
from explorer.model.evaluation import Evaluation
from explorer.model.space import Space, design_ids
from explorer.search import run, settle, sweep, workers
from explorer.search.progress import Step
from explorer.store.keys import path_of
from explorer.store.results import Store
from explorer.store.standing import front_rows

ROOT = Path(__file__).parents[2]


def front_of(project: Project) -> tuple[np.ndarray, np.ndarray]:
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
    cost = costing.costs(project, stored.designs)
    rows = front_rows(project, stored, cost)
    return stored.numbers[rows], stored.objectives(cost)[rows]


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of the cluster's own libraries
def test_a_worker_killed_midway_changes_nothing(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two worker processes on this machine; one is killed once blocks have come back."""
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(sweep, "HALVES_PER_BLOCK", 4)
    with Store.open(path_of(small_project)) as store:
        alone = run.launch(small_project, store, workers=1)
    numbers, points = front_of(small_project)
    path_of(small_project).unlink()
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as machines,
        distributed.Client(machines) as client,
    ):
        processes = client.run(os.getpid)
        assert len(set(processes.values())) == 2
        killed: list[int] = []

        def watch(step: Step) -> None:
            if step.stage == "sweep" and 0 < step.done < step.total and not killed:
                killed.append(next(iter(processes.values())))
                os.kill(killed[0], signal.SIGKILL)

        search = small_project.study.search.model_copy(
            update={"cluster": machines.scheduler_address}
        )
        over_there = replace(small_project, study=replace(small_project.study, search=search))
        with Store.open(path_of(small_project)) as store:
            found = run.launch(over_there, store, watch, workers=2)
        assert killed
    assert found.exact
    assert (found.designs_considered, found.designs_feasible, found.designs_evaluated) == (
        alone.designs_considered, alone.designs_feasible, alone.designs_evaluated,
    )  # fmt: skip
    again_numbers, again_points = front_of(small_project)
    np.testing.assert_array_equal(again_numbers, numbers)
    np.testing.assert_array_equal(again_points, points)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_sessions_of_a_killed_worker_are_stepped_by_the_other(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same sessions, to the last digit, as one process steps alone; one of two is killed once
    the first of ten batches has come back.
    """
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(settle, "BATCH", 3)
    designs = Space.of(small_project).draw(30, np.random.default_rng(8))
    alone = energies(small_project, settle.in_batches(small_project, designs, 1))
    assert len(alone) >= 28
    assert sum(energy > 0 for energy in alone.values()) > 3
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as machines,
        distributed.Client(machines) as client,
    ):
        processes = client.run(os.getpid)
        assert len(set(processes.values())) == 2
        killed: list[int] = []

        def killing() -> Iterator[Evaluation]:
            for found in settle.in_batches(small_project, designs, 2):
                if not killed:
                    killed.append(next(iter(processes.values())))
                    os.kill(killed[0], signal.SIGKILL)
                yield found

        with workers.on_machines(machines.scheduler_address):
            found = energies(small_project, killing())
        assert killed
    assert found == alone


def energies(project: Project, batches: Iterable[Evaluation]) -> dict[str, float]:
    """Energy by design id of all sessions of some batches, whatever their order."""
    every = list(batches)
    names = [design_ids(project.catalogue, one.designs, range(len(one))) for one in every]
    values = [one.delivered_energy_J.tolist() for one in every]
    return dict(zip(chain(*names), chain(*values), strict=True))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_whole_launch_on_a_cluster_writes_what_one_process_writes(small_study: Path) -> None:
    """Sweep, sample and sessions: the command itself, with the address."""
    distributed = pytest.importorskip("distributed")
    alone = launch_study(small_study, workers=1)
    project = load(small_study)
    path_of(project).unlink()
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as machines:
        found = launch_study(small_study, workers=2, cluster=machines.scheduler_address)
    for name in ("designs_considered", "designs_feasible", "exact", "front", "picks"):
        assert found[name] == alone[name], name
    assert found["designs_stepped"] == alone["designs_stepped"]


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_no_cluster_at_the_address_is_one_line(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "CLUSTER_WAIT_S", 1)
    with Store.open(path_of(small_project)) as store, pytest.raises(ExplorerError) as caught:
        run.launch(small_project, store, cluster="tcp://127.0.0.1:9")
    assert "127.0.0.1:9" in str(caught.value)
    assert "\n" not in str(caught.value)


@contextmanager
def joined(address: str, package: Path) -> Iterator[subprocess.Popen[str]]:
    """A worker of a cluster in a process of its own, with the sources in a folder."""
    process = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_worker", address, "--no-nanny",
         "--nthreads", "1", "--no-dashboard", "--death-timeout", "30"],
        env={**os.environ, "PYTHONPATH": str(package)}, cwd=package,
        text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@pytest.fixture
def other_sources(tmp_path: Path) -> Path:
    """A folder with this program, one comment of which is another."""
    package = tmp_path / "other"
    shutil.copytree(ROOT / "explorer", package / "explorer",
                    ignore=shutil.ignore_patterns("__pycache__"))  # fmt: skip
    changed = package / "explorer" / "physics" / "gearing.py"
    changed.write_text(changed.read_text() + "# other\n")
    return package


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_worker_killed_and_one_added_change_nothing(
    small_project: Project, other_sources: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two workers one is killed once blocks came back, and another is added; one with other
    sources that wants to join meanwhile is refused, and says so.
    """
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(sweep, "HALVES_PER_BLOCK", 4)
    with Store.open(path_of(small_project)) as store:
        run.launch(small_project, store, workers=1)
    expected = front_of(small_project)
    path_of(small_project).unlink()
    with (
        distributed.LocalCluster(
            n_workers=0, threads_per_worker=1, processes=True, dashboard_address=None
        ) as machines,
        distributed.Client(machines) as client,
        ExitStack() as stack,
    ):
        address = machines.scheduler_address
        first = stack.enter_context(joined(address, ROOT))
        stack.enter_context(joined(address, ROOT))
        client.wait_for_workers(2, timeout=60)
        added: list[subprocess.Popen[str]] = []

        def watch(step: Step) -> None:
            if step.stage == "sweep" and 0 < step.done < step.total and not added:
                first.kill()
                refused = stack.enter_context(joined(address, other_sources))
                said = refused.communicate(timeout=60)[0]
                assert len(set(re.findall(r"with the sources ([0-9a-f]{12})", said))) == 2
                added.append(stack.enter_context(joined(address, ROOT)))
                client.wait_for_workers(2, timeout=60)

        search = small_project.study.search.model_copy(update={"cluster": address})
        over_there = replace(small_project, study=replace(small_project.study, search=search))
        with Store.open(path_of(small_project)) as store:
            found = run.launch(over_there, store, watch, workers=2)
        assert added
        assert added[0].poll() is None
    assert found.exact
    for one, other in zip(front_of(small_project), expected, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_worker_with_other_sources_is_refused_with_both_versions(
    small_project: Project, other_sources: Path
) -> None:
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=0, threads_per_worker=1, processes=True, dashboard_address=None
        ) as machines,
        distributed.Client(machines) as client,
        joined(machines.scheduler_address, other_sources),
    ):
        client.wait_for_workers(1, timeout=60)
        address = machines.scheduler_address
        with (
            pytest.raises(ExplorerError) as caught,
            workers.on_machines(address),
        ):
            raise AssertionError("it took part")
        words = str(caught.value)
        assert "\n" not in words
        assert words.count(f"genchain {__version__} with the sources") == 2
        assert len(set(re.findall(r"sources ([0-9a-f]{12})", words))) == 2
        # The cluster is as it was: whoever has the same sources may use it.
        with joined(address, ROOT):
            client.wait_for_workers(2, timeout=60)
