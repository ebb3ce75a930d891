"""The judge: a statement or a photo's result and the job so far become entries with verdict, warnings and advice.

Pure: no clock, no disk, the same answer for the same question. What it judges by comes from the procedure alone. It
records, checks and warns; it does not replace the maker's manual, local rules or a qualified person.
"""

from capture.judge.body import entry_from_body, entry_to_body
from capture.judge.entry import (
    Advice,
    Candidate,
    Entry,
    Moment,
    PhotoResult,
    Recorded,
    Verdict,
    Warned,
)
from capture.judge.judging import finish, judge, judge_instead
from capture.judge.uncertainty import conformance_probability
from capture.judge.view import JobView, Standing
from capture.judge.warned import WARNINGS, WarningKind

__all__ = [
    "WARNINGS",
    "Advice",
    "Candidate",
    "Entry",
    "JobView",
    "Moment",
    "PhotoResult",
    "Recorded",
    "Standing",
    "Verdict",
    "Warned",
    "WarningKind",
    "conformance_probability",
    "entry_from_body",
    "entry_to_body",
    "finish",
    "judge",
    "judge_instead",
]
