"""Writing a file whole or not at all."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path

from explorer.errors import DiskError


def write_atomic(path: str | Path, content: str | bytes) -> Path:
    """Write `content` to `path` (text as UTF-8) by way of a temporary file beside it; return it.

    A reader sees the old file or the new one, never a part. Missing folders are made, a link is
    followed. Raises DiskError (no permission, disk full, ...) and then leaves nothing behind.
    """
    content = content.encode() if isinstance(content, str) else content
    target = Path(os.path.realpath(path))
    # Not tempfile: its files are private to the owner, a report is as readable as any other file.
    temporary = target.with_name(f".{target.name[:80]}.{secrets.token_hex(4)}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with temporary.open("xb") as stream:
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
