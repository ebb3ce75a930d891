"""A job from files: hears every sound, orders everything by its time, and feeds one session."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from capture.bench.plan import Item, Plan
from capture.bench.session import Header, Measurer, Session
from capture.errors import AudioError, RecognitionError
from capture.judge.entry import Moment, Recorded

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.record import Record
    from capture.speech import Heard, Recogniser

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Outcome:
    """What a run left behind. ``faults`` are sentences about files that could not be used."""

    job: str
    entries: tuple[Recorded, ...]
    faults: tuple[str, ...]


@dataclass(frozen=True)
class _Event:
    """Something that happened: an utterance (``heard``), or the beginning of a sound file, or a picture."""

    at: datetime
    item: Item
    heard: Heard | None


def run_plan(
    plan: Plan,
    procedure: Procedure,
    record: Record,
    recogniser: Recogniser,
    measurer: Measurer,
    job: str,
    session_id: str,
    progress: Progress = lambda _: None,
    tell: Callable[[Recorded], None] = lambda _: None,
) -> Outcome:
    """Make one job's record.

    Args:
        plan: which files, when, by whom.
        procedure: the kind of job.
        record: where it goes.
        recogniser: hears the sound files.
        measurer: measures the pictures.
        job: the new job's id.
        session_id: this session's id.
        progress: is told in a few words what is being done.
        tell: is shown every entry as it is stored.

    Returns:
        The job's id, its entries and what could not be used.

    Raises:
        RecognitionError: there were sound files and not one of them could be read.
    """
    events, faults = _events(plan, recogniser, progress)
    start = plan.items[0].time.at
    session = Session(record, procedure, job, session_id, measurer, technician=plan.technician)
    header = Header(
        plan.technician,
        plan.workshop,
        plan.reference,
        {"recogniser": recogniser.name, "setups": {view: path.name for view, path in plan.setups.items()}},
    )
    session.open(header, _moment(start, start, session))
    for event in events:
        for recorded in _feed(session, event, start, faults, progress):
            tell(recorded)
    for recorded in session.finish(_moment(_end(events, start), start, session)):
        tell(recorded)
    if any(item.kind == "sound" for item in plan.items) and not any(event.heard for event in events) and faults:
        raise RecognitionError("; ".join(faults.values()))
    return Outcome(session.job, session.recorded, tuple(faults.values()))


def _events(plan: Plan, recogniser: Recogniser, progress: Progress) -> tuple[list[_Event], dict[str, str]]:
    from capture.speech import read_audio

    events: list[_Event] = []
    faults: dict[str, str] = {}
    for item in plan.items:
        events.append(_Event(item.time.at, item, None))
        if item.kind == "photo":
            continue
        progress(f"hearing {item.path.name}")
        try:
            audio = read_audio(item.path)
        except AudioError as error:
            faults[item.path.name] = str(error)
            continue
        for heard in recogniser.hear(audio):
            events.append(_Event(item.time.at + timedelta(seconds=heard.start_s), item, heard))
    return sorted(events, key=lambda event: event.at), faults


def _feed(
    session: Session, event: _Event, start: datetime, faults: Mapping[str, str], progress: Progress
) -> Iterator[Recorded]:
    """Store one event: an utterance, a whole sound file before its utterances, or a picture."""
    item, moment = event.item, _moment(event.at, start, session)
    if event.heard is not None:
        yield from session.hear(event.heard, moment)
        return
    data = item.path.read_bytes()
    if item.kind == "sound":
        facts = {"time_from": item.time.source, "fault": faults.get(item.path.name)}
        session.source(item.path.name, data, item.media_type, moment, facts)
        return
    progress(f"measuring {item.path.name}")
    about = {"name": item.path.name, "time_from": item.time.source}
    yield from session.photo(data, item.media_type, moment, view=item.view, facts=about)


def _end(events: list[_Event], start: datetime) -> datetime:
    ends = [
        event.at + timedelta(seconds=event.heard.end_s - event.heard.start_s if event.heard else 0) for event in events
    ]
    return max(ends, default=start)


def _moment(at: datetime, start: datetime, session: Session) -> Moment:
    return Moment(at, (at - start).total_seconds(), session.session)
