"""How the review pages look and can be used: axe-core in every state, sizes, no script errors, grey, print."""

from __future__ import annotations

from typing import Any

import pytest

from tests.axe import assert_accessible
from tests.review_pages.conftest import Reviewed, come_in, press, says_who, until


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(page: Any, reviewed: Reviewed, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    come_in(page, reviewed, "/review")
    assert_accessible(page, "jobs")
    for asked in ("what=gauge&q=PG14", "what=drift&field=lever_height&q=K7-0412", "what=near&within=x"):
        page.goto(reviewed.url(f"/review/find?{asked}"))
        assert_accessible(page, asked)
    page.goto(reviewed.url())
    assert_accessible(page, "job")
    page.keyboard.press("n")
    page.keyboard.press("a")
    until(page, "!document.getElementById('trouble').hidden")
    assert_accessible(page, "nobody is named")
    says_who(page)
    for key, dialog in (("q", "ask"), ("c", "ask"), ("g", "signing"), ("b", "ask"), ("?", "keys")):
        press(page, key)
        assert page.locator(f"#{dialog}").is_visible()
        assert_accessible(page, f"key {key}")
        press(page, "Escape")
    press(page, "q")
    page.keyboard.type("fifteen or fifty?")
    press(page, "Enter", "decide")
    page.keyboard.press("a")
    page.locator(".unit.accepted").first.wait_for()
    photo = next(row for row in reviewed.rows("reading") if row.body["data"].get("via") == "photo")
    page.locator(f"#e-{photo.seq}").click()
    for key, dialog in (("e", "measuring"), ("z", "big")):
        press(page, key)
        until(page, "document.querySelector('dialog[open] img').naturalWidth > 0")
        assert_accessible(page, dialog)
        press(page, "Escape")
    page.set_viewport_size({"width": 390, "height": 844})
    assert_accessible(page, "on a phone")


@pytest.mark.parametrize("width", [320, 390, 820, 1280, 1920])
def test_nothing_sticks_out_sideways(page: Any, reviewed: Reviewed, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 844})
    come_in(page, reviewed, "/review")
    for path in ("/review", "/review/find?what=gauge&q=PG14", ""):
        page.goto(reviewed.url(path))
        page.keyboard.press("n")
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), path
    small = page.evaluate(
        """[...document.querySelectorAll('button, select, input:not([type=checkbox])')].filter((e) => e.offsetParent)
        .map((e) => [e.textContent, e.offsetWidth, e.offsetHeight]).filter(([, w, h]) => w < 24 || h < 24)"""
    )
    assert small == [], "WCAG 2.2, 2.5.8: targets of 24 by 24 pixels at least"


def test_the_current_entry_is_always_in_sight(page: Any, reviewed: Reviewed) -> None:
    """WCAG 2.2, 2.4.11: what has the focus is not hidden behind the bar that stays at the top."""
    come_in(page, reviewed)
    for _ in range(18):
        page.keyboard.press("j")
        seen = page.evaluate(
            """() => {
              const unit = document.querySelector('.unit.current').getBoundingClientRect();
              const bar = document.getElementById('bar').getBoundingClientRect();
              return document.activeElement.matches('.unit.current')
                && unit.bottom > bar.bottom + 20 && unit.top < innerHeight - 20;
            }"""
        )
        assert seen


def test_charts_tell_apart_without_colour_and_say_their_numbers(page: Any, reviewed: Reviewed) -> None:
    come_in(page, reviewed)
    charts = page.locator(".chart svg")
    assert charts.count() >= 2
    told = " ".join(charts.nth(n).get_attribute("aria-label") for n in range(charts.count()))
    assert "Assembled, no pressure" in told
    assert "3.02\u00a0mm" in told
    heights = page.locator(".chart", has_text="Lever height")
    assert heights.locator("circle").count() == 2
    assert heights.locator("polygon").count() == 1, "the photographed value is a diamond, the spoken ones are circles"
    assert heights.locator("line.chart-limit").count() == 4


def test_it_reads_without_script_and_on_paper(browser: Any, reviewed: Reviewed) -> None:
    context = browser.new_context()
    page = context.new_page()
    come_in(page, reviewed)
    page.emulate_media(media="print")
    assert page.locator("#timeline .unit").first.is_visible()
    assert not page.locator("#bar").is_visible()
    state = context.storage_state()
    context.close()
    plain = browser.new_context(java_script_enabled=False, storage_state=state)
    page = plain.new_page()
    page.goto(reviewed.url())
    assert "K7-0412" in page.locator("h1").inner_text()
    assert page.locator("#timeline .unit").count() > 12
    plain.close()
