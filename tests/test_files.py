"""A file is written whole or not at all."""

from __future__ import annotations

import os
import re
import resource
import stat
from pathlib import Path

import pytest

from explorer.errors import DiskError, ExplorerError
from explorer.files import finish_together, write_atomic, write_folder, write_together


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


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_file_keeps_the_permissions_that_it_has(tmp_path: Path) -> None:
    private = tmp_path / "study.decided.toml"
    private.write_text("old")
    private.chmod(0o600)
    write_atomic(private, "new")
    assert (private.read_text(), stat.S_IMODE(private.stat().st_mode)) == ("new", 0o600)


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_private_umask_makes_private_files(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        write_atomic(tmp_path / "page" / "index.html", "")
        write_folder(tmp_path / "study", {"parts/cells.csv": ""})
    finally:
        os.umask(before)
    made = [path for path in tmp_path.rglob("*") if path != tmp_path]
    assert len(made) == 5
    assert all(path.stat().st_mode & 0o077 == 0 for path in made)


def test_temporary_names_cannot_be_guessed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """64 random bits each, and what stands at a name already is never written to."""
    seen: list[str] = []
    replace = os.replace

    def note(source: Path, target: Path) -> None:
        seen.append(Path(source).name)
        replace(source, target)

    monkeypatch.setattr(os, "replace", note)
    for _ in range(20):
        write_atomic(tmp_path / "a.html", "")
    names = {re.fullmatch(r"\.a\.html\.([0-9a-f]{16})\.part", name) for name in seen}
    assert None not in names
    assert len({name[1] for name in names if name}) == 20
    monkeypatch.setattr("secrets.token_hex", lambda count: "0" * 2 * count)
    (tmp_path / f".a.html.{'0' * 16}.part").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ExplorerError, match="File exists"):
        write_atomic(tmp_path / "a.html", "attack")
    assert not (tmp_path / "elsewhere").exists()


def test_files_are_written_together(tmp_path: Path) -> None:
    folder = tmp_path / "reports"
    written = write_together(folder, {"a.html": "a", "b.csv": "b\r\n"})
    assert written == (folder / "a.html", folder / "b.csv")
    assert [file.read_bytes() for file in written] == [b"a", b"b\r\n"]
    assert sorted(folder.iterdir()) == sorted(written)


@pytest.mark.parametrize("number", [0, 1])
def test_of_files_written_together_none_is_left_by_a_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    replace, seen = os.replace, []

    def fail(source: Path, target: Path) -> None:
        seen.append(target)
        if len(seen) > number:
            raise OSError(28, "No space left on device")
        replace(source, target)

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(DiskError):
        write_together(tmp_path, {"a.html": "a", "b.csv": "b"})
    assert list(tmp_path.iterdir()) == []


def test_files_whose_writing_was_killed_are_there_in_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Killed(BaseException):
        pass

    replace, seen = os.replace, []

    def killed(source: Path, target: Path) -> None:
        if seen:
            raise Killed
        seen.append(target)
        replace(source, target)

    with monkeypatch.context() as deadly:
        deadly.setattr(os, "replace", killed)
        with pytest.raises(Killed):
            write_together(tmp_path, {"a.html": "a", "b.csv": "b"})
    assert not (tmp_path / "b.csv").exists()
    finish_together(tmp_path)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["a.html", "b.csv"]
