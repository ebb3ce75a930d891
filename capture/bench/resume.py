"""A job's life in the record: opened, left and taken up again over days, handed over, finished, opened again.

A job that was broken off by a crash is taken up like any other; what its last session took in and had not heard yet
lies in the spool and is heard then, as of the time when it was said.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from capture.bench.live_keep import keep_piece
from capture.bench.live_level import RATE
from capture.bench.live_spool import FOLDER, Left, left_behind, remove
from capture.bench.session import KEYBOARD, UNCOUNTED, Measurer, Session
from capture.errors import UsageError
from capture.judge import entry_from_body
from capture.judge.entry import Moment, Recorded
from capture.judge.view import REVIEWED, returned
from capture.record import admin
from capture.record.trouble import told_plainly
from capture.record.uuid7 import uuid7

if TYPE_CHECKING:
    from capture.bench.live_types import Listener
    from capture.procedure.model import Procedure
    from capture.record import Record, Row
    from capture.speech.heard import Heard

_SEARCHED_ROWS = 20_000
_LIFE = ("opened", "job_end", "reopened", "paused", "resumed", "handed_over")


@dataclass(frozen=True)
class OpenJob:
    """A job as the bench lists it. ``state`` is "left" (to be taken up), or "finished"; ``at`` when it was last worked
    on (RFC 3339); ``technician`` who worked on it last; ``returned`` how many entries came back from review and
    were not taken anew."""

    job: str
    reference: str
    procedure: str
    technician: str
    at: str
    state: str
    returned: int = 0


@dataclass(frozen=True)
class Resumable:
    """Everything needed to go on with a job."""

    job: str
    procedure: Procedure
    technician: str
    reference: str
    recorded: tuple[Recorded, ...]
    rows: tuple[Row, ...]
    finished: bool


def new_id() -> str:
    """A UUIDv7 for a job or a session."""
    return str(uuid7(time.time_ns() // 1_000_000, secrets.token_bytes(10)))


def recent_jobs(record: Record, count: int = 30) -> list[OpenJob]:
    """The jobs that were worked on last, newest first; those to be taken up before the finished ones.

    Only the record's last rows are searched, so that it is quick however long the record is.
    """
    newest = record._fetch(
        "SELECT job, max(seq) FROM ledger WHERE seq > (SELECT max(seq) FROM ledger) - ? GROUP BY job ORDER BY 2 DESC",
        (_SEARCHED_ROWS,),
    )
    found = [_job(record, str(job)) for job, _ in newest[: 4 * count]]
    ordered = sorted(found, key=lambda job: (job.state == "left", job.at), reverse=True)
    return [job for job in ordered if job.procedure][:count]


def _job(record: Record, job: str) -> OpenJob:
    marks = ", ".join("?" * len(_LIFE))
    ids = record._fetch(f"SELECT id FROM ledger WHERE job = ? AND kind IN ({marks}) ORDER BY seq", (job, *_LIFE))
    ((last,),) = record._fetch("SELECT at FROM ledger WHERE job = ? ORDER BY seq DESC LIMIT 1", (job,))
    lived = OpenJob(job, "", "", "", "", "left")
    for (id_,) in ids:
        lived = _lived(lived, record.row(id_))
    return replace(lived, at=str(last), returned=_returned(record, job))


def _returned(record: Record, job: str) -> int:
    if not record._fetch("SELECT 1 FROM ledger WHERE job = ? AND kind = ? LIMIT 1", (job, REVIEWED)):
        return 0
    return len(returned(_recorded(tuple(record.rows(job)))))


def _lived(job: OpenJob, row: Row) -> OpenJob:
    data = row.body.get("data", {})
    if row.kind == "opened":
        procedure = data.get("procedure", {})
        job = replace(job, reference=str(data.get("reference", "")), procedure=str(procedure.get("name", "")))
    technician = data.get("technician") if row.kind in {"opened", "resumed", "handed_over"} else None
    state = {"job_end": "finished", "reopened": "left"}.get(row.kind, job.state)
    return replace(job, at=row.at, state=state, technician=str(technician or job.technician))


def load_job(record: Record, job: str) -> Resumable:
    """Read a job back from the record, with the procedure as it was when the job was opened.

    Raises:
        UsageError: there is no such job, or it was not opened at a bench or by a run.
        IntegrityError: a row or the procedure's file is not what it was.
    """
    rows = tuple(admin.job_rows(record, job))
    opened = next((row for row in rows if row.kind == "opened"), None)
    text = next((ref for ref in opened.media if ref.kind == "procedure"), None) if opened else None
    if opened is None or text is None:
        raise UsageError(f"The job {job} has no opening with its procedure in this record; open a new job.")
    procedure = _procedure(record.read_media(text.sha256), job)
    state = OpenJob(job, "", "", "", opened.at, "left")
    for row in rows:
        state = _lived(state, row)
    return Resumable(
        job=job,
        procedure=procedure,
        technician=state.technician,
        reference=state.reference,
        recorded=tuple(_recorded(rows)),
        rows=rows,
        finished=state.state == "finished",
    )


@lru_cache(maxsize=16)
def _procedure(content: bytes, job: str) -> Procedure:
    from capture.procedure import parse_procedure

    return parse_procedure(content.decode("utf-8"), f"job {job}")


def _recorded(rows: tuple[Row, ...]) -> Iterator[Recorded]:
    for row in rows:
        if row.kind not in UNCOUNTED:
            yield Recorded(row.id, entry_from_body(row.body), Moment(row.when, row.mono, row.session))


@dataclass(frozen=True)
class Recovered:
    """What was found of a session that broke off: utterances heard now, and seconds of sound that were not yet."""

    utterances: int
    seconds: float


def recover(
    record: Record,
    found: Resumable,
    listen: Callable[[Procedure], Listener],
    measurer: Measurer,
    *,
    keep_sound: bool,
) -> tuple[tuple[Recorded, ...], Recovered]:
    """Hear what earlier sessions of the job took in and did not come to hear, and clear their spools.

    Args:
        record: open for writing.
        found: the job.
        listen: makes a recogniser's stream.
        measurer: as for a session.
        keep_sound: whether the spooled sound goes into the record whole.

    Returns:
        All entries of the job, and what was recovered.

    Raises:
        CaptureError: it could not be stored; the spool stays, and this can be tried again.
    """
    recorded = found.recorded
    utterances, seconds = 0, 0.0
    with told_plainly(record.folder / FOLDER):
        for left in left_behind(record.folder, found.job):
            session = Session(
                record,
                found.procedure,
                found.job,
                left.session,
                measurer,
                recorded,
                left.technician or found.technician,
            )
            begin = _heard_until(found.rows, left)
            pcm = left.pcm(begin)
            seconds += len(pcm) / 2 / RATE
            for heard in _hear(listen(found.procedure), pcm, begin / RATE):
                session.hear(heard, left.timeline.moment(heard.words[0].start_s if heard.words else heard.start_s))
                utterances += 1
            for _, path in left.pieces if keep_sound else ():
                keep_piece(session, left.timeline, path)
            remove(left.folder)
            recorded = session.recorded
    return recorded, Recovered(utterances, round(seconds, 1))


def _heard_until(rows: tuple[Row, ...], left: Left) -> int:
    """The first sample of a broken session that no row speaks of."""
    ends = [
        float(heard["end_s"])
        for row in rows
        if row.session == left.session and isinstance(heard := row.body.get("heard"), dict)
        if heard.get("engine") != KEYBOARD
    ]
    first = left.pieces[0][0] if left.pieces else 0
    return max(first, int(max(ends, default=0.0) * RATE))


def _hear(listener: Listener, pcm: bytes, shift_s: float) -> Iterator[Heard]:
    size = RATE // 5
    for at in range(0, len(pcm), size):
        yield from (shifted(heard, shift_s) for heard in listener.accept(pcm[at : at + size]))
    yield from (shifted(heard, shift_s) for heard in listener.finish())


def shifted(heard: Heard, by_s: float) -> Heard:
    """An utterance with all its times later by ``by_s`` seconds."""
    from capture.speech.heard import later

    clip: Any = replace(heard.clip, start_s=heard.clip.start_s + by_s)
    guesses = tuple(replace(guess, words=later(guess.words, by_s)) for guess in heard.guesses)
    return replace(
        heard,
        words=later(heard.words, by_s),
        start_s=heard.start_s + by_s,
        end_s=heard.end_s + by_s,
        clip=clip,
        guesses=guesses,
    )
