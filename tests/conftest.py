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
