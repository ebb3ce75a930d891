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
    if record.has_job(given):
        return given
    found = [job for job in job_ids(record) if given and (job.startswith(given) or job.endswith(given))]
    if len(found) == 1:
        return found[0]
    what = "no job" if not found else f"{len(found)} jobs, not one,"
    raise UsageError(f"{record.folder}: {what} named {given!r}; 'benchwitness jobs' lists the jobs with their ids.")


def job_ids(record: Record) -> list[str]:
    """The ids of all jobs, in the order of the ids; one step in the ledger's index a job, not a row."""
    return [str(job) for (job,) in record._fetch(_IDS, ())]


def latest_job(record: Record) -> str | None:
    """The job that was opened last, or None when there is no job."""
    opened = "SELECT job FROM ledger WHERE kind = 'opened' ORDER BY seq DESC LIMIT 1"
    found = record._fetch(opened, ()) or record._fetch("SELECT job FROM ledger ORDER BY seq DESC LIMIT 1", ())
    return str(found[0][0]) if found else None


_IDS = """
WITH RECURSIVE known(job) AS (
  SELECT min(job) FROM ledger
  UNION ALL
  SELECT (SELECT min(job) FROM ledger WHERE job > known.job) FROM known WHERE known.job IS NOT NULL
)
SELECT job FROM known WHERE job IS NOT NULL
"""


def job_rows(record: Record, job: str) -> list[Row]:
    """All rows of a job.

    Raises:
        UsageError: there is no such job.
    """
    rows = list(record.rows(job))
    if not rows:
        raise UsageError(f"{record.folder}: no job named {job!r}; 'benchwitness jobs' lists the jobs with their ids.")
    return rows
