"""What a command of a second or two does without, so that it takes no longer."""

from __future__ import annotations

import gc
import os

UNUSED = {
    "OPENBLAS_NUM_THREADS": "1",  # threads of linear algebra: they spin while they wait
    "PYDANTIC_DISABLE_PLUGINS": "1",  # to look for some among all installed packages, 0.02 s
}
"""Variables by which libraries are asked to leave something out, unless they are set already."""


def travel_light() -> None:
    """Leave out what a short process has no use for; before anything heavy is imported."""
    for name, value in UNUSED.items():
        os.environ.setdefault(name, value)


def keep_rubbish() -> None:
    """Collect no cycles: a process that computes nothing keeps the few that it makes."""
    gc.disable()
