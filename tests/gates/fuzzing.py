"""Requests for every route of the table, made by hypothesis: what a page would send, and what none would."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote, urlencode

from hypothesis import strategies as some

from capture.bench.gate.access import Rule
from tests.gates.conftest import CREW, PASSPHRASE, Caller, Gated
from tests.live.test_guard import picture

TEXTS = [
    "", " ", "0", "1", "-1", "7", "1e400", "NaN", "99999999999999999999", "true", "lever_valve", "lever_side",
    "case_open",
    "Rhea Okoro", "Ada Moss", PASSPHRASE, "stage as received", "stage assembly", "leaks none", "confirm", "disregard",
    "supply pressure 152 psi", "supply pressure", "lever height 3.05 mm", "correction", "photo lever side", "read back",
    "accepted", "queried", "rejected", "commented", "taken_back", "reviewer", "technician", "decide", "correct", "sign",
    "measure", "take-back", "reopen", "open", "resume", "pause", "finish", "hand-over", "open-jobs", "all", "lot",
    "gauge", "unit", "drift", "near-limit", "corrections", "2026-01-01", "2026-13-45", "B2207", "K7-0412", "icon.svg",
    "bench.js",
    "..%2f..%2fledger.sqlite", "../ledger.sqlite", "%00", "%ff", "a" * 300, "\u202e\u0000\ud7ff", "\u00e9",
    "\U0001f600",
    "<b onload=x>", "'; DROP TABLE ledger; --", "{{ 7 * 7 }}", "=1+1", "0" * 64, "null", "[]", "\n\r", "__proto__",
]  # fmt: skip
NAMES = [
    "procedure", "technician", "reference", "job", "reason", "line", "on", "token", "name", "passphrase", "id", "entry",
    "decision", "comment", "tip", "rim", "store", "role", "person", "other", "view", "only", "page", "lot", "gauge",
    "kind",
    "unit", "from", "to", "since", "until", "part", "reading", "serial", "rate", "q",
]  # fmt: skip
LIVE = ["<job>", "<entry>", "<digest>"]
"""Stand for an id that the record holds when the request is sent."""
DIRECT = {"/job/{action}": ("open", "resume", "reopen", "pause", "finish", "hand-over")}
ACTIONS = ("decide", "correct", "take-back", "measure", "reopen", "sign")

LIKELY: dict[str, dict[str, list[Any]]] = {
    "/say": {"line": [text for text in TEXTS if text.islower() and text.isascii()]},
    "/listening": {"on": [True, False]},
    "/job/{action}": {
        "procedure": ["lever_valve"], "technician": ["Rhea Okoro"], "job": ["<job>"], "reason": ["a doubt"],
    },
    "/review/job/{job}/{action}": {
        "entry": ["<entry>"], "decision": ["accepted", "queried", "rejected", "commented"],
        "comment": ["look again", ""],
        "line": ["leaks none", "supply pressure 140 psi"], "role": ["reviewer"], "passphrase": [PASSPHRASE],
        "tip": [[[10.0, 12.0]]], "rim": [[[1.0, 2.0], [3.0, 4.0]]], "store": [True, False],
    },
    "/review/who": {"person": ["Ines Falk"]},
    "/login": {"name": ["Ada Moss", "Nobody"], "passphrase": [PASSPHRASE, "wrong"]},
}  # fmt: skip
"""Bodies as a page would send them, by route."""
PICTURES = ("/photo", "/phone/photo")

texts = some.one_of(some.sampled_from(TEXTS), some.sampled_from(LIVE), some.text(max_size=40))
points = some.lists(some.lists(some.one_of(some.floats(), some.integers(), texts), max_size=3), max_size=4)
values = some.one_of(
    texts, texts, some.none(), some.booleans(), some.integers(), some.floats(), points,
    some.dictionaries(texts, some.integers(), max_size=2),
)  # fmt: skip


@dataclass(frozen=True)
class Sent:
    """A request before its ids are put in."""

    rule: Rule
    who: str
    parts: tuple[str, ...]
    query: Mapping[str, str]
    body: Any
    headers: Mapping[str, str]


def requests(rule: Rule) -> some.SearchStrategy[Sent]:
    """Requests for one route, by everybody who may use it and now and then by others."""
    count = rule.path.count("{")
    allowed = [who for who in ("local", "Ada Moss", "Tom Wray", "phone") if _may(rule, who)]
    who = some.sampled_from([*allowed * 4, "local", "Tom Wray", "phone", "stranger"])
    objects = some.dictionaries(some.sampled_from(NAMES), values, max_size=8)
    odd = some.one_of(objects, values, some.binary(max_size=200), some.sampled_from(["<png>", "<cut png>"]))
    likely: some.SearchStrategy[Any] = some.fixed_dictionaries(
        {name: some.sampled_from(choices) for name, choices in LIKELY.get(rule.path, {}).items()}
    )
    if rule.path in PICTURES:
        likely = some.just("<png>")
    body = _mostly(likely, odd)
    headers = some.dictionaries(
        some.sampled_from(
            ["x-upload-id", "content-type", "accept", "range", "if-none-match", "x-forwarded-for", "cookie2"]
        ),
        some.sampled_from(
            ["0123456789ab", "text/html", "bytes=0-", "*/*", "x" * 2000, "multipart/form-data; boundary=", "\xff"]
        ),
        max_size=3,
    )
    parts = some.tuples(*(_part(rule, place) for place in range(count)))
    query = some.dictionaries(some.sampled_from(NAMES), texts, max_size=4)
    return some.builds(Sent, some.just(rule), who, parts, query, body, headers)


def _part(rule: Rule, place: int) -> some.SearchStrategy[str]:
    marks = [part for part in rule.path.split("/") if part.startswith("{")]
    known = {
        "{job}": ["<job>"],
        "{digest}": ["<digest>"],
        "{number:int}": ["0", "1", "7"],
        "{action}": list(ACTIONS),
        "{form}": ["pdf", "html"],
    }
    likely = DIRECT.get(rule.path) or known.get(marks[place]) or ["icon.svg", "bench.css"]
    return _mostly(some.sampled_from(likely), texts)


def _mostly(likely: some.SearchStrategy[Any], odd: some.SearchStrategy[Any]) -> some.SearchStrategy[Any]:
    """Four of five likely; ``one_of`` would count a strategy that is named twice only once."""
    return some.integers(0, 4).flatmap(lambda number: odd if number == 4 else likely)


def _may(rule: Rule, who: str) -> bool:
    roles = {"local": {"technician", "reviewer", "reader"}, "phone": {"phone"}}.get(who, set(CREW.get(who, ())))
    return bool(rule.who & (roles | {"everybody"}))


@dataclass
class Fuzzer:
    """Sends requests to a bench and says what is wrong with the answers."""

    bench: Gated
    seen: Counter[tuple[str, int]] = field(default_factory=Counter)

    def send(self, sent: Sent) -> None:
        """Send one request.

        Raises:
            AssertionError: the server failed, or refused without a sentence.
        """
        caller = self._caller(sent.who)
        path = sent.rule.path
        for part in sent.parts:
            begin, end = path.index("{"), path.index("}") + 1
            path = path[:begin] + quote(self._put(part), safe="%") + path[end:]
        query = urlencode({name: self._put(text) for name, text in sent.query.items()}, errors="replace")
        body = b"" if sent.rule.method == "GET" else self._body(sent.body)
        headers = {"x_upload_id": "0123456789ab"} if sent.rule.path == "/phone/photo" else {}
        headers |= {name.replace("-", "_"): value for name, value in sent.headers.items()}
        method = "GET" if sent.rule.method == "WS" else sent.rule.method
        answer = caller.ask(method, f"{path}?{query}" if query else path, body, **headers)
        self.seen[f"{sent.rule.method} {sent.rule.path}", answer.status] += 1
        assert answer.status < 500, (sent, answer.data[:500])
        kind = answer.headers.get("content-type", "")
        if answer.status >= 400 and kind.startswith("application/json"):
            assert answer.json["error"].rstrip().endswith((".", ":", "!", "?")), answer.data
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "default-src 'none'" in answer.headers["content-security-policy"]

    def _caller(self, who: str) -> Caller:
        if who == "local":
            return self.bench.here()
        if who == "phone":
            return self.bench.phone()
        return self.bench.stranger() if who == "stranger" else self.bench.logged_in(who)

    def _put(self, text: str) -> str:
        if text not in LIVE:
            return text.encode("utf-8", "replace").decode()
        record = self.bench.served.bench.record
        jobs = [job.job for job in record.jobs()]
        if text == "<job>" or not jobs:
            return jobs[-1] if jobs else "none"
        rows = list(record.rows(jobs[-1]))
        if text == "<entry>":
            return rows[sum(self.seen.values()) % len(rows)].id
        return next((ref.sha256 for row in reversed(rows) for ref in row.media), "0" * 64)

    def _body(self, body: Any) -> bytes:
        if isinstance(body, bytes):
            return body
        if body in ("<png>", "<cut png>"):
            return picture()[: None if body == "<png>" else 60]
        if isinstance(body, dict):
            body = {name: self._put(value) if isinstance(value, str) else value for name, value in body.items()}
        return json.dumps(body).encode("utf-8", "replace")
