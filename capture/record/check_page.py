"""Looking a page of rows through in one go: is all of it as the program writes it?

This is the quick look that nearly every page of nearly every record passes. It asks everything that ``check_rows`` asks
of single rows and names nothing: wherever anything at all is not as it should be, its answer is None, and the page is
gone through row by row. It needs the rows alone, so that any process can do it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from capture.record import chain
from capture.record.check_content import UUID7, Remarks
from capture.record.times import parse_time

COLUMNS = ("seq", "id", "job", "kind", "at", "mono", "session", "body", "prev", "hash")

Values = tuple[Any, ...]
"""A row as SQLite gives it, its ``COLUMNS``, text as bytes."""

Time = tuple[datetime, float]
"""A row's clock and its seconds."""


@dataclass(frozen=True)
class SoundPage:
    """A page of rows that follow one another, each what its hash says.

    first, prev: the first row's number and ``prev``.
    last, hash: the last row's number and hash.
    lines: the rows' lines of ``heads.txt``.
    sessions: the first and the last time of each session; within the page none of them runs back.
    remarks: what the rows gave.
    """

    first: int
    prev: str
    last: int
    hash: str
    lines: bytes
    sessions: dict[str, tuple[Time, Time]]
    remarks: Remarks


def look(page: Sequence[Values]) -> SoundPage | None:
    """Look a page through, at least one row; None when anything is not as it should be."""
    try:
        return _look(page)
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return None


def _look(page: Sequence[Values]) -> SoundPage | None:
    first, prev = page[0][0], page[0][8].decode()
    if first < 1:
        return None
    lines, remarks = [], Remarks()
    sessions: dict[str, tuple[Time, Time]] = {}
    before = prev
    for expected, values in enumerate(page, start=first):
        seq, _, _, _, _, mono, *_ = values
        if seq != expected or not isinstance(mono, float) or not math.isfinite(mono) or math.copysign(1, mono) < 0:
            return None
        before = _row(values, before, remarks, sessions)
        if not before:
            return None
        lines.append(f"{seq} {before}\n")
    return SoundPage(first, prev, page[-1][0], before, "".join(lines).encode(), sessions, remarks)


def _row(values: Values, before: str, remarks: Remarks, sessions: dict[str, tuple[Time, Time]]) -> str:
    """A row's hash; none when the row is not what it says, does not follow ``before``, or its session runs back."""
    seq, id_, job, kind, at, mono, session, text, prev, digest = values
    id_, job, kind, at, session = id_.decode(), job.decode(), kind.decode(), at.decode(), session.decode()
    text, prev, digest = text.decode(), prev.decode(), digest.decode()
    found = chain.row_hash(
        seq=seq, id_=id_, job=job, kind=kind, at=at, mono=mono, session=session, body=text, prev=prev
    )
    if found != digest or prev != before or not UUID7.fullmatch(id_):
        return ""
    body, canonical = chain.load_canonical(text)
    media = body.get("media", ())
    if media != []:
        remarks.point(seq, job, media)
    remarks.add(seq, id_, job, kind, body, itself=True)
    time = (parse_time(at), mono)
    earliest, last = sessions.get(session, (time, time))
    sessions[session] = (earliest, time)
    return digest if canonical and time[0] >= last[0] and mono >= last[1] else ""
