"""Standard output and error that are missing, full, or read by nobody any more."""

from __future__ import annotations

import errno
import os
import sys
from io import TextIOWrapper

from explorer.errors import DiskError

NO_ROOM = (errno.ENOSPC, errno.EFBIG, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC))


def make_usable() -> None:
    """Words that nobody can see go nowhere, and what a terminal's code page lacks is shown as an
    escape: neither is a failure.
    """
    for name in ("stdin", "stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started the program
            stream = open(os.devnull, "r" if name == "stdin" else "w")  # noqa: SIM115 (it stays)
            setattr(sys, name, stream)
    for shown in (sys.stdout, sys.stderr):
        if isinstance(shown, TextIOWrapper):
            shown.reconfigure(errors="backslashreplace")


def let_go() -> None:
    """Drop what could not be written, so that the interpreter's end does not try again."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    except (OSError, ValueError):  # a stream that is no file
        return


def fault_of_output(error: OSError) -> DiskError | None:
    """What to say of an error that stands for a full standard output; None for any other."""
    if error.filename is not None or error.errno not in NO_ROOM:
        return None
    return DiskError(f"standard output: cannot be written: {error.strerror}")
