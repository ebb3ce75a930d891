"""An invented workshop's jobs over ten years, written into a record many times faster than they could be worked."""

from __future__ import annotations

import json
import random
import secrets
import sqlite3
import sys
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from capture.judge import entry_to_body
from capture.judge.entry import Entry, Status, Verdict
from capture.procedure import shipped
from capture.record import Record, admin, chain, heads
from capture.record.bulk import Draft
from capture.record.connection import LEDGER, MEDIA
from capture.record.keys import key_id
from capture.record.rows import MediaRef
from capture.record.signing import SIGN_OFF, Signer, digest_of, seal
from capture.record.uuid7 import uuid7

ENTRIES = 40
CLIP = 2048
"""Bytes of the one clip that each job has."""

YEARS = 10
_KEPT = 20_000
START = datetime(2021, 1, 4, 8, tzinfo=UTC)
_STAGES = ("as_received", "stripped", "assembled", "pressurised", "tuned", "covered", "repeat_check")
_PARTS = ("seat", "diaphragm", "sealing_ring", "exhaust_valve")
_PEOPLE = ("Ada Brook", "Ben Carr", "Cy Dell", "Dot Ellis")


class Workshop:
    """An invented workshop's jobs over ten years: a unit comes back every other year, a lot lasts 400 kits, a gauge
    of three is in use each day."""

    def __init__(self, jobs: int, seed: int = 1) -> None:
        self.jobs = jobs
        self.random = random.Random(seed)
        self.step = timedelta(days=365.25 * YEARS) / jobs
        self.units = max(1, jobs // 5)
        self._number = 0

    def drafts(self, number: int) -> list[Draft]:
        """Job ``number``, 40 rows."""
        self._number = number
        job, session = self._id(), self._id()
        at = START + self.step * number
        serial = f"K{number % self.units:06d}"
        rows = list(self._entries(number, serial))
        ids = [self._id() for _ in rows]
        drafts = []
        for place, body in enumerate(rows):
            if body.get("replaces") == "before":
                body = {**body, "replaces": ids[place - 1]}
            when = (at + timedelta(seconds=45 * place)).isoformat(timespec="milliseconds")
            drafts.append(Draft(job, body["kind"], body, when, 45.0 * place, session, id=ids[place]))
        return drafts

    def _entries(self, number: int, serial: str) -> Iterator[dict[str, Any]]:
        chance = self.random
        gauges = [f"E-{number % 3}", f"S-{number % 3}", f"D-{number % 3}"]
        yield {
            "kind": "opened",
            "data": {
                "procedure": {"id": "lever_valve", "name": "Lever valve", "version": "1.0", "digest": "0" * 64},
                "technician": _PEOPLE[number % len(_PEOPLE)],
                "workshop": "North Quay Bench",
                "reference": f"W-{number}",
                "cautions": ["Demonstration figures."],
                "settings": {},
            },
        }
        yield _body("identity", "serial", {"field": "serial", "value": serial})
        yield _body("identity", "type", {"field": "type", "value": f"T{number % 4}"})
        for kind, name in zip(("effort_gauge", "supply_gauge", "depth_gauge"), gauges, strict=True):
            yield _body("instrument", kind, {"kind": kind, "serial": name, "due": "2032-01-31"})
        for stage in _STAGES:
            yield _body("stage", stage, {"stage": stage}, stage)
        for part in _PARTS:
            yield _body("part", part, {"part": part, "action": "removed", "quantity": 1, "lot": None}, "stripped")
            lot = f"L{part[0].upper()}-{number // 400:05d}"
            yield _body("part", part, {"part": part, "action": "fitted", "quantity": 1, "lot": lot}, "assembled")
        for stage in ("as_received", "tuned", "covered", "repeat_check"):
            yield _reading(
                "opening_effort", round(chance.gauss(1.3, 0.09), 2), "inH2O", 2, (1.1, 1.5), stage, gauges[0]
            )
            yield _reading("supply_pressure", round(chance.gauss(138, 3)), "psi", 0, (132, 144), stage, gauges[1])
            yield _reading("lever_height", round(chance.gauss(1.7, 0.2), 2), "mm", 2, (0.8, 2.6), stage, gauges[2])
        yield _reading("opening_effort", 1.35, "inH2O", 2, (1.1, 1.5), "repeat_check", gauges[0])
        replaces = "before" if chance.random() < 0.1 else None
        yield _reading("opening_effort", 1.32, "inH2O", 2, (1.1, 1.5), "repeat_check", gauges[0], replaces=replaces)
        for check in ("leak", "case_condition", "seat_edge"):
            yield _body("check", check, {"check": check, "answer": "none", "good": True}, "covered")
        yield _body("turn", "orifice", {"counter": "orifice", "turns": "1/12", "direction": "in"}, "tuned")
        yield _body("job_end", None, {"missing": [], "kit": [], "unsigned": [], "unconfirmed": []})

    def _id(self) -> str:
        """Ids grow with the jobs, as they do over the years."""
        return str(uuid7(1_600_000_000_000 + self._number, self.random.randbytes(10)))


def _body(kind: str, subject: str | None, data: dict[str, Any], stage: str | None = None) -> dict[str, Any]:
    simple = all(isinstance(value, str | int | None) for value in data.values())
    return _known(kind, subject, tuple(data.items()), stage) if simple else _made(kind, subject, data, stage)


@lru_cache(maxsize=_KEPT)
def _known(kind: str, subject: str | None, data: tuple[tuple[str, Any], ...], stage: str | None) -> dict[str, Any]:
    return _made(kind, subject, dict(data), stage)


def _made(kind: str, subject: str | None, data: dict[str, Any], stage: str | None) -> dict[str, Any]:
    heard = {"text": f"{kind} {subject} as it was said", "engine": "bench", "start_s": 1, "end_s": 2.5, "words": []}
    return {**entry_to_body(Entry(kind, stage, subject, "accepted", f"{kind} {subject}", data)), "heard": heard}


@lru_cache(maxsize=_KEPT)
def _reading(
    field: str,
    value: float,
    unit: str,
    places: int,
    limits: tuple[float, float],
    stage: str,
    gauge: str,
    replaces: str | None = None,
) -> dict[str, Any]:
    amount = f"{value:.{places}f}"
    inside = limits[0] <= float(amount) <= limits[1]
    verdict = Verdict(
        "pass" if inside else "fail", "guard_band", amount, "0.03", str(limits[0]), str(limits[1]), unit, "scenario"
    )
    data = {
        "field": field,
        "value": amount,
        "unit": unit,
        "amount": amount,
        "default_unit": unit,
        "expanded": "0.03",
        "unit_assumed": False,
        "via": "voice",
        "view": None,
        "instrument": gauge,
    }
    status: Status = "accepted"
    return entry_to_body(Entry("reading", stage, field, status, f"{field} {amount}", data, verdict, replaces=replaces))


class Writer:
    """Writes jobs straight into the ledger's table, through the same hashes, and signs each; ``verify`` says whether
    it did right."""

    def __init__(self, folder: Path) -> None:
        Record.create(folder).close()
        self._media = folder / MEDIA
        self._heads = (folder / heads.NAME).open("a")
        self._conn = sqlite3.connect(folder / LEDGER, isolation_level=None)
        (self._trigger,) = self._conn.execute("SELECT sql FROM sqlite_schema WHERE name = 'ledger_in_order'").fetchone()
        self._conn.execute("DROP TRIGGER ledger_in_order")
        self._conn.execute("PRAGMA synchronous = OFF")
        self._conn.execute("PRAGMA cache_size = -262144")
        self._texts: dict[int, tuple[Mapping[str, Any], str]] = {}
        self._seq, self._prev = 0, chain.GENESIS
        text = shipped()["lever_valve"].read_bytes()
        self._procedure = self._put(text, "application/toml", "procedure")
        self._signer = Signer("Eve Finch", Ed25519PrivateKey.generate())
        self._encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), sort_keys=True).encode

    def write(self, jobs: Iterator[list[Draft]]) -> None:
        """Write jobs in one transaction."""
        self._conn.execute("BEGIN")
        for drafts in jobs:
            self._job(drafts)
        self._conn.execute("COMMIT")

    def close(self) -> None:
        """Leave the record as the program makes it."""
        self._conn.execute(self._trigger)
        self._conn.close()
        self._heads.close()

    def _job(self, drafts: list[Draft]) -> None:
        media = {0: [self._procedure], 20: [self._clip()]}
        hashes = [self._row(draft, media.get(at, [])) for at, draft in enumerate(drafts)]
        last, person, key = drafts[-1], self._signer.person, key_id(self._signer.raw)
        public = {"key": key, "algorithm": "Ed25519", "public": _base64(self._signer.raw), "person": person}
        hashes.append(self._keeping(last, admin.KEY, key, public))
        statement = {
            "at": last.at,
            "digest": digest_of(hashes),
            "head": {"seq": self._seq, "hash": self._prev},
            "job": last.job,
            "key": key,
            "person": person,
            "role": "reviewer",
            "rows": len(hashes),
        }
        signed = {"role": "reviewer", "person": person, "key": key, **seal(self._signer, SIGN_OFF, statement)}
        self._keeping(last, admin.SIGNATURE, "reviewer", signed)

    def _keeping(self, last: Draft, kind: str, subject: str, data: dict[str, Any]) -> str:
        body = admin.body(kind, subject, data)
        return self._row(Draft(last.job, kind, body, last.at, 0.0, f"{last.session}-k", id=_id_after(last.id)), [])

    def _row(self, draft: Draft, refs: list[MediaRef]) -> str:
        body = (
            self._text(draft.body) if not refs else self._encode({**draft.body, "media": [r.to_body() for r in refs]})
        )
        self._seq += 1
        facts = (draft.id, draft.job, draft.kind, draft.at, draft.mono, draft.session)
        id_, job, kind, at, mono, session = facts
        digest = chain.row_hash(
            seq=self._seq, id_=id_, job=job, kind=kind, at=at, mono=mono, session=session, body=body, prev=self._prev
        )
        values = (self._seq, *facts, body, self._prev, digest)
        self._conn.execute("INSERT INTO ledger VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", values)
        self._heads.write(f"{self._seq} {digest}\n")
        self._prev = digest
        return digest

    def _text(self, body: Mapping[str, Any]) -> str:
        """A body without files as text; bodies that come again are kept beside theirs."""
        known = self._texts.get(id(body))
        if known is None or known[0] is not body:
            if len(self._texts) >= _KEPT:
                self._texts.clear()
            known = self._texts[id(body)] = (body, self._encode({**body, "media": []}))
        return known[1]

    def _clip(self) -> MediaRef:
        return self._put(secrets.token_bytes(CLIP), "audio/wav", "clip")

    def _put(self, content: bytes, media_type: str, kind: str) -> MediaRef:
        digest = sha256(content).hexdigest()
        folder = self._media / digest[:2]
        folder.mkdir(exist_ok=True)
        (folder / digest).write_bytes(content)
        return MediaRef(digest, len(content), media_type, kind)


def _id_after(id_: str) -> str:
    return str(uuid7(int(id_[:8] + id_[9:13], 16), secrets.token_bytes(10)))


def _base64(raw: bytes) -> str:
    import base64

    return base64.b64encode(raw).decode()


def generate(folder: Path, workshop: Workshop) -> float:
    """Write the jobs; returns seconds."""
    start = time.perf_counter()
    writer = Writer(folder)
    for first in range(0, workshop.jobs, 500):
        numbers = range(first, min(first + 500, workshop.jobs))
        writer.write(workshop.drafts(number) for number in numbers)
        print(f"\r{first} of {workshop.jobs} jobs", end="", file=sys.stderr, flush=True)
    writer.close()
    print("\r", end="", file=sys.stderr)
    return time.perf_counter() - start
