"""Where results that can be had again are kept between runs: a user's folder for caches."""

from __future__ import annotations

import os
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path


def user_cache() -> Path:
    """Where this system keeps a user's caches; the folder may not exist, nor be writable."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def _usable(folder: Path) -> bool:
    """Whether a folder can be made and written, and nobody else may put anything into it."""
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


def folder_of(name: str) -> Path | None:
    """A folder of ours by name, made if need be; None where none can be written.

    In the user's cache, or a private one among the temporary files where there is no home to write.
    """
    for root in _candidates():
        folder = root / "genchain" / name
        if _usable(folder):
            return folder
    return None
