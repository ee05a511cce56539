"""Opens a page in the reader's browser."""

from __future__ import annotations

import os
import sys
import webbrowser
from pathlib import Path

from explorer.errors import ExplorerError


def show_page(page: str) -> None:
    """Open a page in the reader's browser, the one that BROWSER names if it names one.

    What the browser prints goes to standard error. ExplorerError where none can be started.
    """
    sys.stdout.flush()
    ours = os.dup(1)
    os.dup2(2, 1)
    try:
        started = webbrowser.open(Path(page).resolve().as_uri())
    finally:
        os.dup2(ours, 1)
        os.close(ours)
    if not started:
        raise ExplorerError(f"{page}: is written, but no browser could be started to show it")
