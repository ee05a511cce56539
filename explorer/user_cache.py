"""Folders in which what was made once is kept for later runs: the user's own, nobody else's."""

from __future__ import annotations

import os
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from explorer.errors import DiskError
from explorer.files import write_atomic

MOST_TEXTS = 16
"""Texts of one kind: of releases and studies that came and went, the oldest are thrown away."""


def user_cache() -> Path:
    """Where this system keeps a user's caches; the folder may not exist, nor be writable."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def _usable(folder: Path) -> bool:
    """Whether a folder can be made and written, and nobody else may put code into it."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        tempfile.TemporaryFile(dir=folder).close()
        about = folder.stat()
    except (OSError, RuntimeError):
        return False
    if os.name != "posix":
        return True
    return about.st_uid == os.getuid() and not about.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def _candidates() -> Iterator[Path]:
    with suppress(RuntimeError):  # nobody's home is known
        yield user_cache()
    who = str(os.getuid()) if os.name == "posix" else "user"
    private = Path(tempfile.gettempdir()) / f"genchain-{who}"
    if _usable(private):  # whoever owns it could put another folder in the place of ours
        yield private


def cache_named(name: str) -> Path | None:
    """This program's folder of a name, made where it is missing; None where none can be written.

    In the user's cache, or among the temporary files, private, where there is no home to write.
    """
    for root in _candidates():
        folder = root / "genchain" / name
        if _usable(folder):
            return folder
    return None


def kept_text(kind: str, key: str) -> str | None:
    """The text that `keep_text` kept of a kind under a key; None for none, or a damaged one."""
    folder = cache_named(kind)
    if folder is None:
        return None
    try:
        digest, _, text = (folder / key).read_bytes().decode().partition("\n")
    except (OSError, UnicodeDecodeError):
        return None
    return text if digest == _digest(text) else None


def keep_text(kind: str, key: str, text: str) -> None:
    """Keep a text for later runs, with its checksum; where that cannot be, nothing is kept.

    Of each kind the `MOST_TEXTS` newest are kept. `key` must be fit for a file's name.
    """
    folder = cache_named(kind)
    if folder is None:
        return
    with suppress(OSError, DiskError):
        write_atomic(folder / key, f"{_digest(text)}\n{text}")
        by_age = sorted(folder.iterdir(), key=lambda file: file.stat().st_mtime, reverse=True)
        for old in by_age[MOST_TEXTS:]:
            old.unlink(missing_ok=True)


def _digest(text: str) -> str:
    return sha256(text.encode()).hexdigest()
