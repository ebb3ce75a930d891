"""The owner's certificates as the review pages hand them out."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from capture.record import verify
from capture.record.keys import keys_folder
from capture.record.trust import trusted
from capture.review.certificate import Checked, certify
from capture.review.certificate_file import written
from capture.review.pages.act import now

if TYPE_CHECKING:
    from capture.record import Head, Record

FORMS = {"pdf": "application/pdf", "html": "text/html"}
"""What a certificate can be had as."""

_FRESH_S = 300.0
"""For how long a verification counts when nothing was written since."""


class Certificates:
    """Makes certificates. The whole record is verified before one is made, unless that was done just before.

    Args:
        record: open.
    """

    def __init__(self, record: Record) -> None:
        self._record = record
        self._one_at_a_time = threading.Lock()
        self._known: tuple[Head, float, Checked] | None = None

    def made(self, job: str, form: str) -> bytes:
        """A job's certificate, or the sheet that says why there is none, as a file's bytes.

        Args:
            job: the job's whole id.
            form: one of ``FORMS``.

        Raises:
            UsageError: there is no such job, or the list of trusted keys cannot be read.
            EnvironmentFault: the record cannot be read.
        """
        with self._one_at_a_time:
            checked = self._checked()
        return written(certify(self._record, job, checked, trusted(keys_folder()), now()), f".{form}")

    def _checked(self) -> Checked:
        head = self._record.head()
        if self._known is not None and self._known[0] == head and time.monotonic() - self._known[1] < _FRESH_S:
            return self._known[2]
        checked = Checked.of(verify(self._record.folder), now())
        self._known = (head, time.monotonic(), checked)
        return checked
