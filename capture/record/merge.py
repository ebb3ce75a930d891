"""Taking all jobs of another record into this one: two workshops' ledgers become one, each with its proofs."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from capture.errors import IntegrityError, UsageError
from capture.record.bag import Progress, export_bag
from capture.record.bag_import import Imported, import_bag
from capture.record.connection import LEDGER
from capture.record.ledger import Record
from capture.record.signing import Moment
from capture.record.verify import verify


def is_record(path: Path) -> bool:
    """Whether a folder holds a record."""
    return (path / LEDGER).is_file()


def merge_record(record: Record, other: Path, moment: Moment, *, progress: Progress | None = None) -> Imported:
    """Verify another record and append all its jobs, whole, as from a bag of all of them; it is only read.

    Args:
        record: open for writing.
        other: the other record's folder.
        moment: now.
        progress: called now and then.

    Raises:
        UsageError: ``other`` is this record, or has no jobs.
        IntegrityError: it does not prove itself, or a job is here with other rows; nothing was imported.
        EnvironmentFault: the disk is full, read-only or failing.
    """
    if other.resolve() == record.folder.resolve():
        raise UsageError(f"{other}: this is the record itself; name another one.")
    found = verify(other, progress=progress)
    if not found.ok:
        raise IntegrityError(
            f"{other}: the record does not prove itself, so nothing was imported; 'benchwitness verify' names its "
            f"{len(found.faults)} faults."
        )
    work = Path(tempfile.mkdtemp(prefix=".merge-", dir=record.folder))
    try:
        with Record.open(other, writing=False) as source:
            jobs = [str(job) for (job,) in source._fetch("SELECT job FROM ledger GROUP BY job ORDER BY min(seq)", ())]
            if not jobs:
                raise UsageError(f"{other}: the record has no jobs; there is nothing to import.")
            export_bag(source, jobs, work / "bag", at=moment.at, source=other.name, progress=progress)
        return import_bag(record, work / "bag", moment, progress=progress)
    finally:
        shutil.rmtree(work, ignore_errors=True)
