"""A headless Chromium for the tests of the page; a module of tests says which page by `address`."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from explorer.commands.launch import launch_study
from tests.conftest import DEMO
from tests.helpers.browser import ARGUMENTS, Open, found_browser, needed


@pytest.fixture(scope="session")
def household(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the second shipped study."""
    home = tmp_path_factory.mktemp("household")
    shutil.copy(DEMO.parent / "household.toml", home)
    shutil.copytree(DEMO.parent / "household_parts", home / "household_parts")
    return home / "household.toml"


@pytest.fixture(scope="session")
def household_launched(household: Path) -> dict[str, Any]:
    """What its launch says; its page is written."""
    return launch_study(household)


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
        height: int = 900,
        ready: str = "plots",
        at: str = address,
        **options: Any,
    ) -> Any:
        context = chromium.new_context(viewport={"width": width, "height": height}, **options)
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
