"""The review pages over real sockets: lists, look-ups, media, and what is refused."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from capture.record import Record
from capture.review.pages import start
from tests.live.test_guard import Client
from tests.review_pages.conftest import PASSPHRASE, REVIEWER, TECHNICIAN, Reviewed, finished_job, serving

ME = f"benchwitness_person={REVIEWER.replace(' ', '%20')}"


class Reviewer(Client):
    """A page of the reviewer's."""

    def __init__(self, reviewed: Reviewed, person: str = ME) -> None:
        super().__init__(reviewed)  # type: ignore[arg-type]
        self.job = f"/review/job/{reviewed.job}"
        self.good["Cookie"] += f"; {person}"

    def html(self, path: str) -> str:
        answer, data = self.ask("GET", path, Accept="text/html")
        assert answer.status == 200, data
        return data.decode()

    def told(self, path: str, data: Any) -> tuple[int, dict[str, Any]]:
        answer, found = self.post(path, data)
        return answer.status, json.loads(found)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reviewed]:
    with serving(tmp_path_factory.mktemp("served")) as found:
        yield found


@pytest.fixture
def client(reviewed: Reviewed) -> Reviewer:
    return Reviewer(reviewed)


def test_what_it_may_also_have_been_stands_beside_the_words(client: Reviewer) -> None:
    html = client.html(client.job)
    assert "may also have been: “supply pressure one five two p s” " in html


def test_the_list_says_what_needs_a_look(client: Reviewer) -> None:
    html = client.html("/review")
    assert client.job in html
    assert "K7-0412 LV2" in html
    assert "1 out of limits" in html
    assert "2 days ago" in html
    assert "not signed" in html
    for only, there in (("all", True), ("unsigned", True), ("unfinished", False), ("returned", False), ("<b>", True)):
        assert (client.job in client.html(f"/review?only={only}")) is there
    assert client.job not in client.html("/review?page=2")


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("what=unit&q=k7+0412", "lever_valve"),
        ("what=unit&q=nobody", "0 rows"),
        ("what=gauge&q=PG14", "152\u00a0psi"),
        ("what=gauge&q=PG14&since=2001-01-01&until=2001-02-01", "0 rows"),
        ("what=gauge&q=PG14&since=yesterday", "no day or time"),
        ("what=near&within=30", "supply pressure"),
        ("what=near&within=lots", "no percentage"),
        ("what=corrections", TECHNICIAN),
        ("what=drift&field=lever_height", "0 rows"),
        ("what=drift&field=lever_height&q=K7-0412", "3.05\u00a0mm"),
        ("what=drift&field=nonsense", "No reading"),
        ("what=lot&q=B2207", "0 rows"),
        ("what=lot&q=%22%3E%3Cscript%3E", "&#34;&gt;&lt;script&gt;"),
        ("what=lot&q=---", "no letter or digit"),
        ("what=nonsense", "All jobs of a unit"),
    ],
)
def test_look_ups(client: Reviewer, asked: str, found: str) -> None:
    html = client.html(f"/review/find?{asked}")
    assert found in html
    assert "<script>" not in html


def test_a_clip_and_a_picture_are_served_by_their_hash_and_only_of_their_job(
    client: Reviewer, reviewed: Reviewed
) -> None:
    row = reviewed.value("supply_pressure")
    clip = row.media[0]
    answer, data = client.ask("GET", f"{client.job}/media/{clip.sha256}")
    assert (answer.status, answer.headers["content-type"], len(data)) == (200, "audio/wav", clip.size)
    procedure = next(ref for ref in reviewed.rows("opened")[0].media if ref.kind == "procedure")
    for path in (
        f"{client.job}/media/{procedure.sha256}",
        f"{client.job}/media/{'0' * 64}",
        f"{client.job}/media/..%2f..%2fledger.sqlite",
        f"/review/job/{'a' * 36}/media/{clip.sha256}",
        "/review/static/..%2fwho.py",
        "/review/static/routes.py",
        "/review/job/nothing",
        "/review/job/%22%3E",
    ):
        answer, data = client.ask("GET", path)
        assert answer.status == 404, path
        assert json.loads(data)["error"]


def test_a_job_that_is_not_there_is_said_on_a_page(client: Reviewer) -> None:
    answer, data = client.ask("GET", "/review/job/nothing", Accept="text/html")
    assert answer.status == 404
    assert b"To the list of jobs" in data
    assert b"/record" not in data, "where the record lies is nobody's business"


@pytest.mark.parametrize(
    ("action", "data", "status"),
    [
        ("decide", {"entry": "?", "decision": "accepted"}, 400),
        ("decide", {"entry": ["?"], "decision": "accepted"}, 400),
        ("decide", [], 400),
        ("correct", {"entry": "?", "line": "x", "comment": "y"}, 400),
        ("take-back", {"entry": "?"}, 400),
        ("measure", {"entry": "?", "tip": [[1, 2]], "store": True, "comment": "y"}, 400),
        ("measure", {"entry": "?", "tip": [[1, 2]] * 61}, 400),
        ("measure", {"entry": "?", "tip": [[1, 1e400]]}, 400),
        ("measure", {"entry": "?", "tip": [[True, 2]]}, 400),
        ("measure", {"entry": "?", "rim": {"x": 1}}, 400),
        ("sign", {"role": "reviewer", "passphrase": PASSPHRASE}, 400),
        ("sign", {"role": 5}, 400),
        ("reopen", {"comment": ""}, 400),
        ("burn", {}, 404),
    ],
)
def test_what_cannot_be_done_is_refused_with_a_sentence(
    client: Reviewer, reviewed: Reviewed, action: str, data: Any, status: int
) -> None:
    before = reviewed.record.head()
    found = client.told(f"{client.job}/{action}", data)
    assert found[0] == status
    assert len(found[1]["error"]) > 15
    assert reviewed.record.head() == before


def test_nothing_is_written_without_the_pages_secret_or_from_elsewhere(client: Reviewer, reviewed: Reviewed) -> None:
    entry = reviewed.value("opening_effort").id
    body = json.dumps({"entry": entry, "decision": "accepted"}).encode()
    before = reviewed.record.head()
    for changed, status in (
        ({"x-bench-token": None}, 403),
        ({"x-bench-token": "guess"}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": None}, 403),
        ({"Cookie": ME}, 401),
        ({"Host": "evil.example"}, 421),
    ):
        answer, _ = client.ask("POST", f"{client.job}/decide", body, **changed)
        assert answer.status == status, changed
    answer, _ = client.ask("GET", client.job, Cookie=ME)
    assert answer.status == 401
    assert reviewed.record.head() == before


def test_words_of_a_reviewer_come_back_as_words(client: Reviewer, reviewed: Reviewed) -> None:
    entry = reviewed.value("opening_effort").id
    comment = "<img src=x onerror=alert(1)> \u202egnp.exe"
    status, found = client.told(f"{client.job}/decide", {"entry": entry, "decision": "commented", "comment": comment})
    assert status == 200
    assert "<img src=x" not in found["card"]
    assert "&lt;img src=x onerror=alert(1)&gt;" in found["card"]
    assert "\u202e" not in found["card"]
    assert "<img src=x" not in client.html(client.job)


def test_fifty_jobs_are_a_page(tmp_path: Path) -> None:
    with serving(tmp_path) as reviewed:
        for _ in range(51):
            finished_job(reviewed.record)
        client = Reviewer(reviewed)
        assert client.html("/review").count('class="go"') == 50
        assert client.html("/review?page=2").count('class="go"') == 2
        assert 'rel="next" href="/review?only=look&amp;page=2"' in client.html("/review")


def test_the_command_serves_a_record_without_a_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHWITNESS_PEOPLE", str(tmp_path / "people.json"))
    with Record.create(tmp_path / "record") as record:
        job = finished_job(record)
    got: list[Any] = []
    there = threading.Event()

    def ready(server: Any) -> None:
        got.append(server)
        there.set()

    thread = threading.Thread(target=start.run, args=(tmp_path / "record", {}, 0, ready), daemon=True)
    thread.start()
    assert there.wait(20)
    (server,) = got
    try:
        client = Reviewer(Reviewed(None, job, None, server))  # type: ignore[arg-type]
        answer, _ = client.ask("GET", "/")
        assert (answer.status, answer.headers["location"]) == (303, "/review")
        html = client.html("/review")
        assert job in html
        assert ">Bench<" not in html
    finally:
        server.stop()
        thread.join(timeout=10)
