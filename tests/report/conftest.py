"""A headless Chromium for the tests of the page; a module of tests says which page by `address`."""

from __future__ import annotations

import importlib
import os
import shutil
from collections.abc import Callable, Iterator
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


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The browser; without one the tests are skipped, but fail where CI is set."""
    path = found_browser()
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium found, and CI is set")
        pytest.skip("no Chromium found")
    playwright = needed("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def visit(chromium: Any, address: str) -> Iterator[Open]:
    """Opens the page; at the end, no error was told and nothing was asked of the network."""
    told: list[str] = []
    contexts = []

    def opened(
        fragment: str = "",
        *,
        width: int = 1280,
        ready: str = "plots",
        at: str = address,
        **options: Any,
    ) -> Any:
        context = chromium.new_context(viewport={"width": width, "height": 900}, **options)
        contexts.append(context)
        tab = context.new_page()
        tab.on("pageerror", lambda error: told.append(str(error)))
        tab.on(
            "console",
            lambda m: told.append(m.text) if m.type in ("error", "warning") else None,
        )
        tab.on(
            "request",
            lambda r: (
                told.append(r.url) if not r.url.startswith(("file:", "data:", "blob:")) else None
            ),
        )
        tab.goto(at + fragment)
        if ready:
            tab.wait_for_selector(f"html[data-ready={ready}]", timeout=20_000)
        return tab

    yield opened
    for context in contexts:
        context.close()
    assert told == []


def wait_for(tab: Any, expression: str) -> None:
    """Until it holds. The driver's own waiting evaluates text, which the page's policy refuses."""
    for _ in range(200):
        if tab.evaluate(expression):
            return
        tab.wait_for_timeout(50)
    raise AssertionError(f"never true: {expression}")
