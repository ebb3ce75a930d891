"""Rows that the record's keeping writes, beside those of the bench: keys, signatures, purges, imports.

Their bodies have the keys of a judged entry (see ``capture.judge.entry``), so that every reader of entries can read
them; ``status`` is always "accepted", and they carry no value that could stand in a job.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from capture.errors import UsageError
from capture.record.ledger import Record
from capture.record.rows import Row

KEY, SIGNATURE, PURGED, IMPORTED = "key", "signature", "purged", "imported"
KINDS = frozenset({KEY, SIGNATURE, PURGED, IMPORTED})
"""The kinds of such rows; none of them changes what was measured or said."""


def body(kind: str, subject: str | None, data: Mapping[str, Any]) -> dict[str, Any]:
    """An entry's body with no words, verdict, warnings or advice."""
    return {
        "kind": kind,
        "stage": None,
        "subject": subject,
        "status": "accepted",
        "words": "",
        "data": dict(data),
        "verdict": None,
        "warnings": [],
        "advice": None,
        "replaces": None,
    }


def find_job(record: Record, given: str) -> str:
    """The id of the one job that ``given`` names: its whole id, or its beginning or end if only one job has that.

    Raises:
        UsageError: no job, or more than one.
    """
    if record._fetch("SELECT 1 FROM ledger WHERE job = ? LIMIT 1", (given,)):
        return given
    jobs = [str(job) for (job,) in record._fetch("SELECT DISTINCT job FROM ledger", ())]
    found = [job for job in jobs if given and (job.startswith(given) or job.endswith(given))]
    if len(found) == 1:
        return found[0]
    what = "no job" if not found else f"{len(found)} jobs, not one,"
    raise UsageError(f"{record.folder}: {what} named {given!r}; 'benchwitness jobs' lists the jobs with their ids.")


def job_rows(record: Record, job: str) -> list[Row]:
    """All rows of a job.

    Raises:
        UsageError: there is no such job.
    """
    rows = list(record.rows(job))
    if not rows:
        raise UsageError(f"{record.folder}: no job named {job!r}; 'benchwitness jobs' lists the jobs with their ids.")
    return rows
