"""A served bench with one finished job in its record, real clips and a picture, and a browser to review it with."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from capture.bench.live_desk import Desk, Settings
from capture.bench.page.hub import Hub
from capture.bench.page.serve import BenchServer
from capture.bench.resume import new_id
from capture.bench.session import Header, Looked, Session
from capture.judge.entry import Moment, PhotoResult
from capture.procedure import find, load_procedure
from capture.record import Record
from capture.speech.heard import Clip, Guess, Heard, Word
from tests.conftest import CHROMIUM
from tests.live.conftest import ARGUMENTS
from tests.live.stand_ins import BurstListener, bursts
from tests.review.sample import picture

TECHNICIAN, REVIEWER = "Ines Falk", "Milo Brandt"
PASSPHRASE = "seven dry ropes"

SAID = [
    "stage as received",
    "serial number kilo seven dash zero four one two",
    "type lima victor two",
    "using supply gauge papa golf one four due november twenty ninety",
    "using effort gauge echo golf zero three due november twenty ninety",
    "supply pressure one five two p s i",
    "confirm",
    "opening effort one point two inches of water",
    "leaks none",
    "the kettle is on",
    "stage assembled",
    "using depth gauge delta golf zero two due november twenty ninety",
    "lever height three point zero five millimetres",
    "photo lever side",
]
AFTER_PHOTO = ["stage pressurised", "supply pressure one three eight p s i", "lever height two point one millimetres"]


def heard(line: str, at_s: float, confidence: float = 0.98) -> Heard:
    words = tuple(
        Word(text, at_s + 0.3 + n * 0.3, at_s + 0.5 + n * 0.3, confidence) for n, text in enumerate(line.split())
    )
    pcm = bursts(1, pause_s=0.2, burst_s=0.3 * len(words), seed=len(line))
    guesses = (Guess(words, 0.0), Guess(words[:-1], -2.0 if line.endswith("p s i") else -8.0))
    return Heard(words, line, words[0].start_s, words[-1].end_s, Clip(pcm, 16000, at_s), (), "stand-in", "", guesses)


def measured(data: bytes, view: str, *, more: Sequence[bytes] = ()) -> Looked:
    return Looked(PhotoResult(view, "measured", 3.02, 0.12), picture(annotated=True, size=(600, 400)))


def finished_job(record: Record, photo: bytes | None = None, measurer: Any = measured) -> str:
    """A job of some twenty entries, the supply pressure out of limits and confirmed."""
    procedure = load_procedure(find("lever_valve"))
    begin = datetime.now(UTC) - timedelta(days=3)
    job, name = new_id(), new_id()
    session = Session(record, procedure, job, name, measurer, technician=TECHNICIAN)
    seconds = 0.0

    def moment() -> Moment:
        nonlocal seconds
        seconds += 4.0
        return Moment(begin + timedelta(seconds=seconds), seconds, name)

    session.open(Header(TECHNICIAN, "Gannet Point workshop", "owner's tag 7", {}), moment())
    for line in SAID:
        session.hear(heard(line, seconds), moment())
    session.photo(photo or picture(annotated=False, size=(600, 400)), "image/jpeg", moment(), facts={"name": "tip.jpg"})
    for line in AFTER_PHOTO:
        session.hear(heard(line, seconds), moment())
    session.finish(moment())
    return job


@dataclass
class Reviewed:
    """A record with a finished job, and where it is served."""

    record: Record
    job: str
    desk: Desk
    server: BenchServer

    @property
    def address(self) -> str:
        """What a browser opens first."""
        return self.server.address

    def url(self, path: str = "") -> str:
        """A page of the job's review, or of the server."""
        return f"{self.server.origin}{path or f'/review/job/{self.job}'}"

    def rows(self, kind: str) -> list[Any]:
        """The job's rows of a kind."""
        return [row for row in self.record.rows(self.job) if row.kind == kind]

    def value(self, text: str, kind: str = "reading") -> Any:
        """The last row of a kind whose value or field is this."""
        found = [row for row in self.rows(kind) if text in {row.body["data"].get("value"), row.body["subject"]}]
        return found[-1]


@contextmanager
def serving(folder: Path, setups: dict[str, Path] | None = None, **facts: Any) -> Iterator[Reviewed]:
    with Record.create(folder / "record") as record:
        job = finished_job(record, **facts)
        kind = load_procedure(find("lever_valve"))
        hub = Hub()
        settings = Settings({kind.id: kind}, "Gannet Point workshop", fast=True, setups=setups or {})
        desk = Desk(record, settings, lambda _: BurstListener([]), lambda _: measured, hub.tell, hub.pages)
        server = BenchServer(desk, hub, 0)
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        try:
            yield Reviewed(record, job, desk, server)
        finally:
            server.stop()
            thread.join(timeout=10)


@pytest.fixture
def reviewed(tmp_path: Path) -> Iterator[Reviewed]:
    with serving(tmp_path) as found:
        yield found


@pytest.fixture(scope="session")
def browser(driver: Any) -> Iterator[Any]:
    """Chromium."""
    started = driver.chromium.launch(executable_path=CHROMIUM, args=[*ARGUMENTS, "--mute-audio"])
    yield started
    started.close()


def until(page: Any, condition: str) -> None:
    """Wait for a condition; without the page's own eval, which its policy forbids."""
    for _ in range(200):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(30)
    pytest.fail(f"never came true: {condition}")


def come_in(page: Any, reviewed: Reviewed, path: str = "") -> None:
    """Let the browser in by the secret address, then open a review page."""
    page.goto(reviewed.address)
    page.wait_for_url(lambda url: "/enter" not in url)
    page.goto(reviewed.url(path))


def says_who(page: Any, name: str = REVIEWER) -> None:
    """Write who reviews, with keys."""
    page.locator("#person").fill(name)
    with page.expect_response("**/review/who"):
        page.locator("#person").press("Enter")
    until(page, "document.activeElement.id !== 'person'")


def press(page: Any, keys: str, answer: str = "") -> None:
    """Press keys; with ``answer`` wait until what the page sends there is answered, and the page has taken it in."""
    if not answer:
        page.keyboard.press(keys)
        return
    page.evaluate("document.getElementById('told').textContent = ''")
    with page.expect_response(f"**/{answer}") as got:
        page.keyboard.press(keys)
    if got.value.ok and answer in {"decide", "correct", "take-back"}:
        until(page, "document.getElementById('told').textContent && !document.querySelector('dialog[open]')")
    elif not got.value.ok:
        until(page, "[...document.querySelectorAll('.trouble')].some((place) => !place.hidden)")
