"""The real conversation's end of the measurement: what a session of the bench would store of what was heard."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

from capture.bench.resume import new_id
from capture.bench.session import Header, Looked, Session
from capture.judge.entry import Moment, PhotoResult, Recorded
from capture.procedure.model import Procedure
from capture.record import Record
from capture.speech import Heard

VALUES = frozenset({"reading", "turn", "check", "part", "identity", "instrument"})
"""Kinds of entries that hold a value."""
STEPS = frozenset({"stage", "sign_off", "withdrawn", "photo_asked"})
"""Kinds of entries by which a job goes on, or something is taken back."""
_BEGUN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
_LOOSE = frozenset({"id", "about", "reply", "stage_total", "net"})

Meaning = tuple[str, str | None, str]


@dataclass(frozen=True)
class Stored:
    """What one utterance left: entries accepted at once, and entries that wait until somebody confirms."""

    accepted: tuple[Meaning, ...]
    waiting: tuple[Meaning, ...]

    @property
    def all(self) -> tuple[Meaning, ...]:
        """All that it was understood as."""
        return tuple(sorted((*self.accepted, *self.waiting), key=str))


def unmeasured(data: bytes, view: str, *, more: Sequence[bytes] = ()) -> Looked:
    """No picture is ever taken here."""
    return Looked(PhotoResult(view, "not_measured"), None)


class Desk:
    """Opens sessions of one procedure in one record."""

    def __init__(self, record: Record, procedure: Procedure) -> None:
        self.record, self.procedure = record, procedure
        self._numbers = count()

    def session(self) -> Session:
        """A new job, nothing said yet."""
        session = Session(self.record, self.procedure, new_id(), new_id(), unmeasured, technician="A. Bench")
        session.open(Header("A. Bench", "bench", "", {}), self.moment())
        return session

    def moment(self) -> Moment:
        """A second later than the last one."""
        number = next(self._numbers)
        return Moment(_BEGUN + timedelta(seconds=number), float(number), "bench")

    def begun_for(self, words: str) -> Session:
        """A job in which a sentence makes sense: what a correction corrects has been said, otherwise nothing."""
        session = self.session()
        said = words.split()
        if said[0] == "correction":
            reading = self.procedure.readings[0]
            first = said[1:] or [*reading.spoken[0].split(), "one", "point", "five", *self._unit(reading.units[0])]
            session.typed(first, self.moment())
        return session

    def _unit(self, unit: str) -> list[str]:
        from capture.procedure.language import WRITTEN

        return WRITTEN.get(unit.lower(), unit).split()

    def meant(self, words: str) -> Stored:
        """What a sentence becomes when it is understood word for word and nothing about it is doubtful."""
        return stored(self.begun_for(words).typed(words.split(), self.moment()))

    def typed(self, words: str, got: Sequence[str]) -> Stored:
        """What is stored of bare words, about which nothing is doubtful, where ``words`` were said."""
        return stored(self.begun_for(words).typed(list(got), self.moment()))

    def became(self, words: str, heard: Sequence[Heard]) -> Stored:
        """What is stored of what was heard where ``words`` were said."""
        session, begun = self.begun_for(words), self.moment()
        entries = [entry for one in heard for entry in session.hear(one, later(begun, one))]
        replaced = {one.entry.replaces for one in entries}
        return stored(one for one in entries if one.id not in replaced)


def later(begun: Moment, heard: Heard) -> Moment:
    """When an utterance began, in sound that began at ``begun``."""
    seconds = heard.words[0].start_s if heard.words else heard.start_s
    return Moment(begun.at + timedelta(seconds=seconds), begun.mono + seconds, begun.session)


def stored(entries: Iterable[Recorded]) -> Stored:
    """Entries by their status, what was not taken left out; of a note only that it is one."""
    found: dict[str, list[Meaning]] = {"accepted": [], "unconfirmed": [], "not_accepted": []}
    for one in entries:
        if one.entry.kind == "note":
            found["accepted"].append(("note", None, ""))
        elif one.entry.kind in VALUES | STEPS | {"command"}:
            found[one.entry.status].append(_meaning(one.entry.kind, one.entry.subject, one.entry.data))
    return Stored(tuple(found["accepted"]), tuple(found["unconfirmed"]))


def _meaning(kind: str, subject: str | None, data: Any) -> Meaning:
    return kind, subject, str(sorted((k, v) for k, v in data.items() if k not in _LOOSE))


@dataclass(frozen=True)
class Outcome:
    """How one sentence came out."""

    right: bool
    """the same entries as if it had been understood word for word, whether they wait or not"""
    wrong_unasked: bool
    """something with a value was accepted at once that was not said"""
    asked: bool
    """right, but a question is asked that the words themselves would not have raised"""
    step_unasked: bool
    """a stage, sign-off or withdrawal was accepted at once that was not said"""


def outcome(meant: Stored, became: Stored) -> Outcome:
    """Compare what a sentence became with what it should have become."""
    extra = [one for one in became.accepted if one not in meant.all]
    right = became.all == meant.all
    return Outcome(
        right,
        any(kind in VALUES for kind, _, _ in extra),
        right and any(one in meant.accepted for one in became.waiting),
        any(kind in STEPS for kind, _, _ in extra),
    )
