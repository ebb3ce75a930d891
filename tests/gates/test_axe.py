"""axe-core on every page that is served beside the bench's own, and on what is written to be handed out.

The bench page's own states are in ``tests/live/test_page.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from capture.bench.session import Looked
from capture.judge.entry import PhotoResult
from capture.record import Record
from capture.review.certificate import Checked, certify
from capture.review.certificate_file import written
from capture.review.report import make_report
from tests.axe import assert_accessible
from tests.gates.conftest import Gated
from tests.gates.test_phone import PHONE, code_on, open_bench, tip
from tests.keeping.good_job import TRUST, good_job
from tests.live.test_page import shows
from tests.review_pages.conftest import finished_job

Start = Callable[..., Gated]


@pytest.fixture(params=["light", "dark"])
def scheme(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def phone(browser: Any, gated: Start, scheme: str) -> Any:
    context = browser.new_context(
        viewport=PHONE, ignore_https_errors=True, color_scheme=scheme, reduced_motion="reduce"
    )
    context.set_default_timeout(40_000)
    yield context.new_page()
    context.close()


def test_the_entrances(phone: Any, gated: Start) -> None:
    bench = gated(plain=True)
    phone.goto(bench.server.origin)
    assert_accessible(phone, "enter")
    phone.goto(bench.lan.origin)
    phone.get_by_label("Name").fill("Rhea Okoro")
    phone.get_by_label("Passphrase").fill("not the right one")
    phone.get_by_role("button", name="Log in").click()
    shows(phone, "#told", "do not belong together")
    assert_accessible(phone, "login refused")
    phone.goto(f"{bench.lan.origin}/phone")
    assert_accessible(phone, "not paired")


def test_the_phone_and_the_panel_that_pairs_it(page: Any, phone: Any, gated: Start, scheme: str) -> None:
    bench = gated()
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    open_bench(page, bench)
    address = code_on(page)
    assert_accessible(page, "the code is shown", passes=16)
    phone.goto(address)
    phone.locator("#take").wait_for()
    assert_accessible(phone, "take")
    shows(page, "#paired", "paired since")
    assert_accessible(page, "a phone is paired", passes=16)
    phone.locator("#picture").set_input_files(tip())
    shows(phone, "#value", "3.02 mm")
    assert_accessible(phone, "measured")
    refused = PhotoResult("lever_side", "refused", reason="blurred", sentence="The picture is blurred. Take it again.")
    bench.served.bench.desk.live.session._measurer = lambda data, view, **_: Looked(refused, None)
    phone.locator("#other").click()
    phone.locator("#picture").set_input_files(tip())
    shows(phone, "#value", "blurred")
    assert_accessible(phone, "refused")
    phone.context.set_offline(True)
    phone.locator("#other").click()
    phone.locator("#picture").set_input_files(tip())
    phone.locator("#again").wait_for()
    assert_accessible(phone, "not sent")


def test_the_review_pages(page: Any, gated: Start, scheme: str) -> None:
    bench = gated()
    job = finished_job(bench.served.bench.record)
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    page.goto(bench.server.address)
    page.locator("#start").wait_for()
    for path in (
        "/review",
        f"/review/job/{job}",
        "/review/find",
        "/review/find?kind=lot&what=B2207",
        "/review/job/nothing",
    ):
        page.goto(bench.server.origin + path)
        assert_accessible(page, path)


def test_the_report_and_the_certificate(page: Any, tmp_path: Path, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)
    with Record.create(tmp_path / "record") as record:
        writer = good_job(record)
        job = next(iter(record.jobs())).job
        made = {"report.html": make_report(record, job).html.encode()}
        from capture.record import verify

        found = verify(record.folder)
        made["certificate.html"] = written(
            certify(record, job, Checked.of(found, "2026-11-25T12:00:00Z"), TRUST, "2026-11-25T12:00:00Z"), ".html"
        )
    assert writer is not None
    for name, content in made.items():
        (tmp_path / name).write_bytes(content)
        page.goto((tmp_path / name).as_uri())
        assert_accessible(page, name)
