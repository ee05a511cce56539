"""A headless Chromium for the tests of the page."""

from __future__ import annotations

import importlib
import os
import shutil
from collections.abc import Iterator
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


def needed(module: str) -> Any:
    """A module of the test extra: skips without it, but fails where CI is set."""
    if os.environ.get("CI"):
        return importlib.import_module(module)
    return pytest.importorskip(module)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The browser; without one the tests are skipped, but fail where CI is set."""
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium found, and CI is set")
        pytest.skip("no Chromium found")
    playwright = needed("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()
