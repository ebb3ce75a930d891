"""Jobs by their ids: all of them at a glance, and the one that somebody names by a part of its id."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Any

from capture.record import JobSummary, admin
from capture.review.lookups_index import near_index

if TYPE_CHECKING:
    from capture.record import Record

_LAST = "\U0010ffff"
_SURROGATES = 0xD800, 0xDFFF
"""No characters: no text holds them."""


def summaries(index: sqlite3.Connection) -> list[JobSummary]:
    """All jobs, in the order of their first rows; ``index``: see ``lookups_index.open_index``."""
    found = index.execute(
        "SELECT job, procedure, procedure_name, version, technician, reference, unit, opened, last, ended = 1, rows, "
        "readings, warnings FROM job ORDER BY first_seq"
    )
    return [_summary(values) for values in found]


def _summary(values: tuple[Any, ...]) -> JobSummary:
    job, procedure, name, version, technician, reference, unit, opened, last, ended, rows, readings, warnings = values
    return JobSummary(
        job, procedure, name, version, technician, reference, unit, opened, last, bool(ended), rows, readings, warnings
    )


def find_job(record: Record, given: str) -> str:
    """As ``admin.find_job``, by the look-up index where that is at hand.

    Raises:
        UsageError: no job, or more than one.
    """
    with near_index(record.folder) as index:
        found = [] if index is None else _beginning_or_ending(index, given)
    return found[0] if len(found) == 1 and record.has_job(found[0]) else admin.find_job(record, given)


def _beginning_or_ending(index: sqlite3.Connection, given: str) -> list[str]:
    """At most two jobs whose ids begin or end so."""
    if not given:
        return []
    back = given[::-1]
    found = index.execute(
        "SELECT job FROM job WHERE (job >= ?1 AND job < ?2) OR (backwards >= ?3 AND backwards < ?4) LIMIT 2",
        (given, _after(given), back, _after(back)),
    )
    return [str(job) for (job,) in found]


def _after(beginning: str) -> str | bytes:
    """What SQLite sorts next after every text that begins so: the last character but one more, else no text at all."""
    kept = beginning.rstrip(_LAST)
    if not kept:
        return b""
    code = ord(kept[-1]) + 1
    return kept[:-1] + chr(code if not _SURROGATES[0] <= code <= _SURROGATES[1] else _SURROGATES[1] + 1)
