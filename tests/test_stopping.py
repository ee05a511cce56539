"""Ctrl-C and SIGTERM: one line, the status that shells expect, and no process left."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from explorer import stopping
from explorer.files import one_at_a_time
from explorer.inputs.study import load
from explorer.stopping import WORDS
from explorer.store.keys import path_of
from explorer.store.results import SESSION, Store

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks into /proc")
STATUS = {signal.SIGINT: 130, signal.SIGTERM: 143}

IN_A_STAGE = """
import os, sys
from contextlib import contextmanager
from explorer import __main__, cli
stage, steps, number, everybody = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
del sys.argv[1:5]
seen = []

@contextmanager
def progress():
    def watch(step):
        seen.append(step.stage)
        if seen.count(stage) == steps:
            (os.killpg if everybody == "all" else os.kill)(os.getpid(), number)
    yield watch

cli._progress = progress
__main__.main()
"""
"""The program, which sends itself a signal at a step of a stage of its search, or sends it to all
its processes, as a terminal does."""


def left_of(session: int) -> list[str]:
    """Command lines of the processes of a session that are alive."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                state, _, _, sid = (folder / "stat").read_text().rpartition(")")[2].split()[:4]
                words = (folder / "cmdline").read_text().replace("\0", " ")
            except OSError:
                continue
            if int(sid) == session and state != "Z":
                found.append(words)
    return found


def ended(process: subprocess.Popen[str], number: int) -> None:
    """Check how a program ended that was sent a signal."""
    out, err = process.communicate(timeout=60)
    assert (out, err, process.returncode) == ("", WORDS, STATUS[number])
    nothing_is_left(process)


def nothing_is_left(process: subprocess.Popen[str]) -> None:
    """Check that no process of an ended program lives on after five seconds."""
    until = time.monotonic() + 5  # for what cleans up behind processes that were ended
    while (left := left_of(process.pid)) and time.monotonic() < until:
        time.sleep(0.02)
    assert left == []


def start(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *map(str, words)],
        text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip


def sampled(study: Path) -> None:
    """Make a sampled search of a study."""
    text = study.read_text()
    text = text.replace("cadence_rpm = [50, 65]", "cadence_rpm = {low=50,high=65,sweep_points=2}")
    study.write_text(text.replace("seed = 7", 'seed = 7\nmethod = "sample"'))


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("number", STATUS, ids=["SIGINT", "SIGTERM"])
@pytest.mark.parametrize("everybody", ["one", "all"])
@pytest.mark.parametrize(("stage", "steps"), [("sweep", 1), ("sweep", 3)])
def test_a_sweep_is_stopped(
    small_study: Path, stage: str, steps: int, everybody: str, number: int, workers: int
) -> None:
    text = small_study.read_text()  # several blocks
    small_study.write_text(text.replace("[50, 65]", "{low=50,high=65,step=0.05}"))
    launch = ("launch", small_study, "--json", "--workers", workers)
    ended(start("-c", IN_A_STAGE, stage, steps, int(number), everybody, *launch), number)


@pytest.mark.parametrize(("number", "stage", "everybody", "workers"), [
    (signal.SIGINT, "sample", "all", 2),
    (signal.SIGTERM, "sample", "one", 1),
    (signal.SIGINT, "step", "all", 2),
    (signal.SIGTERM, "step", "all", 2),
    (signal.SIGINT, "step", "one", 1),
])  # fmt: skip
def test_the_later_stages_are_stopped(
    small_study: Path, number: int, stage: str, everybody: str, workers: int
) -> None:
    if stage == "sample":
        sampled(small_study)
    launch = ("launch", small_study, "--json", "--workers", workers)
    ended(start("-c", IN_A_STAGE, stage, 2, int(number), everybody, *launch), number)


@pytest.mark.parametrize("number", STATUS, ids=["SIGINT", "SIGTERM"])
@pytest.mark.parametrize("later_s", [0.0, 0.1, 0.3, 0.6, 1.2])
def test_any_other_moment_will_do(small_study: Path, number: int, later_s: float) -> None:
    """From the moment that signals are seen to, which is before anything else is imported."""
    process = start("-m", "explorer", "launch", small_study, "--json")
    mask, until = 0, time.monotonic() + 20
    while not mask >> (signal.SIGTERM - 1) & 1 and time.monotonic() < until:
        for line in Path(f"/proc/{process.pid}/status").read_text().splitlines():
            if line.startswith("SigCgt:"):
                mask = int(line.split()[1], 16)
    time.sleep(later_s)
    os.killpg(process.pid, number)
    ended(process, number)


@pytest.mark.parametrize("number", STATUS, ids=["SIGINT", "SIGTERM"])
@pytest.mark.parametrize("later_s", [0.05, 0.15, 0.3])
def test_workers_that_only_begin_are_stopped(
    small_study: Path, number: int, later_s: float
) -> None:
    """While a process starts, Python would answer a terminal's Ctrl-C with a traceback."""
    text = small_study.read_text()
    small_study.write_text(text.replace("[50, 65]", "{low=50,high=65,step=0.05}"))
    process = start("-m", "explorer", "launch", small_study, "--json")
    until = time.monotonic() + 30
    while not any("popen_loky" in words for words in left_of(process.pid)):
        assert time.monotonic() < until
    time.sleep(later_s)
    os.killpg(process.pid, number)
    ended(process, number)


def test_a_stopped_sweep_goes_on_to_the_same_front(small_study: Path) -> None:
    launch = ("launch", small_study, "--json", "--workers", 2)
    ended(start("-c", IN_A_STAGE, "sweep", 2, 15, "all", *launch), signal.SIGTERM)
    process = start("-m", "explorer", *launch)
    out, _ = process.communicate(timeout=240)
    assert process.returncode == 0
    assert json.loads(out)["exact"] is True
    nothing_is_left(process)


STUCK = """
import signal, time
from explorer import stopping
stopping.GRACE_S = 0.3
def program():
    try:
        signal.raise_signal(signal.SIGTERM)
    except BaseException:
        pass  # as a callback of a library might
    time.sleep(60)
stopping.run_program(program)
"""
SWALLOWED = STUCK.replace("time.sleep(60)", "raise SystemExit(0)")
IDLE_WORKERS = STUCK.replace(
    "    try:",
    """    from joblib import Parallel, delayed
    with stopping.starting_workers():
        Parallel(n_jobs=2)(delayed(abs)(k) for k in range(4))
    try:""",
)
AT_THE_END = """
import atexit, signal, sys
from explorer import stopping
atexit.register(lambda: signal.raise_signal(signal.SIGTERM))
stopping.run_program(lambda: sys.exit(0))
"""
FOLLOWS = """
import signal, sys
from explorer import __main__, cli
from explorer.commands import check as module
def check(study):
    try:
        signal.raise_signal(signal.SIGTERM)
    except BaseException:
        raise RuntimeError("a worker is gone")
module.check_study = check
sys.argv = ["genchain", "check", "x.toml"]
__main__.main()
"""


@pytest.mark.parametrize("program", [STUCK, SWALLOWED, IDLE_WORKERS, AT_THE_END, FOLLOWS])
def test_what_swallows_the_signal_does_not_keep_the_program(program: str) -> None:
    ended(start("-c", program), signal.SIGTERM)


def test_children_end_on_systems_without_sigkill(monkeypatch: pytest.MonkeyPatch) -> None:
    """On Windows SIGTERM ends a process as it is."""
    child = multiprocessing.get_context("spawn").Process(target=time.sleep, args=(60,))
    child.start()
    monkeypatch.delattr(signal, "SIGKILL")
    stopping._kill_children()
    child.join(30)
    assert child.exitcode == -signal.SIGTERM


@pytest.mark.parametrize("later_s", [0.0, 0.3, 2.0])
def test_a_killed_parent_leaves_no_worker(small_study: Path, later_s: float) -> None:
    """Killed when its workers only begin, and while they work."""
    text = small_study.read_text()
    small_study.write_text(text.replace("[50, 65]", "{low=50,high=65,step=0.02}"))
    process = start("-m", "explorer", "launch", small_study, "--json")
    until = time.monotonic() + 30
    while not any("popen_loky" in words for words in left_of(process.pid)):
        assert time.monotonic() < until
    time.sleep(later_s)
    process.kill()
    until = time.monotonic() + 5
    while (left := left_of(process.pid)) and time.monotonic() < until:
        time.sleep(0.05)
    assert left == []
    process.communicate(timeout=5)  # nobody holds its pipes open


@pytest.mark.slow
def test_a_second_launch_of_a_sampled_study_waits(small_study: Path) -> None:
    """It says so and why, and then finds the work done; see test_sharing for a sweep."""
    sampled(small_study)
    both = [start("-m", "explorer", "launch", small_study, "--json", "--no-page") for _ in "12"]
    said = [process.communicate(timeout=240) for process in both]
    assert [process.returncode for process in both] == [0, 0]
    words = "another run searches this study; waiting until it has ended"
    assert sorted(words in err for _, err in said) == [False, True]
    words = "a sample is not shared, since each batch follows from those before it"
    assert sorted(words in err for _, err in said) == [False, True]
    answers = [json.loads(out) for out, _ in said]
    assert answers[0]["front"] == answers[1]["front"]
    with Store.open(path_of(load(small_study)), read_only=True) as store:
        stored, reuse = store.load(load(small_study))
        heads = store._read("block")
    assert reuse.stored == len(stored)
    sessions = sum(count for _, _, count, source, _ in heads if source == SESSION)
    assert sum(count for _, _, count, *_ in heads) - sessions == len(stored)
    assert sessions == int(stored.stepped.sum())


def test_who_waits_for_another_launch_can_be_stopped(small_study: Path) -> None:
    with one_at_a_time(small_study, ""):
        process = start("-m", "explorer", "launch", small_study, "--no-page")
        assert process.stderr is not None
        assert "another run searches this study" in process.stderr.readline()
        process.send_signal(signal.SIGINT)
        ended(process, signal.SIGINT)


LATE = """
import signal
from explorer import stopping
def program():
    stopping.answering()
    print("the ans", end="", flush=True)
    signal.raise_signal(signal.SIGINT)
    signal.raise_signal(signal.SIGTERM)
    print("wer")
    raise SystemExit(3)
stopping.run_program(program)
"""


def test_an_answer_that_is_being_given_is_given(small_study: Path) -> None:
    """Work that is done was not stopped; the program's own status stands."""
    process = start("-c", LATE)
    assert process.communicate(timeout=30) == ("the answer\n", "")
    assert process.returncode == 3


def test_an_answer_that_nobody_takes_does_not_keep_the_program() -> None:
    stuck = LATE.replace('print("wer")', "import time; time.sleep(60)")
    process = start("-c", stuck.replace("def program", "stopping.GRACE_S = 0.3\ndef program"))
    out, err = process.communicate(timeout=30)
    assert (out, err, process.returncode) == ("the ans", WORDS, 130)
