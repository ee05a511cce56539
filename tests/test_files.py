"""A file is written whole or not at all."""

from __future__ import annotations

import os
import resource
import stat
from pathlib import Path

import pytest

from explorer.errors import ExplorerError
from explorer.files import write_atomic


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_text_and_bytes_arrive(tmp_path: Path) -> None:
    assert write_atomic(tmp_path / "new" / "a.html", "5 Ω\n").read_text(encoding="utf-8") == "5 Ω\n"
    assert write_atomic(tmp_path / "new" / "a.html", b"\0\1").read_bytes() == b"\0\1"
    assert names(tmp_path / "new") == ["a.html"]


def test_the_file_is_as_readable_as_any_other(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    write_atomic(tmp_path / "written", "")
    modes = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("plain", "written")]
    assert modes[0] == modes[1]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_text("old")
    link.symlink_to(target)
    write_atomic(link, "new")
    assert link.is_symlink()
    assert target.read_text() == "new"


def test_a_full_disk_leaves_the_old_file(tmp_path: Path) -> None:
    """A limit of the process stands for the disk: the kernel refuses the rest of the write."""
    path = tmp_path / "page.html"
    path.write_text("old")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))
    try:
        with pytest.raises(ExplorerError, match=r"page\.html: cannot be written: File too large$"):
            write_atomic(path, "x" * 1_000_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert path.read_text() == "old"
    assert names(tmp_path) == ["page.html"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_refusal_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    path = tmp_path / "page.html"
    path.write_text("old")
    monkeypatch.setattr(os, step, refuse)
    with pytest.raises(ExplorerError) as caught:
        write_atomic(path, "new")
    assert str(caught.value) == f"{path}: cannot be written: No space left on device"
    assert caught.value.exit_status == 2
    assert path.read_text() == "old"
    assert names(tmp_path) == ["page.html"]


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "reports").touch()
    with pytest.raises(ExplorerError, match=r"cannot be written: "):
        write_atomic(tmp_path / "reports" / "index.html", "")


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is read-only to root")
def test_a_read_only_folder(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(ExplorerError, match=r"cannot be written: Permission denied$"):
            write_atomic(tmp_path / "page.html", "")
    finally:
        tmp_path.chmod(0o700)
    assert names(tmp_path) == []
