"""The wall clock against the time that really passed."""

from __future__ import annotations

from datetime import timedelta

import pytest

from capture.judge import Candidate, Moment
from tests.judge.desk import START, Desk, ids, reading, sentence


@pytest.mark.parametrize(
    ("wall", "mono", "session", "jumped"),
    [
        (10, 10, "one", False),
        (11.9, 10, "one", False),
        (12.1, 10, "one", True),
        (7.9, 10, "one", True),
        (3600, 10, "one", True),
        (-3590, 10, "one", True),
        (0, 0, "one", False),
        (-0.5, 0.5, "one", True),  # backwards
        (-4, -4, "one", False),  # a picture that was taken before the last words
        (86400, 3, "two", False),  # another session, the next day
        (86400, 400, "two", False),
        (-60, 3, "two", True),
        (-0.01, 3, "two", False),
    ],
)
def test_jumps(wall: float, mono: float, session: str, jumped: bool) -> None:
    job = Desk(stage="tuned").gauges()
    last = job.recorded[-1].moment
    now = Moment(START + timedelta(seconds=last.mono + wall), last.mono + mono if session == "one" else mono, session)
    (entry,) = job.judged(Candidate(statement=reading("effort", "1.1", "inH2O")), now)
    assert ids(entry) == (["clock_jumped"] if jumped else [])


def test_a_jump_is_said_once_and_counts_at_the_end_too() -> None:
    job = Desk(stage="tuned").gauges()
    job.judged(Candidate(statement=reading("effort", "1.1", "inH2O")), Moment(START + timedelta(hours=3), 21, "one"))
    (entry,) = job.judged(
        Candidate(statement=reading("effort", "1.1", "inH2O")), Moment(START + timedelta(hours=3, seconds=9), 30, "one")
    )
    assert ids(entry) == []
    first, last = job.finish()
    assert ids(first)[-1] == "clock_jumped"
    assert "moved by -180 minutes" in sentence(first, "clock_jumped")
    assert "clock_jumped" not in ids(last)


def test_sessions_without_a_name_are_told_apart_by_a_clock_that_began_anew() -> None:
    job = Desk(stage="tuned").gauges()
    job.judged(Candidate(statement=reading("effort", "1.1", "inH2O")), Moment(START, 900, ""))
    (entry,) = job.judged(
        Candidate(statement=reading("effort", "1.1", "inH2O")), Moment(START + timedelta(days=1), 2, "")
    )
    assert ids(entry) == []
