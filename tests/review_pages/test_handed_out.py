"""What the review pages hand out: the owner's certificate, and parts of long clips."""

from __future__ import annotations

import io
import wave
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pypdf import PdfReader

from capture.bench.resume import new_id
from capture.record.signing import Moment, Signer, procedure_of, sign_job
from tests.review_pages.conftest import REVIEWER, Reviewed, come_in, serving, until
from tests.review_pages.test_served import Reviewer

LONG_S = 240


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reviewed]:
    """A signed job whose last row has a long clip."""
    with pytest.MonkeyPatch.context() as patch, serving(tmp_path_factory.mktemp("handed out")) as found:
        patch.setenv("BENCHWITNESS_KEYS", str(tmp_path_factory.mktemp("keys")))
        at = datetime.now(UTC).isoformat(timespec="milliseconds")
        rows = list(found.record.rows(found.job))
        signer = Signer(REVIEWER, Ed25519PrivateKey.generate())
        sign_job(found.record, found.job, "reviewer", signer, procedure_of(found.record, rows), Moment(at, new_id()))
        clip = found.record.put_media(long_clip(), "clip", "audio/wav")
        body = {"kind": "paused", "status": "accepted", "words": "", "data": {}}
        found.record.append(job=found.job, kind="paused", body=body, at=at, mono=0.0, session=new_id(), media=(clip,))
        yield found


def long_clip() -> bytes:
    """Four minutes of a tone that rises, 16 kHz."""
    stream = io.BytesIO()
    with wave.open(stream, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(16000)
        t = np.arange(LONG_S * 16000) / 16000
        sound.writeframes((9000 * np.sin(2 * np.pi * (200 + t) * t)).astype("<i2").tobytes())
    return stream.getvalue()


@pytest.fixture
def clip(reviewed: Reviewed) -> tuple[str, bytes]:
    """The long clip's address and bytes."""
    digest = reviewed.rows("paused")[0].media[0].sha256
    return f"/review/job/{reviewed.job}/media/{digest}", reviewed.record.read_media(digest)


def test_a_signed_job_offers_its_certificate_as_pdf_and_html(page: Any, reviewed: Reviewed, tmp_path: Path) -> None:
    come_in(page, reviewed)
    saved = {}
    for form in ("PDF", "HTML"):
        with page.expect_download(timeout=60_000) as got:
            page.get_by_role("link", name=form, exact=True).click()
        assert got.value.suggested_filename == f"certificate-{reviewed.job}.{form.lower()}"
        saved[form] = tmp_path / form
        got.value.save_as(saved[form])
    text = " ".join(part.extract_text() for part in PdfReader(saved["PDF"]).pages)
    page.goto(saved["HTML"].as_uri())
    for said in (text, page.locator("body").inner_text()):
        assert "K7-0412" in said
        assert REVIEWER in said
        assert "Not released" in said, "the key is not trusted here, and entries were not decided on"
        assert "the key is unknown here" in " ".join(said.split())


def test_a_job_that_nobody_signed_offers_none(tmp_path: Path) -> None:
    with serving(tmp_path) as unsigned:
        client = Reviewer(unsigned)
        assert "certificate" not in client.html(client.job)
        answer, data = client.ask("GET", f"{client.job}/certificate/html")
        assert answer.status == 200
        assert b"Not released" in data


def test_a_certificate_of_nothing_is_refused(reviewed: Reviewed) -> None:
    client = Reviewer(reviewed)
    for path in (f"{client.job}/certificate/docx", f"/review/job/{'a' * 36}/certificate/pdf"):
        answer, data = client.ask("GET", path)
        assert answer.status == 404, path
        assert b"error" in data


def test_a_verification_counts_only_while_nothing_is_written(
    reviewed: Reviewed, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = import_module("capture.review.pages.certificates")
    asked = []
    monkeypatch.setattr(module, "verify", lambda folder, real=module.verify: asked.append(folder) or real(folder))
    sheets = module.Certificates(reviewed.record)
    sheets.made(reviewed.job, "html")
    sheets.made(reviewed.job, "html")
    assert len(asked) == 1
    reviewed.record.append(
        job=new_id(), kind="note", body={}, at="2031-05-06T09:15:00Z", mono=0.0, session=new_id()
    )  # fmt: skip
    sheets.made(reviewed.job, "html")
    assert len(asked) == 2
    monkeypatch.setattr(module, "_FRESH_S", 0.0)
    sheets.made(reviewed.job, "html")
    assert len(asked) == 3


@pytest.mark.parametrize(
    ("asked", "begin", "end"),
    [
        # RFC 9110, section 14.1.2, the examples: the first 500 bytes, the second 500, the last 500 in two ways.
        # Written from memory of it.
        ("bytes=0-499", 0, 500),
        ("bytes=500-999", 500, 1000),
        ("bytes=-500", -500, None),
        ("bytes=9500-", 9500, None),
        ("bytes=0-", 0, None),
        ("bytes=7-7", 7, 8),
        ("bytes=5-99999999999", 5, None),
        ("bytes=-99999999999", 0, None),
    ],
)
def test_a_part_of_a_clip(reviewed: Reviewed, clip: tuple[str, bytes], asked: str, begin: int, end: int | None) -> None:
    path, whole = clip
    answer, data = Reviewer(reviewed).ask("GET", path, Range=asked)
    assert answer.status == 206
    assert data == whole[begin:end]
    first = begin % len(whole)
    assert answer.headers["content-range"] == f"bytes {first}-{first + len(data) - 1}/{len(whole)}"
    assert answer.headers["content-type"] == "audio/wav"


@pytest.mark.parametrize("asked", ["bytes=0-1,5-6", "bytes=x-", "bytes=-", "lines=1-2", "bytes=1e3-", "bytes=٣-"])
def test_what_is_no_single_part_gets_the_whole(reviewed: Reviewed, clip: tuple[str, bytes], asked: str) -> None:
    path, whole = clip
    answer, data = Reviewer(reviewed).ask("GET", path, Range=asked.encode().decode("latin-1"))
    assert (answer.status, data == whole) == (200, True)
    assert answer.headers["accept-ranges"] == "bytes"


def test_a_part_of_something_else_gets_the_whole_and_one_beyond_the_end_nothing(
    reviewed: Reviewed, clip: tuple[str, bytes]
) -> None:
    path, whole = clip
    client = Reviewer(reviewed)
    answer, _ = client.ask("GET", path)
    tag = answer.headers["etag"]
    answer, data = client.ask("GET", path, Range="bytes=0-9", If_Range=tag)
    assert (answer.status, data) == (206, whole[:10])
    answer, data = client.ask("GET", path, Range="bytes=0-9", If_Range='"another"')
    assert (answer.status, len(data)) == (200, len(whole))
    for asked in (f"bytes={len(whole)}-", "bytes=-0", "bytes=9-3"):
        answer, data = client.ask("GET", path, Range=asked)
        assert (answer.status, data) == (416, b""), asked
        assert answer.headers["content-range"] == f"bytes */{len(whole)}"


def test_a_browser_looks_for_a_place_in_a_long_clip(page: Any, reviewed: Reviewed, clip: tuple[str, bytes]) -> None:
    """Only the beginning has come when the place near the end is asked for, so it must come as a part of its own."""
    come_in(page, reviewed)
    seen: list[tuple[int, str]] = []
    page.on(
        "response",
        lambda answer: (
            answer.url.endswith(clip[0]) and seen.append((answer.status, answer.headers.get("content-range", "")))
        ),
    )
    page.evaluate(
        """(address) => { window.clip = new Audio(); clip.preload = "metadata"; clip.src = address;
        clip.onloadedmetadata = () => { clip.currentTime = 230; }; clip.onseeked = () => { clip.there = true; }; }""",
        clip[0],
    )
    until(page, "window.clip.there === true")
    assert page.evaluate("clip.currentTime") == 230
    assert page.evaluate("clip.duration") == LONG_S
    assert page.evaluate("clip.seekable.end(0)") == LONG_S
    assert {status for status, _ in seen} == {206}
    starts = [int(range_.split()[1].split("-")[0]) for _, range_ in seen]
    assert max(starts) > 200 * 32000, seen
