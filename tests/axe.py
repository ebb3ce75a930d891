"""axe-core, the accessibility rules that every page is held to; the package ``axe-playwright-python`` carries it."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def assert_accessible(page: Any, where: str, *, passes: int = 10) -> None:
    """Fail when axe finds a violation on the page as it is now.

    Args:
        page: a playwright page.
        where: named when it fails.
        passes: at least so many rules must have had something to look at, so that an empty page does not pass.
    """
    page.evaluate(files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8"))
    found = page.evaluate("rules => axe.run(document, {runOnly: rules})", RULES)
    wrong = [
        (one["id"], node["html"][:160], node["failureSummary"][:200])
        for one in found["violations"]
        for node in one["nodes"]
    ]
    assert not wrong, (where, wrong)
    assert len(found["passes"]) >= passes, where
