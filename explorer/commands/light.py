"""What a command that computes nothing does without, so that it is done in a second."""

from __future__ import annotations

import gc
import os

UNUSED = {
    "OPENBLAS_NUM_THREADS": "1",  # threads of linear algebra: to start them takes 0.1 s
    "PYDANTIC_DISABLE_PLUGINS": "1",  # to look for some among all installed packages, 0.02 s
}
"""Variables by which libraries are asked to leave something out, unless they are set already."""


def travel_light() -> None:
    """Leave out what a short process has no use for; before anything heavy is imported.

    Without the collector of cycles a process keeps those few that it makes until it ends.
    """
    for name, value in UNUSED.items():
        os.environ.setdefault(name, value)
    gc.disable()
