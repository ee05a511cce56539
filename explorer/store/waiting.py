"""Waiting for another process that writes to a store: a word is said, and Ctrl-C ends it."""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

WAIT_S = 30.0
"""How long one process waits for another that is writing."""
WORD_AFTER_S = 1.0
"""A wait that is longer than this is named."""
POLL_S = 0.05
ATTEMPT_S = 0.5
"""How long SQLite waits by itself, in which no signal is seen to."""

Found = TypeVar("Found")


def patiently(path: Path, attempt: Callable[[], Found]) -> Found:
    """What an attempt at a store gives, made again for up to `WAIT_S` while another process writes.

    Raises what the attempt raises, the last one where the time is over.
    """
    begun: float | None = None
    said = False
    while True:
        try:
            return attempt()
        except sqlite3.OperationalError as error:
            now = time.monotonic()
            begun = now if begun is None else begun
            waited_s = now - begun
            if "locked" not in str(error) or waited_s > WAIT_S:
                raise
        if not said and waited_s > WORD_AFTER_S:
            said = True
            words = "%s: another run is writing to it; waiting for it, %g s at the most"
            logging.getLogger(__name__).warning(words, path, WAIT_S)
        time.sleep(POLL_S)
