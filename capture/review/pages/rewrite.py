"""Putting another value in an entry's place: what should have been said, or a picture measured anew at points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.bench.live_typed import typed_words
from capture.bench.resume import Resumable
from capture.bench.session import KEYBOARD
from capture.errors import UsageError
from capture.judge import Candidate, Entry, JobView, Recorded, entry_to_body, judge_instead
from capture.judge.view import Standing
from capture.phrases import parse, vocabulary
from capture.phrases.statements import Context, CorrectionSaid, NotUnderstood, Refused, Said
from capture.review.pages.act import Act, append, check_may, check_open, picture_of, reason_of, review_facts, row_of

if TYPE_CHECKING:
    from capture.bench.session import Looked
    from capture.procedure.model import Procedure
    from capture.record import MediaRef, Row

_LOST = frozenset({"refused", "not_understood"})
_PUT = frozenset({"identity", "instrument", "reading", "turn", "check", "part", "note", "sign_off"})


def correct(act: Act, entry: str, line: str, reason: str) -> None:
    """Put another value in an entry's place; the line is what should have been said.

    Raises:
        UsageError: the line means nothing, or something else than the entry is about; no reason is given; or this
            person may not.
    """
    found = act.load()
    check_may(act.who, found)
    why = reason_of(reason)
    about = row_of(found, entry)
    check_open(found, about, "corrected")
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
    body = {**entry_to_body(made), "heard": {**heard, "doubts": []}, "review": review_facts(act, why, about)}
    append(act, [(made.kind, body, ())])


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
    why = reason_of(reason) if store else ""
    about = row_of(found, entry)
    check_open(found, about, "measured anew")
    photo, reading = picture_of(found, about)
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
    review = review_facts(act, why, photo)
    file = {} if photo.body.get("file") is None else {"file": photo.body["file"]}
    held = (target, measured or target)
    entries = [_settled(entry, held[index]) for index, entry in enumerate(judged)]
    append(act, [(one.kind, {**entry_to_body(one), **file, "review": review}, tuple(media)) for one in entries])


def _shown(words: Sequence[str]) -> list[dict[str, Any]]:
    return [{"text": word, "start_s": 0.0, "end_s": 0.0, "confidence": None} for word in words]
