"""Killed is not different: a search that was killed and goes on ends as one that never was."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from explorer.commands.launch import launch_study
from explorer.decision import picks
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project, load
from explorer.model import costing, evaluate, promise
from explorer.model.evaluation import Evaluation
from explorer.model.space import Designs
from explorer.search import run, settle
from explorer.search import sample as sampling
from explorer.search.progress import Step
from explorer.store.keys import design_numbers, ids_of, path_of
from explorer.store.promises import odds_of
from explorer.store.results import SESSION, Store
from explorer.store.standing import front_rows

ROOT = Path(__file__).parents[2]


class Killed(BaseException):
    """The process ends here, without a word."""


def searching(project: Project, **options: object) -> Project:
    search = project.study.search.model_copy(update=options)
    return replace(project, study=replace(project.study, search=search))


def with_cadences(project: Project) -> Project:
    """A continuous setting: swept at three points, then sampled between them."""
    cadence = Setting.model_validate({"low": 40.0, "high": 80.0, "sweep_points": 3})
    settings = {**project.study.settings, "cadence_rpm": cadence}
    return replace(project, study=replace(project.study, settings=settings))


def launched(project: Project, kill_after: int | None = None) -> bool:
    """Launch; whether it came to its end, or was killed after so many steps of sampling."""
    steps = 0

    def watch(step: Step) -> None:
        nonlocal steps
        steps += step.stage == "sample"
        if kill_after is not None and steps > kill_after:
            raise Killed

    with Store.open(path_of(project)) as store:
        try:
            run.launch(project, store, watch, workers=1)
        except Killed:
            return False
    return True


def held(project: Project) -> dict[str, Any]:
    """All designs in the order in which they were found, the front, and the search's own state."""
    with Store.open(path_of(project)) as store:
        stored, reuse = store.load(project)
        assert reuse.stored == len(stored)  # nothing was stored twice
        cost = costing.costs(project, stored.designs)
        states = [json.loads(state) for _, _, state in store._read("progress") if "swept" in state]
        (state,) = [one for one in states if "swept" in one]
    return {
        "designs": ids_of(stored.numbers),
        "energy": stored.delivered_energy_J.tolist(),
        "front": ids_of(stored.numbers[front_rows(project, stored, cost)]),
        "state": {k: v for k, v in state.items() if k not in ("seconds", "rate")},
    }


@pytest.fixture
def evaluated(monkeypatch: pytest.MonkeyPatch) -> Counter[tuple[Any, ...]]:
    """How often each design was evaluated by sampling."""
    count: Counter[tuple[Any, ...]] = Counter()
    real = evaluate.evaluate

    def counted(project: Project, designs: Any, *more: Any) -> Any:
        columns = [*designs.parts.values(), *designs.settings.values()]
        count.update(zip(*(column.tolist() for column in columns), strict=True))
        return real(project, designs, *more)

    monkeypatch.setattr(sampling, "evaluate", counted)
    return count


@pytest.mark.parametrize("mixed", [False, True])
def test_killed_after_every_batch_it_finds_the_same(
    small_project: Project, evaluated: Counter[tuple[Any, ...]], mixed: bool
) -> None:
    """All three sources of proposals, each interrupted within and between its proposals."""
    project = searching(small_project, evaluations=300, batch=30, method="sample")
    if mixed:
        project = searching(with_cadences(small_project), evaluations=300, batch=30)
    assert launched(project)
    expected, once = held(project), Counter(evaluated)
    assert set(once.values()) == {1}
    assert expected["state"]["sampling"]["source"] == 2
    path_of(project).unlink()
    evaluated.clear()
    launches = 1
    while not launched(project, kill_after=1):
        launches += 1
    assert launches > 10
    assert held(project) == expected
    assert evaluated == once


def test_two_launches_that_nobody_kills_find_the_same(small_project: Project) -> None:
    project = searching(small_project, evaluations=200, batch=50, method="sample")
    assert launched(project)
    expected = held(project)
    path_of(project).unlink()
    assert launched(project)
    assert held(project) == expected


def test_a_search_begun_with_designs_goes_on_from_the_same(small_project: Project) -> None:
    """What was stored before it began is known to it, what came meanwhile is not: sessions."""
    earlier = searching(small_project, evaluations=100, batch=50, method="sample", seed=3)
    project = searching(small_project, evaluations=200, batch=50, method="sample")
    assert launched(earlier)
    sound = path_of(project).read_bytes()
    assert launched(project)
    with Store.open(path_of(project)) as store:
        expected = ids_of(store.load(project)[0].numbers)
    path_of(project).write_bytes(sound)
    assert not launched(project, kill_after=2)
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        known = store.evaluation(project, stored, np.arange(5))
        better = replace(known, delivered_energy_J=known.delivered_energy_J * 2 + 1)
        store.append(project, better, SESSION)
    assert launched(project)
    with Store.open(path_of(project)) as store:
        assert set(ids_of(store.load(project)[0].numbers)) == set(expected)


def test_other_prices_meanwhile_lose_nothing(
    small_project: Project, evaluated: Counter[tuple[Any, ...]]
) -> None:
    """Then other designs are proposed: those that were evaluated count, and no others twice."""
    project = searching(small_project, evaluations=200, batch=40, method="sample")
    assert not launched(project, kill_after=3)
    prices = project.catalogue.prices
    dearer = {
        part: tuple(
            one.model_copy(update={"amount": one.amount * (0.6 + 0.1 * (len(part) % 7))})
            for one in breaks
        )
        for part, breaks in prices.breaks.items()
    }
    later = replace(
        project, catalogue=replace(project.catalogue, prices=replace(prices, breaks=dearer))
    )
    assert launched(later)
    assert sum(evaluated.values()) == 200
    assert set(evaluated.values()) == {1}


LAUNCH = """
import sys
from dataclasses import replace
from explorer.inputs.study import load
from explorer.search import run, sweep
from explorer.store.keys import path_of
from explorer.store.results import Store
sweep.HALVES_PER_BLOCK = 8
project = load(sys.argv[1])
def said(keep):
    def keep_and_say(*given, **more):
        keep(*given, **more)
        print("kept", flush=True)
    return keep_and_say
Store.append, Store.save_states = said(Store.append), said(Store.save_states)
with Store.open(path_of(project)) as store:
    print("begun", flush=True)
    run.launch(project, store, workers=int(sys.argv[2]))
print("ended")
"""


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "workers"), [("sampled", 1), ("mixed", 2)])
def test_kill_9_at_any_moment_is_not_different(
    small_study: Path, small_project: Project, kind: str, workers: int
) -> None:
    text = small_study.read_text().replace("evaluations = 2000", "evaluations = 300\nbatch = 20")
    if kind == "mixed":
        text = text.replace("[50, 65]", "{ low = 40, high = 80, sweep_points = 3 }")
    else:
        text += 'method = "sample"\n'
    small_study.write_text(text)
    project = load(small_study)
    command = [sys.executable, "-c", LAUNCH, str(small_study), str(workers)]
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    expected = held(project)
    path_of(project).unlink()
    chance, kills, out = np.random.default_rng(18), 0, ""
    while kills < 25:
        with subprocess.Popen(
            command, cwd=ROOT, stdout=subprocess.PIPE, text=True, start_new_session=True
        ) as process:
            assert process.stdout is not None
            for _ in range(chance.integers(1, 4)):
                process.stdout.readline()  # what is kept, and where it has ended, nothing
            time.sleep(chance.uniform(0.0, 0.05))
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                kills += 1
            out = process.stdout.read()
        if "ended" in out:
            break
    assert kills > 3
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    found = held(project)
    assert found["front"] == expected["front"]
    assert sorted(found["designs"]) == sorted(expected["designs"])
    assert found["state"]["sampled"] == expected["state"]["sampled"] == 300


def answer_of(study: Path) -> dict[str, Any]:
    """What a launch says and the store holds at its end, times and commits aside."""
    answer = launch_study(study, page=False, workers=1)
    project = load(study)
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        stepped = sorted(ids_of(stored.numbers[stored.stepped]))
        heads = [head for head in store._read("block") if head[3] == SESSION]
        kept = {
            key.split(":")[0]: json.loads(state)
            for key, _, state in store._read("progress")
            if key.startswith(("audit:", "looked_at:"))
        }
        odds = odds_of(project, store, stored.numbers)
        named = zip(ids_of(stored.numbers), odds, strict=True)
        kept["builds"] = dict(sorted((name, one) for name, one in named if one.draws))
    assert sum(count for _, _, count, *_ in heads) == len(stepped)  # nothing was stepped twice
    names = ("front", "picks", "audit", "designs_stepped", "hypervolume", "unsettled", "exact")
    return {**{name: answer[name] for name in names}, "stepped": stepped, "kept": kept}


def nearly(project: Project, designs: Designs) -> Evaluation:
    """In place of sessions: what the filter says, and up to 2 % less energy, so that it leaves
    something for the audit.
    """
    found = evaluate.evaluate(project, designs)
    numbers = design_numbers(project.catalogue, designs)
    return replace(
        found, delivered_energy_J=found.delivered_energy_J * (1 - numbers % np.uint64(21) / 1000)
    )


MOST_KILLS = 100
"""Many more than there are commits behind the search: a launch that repeats itself is a failure."""


@pytest.mark.slow
def test_killed_after_every_commit_behind_the_search_it_answers_the_same(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rounds of sessions, the audit, draws of builds and the look at the front. Finalists get 240
    builds instead of 1,000: one stage as well.
    """
    monkeypatch.setattr(promise, "LAST_DRAWS", 240)
    monkeypatch.setattr(settle, "BATCH", 6)
    monkeypatch.setattr(settle, "AUDITED", 15)
    monkeypatch.setattr("explorer.model.stepped.sessions_of", nearly)
    text = small_study.read_text().replace("evaluations = 2000", "evaluations = 500\nbatch = 250")
    small_study.write_text(text + 'method = "sample"\n')
    expected = answer_of(small_study)
    assert expected["designs_stepped"] > 30
    assert expected["audit"]["stepped"] == 15
    path_of(load(small_study)).unlink()
    kills: Counter[str] = Counter()
    append, save, keep = Store.append, Store.save_states, picks.keep_odds

    def killed_after(what: str) -> None:
        kills[what] += 1
        raise Killed

    def append_and_die(store: Store, *given: Any, **more: Any) -> None:
        append(store, *given, **more)
        if SESSION in given:
            killed_after(SESSION)

    def save_and_die(store: Store, states: Mapping[str, Any]) -> None:
        save(store, states)
        name = next(iter(states)).split(":")[0]
        if name in ("audit", "round", "looked_at"):
            killed_after(name)

    def keep_and_die(*given: Any) -> None:
        keep(*given)  # the whole of it: what is within would die before its commit
        killed_after("builds")

    with monkeypatch.context() as deadly:
        deadly.setattr(Store, "append", append_and_die)
        deadly.setattr(Store, "save_states", save_and_die)
        deadly.setattr(picks, "keep_odds", keep_and_die)
        ended = False
        for _ in range(MOST_KILLS):
            with suppress(Killed):
                launch_study(small_study, page=False, workers=1)
                ended = True
                break
    assert ended, f"it gets no further: {kills}"
    assert kills[SESSION] > 3
    assert min(kills[name] for name in ("audit", "round", "looked_at")) >= 1
    assert kills["builds"] == 3  # first looks, promises, finalists
    assert answer_of(small_study) == expected
