"""The list of jobs, those that need attention first."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from capture.record.times import parse_time
from capture.review import lookups
from capture.review import wording as w
from capture.review.badges import BAD, GOOD, OPEN, QUIET, Badge

PAGE = 50

KINDS: dict[lookups.Which, str] = {
    "look": "Need a look",
    "returned": "Queried or rejected",
    "unsigned": "To be signed",
    "unfinished": "Not finished",
    "all": "All jobs",
}
_NONE = {
    "look": "No job needs a look: everything that was doubtful, warned of or not within limits has been looked at.",
    "returned": "Nothing that was queried or rejected waits to be taken anew.",
    "unsigned": "No finished job waits for a signature.",
    "unfinished": "Every job is finished.",
    "all": "There are no jobs in this record yet.",
}


@dataclass(frozen=True)
class ListedJob:
    """One line of the list."""

    job: str
    unit: str
    reference: str
    procedure: str
    procedure_name: str
    tone: str
    badges: tuple[Badge, ...]
    about: str


def which(text: str) -> lookups.Which:
    """Which jobs an address asks for."""
    return text if text in KINDS else "look"


def listed(index: sqlite3.Connection, only: lookups.Which, page: int, now: datetime) -> dict[str, Any]:
    """What the template of the list needs.

    Args:
        index: the look-up index.
        only: which jobs.
        page: from 1.
        now: to tell how long ago something was.
    """
    by_attention = only != "all"
    found = lookups.jobs(index, by_attention=by_attention, only=only, limit=PAGE, skip=(page - 1) * PAGE)
    return {
        "kinds": KINDS.items(),
        "only": only,
        "told": _told(only, found.total),
        "none": _NONE[only],
        "jobs": [_job(row, now) for row in found.records()],
        "first": (page - 1) * PAGE + 1,
        "page": page,
        "pages": max(1, -(-found.total // PAGE)),
    }


def _told(only: lookups.Which, total: int) -> str:
    order = {"unsigned": "the one that waits longest first", "all": "the newest first"}.get(
        only, "those with most to look at first"
    )
    return f"{w.count(total, 'job')}, {order}." if total > 1 else f"{w.count(total, 'job')}."


def _job(row: dict[str, Any], now: datetime) -> ListedJob:
    badges = tuple(_badges(row))
    tone = BAD if row["failed"] or row["rejected"] else OPEN if row["attention"] else QUIET
    text = {name: w.plain(row[name]) for name in ("job", "unit", "reference", "procedure", "procedure_name")}
    about = [
        w.plain(row["reference"]) if row["unit"] else "",
        w.plain(row["technician"]),
        f"opened {w.day(row['opened'])}",
        f"last entry {ago(row['last'], now)}",
        w.count(int(row["entries"]), "entry", "entries"),
    ]
    return ListedJob(**text, tone=tone, badges=badges, about=" · ".join(part for part in about if part))


def _badges(row: dict[str, Any]) -> list[Badge]:
    found = []
    for name, symbol, words, tone in (
        ("attention", "▸", "to look at", OPEN),
        ("failed", "✕", "out of limits", BAD),
        ("undecided", "?", "undecided", OPEN),
        ("unconfirmed", "○", "not confirmed", OPEN),
        ("queried", "?", "queried", OPEN),
        ("rejected", "✕", "rejected", BAD),
    ):
        if row[name]:
            found.append(Badge(symbol, f"{row[name]} {words}", tone))
    ended = row["ended"] == "yes"
    if not ended:
        found.append(Badge("…", "not finished", QUIET))
    elif row["signed"]:
        found.append(Badge("✓", "signed", GOOD))
    else:
        found.append(Badge("–", "not signed", QUIET))
    return found


def ago(at: str, now: datetime) -> str:
    """How long ago an RFC 3339 time was, roughly: "3 hours ago"."""
    try:
        seconds = (now - parse_time(at)).total_seconds()
    except ValueError:
        return at
    if seconds < 0:
        return w.day(at)
    for size, name in ((86400 * 365, "year"), (86400 * 30, "month"), (86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= size:
            return f"{w.count(int(seconds // size), name)} ago"
    return "just now"
