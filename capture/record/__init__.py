"""The record of all jobs: an append-only ledger, hash-chained, and the media its rows point to.

A record is a folder::

    ledger.sqlite   the rows (see ``schema``), readable with any SQLite tool through the views
                    job, reading, warning and medium
    media/ab/ab12…  every clip, photo and file, named by the SHA-256 of its bytes
    heads.txt       one line a row, written after its commit: "seq hash"; shows rows that got lost

Open one with ``Record.open``, make one with ``Record.create``, check one with ``verify``.
"""

from __future__ import annotations

from capture.record.ledger import Record
from capture.record.rows import Fault, Head, JobSummary, MediaRef, Row, Verification
from capture.record.verify import verify

__all__ = ["Fault", "Head", "JobSummary", "MediaRef", "Record", "Row", "Verification", "verify"]
