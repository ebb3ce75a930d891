"""What a reviewer queried or rejected comes back on the bench page, and is missing until it is taken anew."""

from __future__ import annotations

from typing import Any

from capture.record import verify
from tests.live.test_page import say, shows
from tests.review_pages.conftest import Reviewed, come_in, press, says_who


def test_a_rejected_entry_is_taken_anew(page: Any, reviewed: Reviewed) -> None:
    come_in(page, reviewed)
    says_who(page)
    effort, leak = reviewed.value("opening_effort"), reviewed.value("leak", "check")
    for row, key, words in (
        (leak, "r", "a hiss is heard behind the words"),
        (effort, "q", "one point two or ten point two?"),
    ):
        page.locator(f"#e-{row.seq}").click()
        press(page, key)
        page.keyboard.type(words)
        press(page, "Enter", "decide")
    press(page, "b")
    page.keyboard.type("two entries are not clear")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "not finished" in page.locator("#top").inner_text()

    page.goto(reviewed.url("/"))
    shows(page, "#jobs", "2 came back from review")
    page.get_by_role("button", name="Go on with owner's tag 7").click()
    shows(page, "#returned-title", "From the reviewer: 2")
    shows(page, "#reviewed", "a hiss is heard behind the words")
    shows(page, "#reviewed", "Opening effort 1.2 inH")
    say(page, "stage as received")
    shows(page, "#missing", "Leaks under pressure was rejected by the reviewer")
    shows(page, "#missing", "Opening effort was queried by the reviewer")
    say(page, "leaks none")
    shows(page, "#returned-title", "From the reviewer")
    page.locator("#reviewed").filter(has_not_text="hiss").wait_for()
    page.locator("#reviewed").get_by_role("button", name="“confirm opening effort”").click()
    page.locator("#returned").wait_for(state="hidden")
    shows(page, "#stage-count", "0 missing")
    assert verify(reviewed.record.folder).ok


def test_a_live_job_hears_of_its_review_at_once(page: Any, reviewed: Reviewed) -> None:
    reviewed.desk.reopen(reviewed.job, "Ines Falk", "one more look")
    come_in(page, reviewed, "/")
    page.locator("#bench").wait_for()
    bench = page
    pages = page.context.new_page()
    pages.goto(reviewed.url())
    says_who(pages)
    leak = reviewed.value("leak", "check")
    pages.locator(f"#e-{leak.seq}").click()
    press(pages, "r")
    pages.keyboard.type("say it louder")
    press(pages, "Enter", "decide")
    shows(bench, "#reviewed", "say it louder")
    assert "Milo Brandt" in bench.locator("#reviewed").inner_text()
    reviewed.desk.finish()


def test_a_signature_makes_later_corrections_warn(reviewed: Reviewed) -> None:
    from datetime import datetime

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from capture.procedure import find, load_procedure
    from capture.record.signing import Moment, Signer, sign_job
    from capture.record.times import format_time

    procedure = load_procedure(find("lever_valve"))
    signer = Signer("Milo Brandt", Ed25519PrivateKey.generate())
    moment = Moment(format_time(datetime.now().astimezone()), "review")
    sign_job(reviewed.record, reviewed.job, "reviewer", signer, procedure, moment)
    reviewed.desk.reopen(reviewed.job, "Ines Falk", "the height was read again")
    entries = reviewed.desk.live.typed("correction lever height 2.2 mm")
    warnings = {warning.id: warning for one in entries for warning in one.entry.warnings}
    assert "(Reviewer)" in warnings["corrected_after_sign_off"].sentence
    reviewed.desk.finish()
