"""What a batch of ledger rows adds to each job in the look-up index."""

from __future__ import annotations

from typing import Any

from capture.record import admin, chain
from capture.record.decisions import REVIEWED
from capture.record.times import parse_time

HEADERS = frozenset({"opened", "resumed", "reopened", "handed_over"})
"""Rows that may say who works on the job from then on."""

WRITE_JOB = (
    "INSERT INTO job (job, backwards, first_seq, opened, opened_s, last, ended, entries, signed, rows, readings, "
    "warnings) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET last = excluded.last, "
    "ended = CASE excluded.ended WHEN 0 THEN ended ELSE excluded.ended END, "
    "entries = entries + excluded.entries, signed = signed + excluded.signed, rows = rows + excluded.rows, "
    "readings = readings + excluded.readings, warnings = warnings + excluded.warnings"
)
"""Takes ``JobNow.values``."""

_NO_ENTRIES = HEADERS | admin.KINDS | {"source", "paused", REVIEWED}
_WARNINGS = '"warnings":'


class JobNow:
    """Counts the rows of one job in a batch.

    Args:
        job: its id.
        seq, at: number and time of the first of these rows.
    """

    def __init__(self, job: str, seq: int, at: str) -> None:
        self._begun = (job, job[::-1], seq, at, seconds_of(at))
        self._last = at
        self._ended = self._entries = self._signed = self._rows = self._readings = self._warnings = 0

    def count(self, kind: str, at: str, body: str) -> None:
        """One row; ``body`` is its text."""
        self._last = at
        self._rows += 1
        self._entries += kind not in _NO_ENTRIES
        self._signed += kind == admin.SIGNATURE
        self._readings += kind == "reading"
        self._warnings += _warnings(body)
        if kind == "job_end":
            self._ended = 1
        elif kind == "reopened":
            self._ended = -1

    def values(self) -> tuple[Any, ...]:
        """For ``WRITE_JOB``."""
        counts = (self._entries, self._signed, self._rows, self._readings, self._warnings)
        return (*self._begun, self._last, self._ended, *counts)


def _warnings(body: str) -> int:
    """How many warnings an entry carries; only where there may be one the whole body is read."""
    if body.count(_WARNINGS) == body.count(f"{_WARNINGS}[]") <= 1:
        return 0
    try:
        found = chain.load(body).get("warnings")
    except (ValueError, AttributeError):
        return 0
    return len(found) if isinstance(found, list) else 0


def seconds_of(at: str) -> float:
    """An RFC 3339 time as seconds since 1970, UTC."""
    return parse_time(at).timestamp()
