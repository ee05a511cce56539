"""Writing a file, or a new folder of files, whole or not at all."""

from __future__ import annotations

import os
import secrets
import shutil
import stat
from collections.abc import Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path

from explorer.errors import DiskError

OUTSIDE = "is a link that leads outside the study's folder"


def leads_outside(path: Path, folder: Path) -> bool:
    """Whether a file lies outside a folder once links are followed, also those of a circle."""
    return not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))


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
    except OSError as error:
        raise DiskError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    return target


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


def _beside(target: Path) -> Path:
    """A name in the same folder that nobody can guess."""
    return target.with_name(f".{target.name[:80]}.{secrets.token_hex(8)}.part")
