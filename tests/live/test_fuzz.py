"""All routes under random requests from a browser that was let in: never a fault of the server, always a sentence."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator

import pytest

from tests.live.conftest import running
from tests.live.test_guard import Client, picture

SELDOM = [
    ("GET", "/"), ("GET", "/static/{x}"), ("GET", "/media/{x}"), ("GET", "/said/{x}"), ("GET", "/enter?token={x}"),
    ("POST", "/job/{x}"), ("POST", "/job/pause"), ("POST", "/job/finish"), ("POST", "/job/hand-over"),
    ("POST", "/hush"),
    ("POST", "/said/{x}/end"), ("POST", "/practice/{x}"), ("POST", "/camera"),
]  # fmt: skip
OFTEN = [
    ("POST", "/job/open"), ("POST", "/job/resume"), ("POST", "/job/reopen"), ("POST", "/say"), ("POST", "/say"),
    ("POST", "/say"), ("POST", "/listening"), ("POST", "/photo?view={x}&name={x}"), ("POST", "/photo"),
]  # fmt: skip
ROUTES = SELDOM + 5 * OFTEN
TEXTS = [
    "", "1", "-1", "99999999999999999999", "lever_valve", "lever_side", "Rhea Okoro", "stage as received", "leaks none",
    "confirm", "disregard", "supply pressure 152 psi", "correction", "photo lever side", "..%2f..", "%00", "a" * 300,
    "\u202e\u0000\ud7ff", "<b>", "'; DROP TABLE ledger; --", "true", "0" * 64,
]  # fmt: skip


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with running(tmp_path_factory.mktemp("fuzz")) as served:
        yield Client(served)


def value(source: random.Random) -> object:
    return source.choice([*TEXTS, None, True, 0, 1.5, [], {}, [1], {"a": "b"}])


def body(source: random.Random, jobs: list[str]) -> bytes:
    kind = source.randrange(6)
    if kind == 0:
        return source.randbytes(source.randrange(200))
    if kind == 1:
        return picture()[: source.randrange(120)] if source.random() < 0.5 else picture()
    names = ["procedure", "technician", "reference", "job", "reason", "line", "on", "other"]
    made = {name: value(source) for name in names if source.random() < 0.6}
    if kind > 3:
        job = source.choice(jobs) if jobs else ""
        made |= {"procedure": "lever_valve", "technician": "Rhea Okoro", "line": source.choice(TEXTS), "job": job}
    return json.dumps(made).encode()


@pytest.mark.parametrize("seed", range(4))
def test_no_request_makes_the_server_fail(client: Client, seed: int, capfd: pytest.CaptureFixture[str]) -> None:
    source = random.Random(seed)
    seen: set[int] = set()
    for _ in range(200):
        jobs = [job.job for job in client.served.bench.record.jobs()]
        method, path = source.choice(ROUTES)
        text = source.choice([text for text in TEXTS if text.isascii() and text.isprintable() and " " not in text])
        data = body(source, jobs) if method == "POST" else b""
        answer, said = client.ask(method, path.replace("{x}", text), data)
        seen.add(answer.status)
        assert answer.status < 500, (method, path, data, said)
        if answer.status >= 400 and said.startswith(b"{"):
            assert json.loads(said)["error"].endswith(".")
    assert {200, 400} <= seen
    assert "Traceback" not in capfd.readouterr().err
