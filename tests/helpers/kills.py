"""Kills a command at random moments, and looks at what is left after each of them."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from explorer.commands.check import check_store
from explorer.commands.launch import launch_study
from explorer.commands.provenance import reports_folder
from explorer.decision.decided_file import as_kept, read_entries
from explorer.decision.decisions import decided_path, take_in
from explorer.files import finish_together
from explorer.inputs.study import Project, load
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store

ROOT = Path(__file__).parents[2]
SMALL_SAMPLE = ("evaluations = 2000", "evaluations = 300\nbatch = 50")
"""What makes a small search of the small study, in place of what."""
MOST_OF_ONE = 10
"""Kills after which a launch is let come to its end."""
EARLY = 0.02
"""Share of a command's time after its end in which a kill is aimed at, too: it comes too late."""


class Figures(NamedTuple):
    """What came of kills: how many hit, and what was wrong afterwards, in words."""

    kind: str
    kills: int
    too_late: int
    wrong: tuple[str, ...]


def launched(study: Path) -> Path:
    """A study that is searched in seconds, and a launch of it."""
    text = study.read_text().replace(*SMALL_SAMPLE)
    study.write_text(text + 'method = "sample"\n')
    launch_study(study, page=False, workers=1)
    return study


def attack(kind: str, study: Path, kills: int, seed: int) -> Figures:
    """Kill a command as often as asked for; `kind` is one of `KINDS`."""
    return KINDS[kind](kind, study, kills, random.Random(seed))


def _command(*words: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "explorer", *map(str, words)],
        cwd=ROOT, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip


def _seconds(*words: object) -> float:
    """How long a command takes."""
    begun = time.monotonic()
    _, said = (process := _command(*words)).communicate()
    assert process.returncode == 0, said
    return time.monotonic() - begun


def _killed(chance: random.Random, whole_s: float, *words: object) -> bool:
    """Kill a command and all its processes; whether it was not done by then."""
    with _command(*words) as process:
        time.sleep(chance.uniform(0.1, 1 + EARLY) * whole_s)
        hit = process.poll() is None
        if hit:
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
    return hit


def _state(project: Project) -> dict[str, Any]:
    """What the store holds of designs and decisions; every record of it verified."""
    check_store(project.path)
    with Store.open(path_of(project), read_only=True) as store:
        stored, _ = store.load(project)
        decisions = {one.design: one.entry for one in store.decisions()}
    return {
        "designs": sorted(ids_of(stored.numbers)),
        "energies": sorted(stored.delivered_energy_J.tolist()),
        "decisions": decisions,
    }


def _quietly(
    kind: str,
    study: Path,
    kills: int,
    chance: random.Random,
    wrong_now: Callable[[], Sequence[str]],
) -> Figures:
    """Kill a command that may change nothing of designs and decisions."""
    project = load(study)
    whole_s = _seconds(kind, study)
    before = _state(project)
    hits, late, wrong = 0, 0, []
    while hits < kills and late < 10 * kills:
        hit = _killed(chance, whole_s, kind, study)
        hits, late = hits + hit, late + (not hit)
        if _state(project) != before:
            wrong.append(f"kill {hits}: designs or decisions are others")
        wrong += [f"kill {hits}: {words}" for words in wrong_now()]
    return Figures(kind, hits, late, tuple(wrong))


def _rerun(kind: str, study: Path, kills: int, chance: random.Random) -> Figures:
    """Reruns; the answer of one that nobody kills stays what it was."""
    expected = _answer(study)

    def wrong() -> list[str]:
        return [] if _answer(study) == expected else ["a rerun answers otherwise"]

    return _quietly(kind, study, kills, chance, wrong)


def _answer(study: Path) -> Any:
    """What a quick rerun answers, moments aside."""
    done = subprocess.run(
        [sys.executable, "-m", "explorer", "rerun", study, "--quick", "--no-page", "--json"],
        cwd=ROOT, capture_output=True, check=True,
    )  # fmt: skip
    answer = json.loads(done.stdout)
    return {name: answer[name] for name in ("front", "picks", "locked", "entered", "left", "notes")}


def _review(kind: str, study: Path, kills: int, chance: random.Random) -> Figures:
    """Reviews; the page is always a whole one, and the store as it was to the last byte."""
    project = load(study)
    page = reports_folder(project) / "index.html"
    content = path_of(project).read_bytes()

    def wrong() -> list[str]:
        found = []
        if not page.read_text("utf-8").rstrip().endswith("</html>"):
            found.append("the page is cut short")
        if path_of(project).read_bytes() != content:
            found.append("the store has changed")
        return found

    return _quietly(kind, study, kills, chance, wrong)


def _lock(kind: str, study: Path, kills: int, chance: random.Random) -> Figures:
    """Locks: each is there or not, with all that belongs to it; the others stay."""
    project = load(study)
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
    names = ids_of(stored.numbers[stored.keeps_physics])
    chance.shuffle(names)
    whole_s = _seconds("lock", study, names.pop())
    held = _state(project)["decisions"]
    hits, late, wrong = 0, 0, []
    while hits < kills and late < 10 * kills and names:
        name = names.pop()
        hit = _killed(chance, whole_s, "lock", study, name)
        hits, late = hits + hit, late + (not hit)
        where = f"kill {hits}"
        with Store.open(path_of(project)) as store:
            take_in(project, store)
        finish_together(reports_folder(project))
        found = _state(project)["decisions"]
        if {design: one for design, one in found.items() if design != name} != held:
            wrong.append(f"{where}: another decision was lost or changed")
        if not hit and name not in found:
            wrong.append(f"{where}: a decision that was made is lost")
        entries = read_entries(decided_path(project)) or []
        if {one["design_id"]: as_kept(one) for one in entries} != found:
            wrong.append(f"{where}: store and file differ")
        pair = [
            (reports_folder(project) / f"build_{name}.{end}").exists() for end in ("html", "csv")
        ]
        if len(set(pair)) > 1 or (name in found and not all(pair)):
            wrong.append(f"{where}: sheet and bill are {pair}, locked is {name in found}")
        held = found
    return Figures(kind, hits, late, tuple(wrong))


def _launch(kind: str, study: Path, kills: int, chance: random.Random) -> Figures:
    """Launches, each killed until one comes to its end; all end as one that nobody killed."""
    project = load(study)
    words = ("launch", study, "--no-page")
    path_of(project).unlink()
    whole_s = _seconds(*words)
    expected, front = _state(project), _answer(study)["front"]
    hits, late, wrong = 0, 0, []
    while hits < kills and late < kills:
        path_of(project).unlink()
        while _killed(chance, 0.4 * whole_s, *words):
            hits += 1
            if hits % MOST_OF_ONE == 0:
                _seconds(*words)
                break
        else:
            late += 1
        found = _state(project)
        if found != expected or _answer(study)["front"] != front:
            wrong.append(f"kill {hits}: {len(found['designs'])} designs or a front of others")
    return Figures(kind, hits, late, tuple(wrong))


KINDS = {"rerun": _rerun, "lock": _lock, "review": _review, "launch": _launch}
"""Command -> how it is attacked."""
