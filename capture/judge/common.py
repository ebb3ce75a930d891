"""What judging any statement shares: the case at hand, warnings about how it was heard, plain entries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from capture.judge.entry import Candidate, Entry, Moment, Status, Warned
from capture.judge.view import JobView, Standing
from capture.judge.warned import warned
from capture.phrases.statements import Said
from capture.procedure.model import Procedure


@dataclass(frozen=True)
class Case:
    """One candidate before the judge. ``instead`` is the standing entry that it corrects, if any."""

    procedure: Procedure
    view: JobView
    candidate: Candidate
    moment: Moment
    instead: Standing | None = None

    @property
    def stage(self) -> str | None:
        """The stage that the entry belongs to."""
        return self.view.stage if self.instead is None else self.instead.entry.stage

    @property
    def place(self) -> int:
        """The place that the entry takes in the order of the job."""
        return self.view.end if self.instead is None else self.instead.place

    @property
    def replaces(self) -> str | None:
        """The id of the entry that is corrected."""
        return None if self.instead is None else self.instead.id


def heard_warnings(candidate: Candidate) -> tuple[Warned, ...]:
    """Warnings about doubtful words."""
    if not candidate.doubts:
        return ()
    return (
        warned(
            "words_doubtful",
            " ".join(candidate.doubts),
            "Listen to the clip; say confirm if it was heard rightly, else say it again after correction.",
        ),
    )


def no_stage_warnings(case: Case) -> tuple[Warned, ...]:
    """The warning that no stage has begun yet."""
    if case.stage is not None or not case.procedure.stages:
        return ()
    return (
        warned(
            "no_stage",
            "No stage has begun, so nothing could be checked against its limits.",
            "Say the stage that you are in, then say this again.",
        ),
    )


def entry_of(
    case: Case,
    said: Said,
    kind: str,
    subject: str | None,
    data: Mapping[str, Any],
    warnings: Sequence[Warned] = (),
    *,
    ask: bool = False,
) -> Entry:
    """A judged entry without verdict; ``ask``, or doubtful words among its warnings, leave it unconfirmed."""
    doubtful = any(warning.id == "words_doubtful" for warning in warnings)
    status: Status = "unconfirmed" if ask or doubtful else "accepted"
    return Entry(
        kind=kind,
        stage=case.stage,
        subject=subject,
        status=status,
        words=said.words,
        data=dict(data),
        warnings=tuple(warnings),
        replaces=case.replaces,
    )


def refused(case: Case, said: Said, reason: str, sentence: str, field: str | None = None) -> Entry:
    """An entry that keeps words that were not taken, and why."""
    return Entry(
        kind="refused",
        stage=case.view.stage,
        subject=field,
        status="not_accepted",
        words=said.words,
        data={"reason": reason, "sentence": sentence, "field": field},
    )


def not_understood(case: Case, words: str, sentence: str) -> Entry:
    """An entry that keeps words that fit nothing."""
    return Entry(
        kind="not_understood",
        stage=case.view.stage,
        subject=None,
        status="not_accepted",
        words=words,
        data={"sentence": sentence},
    )
