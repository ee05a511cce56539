"""A headless Chromium for what looks at pages: its name, its arguments, and waiting for it."""

from __future__ import annotations

import importlib
import os
import shutil
from collections.abc import Callable
from typing import Any

import pytest

# Nothing of the browser's own may go to the network, so that every request seen is the page's.
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


Open = Callable[..., Any]


def needed(module: str) -> Any:
    """A module of the test extra: skips without it, but fails where CI is set."""
    if os.environ.get("CI"):
        return importlib.import_module(module)
    return pytest.importorskip(module)


def found_browser() -> str | None:
    """Where the browser is, None where there is none."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


def unfold(tab: Any) -> Any:
    """Opens all that is folded on a page, as a reader would one by one."""
    tab.evaluate(
        """() => new Promise(done => {
        for (const one of document.querySelectorAll("details")) one.open = true;
        let k = 10;
        const next = () => k-- ? requestAnimationFrame(next) : done(); next(); })"""
    )
    return tab


def wait_for(tab: Any, expression: str) -> None:
    """Until it holds. The driver's own waiting evaluates text, which the page's policy refuses."""
    for _ in range(200):
        if tab.evaluate(expression):
            return
        tab.wait_for_timeout(50)
    raise AssertionError(f"never true: {expression}")
