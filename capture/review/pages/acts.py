"""What a reviewer does to a job, each as new rows of its ledger: decide, correct, measure anew, reopen, sign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from capture.bench.live_typed import typed_words
from capture.bench.resume import Resumable, load_job
from capture.bench.session import KEYBOARD
from capture.errors import UsageError
from capture.judge import Candidate, Entry, JobView, Recorded, entry_to_body, judge_instead
from capture.judge.view import Standing, decisions
from capture.phrases import parse, vocabulary
from capture.phrases.statements import Context, CorrectionSaid, NotUnderstood, Refused, Said
from capture.record import admin
from capture.record.bulk import Draft, append_all
from capture.record.decisions import REVIEWED, decision_body, review_of
from capture.record.keys import same_person
from capture.record.signing import Moment
from capture.record.times import format_time
from capture.review.pages.who import Who

if TYPE_CHECKING:
    from capture.bench.session import Looked
    from capture.procedure.model import Procedure
    from capture.record import MediaRef, Record, Row

_WORKED = frozenset({"opened", "resumed", "reopened", "handed_over"})
_LOST = frozenset({"refused", "not_understood"})
_PUT = frozenset({"identity", "instrument", "reading", "turn", "check", "part", "note", "sign_off"})
_LONGEST_REASON = 300


_New: TypeAlias = "tuple[str, Mapping[str, Any], Sequence[MediaRef]]"
"""A row to be written: kind, body, media."""


@dataclass(frozen=True)
class Act:
    """Who acts on which job of which record. ``session`` is the id under which the rows are written."""

    record: Record
    job: str
    who: Who
    session: str

    def load(self) -> Resumable:
        """The job as it stands.

        Raises:
            UsageError: there is no such job.
        """
        return load_job(self.record, self.job)


def decide(act: Act, entry: str, decision: str, comment: str) -> None:
    """Write a decision on an entry; a picture's goes with that of the reading that was taken from it.

    Raises:
        UsageError: it cannot be decided, or not by this person.
    """
    found = act.load()
    check_may(act.who, found, comment_only=decision == "commented")
    about = _row(found, entry)
    _check_open(found, about, decision)
    rows = [about, *_companions(found, about)] if decision != "commented" else [about]
    bodies = [decision_body(row, decision, comment, act.who.person, act.who.role) for row in rows]
    _append(act, [(REVIEWED, body, ()) for body in bodies])


def take_back(act: Act, entry: str) -> None:
    """Undo what a reviewer last did to an entry: a decision, or a value that was put in another's place.

    Raises:
        UsageError: there is nothing to be undone, or this person may not.
    """
    found = act.load()
    about = _row(found, entry)
    if entry in decisions(found.recorded):
        decide(act, entry, "taken_back", "")
        return
    check_may(act.who, found)
    _check_open(found, about, "taken back")
    if review_of(about) is None:
        raise UsageError("Nothing was decided on this entry yet, so there is nothing to take back.")
    _append(act, [_restored(act, found, row) for row in (about, *_written_with(found, about))])


def _restored(act: Act, found: Resumable, row: Row) -> _New:
    """The entry before ``row``, once more, in the place of ``row``."""
    before = _row(found, str(row.body.get("replaces")))
    content = {name: value for name, value in before.body.items() if name not in {"media", "review"}}
    review = {**_review(act, "the change was taken back", row), "restores": before.id}
    return before.kind, {**content, "replaces": row.id, "review": review}, before.media


def _written_with(found: Resumable, about: Row) -> list[Row]:
    """What was written together with an entry: the picture of a measured reading."""
    return [
        row for row in found.rows
        if row.id != about.id and review_of(row) is not None and row.media and row.media == about.media
        and row.at == about.at
    ]  # fmt: skip


def correct(act: Act, entry: str, line: str, reason: str) -> None:
    """Put another value in an entry's place; the line is what should have been said.

    Raises:
        UsageError: the line means nothing, or something else than the entry is about; no reason is given; or this
            person may not.
    """
    found = act.load()
    check_may(act.who, found)
    why = _reason(reason)
    about = _row(found, entry)
    _check_open(found, about, "corrected")
    view = JobView.of(found.recorded, found.procedure)
    target = _target(found, view, entry)
    words = typed_words(line, vocabulary(found.procedure))
    said = _meant(words, found.procedure, target)
    judged = judge_instead(found.procedure, view, Candidate(statement=said, person=found.technician), target)
    made = _settled(judged[-1], target)
    if made.kind not in _PUT:
        raise UsageError("Only a value can be put on record here: a reading, an answer, a part, a number, a note.")
    if about.kind not in _LOST and (made.kind, made.subject) != (target.entry.kind, target.entry.subject):
        raise UsageError("The line is about something else than this entry; change only what is wrong in it.")
    if made.data == target.entry.data:
        raise UsageError("That is what the entry says already; change what is wrong, or accept it.")
    heard = {"text": line.strip(), "engine": KEYBOARD, "start_s": 0.0, "end_s": 0.0, "words": _shown(words)}
    body = {**entry_to_body(made), "heard": {**heard, "doubts": []}, "review": _review(act, why, about)}
    _append(act, [(made.kind, body, ())])


def measure_again(
    act: Act,
    entry: str,
    points: Mapping[str, Sequence[tuple[float, float]]],
    reason: str,
    setups: Mapping[str, Path],
    *,
    store: bool,
    shown: float = 1.0,
) -> Looked:
    """Measure an entry's picture at points that a person gave, and with ``store`` put the result in its place.

    ``shown``: pixels of the picture to one of the screen on which they were set.

    Raises:
        UsageError: there is no picture or no setup for it, it cannot be measured at these points, no reason is given,
            or this person may not.
    """
    found = act.load()
    check_may(act.who, found)
    why = _reason(reason) if store else ""
    about = _row(found, entry)
    _check_open(found, about, "measured anew")
    photo, reading = _picture(found, about)
    ref = next((ref for ref in photo.media if ref.kind == "photo"), None)
    view_id = str(photo.body.get("subject"))
    if ref is None:
        raise UsageError("This entry has no picture; there is nothing to be measured.")
    looked = _look(act.record.read_media(ref.sha256), view_id, points, found.procedure, setups, shown)
    if looked.result.outcome != "measured":
        raise UsageError(looked.result.sentence or "It cannot be measured at these points.")
    if store:
        _store_measurement(act, found, photo, reading, ref, looked, why)
    return looked


def reopen(act: Act, reason: str) -> None:
    """Open a finished job again, so that it can be taken up at the bench.

    Raises:
        UsageError: it is not finished, no reason is given, or this person may not.
    """
    found = act.load()
    check_may(act.who, found)
    if not found.finished:
        raise UsageError("This job is not finished; it can be taken up at the bench as it is.")
    data = {"reviewer": act.who.person, "reason": _reason(reason)}
    _append(act, [("reopened", admin.body("reopened", None, data), ())])


def sign(act: Act, role: str, passphrase: str, keys: Path) -> None:
    """Sign the job with the person's own key.

    Raises:
        UsageError: there is no key, the passphrase is wrong, or the procedure wants somebody else in this role.
    """
    from capture.record.keys import find_key, load_private
    from capture.record.signing import Signer, sign_job

    found = act.load()
    if not act.who.person:
        raise UsageError("Nobody is named as the signer; write your name at the top of the page.")
    if act.who.role == "reader":
        raise UsageError("A reader cannot sign; log in as a technician or a reviewer.")
    key = find_key(keys, act.who.person)
    signer = Signer(key.person, load_private(key.private, passphrase))
    if reviewing_role(found.procedure) == role:
        check_may(act.who, found)
    sign_job(act.record, act.job, role, signer, found.procedure, Moment(_now(), act.session))


def check_may(who: Who, found: Resumable, *, comment_only: bool = False) -> None:
    """Whether this person may decide on this job.

    Raises:
        UsageError: nobody is named, the role does not allow it, or the procedure wants another person.
    """
    if not who.person:
        raise UsageError("Nobody is named as the reviewer; write your name at the top of the page.")
    if who.role == "reader" or (who.role == "technician" and not comment_only):
        raise UsageError(f"A {who.role} cannot decide on entries; log in as a reviewer.")
    if comment_only or reviewing_role(found.procedure) is None:
        return
    if any(same_person(who.person, worked) for worked in technicians(found.rows)):
        raise UsageError(
            f"{who.person} worked on this job, and its procedure asks for different persons; let somebody else review."
        )


def reviewing_role(procedure: Procedure) -> str | None:
    """The procedure's role that must be held by somebody else than the technician; None when it asks for none."""
    return next((role.id for role in procedure.roles if "technician" in role.differs_from), None)


def technicians(rows: Sequence[Row]) -> list[str]:
    """Everybody who worked on a job, in order."""
    names = [str((row.body.get("data") or {}).get("technician") or "") for row in rows if row.kind in _WORKED]
    return list(dict.fromkeys(name for name in names if name))


def _row(found: Resumable, entry: str) -> Row:
    row = next((row for row in found.rows if row.id == entry), None)
    if row is None:
        raise UsageError("This job has no such entry; load the page again.")
    return row


def _check_open(found: Resumable, about: Row, decision: str) -> None:
    if decision != "commented" and any(row.body.get("replaces") == about.id for row in found.rows):
        raise UsageError(
            "Another entry has taken the place of this one since; load the page again and look at that one."
        )


def _companions(found: Resumable, about: Row) -> list[Row]:
    """The picture of a photographed reading: they are decided on together."""
    photo, reading = _picture(found, about)
    return [photo] if reading is not None and reading.id == about.id and photo.id != about.id else []


def _picture(found: Resumable, about: Row) -> tuple[Row, Row | None]:
    """An entry's photo row, and the row of the reading that was taken from it."""
    if about.kind == "reading" and about.body["data"].get("via") == "photo":
        before = [row for row in found.rows if row.seq < about.seq and row.kind == "photo" and row.media == about.media]
        return (before[-1], about) if before else (about, about)
    if about.kind == "photo":
        after = [
            row for row in found.rows
            if row.seq > about.seq and row.kind == "reading" and row.media and row.media == about.media
        ]  # fmt: skip
        replaced = {row.body.get("replaces") for row in found.rows}
        live = [row for row in after if row.id not in replaced]
        return about, live[0] if live else None
    return about, None


def _target(found: Resumable, view: JobView, entry: str) -> Standing:
    """An entry as something whose place can be taken, also when it was rejected or never taken."""
    known = view.find(entry) or next((held for held in view.returned if held.id == entry), None)
    if known is not None:
        return known
    place = next((place for place, one in enumerate(found.recorded) if one.id == entry), None)
    if place is None:
        raise UsageError("Nothing can take the place of this row.")
    one: Recorded = found.recorded[place]
    return Standing(one.id, one.entry, one.moment, place)


def _meant(words: Sequence[str], procedure: Procedure, target: Standing) -> Said:
    field = target.entry.subject if target.entry.kind == "reading" else None
    statements = parse(words, procedure=procedure, context=Context(stage=target.entry.stage, last_field=field))
    if len(statements) != 1:
        raise UsageError(
            "Write one thing only: the line that should have been said." if words else "The line is empty."
        )
    said = statements[0]
    if isinstance(said, CorrectionSaid) and said.statement is not None:
        said = said.statement
    if isinstance(said, NotUnderstood | Refused):
        raise UsageError(said.sentence)
    return said


def _settled(entry: Entry, target: Standing) -> Entry:
    """What a reviewer writes is not waiting for anybody to confirm it."""
    return replace(entry, status="accepted" if entry.status == "unconfirmed" else entry.status, replaces=target.id)


def _look(
    data: bytes,
    view: str,
    points: Mapping[str, Sequence[tuple[float, float]]],
    procedure: Procedure,
    setups: Mapping[str, Path],
    shown: float,
) -> Looked:
    from capture.bench.measurer import SetupMeasurer

    views = {known.id for known in procedure.photos}
    if view not in setups or view not in views:
        raise UsageError(
            f"No measuring setup is known here for the view '{view}'; start with --setup {view}=FILE and measure again."
        )
    return SetupMeasurer(procedure, {view: setups[view]})(data, view, points, shown=shown)


def _store_measurement(
    act: Act, found: Resumable, photo: Row, reading: Row | None, ref: MediaRef, looked: Looked, why: str
) -> None:
    view = JobView.of(found.recorded, found.procedure)
    target = _target(found, view, photo.id)
    measured = None if reading is None else _target(found, view, reading.id)
    judged = judge_instead(found.procedure, view, Candidate(photo=looked.result), target, measured)
    media = [ref]
    if looked.overlay is not None:
        media.append(act.record.put_media(looked.overlay, "overlay", looked.overlay_type))
    review = _review(act, why, photo)
    file = {} if photo.body.get("file") is None else {"file": photo.body["file"]}
    held = (target, measured or target)
    entries = [_settled(entry, held[index]) for index, entry in enumerate(judged)]
    _append(act, [(one.kind, {**entry_to_body(one), **file, "review": review}, tuple(media)) for one in entries])


def _review(act: Act, why: str, about: Row) -> dict[str, Any]:
    earlier = about.body.get("review")
    taken = earlier.get("taken_at") if isinstance(earlier, Mapping) else None
    return {"person": act.who.person, "role": act.who.role, "reason": why, "taken_at": taken or about.at}


def _shown(words: Sequence[str]) -> list[dict[str, Any]]:
    return [{"text": word, "start_s": 0.0, "end_s": 0.0, "confidence": None} for word in words]


def _reason(text: str) -> str:
    cleaned = " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
    if not cleaned:
        raise UsageError("The reason is missing; say why in a few words.")
    if len(cleaned) > _LONGEST_REASON:
        raise UsageError(f"The reason is longer than {_LONGEST_REASON} characters; shorten it.")
    return cleaned


def _append(act: Act, rows: Sequence[_New]) -> None:
    at = _now()
    append_all(act.record, [Draft(act.job, kind, body, at, 0.0, act.session, refs) for kind, body, refs in rows])


def _now() -> str:
    return format_time(datetime.now().astimezone())
