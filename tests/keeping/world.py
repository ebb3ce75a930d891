"""A small invented workshop: jobs made of judged entries, with their procedure, clips and pictures."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from capture.judge import entry_to_body
from capture.judge.entry import Entry, Status, Verdict
from capture.procedure import find, load_procedure
from capture.record import MediaRef, Record, Row
from capture.record.bulk import Draft
from capture.record.signing import Moment
from capture.record.uuid7 import uuid7

START = datetime(2031, 5, 6, 9, 15, tzinfo=UTC)
LEVER = load_procedure(find("lever_valve"))
_counter = itertools.count(1)


def new_id() -> str:
    number = next(_counter)
    return str(uuid7(1_936_000_000_000 + number, number.to_bytes(10, "big")))


def moment(days: float = 0.0) -> Moment:
    return Moment((START + timedelta(days=days)).isoformat(timespec="milliseconds"), new_id())


class Job:
    """Writes one job's rows, a minute apart."""

    def __init__(
        self, record: Record, *, days: float = 0.0, technician: str = "Ada Brook", serial: str = "K7-0412"
    ) -> None:
        self.record = record
        self.id = new_id()
        self.session = new_id()
        self.at = START + timedelta(days=days)
        self.minutes = 0
        text = record.put_media(LEVER.text.encode(), "procedure", "application/toml")
        self.rows: list[Row] = []
        data = {
            "procedure": {"id": LEVER.id, "name": LEVER.name, "version": LEVER.version, "digest": LEVER.digest},
            "technician": technician,
            "workshop": "North Quay Bench",
            "reference": f"W-{self.id[-4:]}",
            "cautions": list(LEVER.cautions),
            "settings": {},
        }
        self.append("opened", {"kind": "opened", "data": data}, [text])
        if serial:
            self.entry("identity", "serial", {"field": "serial", "value": serial})

    def append(self, kind: str, body: Mapping[str, Any], media: Sequence[MediaRef] = ()) -> Row:
        at = self.at + timedelta(minutes=self.minutes)
        self.minutes += 1
        row = self.record.append(
            job=self.id, kind=kind, body=body, at=at, mono=self.minutes * 60.0, session=self.session, media=media
        )
        self.rows.append(row)
        return row

    def entry(
        self,
        kind: str,
        subject: str | None,
        data: Mapping[str, Any],
        *,
        stage: str | None = None,
        status: Status = "accepted",
        verdict: Verdict | None = None,
        replaces: str | None = None,
        media: Sequence[MediaRef] = (),
    ) -> Row:
        entry = Entry(kind, stage, subject, status, f"{kind} said", data, verdict, replaces=replaces)
        return self.append(kind, entry_to_body(entry), media)

    def gauge(self, kind: str, serial: str, due: str = "2032-01-31", **more: Any) -> Row:
        return self.entry("instrument", kind, {"kind": kind, "serial": serial, "due": due}, **more)

    def reading(
        self,
        field: str,
        value: str,
        *,
        stage: str = "tuned",
        unit: str = "inH2O",
        limits: tuple[str | None, str | None] | None = ("1.1", "1.5"),
        outcome: Any = "pass",
        instrument: str | None = "E-7",
        via: str = "voice",
        more: Mapping[str, Any] | None = None,
        **rest: Any,
    ) -> Row:
        verdict = None
        if limits is not None:
            verdict = Verdict(outcome, "guard_band", value, "0.03", limits[0], limits[1], unit, "scenario")
        data = {
            "field": field,
            "value": value,
            "unit": unit,
            "amount": value,
            "default_unit": unit,
            "expanded": "0.03",
            "unit_assumed": False,
            "via": via,
            "view": None,
            "instrument": instrument,
            **(more or {}),
        }
        return self.entry("reading", field, data, stage=stage, verdict=verdict, **rest)

    def part(self, part: str, action: str, lot: str | None, quantity: int = 1, **more: Any) -> Row:
        data = {"part": part, "action": action, "quantity": quantity, "lot": lot}
        return self.entry("part", part, data, stage="assembled", **more)

    def clip(self, content: bytes, kind: str = "clip") -> MediaRef:
        return self.record.put_media(b"RIFF" + content, kind, "audio/wav")

    def end(self) -> Row:
        return self.entry("job_end", None, {"missing": [], "kit": [], "unsigned": [], "unconfirmed": []})


def usual_job(record: Record, **how: Any) -> Job:
    """A short job with a clip, a picture, a correction and a lot."""
    job = Job(record, **how)
    job.gauge("effort_gauge", "E-7")
    job.part("seat", "removed", None)
    job.part("seat", "fitted", "L-2207")
    wrong = job.reading("opening_effort", "1.5", media=[job.clip(b"first" + job.id.encode())])
    job.reading("opening_effort", "1.3", replaces=wrong.id, media=[job.clip(b"second" + job.id.encode())])
    photo = record.put_media(b"\xff\xd8 a picture of " + job.id.encode(), "photo", "image/jpeg")
    job.entry("photo", "lever_side", {"view": "lever_side", "outcome": "refused"}, stage="tuned", media=[photo])
    job.end()
    return job


def draft(job: str, kind: str = "note", **body: Any) -> Draft:
    entry = {**entry_to_body(Entry(kind, None, None, "accepted", "", {"text": kind})), **body}
    return Draft(job, kind, entry, START.isoformat(timespec="milliseconds"), 1.0, new_id())
