"""A packed store holds what the old one held, in a smaller file; a failure leaves the old one."""

from __future__ import annotations

import errno
import os
import shutil
import stat
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from explorer.commands.check import check_store
from explorer.commands.launch import launch_study
from explorer.commands.lock import lock_design
from explorer.commands.rerun import rerun_study
from explorer.decision.lock import read_locks
from explorer.errors import DiskError, ExplorerError, InputError
from explorer.inputs.study import Project, load
from explorer.search import run
from explorer.search.progress import Step
from explorer.store import packing, placing
from explorer.store.keys import ids_of, path_of
from explorer.store.packing import pack
from explorer.store.results import Store
from tests.helpers.kills import SMALL_SAMPLE, launched
from tests.helpers.stores import checksums_anew, raw

SMALL = Path(__file__).parent / "data" / "small"


@pytest.fixture(scope="module")
def sampled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a study that was sampled in batches, and has a decision and a rerun."""
    home = tmp_path_factory.mktemp("sampled") / "small"
    shutil.copytree(SMALL, home)
    study = launched(home / "small.toml")
    front = rerun_study(study, quick=True, page=False)["front"]
    lock_design(study, front[0]["design_id"], note="to be built", page=False)
    rerun_study(study, quick=True, page=False)
    return home


@pytest.fixture
def study(sampled: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may change."""
    shutil.copytree(sampled, tmp_path / "small")
    return tmp_path / "small" / "small.toml"


def everything(project: Project) -> dict[str, Any]:
    """All that a store says of itself, designs in the order in which they are loaded."""
    with Store.open(path_of(project), read_only=True) as store:
        stored, reuse = store.load(project)
        full = store.evaluation(project, stored)
        runs = store.history()
        fronts = [store.front_of(one.result["front"]) for one in runs if "front" in
                  (one.result or {})]  # fmt: skip
        return {
            "designs": ids_of(stored.numbers),
            "stepped": stored.stepped.tolist(),
            "values": [v.tolist() for v in stored.values.values()],
            "margins": {k: v.tolist() for k, v in full.margins.items()},
            "ledger": {k: v.tolist() for k, v in full.ledger_J.items()},
            "reuse": reuse.lines,
            "runs": [one._asdict() for one in runs],
            "fronts": [(ids_of(n), p.tolist()) for n, p in fronts],
            "prices": store.prices_used(),
            "decisions": list(store.decisions()),
            "progress": store._read("progress"),
        }


def bytes_of_builds(project: Project) -> int:
    """What drawn builds take of a store."""
    with raw(path_of(project)) as store:
        (found,) = store.execute("SELECT sum(length(content)) FROM builds").fetchone()
    return int(found)


def test_it_holds_the_same_in_a_smaller_file(study: Path) -> None:
    project = load(study)
    before, size = everything(project), path_of(project).stat().st_size
    drawn = bytes_of_builds(project)
    locks = read_locks(project)
    found = check_store(study, compact=True)["packed"]
    assert found["bytes_before"] == size
    assert found["bytes_after"] == path_of(project).stat().st_size
    # Builds stand as packed arrays from the first: of them only what was replaced goes.
    left = bytes_of_builds(project)
    assert 0 < left < drawn
    assert found["bytes_after"] - left < 0.6 * (size - drawn)
    assert found["blocks_after"] < found["blocks_before"]
    after = everything(project)
    assert {name for name in before if before[name] != after[name]} == set()
    assert len(after["fronts"]) >= 2
    assert [one.design_id for one in read_locks(project)] == [one.design_id for one in locks]
    answer = rerun_study(study, quick=True, page=False)
    assert [one["status"] for one in answer["locked"]] == ["kept"]
    assert not answer["entered"]
    assert not answer["left"]
    # Once more: nothing is left to do.
    again = check_store(study, compact=True)["packed"]
    assert again["blocks_before"] == again["blocks_after"] == found["blocks_after"]
    # What comes later is written as ever, read beside it, and packed with it.
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        some = store.evaluation(project, stored, np.arange(5))
        last = store.last_block()
        store.append(project, some, "sweep")
        assert store.last_block() == last + 1
        assert len(store.load(project)[0]) == len(stored)
    before = everything(project)
    check_store(study, compact=True)
    assert everything(project) == before


def test_a_search_that_was_cut_short_goes_on_as_without(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Packed in the middle of a sample: the same proposals, nothing evaluated twice."""
    small_study.write_text(small_study.read_text().replace(*SMALL_SAMPLE) + 'method = "sample"\n')
    project = load(small_study)

    class Killed(BaseException):
        pass

    def watch(step: Step) -> None:
        if step.stage == "sample" and step.done >= 150:
            raise Killed

    with Store.open(path_of(project)) as store:
        run.launch(project, store, workers=1)
    expected = everything(project)
    path_of(project).unlink()
    with pytest.raises(Killed), Store.open(path_of(project)) as store:
        run.launch(project, store, watch, workers=1)
    assert pack(path_of(project)).blocks_after == 1
    with Store.open(path_of(project)) as store:
        run.launch(project, store, workers=1)
    found = everything(project)
    assert found["designs"] == expected["designs"]
    assert found["values"] == expected["values"]


def test_what_cannot_be_read_today_is_kept_for_another_day(study: Path) -> None:
    """Designs of another session length, stored last, and of a layout that no release knows."""
    project, text = load(study), study.read_text()
    study.write_text(text.replace("minutes = 10", "minutes = 11"))
    other = load(study)
    with Store.open(path_of(project)) as store:
        stored, _ = store.load(project)
        store.append(other, store.evaluation(project, stored, np.arange(7)), "sweep")
    before, others = everything(project), everything(other)
    assert len(others["designs"]) == 7
    assert len(before["designs"]) > 100
    pack(path_of(project))
    assert everything(project) == before
    assert everything(other) == others
    with raw(path_of(project)) as opened:
        unknown = """UPDATE context SET columns = replace(columns, '"layout":3', '"layout":9')"""
        opened.execute(unknown)
        content = opened.execute("SELECT id, designs FROM block").fetchall()
    checksums_anew(path_of(project), "context")
    pack(path_of(project))
    with raw(path_of(project)) as opened:
        assert opened.execute("SELECT id, designs FROM block").fetchall() == content
        opened.execute(unknown.replace('"layout":3', "X").replace('"layout":9', '"layout":3')
                       .replace("X", '"layout":9'))  # fmt: skip
    checksums_anew(path_of(project), "context")
    assert everything(project) == before


def test_a_damaged_store_is_not_packed(study: Path) -> None:
    path = path_of(load(study))
    with raw(path) as opened:
        opened.execute("UPDATE run SET intent = '{}' WHERE id = 1")
    content = path.read_bytes()
    with pytest.raises(InputError, match="run 1: is damaged"):
        check_store(study, compact=True)
    assert path.read_bytes() == content


def test_a_store_with_tables_of_another_release_is_not_packed(study: Path) -> None:
    path = path_of(load(study))
    with raw(path) as opened:
        opened.execute("CREATE TABLE draw (block INTEGER, results BLOB)")
    content = path.read_bytes()
    with pytest.raises(InputError, match=r"draw\.block: is of another release"):
        pack(path)
    assert path.read_bytes() == content


@pytest.mark.parametrize("what", ["replacing", "reading back"])
def test_a_failure_leaves_the_old_file(
    study: Path, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = path_of(load(study))
    content = path.read_bytes()
    there = sorted(os.listdir(study.parent))

    def failing(*_: object) -> None:
        raise DiskError("the disk is full")

    def wrong(content: bytes) -> bytes:
        return packing.zlib.compress(content[:-1] + bytes([content[-1] ^ 1]))

    if what == "replacing":
        monkeypatch.setattr(placing.os, "replace", failing)
    else:
        monkeypatch.setattr(packing, "_shut", wrong)
    with pytest.raises(ExplorerError):
        pack(path)
    assert path.read_bytes() == content
    assert sorted(os.listdir(study.parent)) == there


def test_a_folder_that_refuses_the_new_file_is_one_line_about_the_store(
    study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = path_of(load(study))
    content = path.read_bytes()

    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    # A file system that is mounted to be read only refuses to take away what is not there, too.
    monkeypatch.setattr(Path, "unlink", refused)
    monkeypatch.setattr(placing.os, "link", refused)
    monkeypatch.setattr(placing.os, "rename", refused)
    with pytest.raises(DiskError) as caught:
        pack(path)
    assert str(caught.value) == f"{path}: cannot be written: {os.strerror(errno.EROFS)}"
    assert path.read_bytes() == content


@pytest.mark.skipif(os.name != "posix", reason="permissions are those of POSIX")
def test_a_store_that_only_its_owner_may_read_stays_so(study: Path) -> None:
    path = path_of(load(study))
    path.chmod(0o600)
    pack(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


@pytest.mark.parametrize("bytes_", [b"", b"no zlib", packing.zlib.compress(bytes(10**7))])
def test_packed_bytes_that_are_none_are_named(study: Path, bytes_: bytes) -> None:
    """With a checksum, too, as of a store that somebody wrote: not unpacked beyond their size."""
    path = path_of(load(study))
    pack(path)
    with raw(path) as opened:
        ((number,),) = opened.execute("SELECT min(id) FROM block").fetchall()
        opened.execute("UPDATE block SET designs = ? WHERE id = ?", (bytes_, number))
    with pytest.raises(InputError, match=f"designs of block {number}: is damaged"):
        check_store(study)
    checksums_anew(path, "designs")
    with pytest.raises(InputError, match=f"block {number}: is damaged"):
        check_store(study)


def test_a_launch_mends_a_packed_store(study: Path) -> None:
    path, before = path_of(load(study)), launch_study(study, workers=1, page=False)
    pack(path)
    with raw(path) as opened:
        opened.execute("UPDATE run SET intent = '{}' WHERE id = 1")
    found = launch_study(study, workers=1, page=False)
    assert any("none is lost" in line for line in found["notes"])
    assert found["front"] == before["front"]
