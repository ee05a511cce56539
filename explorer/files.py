"""Writing a file, or a new folder of files, whole or not at all."""

from __future__ import annotations

import errno
import logging
import os
import secrets
import shutil
import stat
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

from explorer.errors import DiskError

READY = ".ready"
"""End of the name of a folder whose files only have to be moved."""
WAIT_POLL_S = 0.2
BEYOND_ANY_FILE = 2**30
"""A byte that Windows locks, which keeps nobody from reading those that are there."""
OUTSIDE = "is a link that leads outside the study's folder"
NOWHERE = "is a link that leads nowhere"


def leads_outside(path: Path, folder: Path) -> bool:
    """Whether a file lies outside a folder once links are followed, also those of a circle."""
    return not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))


def leads_nowhere(path: Path) -> bool:
    """Whether there is a link at a path, but nothing that it leads to: that is not no file."""
    return path.is_symlink() and not path.exists()


def is_there(path: Path) -> bool:
    """Whether there is a file, a folder or a link at a path, one that leads nowhere, too. False
    where nobody may look, or for a name that no file can have: reading or writing says which.
    """
    return os.path.lexists(path)


def write_atomic(path: str | Path, content: str | bytes) -> Path:
    """Write `content` to `path` (text as UTF-8) by way of a temporary file beside it; return it.

    The file has the permissions of the one in its place, a new one those of the user's umask. A
    reader sees the old file or the new one, never a part. Missing folders are made, a link is
    followed. Raises DiskError (no permission, disk full, ...) and then leaves nothing behind.
    """
    content = content.encode() if isinstance(content, str) else content
    target = Path(os.path.realpath(path))
    # Not tempfile: its files are private to the owner, a report is as readable as any other file.
    temporary = _beside(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        before = stat.S_IMODE(target.stat().st_mode) if target.exists() else None
        with open(temporary, "xb", opener=partial(os.open, mode=before or 0o666)) as stream:
            if before is not None and os.name == "posix":  # whatever the umask is today
                os.fchmod(stream.fileno(), before)
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, target)
        _make_durable(target.parent)
    except OSError as error:
        raise DiskError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    return target


def _make_durable(folder: Path) -> None:
    """See to it that a file's new name outlasts a power cut, where the system can."""
    if os.name != "posix":
        return
    with suppress(OSError):  # not every file system does
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_folder(path: str | Path, files: Mapping[str, str]) -> Path:
    """Make a new folder with some files (name inside it -> text, as UTF-8); return it.

    It is written beside its place and then renamed, so that it is there as a whole or not at all.
    Raises DiskError, also where something stands at its place, and then leaves nothing behind.
    """
    target = Path(os.path.realpath(path))
    temporary = _beside(target)
    try:
        temporary.parent.mkdir(parents=True, exist_ok=True)
        temporary.mkdir()
        for name, text in files.items():
            file = temporary / name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(text, encoding="utf-8", newline="\n")
        os.rename(temporary, target)
    except OSError as error:
        raise DiskError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    return target


def write_together(folder: str | Path, files: Mapping[str, str]) -> tuple[Path, ...]:
    """Write some files (name -> text, as UTF-8) into a folder, all or none; their paths.

    They are written beside it and then moved in. Where a process is killed between two of them,
    `finish_together` moves the others. Raises DiskError and then leaves nothing behind.
    """
    target = Path(os.path.realpath(folder))
    ready = target / f".{secrets.token_hex(8)}{READY}"
    write_folder(ready, files)
    moved = tuple(Path(folder) / name for name in files)
    try:
        _move_in(ready)
    except OSError as error:
        for file in moved:
            with suppress(OSError):
                file.unlink(missing_ok=True)
        shutil.rmtree(ready, ignore_errors=True)
        raise DiskError(f"{folder}: cannot be written: {error.strerror or error}") from error
    return moved


def finish_together(folder: str | Path) -> None:
    """End what a `write_together` had begun that was killed; DiskError."""
    for ready in Path(folder).glob(f".*{READY}"):
        try:
            _move_in(ready)
        except OSError as error:
            raise DiskError(f"{folder}: cannot be written: {error.strerror or error}") from error


def _move_in(ready: Path) -> None:
    """Move the files of a folder into the one around it."""
    with suppress(FileNotFoundError):  # another process may do the same
        for file in sorted(ready.iterdir()):
            with suppress(FileNotFoundError):
                os.replace(file, ready.parent / file.name)
        ready.rmdir()


def _nothing(my_turn: Callable[[], bool]) -> None:
    """Only wait."""


@contextmanager
def one_at_a_time(
    path: str | Path, words: str, meanwhile: Callable[[Callable[[], bool]], None] = _nothing
) -> Iterator[None]:
    """Within it no other process is within it for the same file; one that has to wait says
    `words`, as a warning. Nothing is written; the system lets go when the process ends.

    `meanwhile` is called again and again while it waits, with a function that says whether its turn
    has come by now.

    DiskError where the file cannot be opened. Where its file system knows no such locks, nobody
    waits.
    """
    try:
        stream = open(path, "rb")  # noqa: SIM115 (closed below)
    except OSError as error:
        raise DiskError(f"{path}: cannot be read: {error.strerror or error}") from error
    with stream:
        mine = said = False

        def my_turn() -> bool:
            nonlocal mine
            mine = mine or _taken(stream.fileno())
            return mine

        while not my_turn():
            if not said:
                said = True
                logging.getLogger(__name__).warning("%s", words)
            meanwhile(my_turn)
            time.sleep(0 if mine else WAIT_POLL_S)
        yield


def _taken(handle: int) -> bool:
    """Take the lock of an open file if nobody has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(handle, BEYOND_ANY_FILE, os.SEEK_SET)
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
    return True


def _beside(target: Path) -> Path:
    """A name in the same folder that nobody can guess."""
    return target.with_name(f".{target.name[:80]}.{secrets.token_hex(8)}.part")
