"""One job at one bench: what is heard and photographed goes in, judged entries go into the record.

The session owns no clock, microphone or camera: every event comes with its moment. Nothing is dropped: an utterance
that means nothing, a picture that cannot be opened and a sound that cannot be read are all stored with the reason.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

from capture.bench.alike import alike
from capture.bench.choosing import choose, cost_of
from capture.bench.continued import Before, continued, in_two_pieces, said_of
from capture.bench.counted import miscounted
from capture.bench.doubtful import Reparse, material
from capture.judge import JobView, entry_from_body, entry_to_body, finish, judge
from capture.judge.entry import Candidate, Entry, Moment, PhotoResult, Recorded, Warned
from capture.phrases import parse
from capture.phrases.statements import Context, CorrectionSaid, NotUnderstood, PartSaid, Said
from capture.record import admin
from capture.record.times import format_time
from capture.record.uuid7 import uuid7

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.record import MediaRef, Record, Row
    from capture.speech.heard import Doubt, Heard, Word

UNJUDGED = frozenset({"opened", "source", "paused", "resumed", "handed_over", "reopened"})
"""Kinds of rows that the bench writes itself; all others are judged entries."""

UNCOUNTED = (UNJUDGED | admin.KINDS) - {admin.SIGNATURE}
"""Rows that the judge does not see; who signed it must, to say that something was changed afterwards."""

KEYBOARD = "keyboard"
"""What stands as the engine of words that were typed or chosen by hand: there is no sound to them."""

_UNASKED = Warned(
    "photo_unasked",
    "warning",
    "A picture came in that nobody had asked for, so it is kept but not measured.",
    "Say the photo view's name before taking the picture, or name the view in the job file.",
)


@dataclass(frozen=True)
class Header:
    """Who works on what, for whom; ``settings`` is whatever else should be on record (plain JSON)."""

    technician: str
    workshop: str
    reference: str
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class Looked:
    """What a measurer made of a picture. ``overlay`` is the annotated picture (JPEG or PNG), or None."""

    result: PhotoResult
    overlay: bytes | None
    overlay_type: str = "image/jpeg"


class Measurer(Protocol):
    """Measures one picture taken for one of the procedure's photo views; never raises on a bad picture."""

    def __call__(self, data: bytes, view: str, *, more: Sequence[bytes] = ()) -> Looked:
        """Measure the picture, or a burst: ``more`` are other frames of the same view."""


class Session:
    """Feeds one job's record.

    Args:
        record: an open record.
        procedure: the kind of job.
        job: the job's id (UUID).
        session: this session's id (UUID).
        measurer: how pictures are measured.
        recorded: the job's entries so far, when it is resumed.
        technician: who works.
    """

    def __init__(
        self,
        record: Record,
        procedure: Procedure,
        job: str,
        session: str,
        measurer: Measurer,
        recorded: Iterable[Recorded] = (),
        technician: str = "",
    ) -> None:
        self._record = record
        self._procedure = procedure
        self._measurer = measurer
        self._recorded = list(recorded)
        self._asked = _still_asked(self._recorded)
        self._seen: int | None = None
        self._before: Before | None = None
        self.technician = technician
        self.job = job
        self.session = session

    @property
    def view(self) -> JobView:
        """The job so far, as the judge sees it."""
        return JobView.of(self._recorded, self._procedure)

    @property
    def recorded(self) -> tuple[Recorded, ...]:
        """Every judged entry so far."""
        return tuple(self._recorded)

    @property
    def asked(self) -> str | None:
        """The photo view that was asked for and whose picture has not come yet."""
        return self._asked

    def open(self, header: Header, moment: Moment) -> Row:
        """Write the row that opens the job; the procedure's text goes into the record with it."""
        procedure = self._procedure
        text = self._record.put_media(procedure.text.encode(), "procedure", "application/toml")
        body = {
            "kind": "opened",
            "data": {
                "procedure": {
                    "id": procedure.id,
                    "name": procedure.name,
                    "version": procedure.version,
                    "source": procedure.source,
                    "digest": procedure.digest,
                },
                "technician": header.technician,
                "workshop": header.workshop,
                "reference": header.reference,
                "cautions": list(procedure.cautions),
                "settings": dict(header.settings),
            },
        }
        return self._append("opened", body, moment, [text])

    def source(self, name: str, data: bytes, media_type: str, moment: Moment, facts: Mapping[str, Any]) -> Row:
        """Keep a whole file as it came in (original sound), with plain facts about it."""
        ref = self._record.put_media(data, "source", media_type)
        body = {"kind": "source", "data": {"file": name, **facts}}
        return self._append("source", body, moment, [ref])

    def mark(self, kind: str, data: Mapping[str, Any], moment: Moment) -> Row:
        """Write a row of the bench's own: ``paused``, ``resumed``, ``handed_over`` or ``reopened``."""
        return self._append(kind, admin.body(kind, None, data), moment, [])

    def hear(self, heard: Heard, moment: Moment) -> tuple[Recorded, ...]:
        """Parse, judge and store one utterance; all its entries are stored together, or none.

        Args:
            heard: words with times and confidences, and the exact clip.
            moment: when its first word began.

        Returns:
            The entries it became, in order.

        Raises:
            EnvironmentFault: it could not be stored; nothing of it was, so that it can be tried again.
        """
        clip = self._record.put_media(heard.clip.wav_bytes(), "clip", "audio/wav")
        objections: tuple[str, ...] = ()
        also: tuple[tuple[str, float], ...] = ()
        if any(guess.words for guess in heard.guesses):
            chosen = choose(heard, self._reparse(), partial(self._cost, moment=moment))
            heard, objections, also = chosen.heard, chosen.objections, chosen.also
        words = [word.text for word in heard.words]
        body = _heard_body(heard, also)
        found = self._finished(words, body, heard.words, moment, [clip])
        found = found or self._take(words, heard.doubts, body, heard.words, moment, [clip], objections)
        self._before = None
        if heard.words:
            ended = moment.mono + heard.words[-1].end_s - heard.words[0].start_s
            self._before = Before(tuple(words), ended, moment.session, found[-1].id)
        return found

    def typed(self, words: Sequence[str], moment: Moment, line: str = "") -> tuple[Recorded, ...]:
        """Parse, judge and store words that were typed or chosen by hand; as ``hear``, without sound.

        Args:
            words: lower-case words as they would be said.
            moment: when the line was sent.
            line: the line as it was typed, when that differs.
        """
        self._before = None
        shown = [{"text": word, "start_s": 0.0, "end_s": 0.0, "confidence": None} for word in words]
        body = {
            "text": line or " ".join(words),
            "engine": KEYBOARD,
            "start_s": 0.0,
            "end_s": 0.0,
            "words": shown,
        }
        return self._take(words, (), body, (), moment, [])

    def photo(
        self,
        data: bytes,
        media_type: str,
        moment: Moment,
        *,
        view: str | None = None,
        facts: Mapping[str, Any],
        more: Sequence[bytes] = (),
        keep: bool = False,
    ) -> tuple[Recorded, ...]:
        """Match a picture with the last request still open, measure it, judge and store it with its overlay.

        A request that was followed by another one is never matched: its picture would be a guess.

        Args:
            data: the whole picture file.
            media_type: its media type.
            moment: when it was taken.
            view: the photo view when it is known otherwise than by a spoken request.
            facts: plain facts to keep (file name, how its time is known).
            more: other frames of the same view, of the same media type; they are measured with it.
            keep: whether those are kept in the record too.
        """
        original = self._record.put_media(data, "photo", media_type)
        others = [self._record.put_media(frame, "frame", media_type) for frame in more] if keep else []
        asked = view or self._asked
        if asked is None:
            entry = Entry(
                kind="photo",
                stage=self.view.stage,
                subject=None,
                status="not_accepted",
                words="",
                data={"view": None, "outcome": "not_measured", "reason": "unasked", "sentence": _UNASKED.sentence},
                warnings=(_UNASKED,),
            )
            return self._store([entry], moment, [original, *others], {"file": dict(facts)})
        looked = self._measurer(data, asked, more=more) if more else self._measurer(data, asked)
        media = [original, *others]
        if looked.overlay is not None:
            media.append(self._record.put_media(looked.overlay, "overlay", looked.overlay_type))
        entries = judge(self._procedure, self.view, Candidate(photo=looked.result), moment)
        return self._store(entries, moment, media, {"file": dict(facts)})

    def catch_up(self) -> bool:
        """Take in what somebody else, a reviewer, added to the job since; whether that was anything."""
        ((newest,),) = self._record._fetch("SELECT max(seq) FROM ledger WHERE job = ?", (self.job,))
        if newest == self._seen:
            return False
        known = {one.id for one in self._recorded}
        fresh = [row for row in self._record.rows(self.job) if row.id not in known and row.kind not in UNCOUNTED]
        self._seen = newest
        self._recorded += [
            Recorded(row.id, entry_from_body(row.body), Moment(row.when, row.mono, row.session)) for row in fresh
        ]
        return bool(fresh)

    def finish(self, moment: Moment) -> tuple[Recorded, ...]:
        """Close the books: what the last stage and the whole job lack, and the kit's balance."""
        return self._store(finish(self._procedure, self.view, moment), moment, [], {})

    def _take(
        self,
        words: Sequence[str],
        doubts: Sequence[Doubt],
        body: Mapping[str, Any],
        heard: Sequence[Word],
        moment: Moment,
        media: Sequence[MediaRef],
        objections: Sequence[str] = (),
    ) -> tuple[Recorded, ...]:
        reparse = self._reparse()
        statements = reparse(words) or (
            NotUnderstood(words="", span=(0, 0), sentence="Sound, but no word that could be recognised; say it again."),
        )
        found: list[Recorded] = []
        asked: dict[str, None] = {}
        doubts = [*doubts, *alike(heard, reparse)]
        for i, statement in enumerate(statements):
            reasons = [doubt.reason for doubt in material(doubts, words, statement, reparse)]
            reasons += [objection for objection in objections[i : i + 1] if objection]
            meant = said_of(statement)
            if heard and isinstance(meant, PartSaid):
                part = self._procedure.part(meant.part)
                reasons += miscounted(words[slice(*statement.span)], part, meant.quantity)
            asked |= dict.fromkeys(reasons)
            candidate = self._candidate(statement, reasons, heard)
            so_far = JobView.of([*self._recorded, *found], self._procedure)
            found += [Recorded(_new_id(), e, moment) for e in judge(self._procedure, so_far, candidate, moment)]
        return self._commit(found, media, {"heard": {**body, "doubts": list(asked)}})

    def _finished(
        self,
        words: Sequence[str],
        body: Mapping[str, Any],
        heard: Sequence[Word],
        moment: Moment,
        media: Sequence[MediaRef],
    ) -> tuple[Recorded, ...]:
        """What words became that finish the sentence before them; nothing if they do not."""
        before = self._before
        if before is None or not before.breath(moment.mono, moment.session):
            return ()
        view = self.view
        alone = partial(parse, procedure=self._procedure, context=Context(stage=view.stage))
        whole = continued(before.words, words, alone, self._reparse())
        if whole is None:
            return ()
        reason = in_two_pieces(before.words, words)
        confidence = min(word.confidence for word in heard)
        inner = replace(said_of(whole) or whole, words=whole.words, span=whole.span)
        correction = CorrectionSaid(statement=inner, words=whole.words, span=whole.span)
        candidate = Candidate(correction, doubts=(reason,), confidence=confidence, person=self.technician or None)
        found = judge(self._procedure, view, candidate, moment)
        if found[-1].replaces != before.entry:
            found = judge(self._procedure, view, replace(candidate, statement=inner), moment)
        entries = [Recorded(_new_id(), entry, moment) for entry in found]
        return self._commit(entries, media, {"heard": {**body, "doubts": [reason], "after": before.entry}})

    def _reparse(self) -> Reparse:
        """Words to statements, for the job as it stands."""
        view = self.view
        return partial(parse, procedure=self._procedure, context=Context(stage=view.stage, last_field=view.last_field))

    def _cost(self, statements: Sequence[Said], moment: Moment) -> float:
        """What a guess at an utterance is the less likely for its statements in this job."""
        view = self.view
        found = [e for said in statements for e in judge(self._procedure, view, Candidate(statement=said), moment)]
        return cost_of(found, self._procedure.stage(view.stage) if view.stage else None)

    def _candidate(self, statement: Said, doubts: Sequence[str], heard: Sequence[Word]) -> Candidate:
        first, last = statement.span
        confidence = min((word.confidence for word in heard[first:last]), default=None)
        return Candidate(statement, doubts=tuple(doubts), confidence=confidence, person=self.technician or None)

    def _store(
        self, entries: Iterable[Entry], moment: Moment, media: Sequence[MediaRef], more: Mapping[str, Any]
    ) -> tuple[Recorded, ...]:
        return self._commit([Recorded(_new_id(), entry, moment) for entry in entries], media, more)

    def _commit(
        self, found: Sequence[Recorded], media: Sequence[MediaRef], more: Mapping[str, Any]
    ) -> tuple[Recorded, ...]:
        from capture.record.bulk import Draft, append_all

        drafts = [
            Draft(
                self.job,
                one.entry.kind,
                {**entry_to_body(one.entry), **more},
                format_time(one.moment.at),
                max(0.0, one.moment.mono),
                self.session,
                media,
                one.id,
            )
            for one in found
        ]
        append_all(self._record, drafts)
        self._recorded += found
        self._asked = _still_asked(self._recorded)
        return tuple(found)

    def _append(self, kind: str, body: Mapping[str, Any], moment: Moment, media: Sequence[MediaRef]) -> Row:
        return self._record.append(
            job=self.job,
            kind=kind,
            body=body,
            at=moment.at,
            mono=moment.mono,
            session=self.session,
            media=media,
        )


def recorded_of(rows: Iterable[Row], moments: Iterable[Moment]) -> list[Recorded]:
    """Turn stored rows back into judged entries (rows of the kinds in ``UNJUDGED`` are left out)."""
    return [
        Recorded(row.id, entry_from_body(row.body), moment)
        for row, moment in zip(rows, moments, strict=True)
        if row.kind not in UNJUDGED
    ]


def _still_asked(recorded: Sequence[Recorded]) -> str | None:
    """The view of the last request for a picture, until a picture came that was not refused, or it was withdrawn.

    After a refused picture the next one is the same view's: whoever is told that it is blurred takes it again.
    """
    replaced = {one.entry.replaces for one in recorded}
    for one in reversed(recorded):
        if one.entry.kind == "photo" and one.entry.data.get("outcome") != "refused":
            return None
        if one.entry.kind == "photo_asked" and one.entry.subject and one.id not in replaced:
            return one.entry.subject
    return None


def _new_id() -> str:
    return str(uuid7(time.time_ns() // 1_000_000, secrets.token_bytes(10)))


def _heard_body(heard: Heard, also: Sequence[tuple[str, float]]) -> dict[str, Any]:
    body: dict[str, Any] = {
        "text": heard.text,
        "engine": heard.engine,
        "start_s": round(heard.start_s, 3),
        "end_s": round(heard.end_s, 3),
        "words": [asdict(replace(word, confidence=round(word.confidence, 4))) for word in heard.words],
        "second": heard.second,
    }
    return {**body, "also": [{"text": text, "share": round(share, 3)} for text, share in also]} if also else body
