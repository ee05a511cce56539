"""A new file of a store, made beside its place and put there as a whole or not at all."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from explorer.errors import DiskError


@contextmanager
def new_beside(path: Path) -> Iterator[Path]:
    """A name that nobody can guess in the folder of `path`, for a file that is put in its place.

    What still has that name at the end is taken away. DiskError, which names `path`, where the file
    cannot be made or put in place.
    """
    new = path.with_name(f".{path.name[:80]}.{secrets.token_hex(8)}.part")
    try:
        yield new
    except DiskError as error:
        raise DiskError(str(error).replace(str(new), str(path))) from error
    except OSError as error:
        raise DiskError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        with suppress(OSError):  # a folder that cannot be written refuses that, too
            new.unlink(missing_ok=True)


def put_in_place(new: Path, path: Path) -> None:
    """Give a new file its name unless there is one of this name by now; OSError."""
    try:
        os.link(new, path)
    except FileExistsError:
        return
    except OSError:  # a file system without links
        if not path.exists():
            os.rename(new, path)


def take_place(new: Path, path: Path) -> None:
    """Put a new file in the place of an old one, whose permissions it takes over; OSError."""
    shutil.copymode(path, new)
    os.replace(new, path)
