"""The inner layer of a bag: do its rows prove themselves, are its jobs whole, is every file accounted for?"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from capture.errors import CaptureError
from capture.record import admin, chain
from capture.record import bag_format as form
from capture.record.bag_tree import check_tree
from capture.record.media import digest_of
from capture.record.provenance import job_faults
from capture.record.rows import Head, Row
from capture.record.signatures import job_signatures, purge_holds

Progress = Callable[[str, int, int], None]

_LINKS = """
CREATE TABLE link (
  seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, job TEXT NOT NULL, kind TEXT, at TEXT, mono REAL, session TEXT,
  body TEXT, prev TEXT NOT NULL, hash TEXT NOT NULL, own INTEGER NOT NULL
);
CREATE INDEX link_job ON link (job, seq);
"""
_BROKEN = "SELECT b.seq, b.own FROM link AS a JOIN link AS b ON b.seq = a.seq + 1 WHERE b.prev <> a.hash ORDER BY b.seq"
_ASTRAY = "SELECT min(seq), job FROM link WHERE own = 0 AND job IN (SELECT job FROM link WHERE own = 1) GROUP BY job"
_HOLES = """
SELECT job, before, seq FROM (
  SELECT job, own, seq, place, lag(seq) OVER job AS before, lag(place) OVER job AS before_place
  FROM (SELECT job, own, seq, row_number() OVER (ORDER BY seq) AS place FROM link)
  WINDOW job AS (PARTITION BY job ORDER BY seq)
) WHERE own = 1 AND before IS NOT NULL AND seq - before <= :bridge AND place - before_place < seq - before
"""


@dataclass(frozen=True)
class Bag:
    """A bag that was checked: its folder, what ``record.json`` says, and its chain's links in a database."""

    folder: Path
    about: dict[str, Any]
    links: sqlite3.Connection

    @property
    def jobs(self) -> tuple[str, ...]:
        """The ids of its jobs, in its own order."""
        return tuple(job["job"] for job in self.about["jobs"])

    @property
    def head(self) -> Head:
        """The head of the record that it came from."""
        return Head(self.about["head"]["seq"], self.about["head"]["hash"])

    def rows(self, job: str) -> list[Row]:
        """A job's rows, read and recomputed again.

        Raises:
            ValueError: the file has been changed since it was checked.
        """
        return [form.read_row(line) for line in _lines(self.folder / form.job_path(job))]

    def media(self, digest: str) -> bytes:
        """A file's bytes."""
        return (self.folder / form.media_path(digest)).read_bytes()

    def holds(self, digest: str) -> bool:
        """Whether the bag holds this file."""
        return (self.folder / form.media_path(digest)).is_file()

    def links_of(self, job: str) -> str:
        """The lines of all rows that are not the job's own between its first and its last."""
        columns = "seq, id, job, kind, at, mono, session, body, prev, hash"
        found = self.links.execute(
            f"SELECT {columns} FROM link WHERE job <> :job AND seq > (SELECT min(seq) FROM link WHERE job = :job) "
            "AND seq < (SELECT max(seq) FROM link WHERE job = :job) ORDER BY seq",
            {"job": job},
        )
        return "".join(f"{form.link_line(form.Link(*values))}\n" for values in found)


@contextmanager
def checked_bag(folder: Path, name: object, work: Path, progress: Progress | None = None) -> Iterator[Bag]:
    """Check a bag's folder in and out; nothing of it is trusted before.

    Args:
        folder: the bag.
        name: what the bag is called in messages.
        work: an empty folder for the check's own notes.
        progress: called now and then.

    Raises:
        IntegrityError: anything at all is wrong; the message names the files.
    """
    faults, payload = check_tree(folder)
    if faults:
        raise form.refused(name, faults)
    with closing(sqlite3.connect(work / "links.sqlite", isolation_level=None, check_same_thread=False)) as links:
        links.executescript(f"PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;{_LINKS}BEGIN;")
        check = _Check(folder, payload, links, progress or (lambda what, done, total: None))
        about = check.run()
        if check.faults or about is None:
            raise form.refused(name, check.faults)
        yield Bag(folder, about, links)


class _Check:
    def __init__(self, folder: Path, payload: frozenset[str], links: sqlite3.Connection, progress: Progress) -> None:
        self.folder, self.payload, self.links, self.progress = folder, payload, links, progress
        self.faults: list[str] = []
        self.digested: dict[str, bool] = {}
        self.expected: set[str] = {form.RECORD, form.LINKS, form.README}

    def run(self) -> dict[str, Any] | None:
        about = self._about()
        if about is None:
            return None
        for done, job in enumerate(about["jobs"], start=1):
            self._job(job)
            self.progress("jobs", done, len(about["jobs"]))
        self._links()
        self._chain(about)
        for name in sorted(self.payload - self.expected):
            self.faults.append(f"{name}: no row of the bag accounts for this file")
        return about

    def _about(self) -> dict[str, Any] | None:
        try:
            (line,) = _lines(self.folder / form.RECORD)
            about = chain.load(line)
            good = (
                about["format"] == form.FORMAT
                and type(about["head"]["seq"]) is int
                and isinstance(about["head"]["hash"], str)
                and isinstance(about["source"], str)
                and isinstance(about["exported"], str)
                and isinstance(about["jobs"], list)
                and bool(about["jobs"])
                and all(form.is_uuid7(job["job"]) for job in about["jobs"])
                and len({job["job"] for job in about["jobs"]}) == len(about["jobs"])
                and chain.canonical(about) == line
            )
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            good = False
        if good:
            return dict(about)
        self.faults.append(f"{form.RECORD}: it is not what an export of this version writes")
        return None

    def _job(self, stated: dict[str, Any]) -> None:
        job, name = stated["job"], form.job_path(stated["job"])
        self.expected |= {name, form.report_path(job)}
        try:
            rows = [form.read_row(line) for line in _lines(self.folder / name)]
            self._rows(name, job, rows, stated)
            self._files(name, rows)
            self._proofs(name, rows)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, CaptureError) as error:
            reason = error.strerror if isinstance(error, OSError) else error
            self.faults.append(f"{name}: {reason}")

    def _rows(self, name: str, job: str, rows: list[Row], stated: dict[str, Any]) -> None:
        if not rows or rows[0].kind != "opened":
            raise ValueError("the job is not whole: it does not begin with its opening")
        if form.describe({job: rows}) != [stated]:
            raise ValueError(f"its rows are not those that {form.RECORD} speaks of")
        for row in rows:
            if row.job != job:
                raise ValueError(f"row {row.seq} (id {row.id}) is of another job")
            self._add(form.link_of(row), own=True)
        if [row.seq for row in rows] != sorted(row.seq for row in rows):
            raise ValueError("its rows are not in their order")

    def _files(self, name: str, rows: list[Row]) -> None:
        purged = {item["sha256"] for row in rows if row.kind == admin.PURGED for item in row.body["data"]["files"]}
        for row in rows:
            for ref in row.media:
                path = form.media_path(ref.sha256)
                self.expected.add(path)
                if path not in self.payload:
                    if ref.sha256 not in purged:
                        self.faults.append(f"{path}: the file is missing; row {row.seq} of {name} points to it")
                elif (self.folder / path).stat().st_size != ref.size or not self._is_itself(path, ref.sha256):
                    self.faults.append(f"{path}: it is not the file that row {row.seq} of {name} points to")

    def _is_itself(self, path: str, digest: str) -> bool:
        if path not in self.digested:
            self.digested[path] = digest_of(self.folder / path) == digest
        return self.digested[path]

    def _proofs(self, name: str, rows: list[Row]) -> None:
        for path, content in form.derived_files(rows).items():
            self.expected.add(path)
            if path not in self.payload or (self.folder / path).read_bytes() != content:
                self.faults.append(f"{path}: it is not what the rows of {name} hold")
        for one in job_signatures(rows):
            self.faults += [f"{name}: the signature in row {one.row} does not hold: {why}" for why in one.faults]
        self.faults += [f"{name}: {fault.where}: {fault.what}" for fault in job_faults(rows, self._read)]
        for row in rows:
            if row.kind == admin.PURGED and purge_holds(rows, row) is False:
                self.faults.append(f"{name}: the signature of the purge in row {row.seq} does not hold")

    def _read(self, digest: str) -> bytes:
        return (self.folder / form.media_path(digest)).read_bytes()

    def _links(self) -> None:
        try:
            for line in _lines(self.folder / form.LINKS):
                self._add(form.read_link(line), own=False)
        except ValueError as error:
            self.faults.append(f"{form.LINKS}: {error}")

    def _add(self, link: form.Link, *, own: bool) -> None:
        values = astuple(link)
        try:
            self.links.execute("INSERT INTO link VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", (*values, own))
        except sqlite3.IntegrityError:
            raise ValueError(f"row {link.seq} (id {link.id}) is in the bag twice") from None

    def _chain(self, about: dict[str, Any]) -> None:
        """The chain from each job's first row to its last: joined, with no hole, and nothing of the job left out."""
        where = form.LINKS
        for seq, own in self.links.execute(_BROKEN):
            self.faults.append(f"{self._name(seq) if own else where}: row {seq} does not follow the row before it")
        for seq, job in self.links.execute(_ASTRAY):
            self.faults.append(f"{form.job_path(job)}: the job is not whole: row {seq} is missing")
        for job, before, seq in self.links.execute(_HOLES, {"bridge": form.BRIDGE}):
            self.faults.append(f"{where}: rows between {before} and {seq} of the chain are missing (job {job})")
        first = self.links.execute("SELECT prev FROM link WHERE seq = 1").fetchone()
        if first is not None and first[0] != chain.GENESIS:
            self.faults.append(f"{self._name(1)}: row 1 does not begin a chain of this program")
        (last,) = self.links.execute("SELECT max(seq) FROM link").fetchone()
        head = self.links.execute("SELECT hash FROM link WHERE seq = ?", (about["head"]["seq"],)).fetchone()
        if (last or 0) > about["head"]["seq"] or (head is not None and head[0] != about["head"]["hash"]):
            self.faults.append(f"{form.RECORD}: its head is not the chain's")

    def _name(self, seq: int) -> str:
        job, own = self.links.execute("SELECT job, own FROM link WHERE seq = ?", (seq,)).fetchone()
        return form.job_path(job) if own else form.LINKS


def _lines(path: Path) -> Iterator[str]:
    with path.open("rb") as stream:
        while line := stream.readline(form.LONGEST_LINE):
            if not line.endswith(b"\n"):
                raise ValueError("a line is too long or has no end")
            yield line[:-1].decode()
