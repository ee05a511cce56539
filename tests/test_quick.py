"""A rerun that computes nothing needs little: no solver, and no more of a long history."""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from explorer.commands import light
from explorer.commands.launch import launch_study
from explorer.commands.rerun import rerun_study
from explorer.decision.lock import lock
from explorer.inputs.study import load
from explorer.store.history import History
from explorer.store.keys import path_of
from explorer.store.results import Store

HEAVY = (
    "scipy",
    "numba",
    "llvmlite",
    "optuna",
    "pandas",
    "joblib",
    "matplotlib",
    "bokeh",
    "jinja2",
)
"""Solvers, optimisers, data frames, compilers and whatever draws."""
MODULES = f"""
import json, sys
from explorer import cli
try:
    cli.main()
finally:
    print(json.dumps(sorted(set({HEAVY!r}) & set(sys.modules))), file=sys.stderr)
"""


@pytest.fixture(scope="module")
def launched(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A launched study with a locked design; tests add runs to it."""
    import shutil

    home = tmp_path_factory.mktemp("quick") / "small"
    shutil.copytree(Path(__file__).parent / "data" / "small", home)
    study = home / "small.toml"
    text = study.read_text().replace("evaluations = 2000", "evaluations = 200")
    study.write_text(text + 'method = "sample"\n')
    answer = launch_study(study, page=False, workers=1)
    project = load(study)
    with Store.open(path_of(project)) as store:
        lock(project, store, answer["front"][0]["design_id"])
    return study


@pytest.mark.parametrize("options", [(), ("--owned", "buckboost_wide"), ("--fail-if-beaten",)])
def test_a_quick_rerun_imports_nothing_heavy(launched: Path, options: tuple[str, ...]) -> None:
    words = ["rerun", str(launched), "--quick", "--no-page", "--json", *options]
    done = subprocess.run(
        [sys.executable, "-c", MODULES, *words], capture_output=True, text=True, check=False
    )
    assert done.returncode in (0, 3), done.stderr
    answer = json.loads(done.stdout)
    assert answer["front"]
    (verdict,) = answer["locked"]
    assert verdict["basis"] == "store"
    assert "tips" in verdict  # prices at which it would be beaten
    assert json.loads(done.stderr.splitlines()[-1]) == []


def test_a_short_process_leaves_out_what_nobody_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    names = list(light.UNUSED)
    for name in names:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv(names[0], "3")
    try:
        light.travel_light()
        assert gc.isenabled()
        light.keep_rubbish()
        assert not gc.isenabled()
        assert [os.environ[name] for name in names] == ["3", *list(light.UNUSED.values())[1:]]
    finally:
        gc.enable()
        for name in names:
            monkeypatch.delenv(name)


def test_a_long_history_costs_what_a_short_one_does(
    launched: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted in results of runs that are read."""
    read: list[str] = []
    parsed = History._parsed

    def counted(store: History, kind: str, text: str) -> object:
        read.append(kind)
        return parsed(store, kind, text)

    monkeypatch.setattr(History, "_parsed", counted)
    rerun_study(launched, quick=True, page=False)
    before = read.count("outcome")
    with Store.open(path_of(load(launched))) as store:
        (last,) = [run.result for run in store.newest("launch")][:1]
        for _ in range(200):
            store.finish(store.begin("launch", {"study_hash": "x"}), last or {})
    rerun_study(launched, quick=True, page=False)
    read.clear()
    rerun_study(launched, quick=True, page=False)
    assert read.count("outcome") <= before + 1


def test_records_of_the_history_are_small(launched: Path) -> None:
    """What a page shows of a front is kept once, under a name that a launch refers to."""
    with Store.open(path_of(load(launched))) as store:
        sizes = {
            kind: size
            for kind, size in store._rows(
                "SELECT kind, max(length(result)) FROM run JOIN outcome ON run = id GROUP BY kind"
            )
        }
        run = next(store.newest("launch"))
        assert run.result is not None
        assert "bus_curves" in store.search_progress(run.result["looked_at"])
    assert sizes["launch"] < 8000
    assert sizes["rerun"] < 4000
