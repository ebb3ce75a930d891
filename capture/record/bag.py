"""Writing jobs into a bag (see ``bag_format``) that proves itself wherever it is taken."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from capture import __version__
from capture.errors import IntegrityError, UsageError
from capture.record import admin, chain
from capture.record import bag_format as form
from capture.record.bag_zip import pack
from capture.record.ledger import Record
from capture.record.ledger import _row as stored_row
from capture.record.media import digest_of, flush_folder
from capture.record.rows import Row
from capture.record.trouble import told_plainly

Progress = Callable[[str, int, int], None]

_SPAN = (
    "SELECT seq, id, job, kind, at, mono, session, body, prev, hash FROM ledger "
    "WHERE seq BETWEEN ? AND ? ORDER BY seq LIMIT 500"
)

_README = """This bag holds jobs of a Benchwitness record.

jobs/JOB.jsonl      one line a row: the canonical JSON (RFC 8785) of at, body, hash, id, job, kind, mono, prev, seq
                    and session. A row's hash is the SHA-256 of the canonical JSON of all of these but hash, with
                    body replaced by the SHA-256 of the body's canonical JSON. prev is the hash of row seq - 1.
links.jsonl         rows of other jobs in between, with that SHA-256 for their body, so that the chain can be followed
record.json         the jobs, and the number and hash of the last row that the record had (its head)
media/              clips, pictures and files; each is named by the SHA-256 of its bytes
keys/, signatures/  openssl pkeyutl -verify -rawin -pubin -inkey keys/KEY.pem \\
                      -in signatures/ROW.statement -sigfile signatures/ROW.sig
reports/            for reading; the rows are what counts

The record supports a reviewer's own judgement. It does not replace the maker's manual, local rules or a qualified
person. Voices in the clips are personal data of those who speak.
"""


@dataclass(frozen=True)
class Exported:
    """A bag that was written: where, how many jobs, rows, links and media files, and media that are not in it because
    they were purged on purpose."""

    path: Path
    jobs: int
    rows: int
    links: int
    media: int
    purged: int


def export_bag(
    record: Record,
    jobs: Sequence[str],
    target: Path,
    *,
    at: str,
    source: str = "",
    reports: Mapping[str, str] | None = None,
    progress: Progress | None = None,
) -> Exported:
    """Write jobs into a new bag.

    Args:
        record: open.
        jobs: their whole ids.
        target: the new folder, or the new archive when it ends in ".zip"; there is nothing yet, or an empty folder.
        at: now, as an RFC 3339 time.
        source: who sends it, one line.
        reports: HTML reports by job id.
        progress: called now and then.

    Raises:
        UsageError: there is something at ``target``, no job was named, or one is not there.
        IntegrityError: a row or a file is not what it was; verify the record.
        EnvironmentFault: the disk is full, read-only or failing.
    """
    target = Path(target)
    zipped = target.suffix.lower() == ".zip"
    if target.is_file() or target.is_symlink() or (target.is_dir() and (zipped or any(target.iterdir()))):
        raise UsageError(f"{target}: there is something already, and nothing is overwritten; name a new place.")
    if not jobs:
        raise UsageError(f"{record.folder}: no job was named for export; name one or more, or --all.")
    work = target.absolute().parent / f".incoming-{secrets.token_hex(6)}"
    with told_plainly(target):
        work.mkdir(parents=True)
        try:
            writer = _Writer(record, work, progress or (lambda what, done, total: None))
            writer.write(list(dict.fromkeys(jobs)), at, " ".join(source.split()), reports or {})
            _place(work, target, zipped)
        finally:
            shutil.rmtree(work, ignore_errors=True)
    return Exported(target, writer.jobs, writer.rows, writer.links, len(writer.media), len(writer.purged))


def _place(work: Path, target: Path, zipped: bool) -> None:
    if not zipped:
        if target.is_dir():
            target.rmdir()
        work.rename(target)
    else:
        with target.open("xb") as stream:
            try:
                pack(work, stream)
                stream.flush()
                os.fsync(stream.fileno())
            except BaseException:
                target.unlink(missing_ok=True)
                raise
    flush_folder(target.absolute().parent)


class _Writer:
    def __init__(self, record: Record, folder: Path, progress: Progress) -> None:
        self.record, self.folder, self.progress = record, folder, progress
        self.jobs = self.rows = self.links = 0
        self.media: set[str] = set()
        self.purged: set[str] = set()

    def write(self, jobs: Sequence[str], at: str, source: str, reports: Mapping[str, str]) -> None:
        """Everything, payload first, tag files last."""
        head = self.record.head()
        listed, spans = [], []
        for done, job in enumerate(jobs, start=1):
            rows = [row for row in admin.job_rows(self.record, job) if row.seq <= head.seq]
            self._write_job(job, rows)
            listed += form.describe({job: rows})
            spans += _spans([row.seq for row in rows])
            if job in reports:
                self._put(form.report_path(job), reports[job].encode())
            self.progress("jobs", done, len(jobs))
        self._write_links(frozenset(jobs), _merged(spans))
        about = {
            "format": form.FORMAT,
            "program": f"benchwitness {__version__}",
            "exported": at,
            "source": source,
            "head": {"seq": head.seq, "hash": head.hash},
            "jobs": listed,
        }
        self._put(form.RECORD, f"{chain.canonical(about)}\n".encode())
        self._put(form.README, _README.encode())
        self._write_tags(at, source, len(jobs))

    def _write_job(self, job: str, rows: Sequence[Row]) -> None:
        if not form.is_uuid7(job):
            raise UsageError(f"Job {job}: its id is not a UUIDv7, so it cannot be moved; only jobs of a bench can.")
        for row in rows:
            _check(self.record, row, form.link_hash(form.link_of(row)) == row.hash)
        self._put(form.job_path(job), "".join(f"{form.row_line(row)}\n" for row in rows).encode())
        gone = {item["sha256"] for row in rows if row.kind == admin.PURGED for item in row.body["data"]["files"]}
        for row in rows:
            for ref in row.media:
                self._write_medium(ref.sha256, ref.sha256 in gone)
        for path, content in form.derived_files(rows).items():
            if not (self.folder / path).exists():
                self._put(path, content)
        self.jobs += 1
        self.rows += len(rows)

    def _write_medium(self, digest: str, purged: bool) -> None:
        if digest in self.media:
            return
        if purged and not self.record.media_path(digest).exists():
            self.purged.add(digest)
            return
        self._put(form.media_path(digest), self.record.read_media(digest))
        self.media.add(digest)

    def _write_links(self, jobs: frozenset[str], spans: Sequence[tuple[int, int]]) -> None:
        path = self.folder / form.LINKS
        before = None
        with path.open("xb") as stream:
            for row in self._rows_of(spans):
                joined = before is None or before.seq + 1 != row.seq or before.hash == row.prev
                link = form.link_of(row)
                _check(self.record, row, joined and form.link_hash(link) == row.hash)
                before = row
                if row.job not in jobs:
                    stream.write(f"{form.link_line(link)}\n".encode())
                    self.links += 1

    def _rows_of(self, spans: Sequence[tuple[int, int]]) -> Iterator[Row]:
        for first, last in spans:
            while first <= last:
                page = self.record._fetch(_SPAN, (first, last))
                yield from (stored_row(values) for values in page)
                first = page[-1][0] + 1 if page else last + 1

    def _write_tags(self, at: str, source: str, jobs: int) -> None:
        payload = sorted(path for path in (self.folder / "data").rglob("*") if path.is_file())
        octets = sum(path.stat().st_size for path in payload)
        info = [
            f"Bag-Software-Agent: benchwitness {__version__}",
            f"Bagging-Date: {at[:10]}",
            f"External-Description: {jobs} {'job' if jobs == 1 else 'jobs'} of a service bench's record",
            f"Payload-Oxum: {octets}.{len(payload)}",
            *([f"Source-Organization: {source}"] if source else []),
        ]
        self._put("bagit.txt", form.BAGIT)
        self._put("bag-info.txt", "".join(f"{line}\n" for line in info).encode())
        self._put(form.MANIFEST, _manifest(self.folder, payload))
        self._put(form.TAG_MANIFEST, _manifest(self.folder, [self.folder / name for name in form.TAG_FILES]))

    def _put(self, name: str, content: bytes) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())


def _manifest(folder: Path, paths: Sequence[Path]) -> bytes:
    return "".join(f"{digest_of(path)}  {path.relative_to(folder).as_posix()}\n" for path in paths).encode()


def _check(record: Record, row: Row, good: bool) -> None:
    if not good:
        raise IntegrityError(
            f"{record.folder}: row {row.seq} (id {row.id}) does not prove itself, so nothing was exported; "
            "run 'benchwitness verify' and see what it names."
        )


def _spans(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """From a job's first row to its last, interrupted where two rows lie too far apart to be bridged."""
    spans = [(numbers[0], numbers[0])]
    for number in numbers[1:]:
        if number - spans[-1][1] > form.BRIDGE:
            spans.append((number, number))
        else:
            spans[-1] = (spans[-1][0], number)
    return spans


def _merged(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order, those that overlap or touch made one."""
    merged: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return merged
