"""What several rooms' tests share."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    """Playwright's driver, one for the whole run; skips when it or a browser is missing."""
    sync_api = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("no chromium is installed")
    with sync_api.sync_playwright() as started:
        yield started


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    """An empty page; fails the test when the page had any error of its own."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(40_000)
    opened = context.new_page()
    faults: list[str] = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on(
        "console", lambda message: faults.append(message.text) if "Content Security Policy" in message.text else None
    )
    yield opened
    context.close()
    assert faults == []
