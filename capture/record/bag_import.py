"""Taking the jobs of a bag into a record: checked first, whole jobs, nothing overwritten.

Every imported row keeps its id, job, kind, time and session and its place in the chain that it came from (see
``origin``), and is chained into this record. After a job's rows comes one of kind "imported", which says where they
came from and holds the links of their old chain, so that both proofs can be followed.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from capture.errors import IntegrityError, UsageError
from capture.record import admin
from capture.record.bag_check import Bag, checked_bag
from capture.record.bag_format import refused
from capture.record.bag_zip import unpack
from capture.record.bulk import Draft, append_all
from capture.record.ledger import Record
from capture.record.media import digest_of
from capture.record.origin import layers, with_origin
from capture.record.rows import MediaRef, Row
from capture.record.signing import Moment
from capture.record.signing import digest_of as digest_of_hashes
from capture.record.trouble import told_plainly

Progress = Callable[[str, int, int], None]

LINKS_TYPE = "application/jsonl"


@dataclass(frozen=True)
class Imported:
    """What an import did: the ids of jobs that are new here, that got more rows, and that were here already; how many
    rows were appended."""

    new: tuple[str, ...]
    longer: tuple[str, ...]
    known: tuple[str, ...]
    rows: int


def import_bag(record: Record, path: Path, moment: Moment, *, progress: Progress | None = None) -> Imported:
    """Check a bag and append its jobs.

    Args:
        record: open for writing.
        path: the bag's folder or ZIP archive.
        moment: now.
        progress: called now and then.

    Raises:
        UsageError: there is no bag at ``path``.
        IntegrityError: anything about the bag is wrong, or one of its jobs is here with other rows; nothing was
            imported.
        EnvironmentFault: the disk is full, read-only or failing; jobs imported before that stay, do it again.
    """
    told = progress or (lambda what, done, total: None)
    with opened_bag(path, record.folder, told) as bag:
        plans = [_plan(record, bag, path, job) for job in bag.jobs]
        source = digest_of(bag.folder / "tagmanifest-sha256.txt")
        purged = purged_media(record)
        for done, plan in enumerate(plans, start=1):
            if plan.fresh:
                _store(record, bag, plan, moment, source, purged)
            told("imported jobs", done, len(plans))
    return Imported(
        new=tuple(plan.job for plan in plans if plan.fresh and not plan.known),
        longer=tuple(plan.job for plan in plans if plan.fresh and plan.known),
        known=tuple(plan.job for plan in plans if not plan.fresh),
        rows=sum(plan.fresh + 1 for plan in plans if plan.fresh),
    )


@contextmanager
def opened_bag(path: Path, near: Path, progress: Progress | None = None) -> Iterator[Bag]:
    """A bag at ``path``, folder or archive, checked; ``near`` is a folder on a disk with room to unpack it.

    Raises:
        UsageError, IntegrityError: as ``import_bag``.
    """
    if not path.exists() or path.is_symlink():
        raise UsageError(f"{path}: there is no bag here; name the folder or the ZIP archive that an export wrote.")
    with told_plainly(path):
        work = Path(tempfile.mkdtemp(prefix=".import-", dir=near))
        try:
            folder = path
            if not path.is_dir():
                folder = work / "bag"
                folder.mkdir()
                faults = unpack(path, folder)
                if faults:
                    raise refused(path, faults)
            with checked_bag(folder, path, work, progress) as bag:
                yield bag
        finally:
            shutil.rmtree(work, ignore_errors=True)


def purged_media(record: Record) -> frozenset[str]:
    """The SHA-256 of every file that was purged from this record on purpose."""
    found = record._fetch(
        "SELECT json_extract(f.value, '$.sha256') FROM ledger, json_each(ledger.body, '$.data.files') AS f "
        "WHERE ledger.kind = ?",
        (admin.PURGED,),
    )
    return frozenset(str(digest) for (digest,) in found)


@dataclass(frozen=True)
class _Plan:
    """What to do with a job: the first ``known`` of its rows are here, ``fresh`` are not."""

    job: str
    known: int
    fresh: int


def _plan(record: Record, bag: Bag, path: Path, job: str) -> _Plan:
    rows = bag.rows(job)
    for row in rows:
        found = record._fetch("SELECT job FROM ledger WHERE id = ?", (row.id,))
        if found and found[0][0] != job:
            raise refused(path, [f"row {row.seq} (id {row.id}) of job {job} is here as a row of job {found[0][0]}"])
    here = list(record.rows(job))
    if not here:
        return _Plan(job, 0, len(rows))
    mine = {row.id: row for row in here}
    known = [row for row in rows if row.id in mine]
    same = all({layer.hash for layer in layers(row)} & {layer.hash for layer in layers(mine[row.id])} for row in known)
    if same and len(known) == len(rows):
        return _Plan(job, len(rows), 0)
    if same and known == rows[: len(known)] and _only_from_there(here, known):
        return _Plan(job, len(known), len(rows) - len(known))
    raise IntegrityError(
        f"{path}: job {job} is in this record already, with other rows than in the bag, and nothing is overwritten; "
        "nothing was imported: compare the two records and leave this job out of the bag."
    )


def _only_from_there(here: Sequence[Row], known: Sequence[Row]) -> bool:
    """Whether all that this record has of a job, but for its own notes of imports, came from the bag's ledger."""
    there = {row.hash for row in known}
    return all(row.kind == admin.IMPORTED or any(layer.hash in there for layer in layers(row)[1:2]) for row in here)


def _store(record: Record, bag: Bag, plan: _Plan, moment: Moment, source: str, purged: frozenset[str]) -> None:
    rows = bag.rows(plan.job)
    for ref in dict.fromkeys(ref for row in rows[plan.known :] for ref in row.media):
        if bag.holds(ref.sha256) and ref.sha256 not in purged:
            stored = record.put_media(bag.media(ref.sha256), ref.kind, ref.media_type)
            if stored.sha256 != ref.sha256:
                raise IntegrityError(f"{ref.sha256}: the bag's file was changed while it was read; import it again.")
    links = record.put_media(bag.links_of(plan.job).encode(), "links", LINKS_TYPE)
    append_all(record, _drafts(bag, plan, rows, moment, source, links))


def _drafts(
    bag: Bag, plan: _Plan, rows: Sequence[Row], moment: Moment, source: str, links: MediaRef
) -> Iterator[Draft]:
    for row in rows[plan.known :]:
        body = with_origin(row.body, row.seq, row.prev, row.hash)
        del body["media"]
        yield Draft(row.job, row.kind, body, row.at, row.mono, row.session, row.media, row.id)
    data = {
        "bag": source,
        "source": bag.about["source"],
        "exported": bag.about["exported"],
        "head": bag.about["head"],
        "rows": len(rows),
        "digest": digest_of_hashes(row.hash for row in rows),
    }
    body = admin.body(admin.IMPORTED, None, data)
    yield Draft(plan.job, admin.IMPORTED, body, moment.at, 0.0, moment.session, [links])
