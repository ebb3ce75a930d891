"""A whole review in a real browser, with keys alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from capture.bench.resume import load_job
from capture.judge import JobView
from capture.record import verify
from capture.record.keys import VARIABLE, new_key
from tests.review_pages.conftest import PASSPHRASE, REVIEWER, TECHNICIAN, Reviewed, come_in, press, says_who, until

CURRENT = "document.querySelector('.unit.current')"


def current(page: Any) -> str:
    """What the current entry is called, without the number of its row."""
    label = str(page.evaluate(f"{CURRENT}?.getAttribute('aria-label') ?? ''")).replace("\u00a0", " ")
    return label.rsplit(", row ", 1)[0]


def go_to(page: Any, label: str) -> None:
    """Down the entries, key by key."""
    for _ in range(60):
        if label in current(page):
            return
        page.keyboard.press("j")
    pytest.fail(f"never reached {label}")


def test_a_whole_review(page: Any, reviewed: Reviewed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "keys"))
    new_key(tmp_path / "keys", REVIEWER, PASSPHRASE)
    come_in(page, reviewed, "/review?only=all")
    page.keyboard.press("j")
    page.keyboard.press("Enter")
    page.locator("#timeline").wait_for()
    assert "K7-0412" in page.locator("h1").inner_text()
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "person":
            break
    page.keyboard.type(REVIEWER)
    with page.expect_response("**/review/who"):
        page.keyboard.press("Enter")
    until(page, "document.activeElement.id !== 'person'")

    page.keyboard.press("n")
    assert current(page) == "Supply pressure 152 psi", "confirmed, and out of limits: the first to look at"
    until(page, "!document.getElementById('player').paused")
    said = page.evaluate(f"{CURRENT}.closest('.part').querySelector('.earlier blockquote').textContent")
    assert said == "“supply pressure one five two p s i”", "what was confirmed is heard, not the word confirm"
    page.keyboard.press("Space")
    until(page, "document.getElementById('player').paused")
    press(page, "a", "decide")
    assert current(page) == "Opening effort 1.2 inH₂O", "on to the next"

    press(page, "q")
    page.keyboard.type("was it one point two or one point eight?")
    press(page, "Enter", "decide")
    go_to(page, "Leaks under pressure none")
    press(page, "r")
    press(page, "Enter")
    assert "Say why" in page.locator("#ask-trouble").inner_text()
    page.keyboard.type("a hiss is heard behind the words")
    press(page, "Enter", "decide")
    go_to(page, "Lever height above rim 2.1 mm")
    press(page, "c")
    page.keyboard.press("End")
    line = page.locator("#ask-line").input_value()
    assert line == "lever height 2.1 mm"
    page.locator("#ask-line").press("Control+A")
    page.keyboard.type("lever height 2.2 mm")
    page.keyboard.press("Tab")
    page.keyboard.type("two point two is said")
    press(page, "Enter", "correct")
    assert current(page) == "Lever height above rim 2.2 mm"
    card = page.locator(".card:has(.current)").inner_text()
    assert "2.1\u00a0mm" in card
    assert "two point two is said" in card
    press(page, "m")
    page.keyboard.type("the gauge was read twice")
    press(page, "Enter", "decide")
    press(page, "u", "take-back")
    assert current(page) == "Lever height above rim 2.1 mm"
    press(page, "g")
    assert "not been decided" in page.locator("#unsettled").inner_text()
    page.keyboard.type("not the passphrase")
    press(page, "Enter", "sign")
    assert "passphrase is wrong" in page.locator("#signing-trouble").inner_text()
    page.locator("#passphrase").press("Control+A")
    page.keyboard.type(PASSPHRASE)
    press(page, "Enter", "sign")
    page.locator(".signed").wait_for()
    assert REVIEWER in page.locator(".signed").inner_text()

    done = [(row.body["data"]["decision"], row.body["subject"]) for row in reviewed.rows("reviewed")]
    assert done == [
        ("accepted", "supply_pressure"),
        ("queried", "opening_effort"),
        ("rejected", "leak"),
        ("commented", "lever_height"),
    ]
    values = [row.body["data"]["value"] for row in reviewed.rows("reading") if row.body["subject"] == "lever_height"]
    assert values[-3:] == ["2.1", "2.2", "2.1"], "what was said, the correction, and its taking back, all on record"
    found = verify(reviewed.record.folder)
    assert found.ok
    assert [(one.person, one.role, one.holds) for one in found.signatures] == [(REVIEWER, "reviewer", True)]
    view = JobView.of(
        load_job(reviewed.record, reviewed.job).recorded, load_job(reviewed.record, reviewed.job).procedure
    )
    assert [held.entry.subject for held in view.returned] == ["opening_effort", "leak"]


def test_undo_and_the_keys_overlay_and_single_letters_off(page: Any, reviewed: Reviewed) -> None:
    come_in(page, reviewed)
    says_who(page)
    page.keyboard.press("n")
    press(page, "a", "decide")
    page.keyboard.press("k")
    assert page.evaluate(f"{CURRENT}.classList.contains('accepted')")
    press(page, "u", "take-back")
    assert page.evaluate(f"{CURRENT}.hasAttribute('data-undecided')")
    assert [row.body["data"]["decision"] for row in reviewed.rows("reviewed")] == ["accepted", "taken_back"]
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    assert page.locator("#key-list kbd").count() > 15
    page.locator("#single").focus()
    page.keyboard.press("Space")
    page.keyboard.press("Escape")
    page.keyboard.press("a")
    page.keyboard.press("ArrowDown")
    assert len(reviewed.rows("reviewed")) == 2, "with single-letter keys off, a did nothing"
    assert verify(reviewed.record.folder).ok


def test_the_technician_cannot_review_their_own_job(page: Any, reviewed: Reviewed) -> None:
    come_in(page, reviewed)
    says_who(page, TECHNICIAN.upper())
    page.keyboard.press("n")
    press(page, "a", "decide")
    assert "different persons" in page.locator("#trouble").inner_text()
    says_who(page, "")
    page.keyboard.press("a")
    assert "name" in page.locator("#trouble").inner_text()
    assert reviewed.rows("reviewed") == []
