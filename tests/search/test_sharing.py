"""Two launches of one study at once share its sweep: each block by one of them, the same front."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from explorer.commands.launch import launch_study
from explorer.errors import ExplorerError
from explorer.inputs.study import Project, load
from explorer.search import leases
from explorer.search.leases import Leases
from explorer.search.progress import Piece, SearchState
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store

ROOT = Path(__file__).parents[2]
LAUNCH = """
import json, os, sys, time
from explorer.commands.launch import launch_study
from explorer.search import leases, sweep
log, block_s, leases.LEASE_S, leases.RENEW_S = sys.argv[2], float(sys.argv[3]), 3.0, 0.5
sweep.HALVES_PER_BLOCK = 8
real = sweep.Sweep.block

def block(self, number):
    with open(log, "a") as file:
        file.write(f"{number} {os.getpid()} begun\\n")
    time.sleep(block_s)
    found = real(self, number)
    with open(log, "a") as file:
        file.write(f"{number} {os.getpid()} ended\\n")
    return found

sweep.Sweep.block = block
found = launch_study(sys.argv[1], workers=1, page=False)
print(json.dumps({name: found[name] for name in sys.argv[4].split()}))
"""
"""A launch that writes down which blocks it begins and ends; its leases are short."""
COMPARED = ("designs_considered", "designs_feasible", "designs_stepped", "exact", "front", "picks")


class Launches:
    """Launches of one study, and what they have written down."""

    def __init__(self, study: Path, block_s: float) -> None:
        self.study, self.log, self.block_s = study, study.with_suffix(".log"), block_s

    def begin(self) -> subprocess.Popen[str]:
        words = (LAUNCH, self.study, self.log, self.block_s, " ".join(COMPARED))
        return subprocess.Popen(
            [sys.executable, "-c", *map(str, words)],
            cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    def blocks(self, what: str) -> list[tuple[int, int]]:
        """Block and process, of each that was begun, or ended, until now."""
        lines = self.log.read_text().splitlines() if self.log.exists() else []
        found = [line.split() for line in lines if line.endswith(what)]
        return [(int(number), int(process)) for number, process, _ in found]

    def wait_for(self, process: subprocess.Popen[str], blocks: int) -> None:
        """Until a process has begun so many blocks."""
        until = time.monotonic() + 120
        while sum(owner == process.pid for _, owner in self.blocks("begun")) < blocks:
            assert time.monotonic() < until
            assert process.poll() is None, process.communicate()
            time.sleep(0.02)


def state_of(project: Project) -> tuple[list[str], list[float], int]:
    """Designs and energies of a store, and how many records of designs it has."""
    with Store.open(path_of(project), read_only=True) as store:
        stored, reuse = store.load(project)
    order = stored.numbers.argsort()
    numbers, energies = stored.numbers[order], stored.delivered_energy_J[order]
    return ids_of(numbers), energies.tolist(), reuse.stored


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Any]:
    """What one launch alone answers and stores."""
    study = tmp_path_factory.mktemp("alone") / "small" / "small.toml"
    shutil.copytree(ROOT / "tests" / "data" / "small", study.parent)
    found = launch_study(study, workers=1, page=False)
    answer = json.loads(json.dumps({name: found[name] for name in COMPARED}))
    return answer, state_of(load(study))


def test_two_launches_share_the_blocks(small_study: Path, alone: Any) -> None:
    launches = Launches(small_study, block_s=0.4)
    first = launches.begin()
    launches.wait_for(first, 1)
    second = launches.begin()
    said = [process.communicate(timeout=240) for process in (first, second)]
    assert [process.returncode for process in (first, second)] == [0, 0], said
    assert "its sweep is shared meanwhile" in said[1][1]
    assert [json.loads(out) for out, _ in said] == [alone[0]] * 2
    assert state_of(load(small_study)) == alone[1]
    done = launches.blocks("ended")
    assert {number: 1 for number, _ in done} == dict(Counter(number for number, _ in done))
    shares = Counter(process for _, process in done)
    assert set(shares) == {first.pid, second.pid}
    assert min(shares.values()) > 1


@pytest.mark.parametrize("who", ["the one that leads", "the one that helps"])
def test_one_killed_while_they_share(small_study: Path, alone: Any, who: str) -> None:
    """What the killed one had leased lapses; what it had stored is not evaluated again."""
    launches = Launches(small_study, block_s=0.4)
    first = launches.begin()
    launches.wait_for(first, 1)
    second = launches.begin()
    launches.wait_for(second, 2)
    killed, other = (first, second) if who == "the one that leads" else (second, first)
    killed.kill()
    killed.communicate()
    out, err = other.communicate(timeout=240)
    assert other.returncode == 0, err
    assert json.loads(out) == alone[0]
    assert state_of(load(small_study)) == alone[1]
    twice = {n for n, count in Counter(n for n, _ in launches.blocks("begun")).items() if count > 1}
    assert len(twice) <= 1  # the one in which it was killed
    assert twice <= {number for number, process in launches.blocks("begun")
                     if process == killed.pid}  # fmt: skip


@pytest.fixture
def shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, list[float]]:
    """A store with a piece of five blocks, one of them done; and the time, which stands still."""
    now = [1000.0]
    monkeypatch.setattr(leases.time, "time", lambda: now[0])
    path = tmp_path / "shared.store.sqlite"
    with Store.open(path) as store:
        state = SearchState(pieces=(Piece({}), Piece({}, blocks=(3,))))
        leases.open_piece(store, "key", state, 1)
    return path, now


def test_no_block_is_leased_twice_before_its_time(shared: tuple[Path, list[float]]) -> None:
    path, now = shared
    mine, other = (Leases(path, "key", 1, [4, 3, 2, 1, 0]) for _ in "12")
    assert [mine.next(), other.next(), mine.next(), other.next(), mine.next()] == [4, 2, 1, 0, None]
    now[0] += 0.9 * leases.LEASE_S
    mine._change(keep=True)
    assert other.next() is None
    now[0] += 0.2 * leases.LEASE_S  # those of the other have lapsed
    assert [mine.next(), mine.next(), mine.next()] == [2, 0, None]
    with Store.open(path) as store:
        assert not other.give_back(store, 2)
        assert mine.give_back(store, 4)
        assert not mine.give_back(store, 4)
    with mine.renewed():
        pass  # at its end, what is left is given back
    assert sorted(other.taken()) == [0, 1, 2, 4]


def test_nobody_takes_a_block_of_a_sweep_that_is_over(shared: tuple[Path, list[float]]) -> None:
    path, _ = shared
    mine = Leases(path, "key", 1, [4, 3, 2, 1, 0])
    assert mine.next() == 4
    assert Leases(path, "key", 0, [0]).next() is None
    with Store.open(path) as store:
        leases.close(store, "key")
        assert leases.piece_of(store, "key") is None
        assert not mine.give_back(store, 4)
    assert mine.next() is None


def test_a_store_that_is_gone_ends_the_work(shared: tuple[Path, list[float]]) -> None:
    path, _ = shared
    mine = Leases(path, "key", 1, [0, 1])
    path.unlink()
    assert list(mine.taken()) == []
    assert isinstance(mine.error, ExplorerError)
